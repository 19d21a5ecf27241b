"""One tube's water content in time and depth, with rain above and doubtful values marked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib import colormaps
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.hand_rounds import HandMeans, hand_entry, hand_means
from pipeline.report.marks import BAD, SUSPECT, draw_flagged, find_flagged
from pipeline.report.rain_panel import draw_rain
from pipeline.report.style import (
    CM_PER_M,
    INK,
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
    subtitle,
)
from pipeline.report.time_columns import (
    Columns,
    local_days,
    logged_every,
    make_columns,
    show_time,
    step_index,
)
from pipeline.site.models import Site
from pipeline.variables import SIGNALS

LONE_SENSOR_REACH_CM = 5.0  # half the band of a sensor that has no neighbour; ours
COLOUR_STEP = 0.05  # m3 m-3; ends of the colour scale are multiples of it
ASIDE_PT = 5.0  # suspect marks stand so far above a sensor's depth, bad ones below it
OUTSIDE_PCT = 0.2  # percentiles beyond which values do not stretch the colour scale

_LEFT, _WIDTH = 0.80, 4.42  # inches
_TOP, _RAIN, _GAP, _WATER, _BELOW = 0.80, 0.68, 0.2, 2.5, 0.76


@dataclass(frozen=True)
class TubeWater:
    """What is drawn of one tube, sensors downwards."""

    time: NDArray[np.datetime64]
    depth_cm: NDArray[np.float64]
    content: NDArray[np.float64]  # (time, depth), m3 m-3
    quality: NDArray[np.uint8]
    tests: NDArray[np.uint16]


def draw_water(
    site: Site,
    tube: str,
    water: xr.Dataset,
    rain: xr.DataArray | None,
    rounds: pd.DataFrame,
    path: Path,
) -> Path:
    """Draw the water content of one tube against time and depth, as PNG.

    Each sensor has a band from midway to its upper to midway to its lower neighbour, at real
    depths with the tube's set-in offset; beyond the outermost sensors a band is as wide as on
    their inner side. Cells without a value are hatched. A long record is drawn as means over
    equal times, which the picture states.

    Parameters
    ----------
    site : Site
    tube : str
        A tube of the site.
    water : Dataset, (time, tube, depth)
        ``cleaned_water_content`` [m3 m-3], ``quality`` and ``tests``; may lack the tube.
    rain : DataArray, (time), [mm], or None
        Without rain there is no panel for it.
    rounds : DataFrame
        Hand readings; those of water content in this tube are marked, filled with their value.
    path : Path

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(water_figure(site, tube, water, rain, rounds), path)


def water_figure(
    site: Site, tube: str, water: xr.Dataset, rain: xr.DataArray | None, rounds: pd.DataFrame
) -> Figure:
    """Return the figure of `draw_water`; to be called within `style.drawing`."""
    held = tube_water(site, tube, water)
    columns = make_columns(site, held.time, logged_every(site, tube))
    hand = hand_means(site, tube, rounds, columns)
    top = _TOP + (_RAIN + _GAP if rain is not None else 0.0)
    figure = new_figure(top + _WATER + _BELOW)
    logged = bool(held.depth_cm.size and np.isfinite(held.content).any())
    by_hand = not logged and bool((hand.depth_cm >= 0).any())
    told = subtitle(site, tube, columns, by_hand)
    put_title(figure, f"{plain(tube)}: water content", told)
    axes = panel(figure, _LEFT, top, _WIDTH, _WATER)
    if logged:
        entries, gaps = _fill(axes, held, columns, hand)
    elif by_hand:
        entries, gaps = _fill_by_hand(axes, hand), False
    else:
        _say_empty(axes)
        entries, gaps = [], False
    show_time(axes, columns)
    axes.set_ylabel("depth (cm)")
    if rain is not None:
        above = panel(figure, _LEFT, _TOP, _WIDTH, _RAIN)
        gaps_of_rain = draw_rain(above, rain, columns)
        show_time(above, columns, label=False)
        entries += gap_entries(gaps, gaps_of_rain)
    else:
        entries += gap_entries(gaps, False)
    put_legend(figure, entries, top + _WATER + _BELOW)
    return figure


def tube_water(site: Site, tube: str, water: xr.Dataset) -> TubeWater:
    """Return the wired sensors of one tube that are in the soil, by real depth."""
    nominal = np.asarray(water["depth"].values, dtype=np.float64)
    wired = {w.depth_m for w in site.wiring if w.tube == tube and w.quantity in SIGNALS}
    real = np.array([site.sensor_depth_m(tube, d) for d in nominal.tolist()])
    kept = np.flatnonzero(np.isin(nominal, [d for d in wired if d is not None]) & (real >= 0))
    kept = kept[np.argsort(real[kept])]
    names = [str(name) for name in water["tube"].values]
    if tube not in names:
        kept = kept[:0]
    shape = (water.sizes["time"], kept.size)

    def cells(name: str, dtype: type) -> NDArray:
        if not kept.size:
            return np.empty(shape, dtype=dtype)
        one = water[name].isel(tube=names.index(tube), depth=kept).transpose("time", "depth")
        return np.asarray(one.values, dtype=dtype)

    return TubeWater(
        water["time"].values,
        real[kept] * CM_PER_M,
        cells("cleaned_water_content", np.float64),
        cells("quality", np.uint8),
        cells("tests", np.uint16),
    )


