"""The water of a whole site at a glance: each tube's stored water, with rain above."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.arrays import Floats
from pipeline.report.hand_rounds import hand_entry, hand_means, hand_storage
from pipeline.report.marks import draw_flagged, flag_entry
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
    WATER_MAP,
    Look,
    drawing,
    gap_entries,
    hatch,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
    when_text,
)
from pipeline.report.time_columns import Columns, logged_every, make_columns, show_time
from pipeline.site.models import Layer, Site
from pipeline.words import bounds_cm

OTHERS = "#B5B5B5"
MOST_STRIPS = 12  # more tubes than this are drawn as rows of colour
_LEFT, _WIDTH = 0.80, 4.47  # inches
_TOP, _RAIN, _GAP, _BELOW = 0.80, 0.68, 0.2, 0.76
_STRIP, _ROW, _LEAST_ROWS = 0.6, 0.16, 2.4


def draw_site(
    site: Site,
    products: xr.Dataset,
    rain: xr.DataArray | None,
    rounds: pd.DataFrame,
    path: Path,
) -> Path:
    """Draw the stored water of all tubes in one layer, as PNG.

    The layer is the thickest of those that the most tubes have values of. Up to `MOST_STRIPS`
    tubes each get a strip with their line and band over those of the others, on one scale;
    more of them become rows of colour. A tube without a line shows its hand rounds.

    Parameters
    ----------
    site : Site
    products : Dataset, (time, tube, layer)
        ``storage``, ``storage_random_error``, ``storage_systematic_error`` [mm] and
        ``storage_quality``.
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
        return save(site_figure(site, products, rain, rounds), path)


def site_figure(
    site: Site, products: xr.Dataset, rain: xr.DataArray | None, rounds: pd.DataFrame
) -> Figure:
    """Return the figure of `draw_site`; to be called within `style.drawing`."""
    tubes = [tube.tube for tube in site.tubes]
    layer = shown_layer(site, products)
    held = [tube_storage(tube, products, [layer.name]) for tube in tubes]
    base = max((logged_every(site, tube) for tube in tubes), default=1)
    columns = make_columns(site, products["time"].values, base)
    hand = _by_hand(columns, held, layer, rounds)
    top = _TOP + (_RAIN + _GAP if rain is not None else 0.0)
    strips = len(tubes) <= MOST_STRIPS
    tall = _STRIP * len(tubes) if strips else max(_ROW * len(tubes), _LEAST_ROWS)
    figure = new_figure(top + tall + _BELOW)
    depths = bounds_cm(layer.top_m, layer.bottom_m)
    how = "on one scale" if strips else "one row each"
    what = f"water stored in {depths}: {len(tubes)} tubes, {how}"
    put_title(figure, plain(site.title, 54), [what, when_text(columns)])
    draw = _draw_strips if strips else _draw_rows
    entries, gaps = draw(figure, columns, held, hand, top)
    gaps_of_rain = False
    if rain is not None:
        above = panel(figure, _LEFT, _TOP, _WIDTH, _RAIN)
        gaps_of_rain = draw_rain(above, rain, columns)
        show_time(above, columns, label=False)
    put_legend(figure, entries + gap_entries(gaps, gaps_of_rain), top + tall + _BELOW)
    return figure


def _by_hand(
    columns: Columns, held: Sequence[StoredWater], layer: Layer, rounds: pd.DataFrame
) -> list[tuple[Floats, Floats]]:
    """Return days and storage [mm] of each tube's hand rounds; none beside a logger's line."""
    site = columns.site
    number = site.derive.layers.index(layer)
    result = []
    for tube, logged in zip(site.tubes, held, strict=True):
        days, storage = hand_storage(site, hand_means(site, tube.tube, rounds, columns))
        told = np.isfinite(storage[:, number]) & ~np.isfinite(logged.storage).any()
        result.append((days[told], storage[told, number]))
    return result


def shown_layer(site: Site, products: xr.Dataset) -> Layer:
    """Return the thickest of the layers that the most tubes have any value of."""
    held = [str(name) for name in products["layer"].values]
    known = np.isfinite(products["storage"].transpose("time", "tube", "layer").values)
    tubes_with = known.any(axis=0).sum(axis=0)

    def rank(layer: Layer) -> tuple[int, float]:
        count = int(tubes_with[held.index(layer.name)]) if layer.name in held else 0
        return count, layer.bottom_m - layer.top_m

    return max(site.derive.layers, key=rank)


