"""Maps of the site: water content of each tube at its place, a panel for each depth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.places import down_slope, local_metres
from pipeline.report.style import (
    CM_PER_M,
    FAINT,
    INK,
    WATER_MAP,
    WIDTH_IN,
    Look,
    drawing,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
)
from pipeline.report.water_chart import colour_range
from pipeline.site.models import Site

DAYS = 7  # a weekly round falls into them once
MOST_NAMES = 20  # of more tubes than this only those named stand for the site
_LEFT, _GAP, _BAR, _RIGHT = 0.2, 0.22, 0.16, 0.78  # inches
_KEY_TOP, _KEY, _KEY_AIR = 0.58, 0.34, 0.10  # where scale and arrows stand, clear of tubes
_TOP, _HEAD = _KEY_TOP + _KEY + _KEY_AIR, 0.24
_LEAST_SPAN_M = 10.0  # across a map, also where all tubes stand at one place
_AIR = 0.16  # around the tubes, of a map's width
_TALLEST, _FLATTEST = 1.05, 0.55  # height of a map over its width
_POINTS = 72.0  # to the inch
_NAME, _LETTER = 9.0, 0.62  # size of a name in points, mean width of its letters over that
_CORNERS = ((8.0, 4.0), (8.0, -11.0), (-8.0, 4.0), (-8.0, -11.0))  # of a name, from its tube


def draw_map(site: Site, days: xr.Dataset, named: dict[float, set[str]], path: Path) -> Path:
    """Draw the water content of all tubes at each depth on a plan of the site, as PNG.

    Values are means over the last `DAYS` days of a tube's record up to the last day with any.
    The plan is a plane in metres with north upwards; there is no background map.

    Parameters
    ----------
    site : Site
    days : Dataset, (day, tube, depth)
        From `pipeline.derive.field_days.field_days`.
    named : dict
        Tubes that stand for the site, by depth [m]; they are ringed.
    path : Path

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(map_figure(site, days, named), path)