def band_edges(depth_cm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the edges of the sensors' bands, (sensor + 1) [cm], never above the surface."""
    if depth_cm.size == 1:
        reach = np.array([-LONE_SENSOR_REACH_CM, LONE_SENSOR_REACH_CM])
        return np.maximum(depth_cm[0] + reach, 0.0)
    middles = 0.5 * (depth_cm[1:] + depth_cm[:-1])
    first = max(2 * depth_cm[0] - middles[0], 0.0)
    return np.concatenate([[first], middles, [2 * depth_cm[-1] - middles[-1]]])


def _fill(
    axes: Axes, held: TubeWater, columns: Columns, hand: HandMeans
) -> tuple[list[Artist], bool]:
    """Draw bands, flags, hand readings and the colour bar.

    Returns
    -------
    entries : list of Artist
        For the legend.
    gaps : bool
        Whether a cell has no value.
    """
    edges = band_edges(held.depth_cm)
    means = columns.means(held.time, held.content)
    norm, extend = colour_range(means, hand.value)
    hatch(axes, tuple(columns.edges[[0, -1]]), (edges[0], edges[-1]))
    cells = np.ma.masked_invalid(means.T)
    mesh = axes.pcolormesh(
        columns.edges, edges, cells, cmap=WATER_MAP, norm=norm, zorder=2, gid="water"
    )
    _show_depth(axes, held.depth_cm, edges)
    _add_colour_bar(axes, mesh, extend)
    entries: list[Artist] = []
    days = local_days(columns.site, step_index(columns.site, held.time))
    for kind, shift in ((SUSPECT, ASIDE_PT), (BAD, -ASIDE_PT)):
        found = find_flagged(held.quality, kind, days, held.depth_cm, held.tests)
        entries += draw_flagged(axes, found, shift)
    entries += _draw_hand(axes, hand, norm)
    return entries, not np.isfinite(means).all()


def colour_range(
    means: NDArray[np.float64], hand: NDArray[np.float64]
) -> tuple[Normalize, str]:
    """Return the colour scale and on which ends values lie beyond it.

    A few extreme values, such as spikes, do not flatten the rest; the arrow of the colour bar
    tells that they are there.
    """
    values = np.concatenate([means[np.isfinite(means)], hand])
    low, high = np.percentile(values, [OUTSIDE_PCT, 100 - OUTSIDE_PCT])
    vmin = np.floor(low / COLOUR_STEP + 1e-9) * COLOUR_STEP
    vmax = np.ceil(high / COLOUR_STEP - 1e-9) * COLOUR_STEP
    vmax = max(vmax, vmin + COLOUR_STEP)
    below, above = values.min() < vmin - 1e-9, values.max() > vmax + 1e-9
    ends = {(False, False): "neither", (True, False): "min", (False, True): "max"}
    return Normalize(vmin, vmax), ends.get((bool(below), bool(above)), "both")


def _show_depth(axes: Axes, depth_cm: NDArray[np.float64], edges: NDArray[np.float64]) -> None:
    """Put the surface on top and a tick at each sensor, with its depth where there is room."""
    axes.set_ylim(edges[-1], 0.0)
    room = 0.075 * edges[-1]
    marked = [0.0, *depth_cm] if depth_cm[0] > 0 else [*depth_cm]
    labels, last = [], -np.inf
    for depth in marked:
        fits = depth - last >= room
        labels.append(f"{depth:.4g}" if fits else "")
        last = depth if fits else last
    axes.set_yticks(marked, labels)
    axes.hlines(edges[1:-1], *axes.get_xlim(), color="white", lw=0.4, zorder=3)


def _add_colour_bar(axes: Axes, mesh: ScalarMappable, extend: str) -> None:
    place = axes.inset_axes((1.03, 0.0, 0.035, 1.0))
    bar = axes.figure.colorbar(mesh, cax=place, extend=extend)
    bar.set_label("water content (m³ m⁻³)")
    bar.outline.set_linewidth(0.6)


def _draw_hand(axes: Axes, hand: HandMeans, norm: Normalize) -> list[Artist]:
    """Draw hand readings in the colours of the scale, so that agreement makes them vanish."""
    if not hand.value.size:
        return []
    halo: Look = {"marker": "D", "zorder": 6, "linewidths": 0}
    axes.scatter(hand.days, hand.depth_cm, s=46, color="white", **halo)
    axes.scatter(
        hand.days,
        hand.depth_cm,
        s=24,
        c=colormaps[WATER_MAP](norm(hand.value)),
        marker="D",
        ec=INK,
        lw=0.9,
        zorder=7,
        gid="hand",
    )
    return [hand_entry("hand round, coloured by its value")]


def _fill_by_hand(axes: Axes, hand: HandMeans) -> list[Artist]:
    """Draw the readings of a tube without a logger, with its depths and the colour bar."""
    depths = np.unique(hand.depth_cm[hand.depth_cm >= 0])
    norm, extend = colour_range(np.empty(0), hand.value)
    _show_depth(axes, depths, band_edges(depths))
    _add_colour_bar(axes, ScalarMappable(norm, WATER_MAP), extend)
    return _draw_hand(axes, hand, norm)


def _say_empty(axes: Axes) -> None:
    axes.set_ylim(100.0, 0.0)
    said = "no water content in this period"
    axes.text(0.5, 0.5, said, transform=axes.transAxes, ha="center")
