"""A section down the slope: water content by depth and day, the uppermost tube first."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.places import down_slope, local_metres
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
    when_text,
)
from pipeline.report.time_columns import Columns, make_columns, show_time
from pipeline.report.water_chart import band_edges, colour_range
from pipeline.site.models import Site

MOST_TALL = 12  # more tubes than this get lower strips
MOST_STRIPS = 60
_LEFT, _WIDTH = 0.74, 3.93  # inches
_TOP, _RAIN, _GAP, _BELOW = 0.80, 0.68, 0.2, 0.76
_STRIP, _LOW_STRIP = 0.72, 0.26
_LINE = 11  # letters that have room beside a strip


def draw_section(site: Site, days: xr.Dataset, rain: xr.DataArray | None, path: Path) -> Path:
    """Draw the daily water content of all tubes by depth and time, as PNG.

    Each tube has a strip of its depths; strips are ordered down the steepest line of the plane
    through the tubes, or by elevation where they show no slope, and say how far down they are.
    One scale of colours holds for all. Water of a tube set deeper or higher is that at the
    depths of the others, as it is compared with them. Of more than `MOST_STRIPS` tubes the
    first are drawn.

    Parameters
    ----------
    site : Site
    days : Dataset, (day, tube, depth)
        From `pipeline.derive.field_days.field_days`.
    rain : DataArray, (time), [mm], or None
    path : Path

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(section_figure(site, days, rain), path)


def section_figure(site: Site, days: xr.Dataset, rain: xr.DataArray | None) -> Figure:
    """Return the figure of `draw_section`; to be called within `style.drawing`."""
    order, places, meant = slope_order(site)
    order = order[:MOST_STRIPS]
    columns = make_columns(site, _steps(site, days), site.axis.steps_per_day)
    top = _TOP + (_RAIN + _GAP if rain is not None else 0.0)
    strip = _STRIP if len(order) <= MOST_TALL else _LOW_STRIP
    tall = strip * len(order)
    figure = new_figure(top + tall + _BELOW)
    names, told = _strip_names(site, order, places, low=strip == _LOW_STRIP)
    what = f"water content down the slope: {len(order)} tubes, "
    what += f"with {meant}" if told else "the uppermost first"
    put_title(figure, plain(site.title, 54), [what, when_text(columns)])
    water = _means(columns, days)
    norm, extend = _colours(water)
    gaps = False
    for row, tube in enumerate(order):
        axes = panel(figure, _LEFT, top + row * strip, _WIDTH, strip * 0.9)
        gaps |= _draw_strip(axes, columns, days["depth"].values, water[:, tube], norm)
        _number_depths(axes, low=strip == _LOW_STRIP)
        show_time(axes, columns, label=row == len(order) - 1)
        axes.text(1.02, 0.5, names[row], transform=axes.transAxes, va="center", size=9)
    _name_axis(figure, top, tall)
    bar_box = (_LEFT + _WIDTH + 0.85, top, 0.15, max(min(tall, 3.0), 1.2))
    bar = figure.colorbar(
        ScalarMappable(norm, WATER_MAP), cax=panel(figure, *bar_box), extend=extend
    )
    bar.set_label("water content (m³ m⁻³)")
    bar.outline.set_linewidth(0.6)
    gaps_of_rain = False
    if rain is not None:
        above = panel(figure, _LEFT, _TOP, _WIDTH, _RAIN)
        gaps_of_rain = draw_rain(above, rain, columns)
        show_time(above, columns, label=False)
    put_legend(figure, gap_entries(gaps, gaps_of_rain), top + tall + _BELOW)
    return figure


def slope_order(site: Site) -> tuple[list[int], list[str], str]:
    """Return the tubes from the uppermost down, a length of each, and what it means."""
    heights = [tube.elevation_m for tube in site.tubes]
    east, north = local_metres(
        [tube.latitude for tube in site.tubes], [tube.longitude for tube in site.tubes]
    )
    distance, direction = down_slope(east, north, heights)
    order = np.argsort(distance, kind="stable").tolist()
    if direction is None:
        return order, [f"{height:.1f} m" for height in heights], "elevations"
    return order, [f"{value:.0f} m" for value in distance], "metres from the uppermost"


def _steps(site: Site, days: xr.Dataset) -> NDArray[np.datetime64]:
    """Return the first and the last step of a record of whole days."""
    begins = days["day"].values
    if not begins.size:
        return begins
    last = begins[-1] + np.timedelta64((site.axis.steps_per_day - 1) * site.interval_s, "s")
    return np.array([begins[0], last])


def _means(columns: Columns, days: xr.Dataset) -> Floats:
    """Return water content of columns, (column, tube, depth); a day is drawn in its middle."""
    water = days["daily_water_content"].transpose("day", "tube", "depth").values
    return columns.means(days["day"].values, water)


def _colours(water: Floats) -> tuple[Normalize, str]:
    known = water[np.isfinite(water)]
    return colour_range(known, np.empty(0)) if known.size else (Normalize(0.0, 0.5), "neither")


def _draw_strip(
    axes: Axes, columns: Columns, depths_m: Floats, water: Floats, norm: Normalize
) -> bool:
    """Draw one tube (column, depth); return whether a value is missing."""
    held = np.isfinite(water).any(axis=0)
    deepest = band_edges(depths_m * CM_PER_M)[-1] if depths_m.size else 100.0
    axes.set_ylim(deepest, 0.0)
    if not held.any():
        place: Look = {"transform": axes.transAxes, "ha": "center", "va": "center"}
        axes.text(0.5, 0.5, "no water content in this period", size=9, **place)
        return False
    edges = band_edges(depths_m[held] * CM_PER_M)
    hatch(axes, tuple(columns.edges[[0, -1]]), (edges[0], edges[-1]))
    cells = np.ma.masked_invalid(water[:, held].T)
    axes.pcolormesh(
        columns.edges, edges, cells, cmap=WATER_MAP, norm=norm, zorder=2, gid="water"
    )
    return not np.isfinite(water[:, held]).all()


def _strip_names(
    site: Site, order: list[int], places: list[str], low: bool
) -> tuple[list[str], bool]:
    """Return what is written beside each strip, and whether it tells how far down a tube is.

    A low strip has one line, on which both a name and a length must find room.
    """
    names = [plain(site.tubes[tube].tube, 9) for tube in order]
    if not low:
        return [f"{n}\n{places[t]}" for n, t in zip(names, order, strict=True)], True
    lines = [f"{n} {places[t]}" for n, t in zip(names, order, strict=True)]
    told = max(map(len, lines)) <= _LINE
    return lines if told else names, told


def _number_depths(axes: Axes, low: bool) -> None:
    """Write depths [cm] beside a strip; a low one has room for a single number."""
    deepest = axes.get_ylim()[0]
    ticks = [0, 50, 100] if deepest >= 90 else [0, int(deepest // 20) * 10 or 10]
    shown = {min(ticks, key=lambda tick: abs(tick - deepest / 2))} if low else set(ticks)
    axes.set_yticks(ticks, [str(tick) if tick in shown else "" for tick in ticks], size=8)


def _name_axis(figure: Figure, top: float, tall: float) -> None:
    """Write what the vertical axis of all strips is, along their left side."""
    width, height = figure.get_size_inches()
    y = 1 - (top + tall / 2) / height
    text = figure.text(0.12 / width, y, "depth (cm)", rotation=90, va="center", gid="axis")
    text.set_color(INK)