def map_figure(site: Site, days: xr.Dataset, named: dict[float, set[str]]) -> Figure:
    """Return the figure of `draw_map`; to be called within `style.drawing`."""
    values, by_hand, text = last_values(site, days)
    depths = days["depth"].values.tolist()
    east, north, window = _plan(site)
    across = 1 if len(depths) == 1 else 2
    width = (WIDTH_IN - _LEFT - _RIGHT - _BAR - (across - 1) * _GAP) / across
    height = width * window[1] / window[0]
    rows = max(1, -(-len(depths) // across))
    tall = rows * (height + _HEAD) + (rows - 1) * 0.06
    figure = new_figure(_TOP + tall + 0.4)
    put_title(figure, plain(site.title, 54), [f"water content by depth, {text}"])
    norm, extend = _colours(values)
    mappable = ScalarMappable(norm, WATER_MAP)
    for number, depth in enumerate(depths):
        row, column = divmod(number, across)
        left = _LEFT + column * (width + _GAP)
        top = _TOP + _HEAD + row * (height + _HEAD + 0.06)
        axes = panel(figure, left, top, width, height)
        _frame(axes, f"{depth * CM_PER_M:.4g} cm", window)
        rings = named.get(depth, set())
        _draw_tubes(axes, site, (east, north), values[:, number], by_hand, mappable)
        _name_tubes(axes, site, (east, north), rings, width * _POINTS / window[0])
    _draw_key(figure, site, (east, north), window[0] / width)
    box = (WIDTH_IN - _RIGHT - _BAR + 0.1, _TOP + _HEAD, _BAR, min(tall - _HEAD, 3.2))
    bar = figure.colorbar(mappable, cax=panel(figure, *box), extend=extend)
    bar.set_label("water content (m³ m⁻³)")
    bar.outline.set_linewidth(0.6)
    put_legend(figure, _entries(values, by_hand, named), _TOP + tall + 0.12)
    return figure


def last_values(site: Site, days: xr.Dataset) -> tuple[Floats, NDArray[np.bool_], str]:
    """Return the newest water content of each tube, who was read by hand, and when.

    Returns
    -------
    values : (tube, depth), [m3 m-3]
        Means over the last days; NaN where there is none.
    by_hand : (tube,), bool
        All values of the tube in those days were read by hand.
    text : str
        The days, for a title.
    """
    water = days["daily_water_content"].transpose("day", "tube", "depth").values
    known = np.isfinite(water)
    told = np.flatnonzero(known.any(axis=(1, 2)))
    if not told.size:
        return np.full(water.shape[1:], np.nan), np.zeros(water.shape[1], bool), "no value"
    window = slice(max(0, int(told[-1]) - DAYS + 1), int(told[-1]) + 1)
    count = known[window].sum(axis=0)
    total = np.where(known[window], water[window], 0.0).sum(axis=0)
    values = np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)
    hand = days["by_hand"].transpose("day", "tube").values[window]
    logged = (known[window].any(axis=2) & ~hand).any(axis=0)
    ends = days["day"].values[window][[0, -1]].astype("datetime64[s]").astype(np.int64)
    dates = [pd.Timestamp(int(s) + site.utc_offset_s, unit="s") for s in ends]
    first, last = (f"{d.day} {_MONTHS[d.month - 1]}" for d in dates)
    return values, hand.any(axis=0) & ~logged, f"means of {first} to {last} {dates[1].year}"


_MONTHS = tuple("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split())


def _plan(site: Site) -> tuple[Floats, Floats, tuple[float, float]]:
    """Return places in metres from the middle of a map, and its width and height in metres."""
    east, north = local_metres(
        [tube.latitude for tube in site.tubes], [tube.longitude for tube in site.tubes]
    )
    wide, high = float(np.ptp(east)), float(np.ptp(north))
    width = max(wide, high / _TALLEST, _LEAST_SPAN_M) * (1 + 2 * _AIR)
    height = float(np.clip(high * (1 + 2 * _AIR), _FLATTEST * width, _TALLEST * width))
    return east, north, (width, height)


def _colours(values: Floats) -> tuple[Normalize, str]:
    known = values[np.isfinite(values)]
    return colour_range(known, np.empty(0)) if known.size else (Normalize(0.0, 0.5), "neither")


def _frame(axes: Axes, title: str, window: tuple[float, float]) -> None:
    """Give a map its limits, its frame and its depth."""
    axes.set_xlim(-window[0] / 2, window[0] / 2)
    axes.set_ylim(-window[1] / 2, window[1] / 2)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[["top", "right"]].set_visible(True)
    for spine in axes.spines.values():
        spine.set_color(FAINT)
    axes.set_title(title, loc="left", pad=3, weight="bold")


def _draw_tubes(
    axes: Axes,
    site: Site,
    place: tuple[Floats, Floats],
    values: Floats,
    by_hand: NDArray[np.bool_],
    colours: ScalarMappable,
) -> None:
    """Draw each tube in the colour of its value."""
    known = np.isfinite(values)
    look: Look = {"ec": INK, "lw": 0.8, "zorder": 3}
    for marker, chosen in (("o", known & ~by_hand), ("D", known & by_hand)):
        if chosen.any():
            axes.scatter(
                place[0][chosen],
                place[1][chosen],
                s=80 if marker == "o" else 58,
                c=colours.to_rgba(values[chosen]),
                marker=marker,
                gid="tube",
                **look,
            )
    axes.scatter(place[0][~known], place[1][~known], s=24, marker="x", c=FAINT, lw=1.2)


def _name_tubes(
    axes: Axes,
    site: Site,
    place: tuple[Floats, Floats],
    rings: set[str],
    points_per_m: float,
) -> None:
    """Write each tube's name beside it, clear of names written before, and ring the named."""
    written: list[tuple[float, float, float]] = []  # left, bottom, width in points
    for number, tube in enumerate(site.tubes):
        x, y = float(place[0][number]), float(place[1][number])
        ringed = tube.tube in rings
        if ringed:
            axes.scatter([x], [y], s=190, fc="none", ec="#D55E00", lw=1.8, gid="ring")
        if not ringed and len(site.tubes) > MOST_NAMES:
            continue
        text = plain(tube.tube, 8)
        at, wide = (x * points_per_m, y * points_per_m), len(text) * _LETTER * _NAME
        boxes = [
            (at[0] + dx - (wide if dx < 0 else 0.0), at[1] + dy, wide) for dx, dy in _CORNERS
        ]
        free = [not any(_meet(box, other) for other in written) for box in boxes]
        chosen = free.index(True) if any(free) else 0
        written.append(boxes[chosen])
        dx = _CORNERS[chosen][0]
        axes.annotate(
            text, (x, y), xytext=_CORNERS[chosen], textcoords="offset points", size=_NAME,
            ha="right" if dx < 0 else "left", zorder=4, gid="name",
        )  # fmt: skip


def _meet(one: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    """Tell whether two names (left, bottom, width) would be written over each other."""
    beside = one[0] + one[2] <= other[0] or other[0] + other[2] <= one[0]
    return not beside and abs(one[1] - other[1]) < _NAME


def _draw_key(
    figure: Figure, site: Site, place: tuple[Floats, Floats], m_per_in: float
) -> None:
    """Draw the scale of all maps, where north is and which way is downhill, above them."""
    width = WIDTH_IN - _LEFT - _RIGHT - _BAR
    axes = panel(figure, _LEFT, _KEY_TOP, width, _KEY)
    axes.set_axis_off()
    axes.set_xlim(0.0, width * m_per_in)
    axes.set_ylim(-0.5 * _KEY * m_per_in, 0.5 * _KEY * m_per_in)
    beside: Look = {"textcoords": "offset points", "va": "center", "size": _NAME}
    ladder = [step * 10.0**power for power in range(0, 6) for step in (1, 2, 5)]
    # A bar is no longer than an inch, so that its text ends before the arrow north.
    length = max([x for x in ladder if x <= m_per_in], default=ladder[0])
    axes.plot([0, length], [0, 0], color=INK, lw=2.5, solid_capstyle="butt", gid="scale")
    text = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.annotate(text, (length, 0.0), xytext=(5, 0), **beside)
    downhill = down_slope(*place, [tube.elevation_m for tube in site.tubes])[1]
    arrows = [("N", 1.9, (0.0, 1.0), INK, "north")]
    if downhill is not None:
        arrows.append(("downhill", 2.7, downhill, FAINT, "downhill"))
    for text, inches, way, colour, gid in arrows:
        ends = [
            ((inches + s * 0.15 * way[0]) * m_per_in, s * 0.15 * way[1] * m_per_in)
            for s in (1.0, -1.0)
        ]
        arrow: Look = {"arrowstyle": "-|>", "color": colour, "lw": 1.1, "mutation_scale": 10}
        arrow |= {"shrinkA": 0, "shrinkB": 0}
        axes.annotate("", ends[0], ends[1], arrowprops=arrow, annotation_clip=False, gid=gid)
        axes.annotate(text, ((inches + 0.17) * m_per_in, 0.0), xytext=(3, 0), **beside)


def _entries(
    values: Floats, by_hand: NDArray[np.bool_], named: dict[float, set[str]]
) -> list[Artist]:
    """Return the legend's entries of what is drawn."""
    empty: Look = {"ls": "none", "color": INK, "mfc": "white"}
    found: list[Artist] = [Line2D([], [], marker="o", ms=8, label="tube, logged", **empty)]
    if by_hand.any():
        found.append(Line2D([], [], marker="D", ms=6.5, label="tube, read by hand", **empty))
    if not np.isfinite(values).all():
        look: Look = {"ls": "none", "marker": "x", "color": FAINT}
        found.append(Line2D([], [], ms=5, label="no value at this depth", **look))
    if any(named.values()):
        ring: Look = {"ls": "none", "marker": "o", "mfc": "none", "color": "#D55E00"}
        found.append(Line2D([], [], ms=12, label="stands for the site here", **ring))
    return found
