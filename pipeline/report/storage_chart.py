"""One tube's stored water in the site's layers, with its 95 % interval and rain above."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.report.hand_rounds import hand_entry, hand_means, hand_storage
from pipeline.report.marks import draw_flagged
from pipeline.report.rain_panel import draw_rain
from pipeline.report.storage_lines import (
    COVERAGE,
    StoredWater,
    band_entry,
    draw_line,
    find_doubtful,
    padded_limits,
    tube_storage,
)
from pipeline.report.style import (
    GRID,
    INK,
    PALETTE,
    Look,
    drawing,
    gap_entries,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
    subtitle,
)
from pipeline.report.time_columns import Columns, logged_every, make_columns, show_time
from pipeline.site.models import Layer, Site
from pipeline.words import bounds_cm

_LEFT, _WIDTH = 0.80, 4.32  # inches
_TOP, _RAIN, _GAP, _STORAGE, _BELOW = 0.80, 0.68, 0.14, 2.7, 0.76
_LABEL_SHARE = 0.13  # height of a layer's label, of the panel


def draw_storage(
    site: Site,
    tube: str,
    products: xr.Dataset,
    rain: xr.DataArray | None,
    rounds: pd.DataFrame,
    path: Path,
) -> Path:
    """Draw the stored water of one tube, a line for each layer of the site, as PNG.

    The band holds 95 % of a normal distribution whose variance is the sum of the random and
    the systematic one. Gaps are not bridged. Hand readings that reach as deep as a layer are
    summed by the rules of the site and marked.

    Parameters
    ----------
    site : Site
    tube : str
        A tube of the site.
    products : Dataset, (time, tube, layer)
        ``storage``, ``storage_random_error``, ``storage_systematic_error`` [mm] and
        ``storage_quality``; may lack the tube.
    rain : DataArray, (time), [mm], or None
    rounds : DataFrame
        Hand readings.
    path : Path

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(storage_figure(site, tube, products, rain, rounds), path)


def storage_figure(
    site: Site,
    tube: str,
    products: xr.Dataset,
    rain: xr.DataArray | None,
    rounds: pd.DataFrame,
) -> Figure:
    """Return the figure of `draw_storage`; to be called within `style.drawing`."""
    held = tube_storage(tube, products, [layer.name for layer in site.derive.layers])
    columns = make_columns(site, held.time, logged_every(site, tube))
    top = _TOP + (_RAIN + _GAP if rain is not None else 0.0)
    figure = new_figure(top + _STORAGE + _BELOW)
    hand = hand_storage(site, hand_means(site, tube, rounds, columns))
    by_hand = bool(np.isfinite(hand[1]).any() and not np.isfinite(held.storage).any())
    told = subtitle(site, tube, columns, by_hand)
    put_title(figure, f"{plain(tube)}: stored water", told)
    axes = panel(figure, _LEFT, top, _WIDTH, _STORAGE)
    entries = _fill(axes, held, columns, hand)
    show_time(axes, columns)
    axes.set_ylabel("stored water (mm)")
    if rain is not None:
        above = panel(figure, _LEFT, _TOP, _WIDTH, _RAIN)
        entries += gap_entries(False, draw_rain(above, rain, columns))
        show_time(above, columns, label=False)
    put_legend(figure, entries, top + _STORAGE + _BELOW)
    return figure