def _draw_strips(
    figure: Figure,
    columns: Columns,
    held: Sequence[StoredWater],
    hand: Sequence[tuple[Floats, Floats]],
    top: float,
) -> tuple[list[Artist], bool]:
    """Draw a strip for each tube; return the legend's entries and that nothing is hatched."""
    middle, error = _means(columns, held)
    reach = COVERAGE * error
    handed = np.concatenate([storage for _, storage in hand])
    low, high = (np.append((middle + way * reach).ravel(), handed) for way in (-1, 1))
    limits = padded_limits(low, high)
    entries: dict[str, Artist] = {"band": band_entry(), "others": _others_entry()}
    for number, tube in enumerate(columns.site.tubes):
        axes = panel(figure, _LEFT, top + number * _STRIP, _WIDTH, _STRIP * 0.9)
        axes.set_ylim(*limits)
        last = number == len(held) - 1
        show_time(axes, columns, label=last)
        axes.spines["bottom"].set_visible(last)
        axes.grid(axis="y", color=GRID, lw=0.6)
        axes.set_axisbelow(True)
        axes.locator_params(axis="y", nbins=3)
        others = np.delete(middle, number, axis=1)
        axes.plot(columns.middles, others, color=OTHERS, lw=0.6, zorder=1.5, gid="others")
        draw_line(axes, columns, middle[:, number], error[:, number], PALETTE[0])
        days, storage = hand[number]
        if days.size:
            axes.plot(days, storage, "D", ms=3.6, mfc=PALETTE[0], mec=INK, mew=0.7, gid="hand")
            entries["hand"] = hand_entry()
        known = bool(np.isfinite(middle[:, number]).any() or days.size)
        _name_strip(axes, plain(tube.tube, 12), known)
        for flagged in find_doubtful(columns, held[number]):
            if draw_flagged(axes, flagged):
                entries.setdefault(flagged.quality.name, flag_entry(flagged.quality))
    _name_axis(figure, top, _STRIP * len(held))
    return list(entries.values()), False


def _name_strip(axes: Axes, name: str, known: bool) -> None:
    """Write the tube's name to the right of its strip, and inside it that it is empty."""
    axes.text(1.02, 0.5, name, transform=axes.transAxes, va="center", weight="bold")
    if not known:
        place: Look = {"transform": axes.transAxes, "ha": "center", "va": "center"}
        ground = {"fc": "white", "ec": "none", "pad": 1.5}
        said = "no stored water in this period"
        axes.text(0.5, 0.5, said, bbox=ground, **place)


def _name_axis(figure: Figure, top: float, tall: float) -> None:
    """Write what the vertical axis of all strips is, along their left side."""
    width, height = figure.get_size_inches()
    y = 1 - (top + tall / 2) / height
    figure.text(0.14 / width, y, "stored water (mm)", rotation=90, va="center", gid="axis")


def _draw_rows(
    figure: Figure,
    columns: Columns,
    held: Sequence[StoredWater],
    hand: Sequence[tuple[Floats, Floats]],
    top: float,
) -> tuple[list[Artist], bool]:
    """Draw a row of colour for each tube; return the entries and whether there are gaps."""
    middle = _means(columns, held)[0]
    count = len(held)
    axes = panel(figure, _LEFT, top, _WIDTH, max(_ROW * count, _LEAST_ROWS))
    axes.set_ylim(count, 0)
    hatch(axes, tuple(columns.edges[[0, -1]]), (0, count))
    cells = np.ma.masked_invalid(middle.T)
    edges = np.arange(count + 1)
    mesh = axes.pcolormesh(columns.edges, edges, cells, cmap=WATER_MAP, zorder=2, gid="rows")
    handed = np.concatenate([storage for _, storage in hand])
    if handed.size or np.isfinite(middle).any():
        mesh.set_clim(*_range(np.append(middle.ravel(), handed)))
        bar = figure.colorbar(mesh, cax=axes.inset_axes((1.03, 0.0, 0.035, 1.0)))
        bar.set_label("stored water (mm)")
    for row, (days, storage) in enumerate(hand):
        look: Look = {"marker": "D", "s": 14, "ec": INK, "lw": 0.6, "zorder": 5, "gid": "hand"}
        axes.scatter(
            days, np.full(days.size, row + 0.5), c=mesh.cmap(mesh.norm(storage)), **look
        )
    every = -(-count // 60)  # names stay readable
    names = [plain(tube.tube, 8) for tube in columns.site.tubes][::every]
    axes.set_yticks(edges[:-1:every] + 0.5, names, size=8)
    show_time(axes, columns)
    entries = [hand_entry("hand round, coloured by its value")] if handed.size else []
    return entries, not np.isfinite(middle).all()


def _range(values: Floats) -> tuple[float, float]:
    """Return the least and the greatest of the values there are."""
    return float(np.nanmin(values)), float(np.nanmax(values))


def _means(columns: Columns, held: Sequence[StoredWater]) -> tuple[Floats, Floats]:
    """Return storage and its error of each tube, (column, tube)."""
    means = [
        (columns.means(h.time, h.storage[:, 0]), columns.means(h.time, h.error[:, 0]))
        for h in held
    ]
    middle, error = (np.stack(series, axis=1) for series in zip(*means, strict=True))
    return middle, error


def _others_entry() -> Artist:
    """Return the legend's entry of the other tubes' lines."""
    return Line2D([], [], color=OTHERS, lw=0.8, label="the other tubes")