def _fill(
    axes: Axes, held: StoredWater, columns: Columns, hand: tuple[NDArray[np.float64], ...]
) -> list[Artist]:
    """Draw lines, bands, labels, flags and hand rounds; return the legend's entries."""
    axes.grid(axis="y", color=GRID, lw=0.6)
    axes.set_axisbelow(True)
    logged, by_hand = np.isfinite(held.storage).any(), np.isfinite(hand[1]).any()
    if not logged and not by_hand:
        place: Look = {"transform": axes.transAxes, "ha": "center"}
        axes.text(0.5, 0.5, "no stored water in this period", **place)
        axes.set_ylim(0.0, 100.0)
        return []
    middle = columns.means(held.time, held.storage)
    error = columns.means(held.time, held.error)
    reach = COVERAGE * error
    handed = hand[1].ravel()
    low = np.concatenate([(middle - reach).ravel(), middle.ravel(), handed])
    high = np.concatenate([(middle + reach).ravel(), middle.ravel(), handed])
    axes.set_ylim(*padded_limits(low, high))
    axes.set_xlim(*columns.edges[[0, -1]])
    for number in range(middle.shape[1]):
        draw_line(axes, columns, middle[:, number], error[:, number], _colour(number))
    ends = _ends(columns, middle, hand)
    _label_layers(axes, columns.site.derive.layers, ends)
    known = bool(np.isfinite(reach + middle).any())
    entries = [band_entry(known)] if logged else []
    for flagged in find_doubtful(columns, held):
        entries += draw_flagged(axes, flagged)
    entries += _draw_hand(axes, *hand)
    layers = columns.site.derive.layers
    empty = [n for n in range(len(layers)) if n not in ends]
    return entries + [_empty_entry(layers[n], _colour(n)) for n in empty]


def _ends(
    columns: Columns, middle: NDArray[np.float64], hand: tuple[NDArray[np.float64], ...]
) -> dict[int, tuple[float, float]]:
    """Return day and storage of each layer's last value, logged or by hand."""
    ends: dict[int, tuple[float, float]] = {}
    for layer in range(middle.shape[1]):
        for days, storage in ((columns.middles, middle), hand):
            known = np.flatnonzero(np.isfinite(storage[:, layer]))
            if known.size and layer not in ends:
                ends[layer] = float(days[known[-1]]), float(storage[known[-1], layer])
    return ends


def _empty_entry(layer: Layer, colour: str) -> Artist:
    """Return the legend's entry of a layer without a line, lest it be looked for."""
    label = f"{layer_text(layer)}: no value".replace("\n", " ")
    return Line2D([], [], color=colour, lw=1.3, label=label)


def _colour(number: int) -> str:
    return PALETTE[number % len(PALETTE)]


def _label_layers(
    axes: Axes, layers: Sequence[Layer], ends: Mapping[int, tuple[float, float]]
) -> None:
    """Write each layer's name beside the end of its line; where lines are close, apart.

    What joins a name and its line is thin and dotted: where a record ends early, as a removed
    tube's, it crosses days without a value and must not be taken for one.
    """
    heights = np.array([height for _, height in ends.values()])
    bottom, top = axes.get_ylim()
    places = spread((heights - bottom) / (top - bottom), _LABEL_SHARE)
    for (number, end), place in zip(ends.items(), places, strict=True):
        axes.annotate(
            layer_text(layers[number]),
            xy=end,
            xytext=(1.05, place),
            textcoords=axes.transAxes,
            va="center",
            size=9.5,
            linespacing=1.05,
            gid="layer",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": _colour(number),
                "lw": 0.8,
                "ls": ":",
                "shrinkB": 0,
            },
        )


def layer_text(layer: Layer) -> str:
    """Return a layer's name and, below it, its depths."""
    return f"{plain(layer.name, 13)}\n{bounds_cm(layer.top_m, layer.bottom_m)}"


def spread(places: NDArray[np.float64], apart: float) -> NDArray[np.float64]:
    """Return places moved so that neighbours are ``apart``, within [0, 1] if they all fit."""
    order = np.argsort(places, kind="stable")
    steps = np.arange(places.size) * apart
    # Pushed up from below, then down from above: both keep the order.
    pushed = np.maximum.accumulate(places[order] - steps) + steps
    limit = 1.0 - steps[::-1]
    moved = np.empty_like(places)
    moved[order] = np.minimum(pushed, limit)
    return moved


def _draw_hand(
    axes: Axes, days: NDArray[np.float64], storage: NDArray[np.float64]
) -> list[Artist]:
    """Mark hand rounds in the colour of their layer; return the legend's entry."""
    if not np.isfinite(storage).any():
        return []
    for number in range(storage.shape[1]):
        axes.plot(
            days,
            storage[:, number],
            "D",
            ms=5,
            mfc=_colour(number),
            mec=INK,
            mew=0.9,
            zorder=6,
            gid="hand",
        )
    return [hand_entry()]
