"""Who was where when, as a picture: tubes, sensors with their data density, files and laws."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.report.style import (
    CM_PER_M,
    FAINT,
    GAP_HATCH,
    GRID,
    INK,
    PALETTE,
    Look,
    drawing,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
)
from pipeline.report.time_columns import time_ticks
from pipeline.site.chronicle import VISIT_LETTERS, Lane, Timeline

# From almost nothing to all that is due: one hue, lightness falling, up to the palette's blue.
DENSITY = LinearSegmentedColormap.from_list("density", ["#E4EFF7", "#8FC1E0", PALETTE[0]])
_GROUND = "#C9B79C"  # a tube in the ground
_FILE, _LAW, _SWAP = "#7F9C8E", "#B9A3C7", "#D55E00"
_LEFT, _WIDTH, _TOP, _BELOW = 1.72, 4.42, 0.72, 0.52  # inches
_BAR, _ROW, _LEAST, _GAP, _PART = 0.17, 0.062, 0.165, 0.045, 0.1
_LETTER = 0.019  # width of a letter, as a share of the axis
_MOST_HEIGHT = 200.0  # inches; more pixels than that no viewer opens
_NAME: Look = {"ha": "right", "va": "center"}


@dataclass(frozen=True)
class Band:
    """Lanes drawn as one band: the depths of one quantity, or one lane of another kind."""

    lanes: tuple[Lane, ...]
    top: float
    height: float

    @property
    def first(self) -> Lane:
        """Return the lane that stands for the band."""
        return self.lanes[0]

    @property
    def middle(self) -> float:
        """Return where its name stands."""
        return self.top + self.height / 2


def draw_timeline(timeline: Timeline, path: Path) -> Path:
    """Draw a timeline as PNG.

    Parameters
    ----------
    timeline : Timeline
    path : Path

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(timeline_figure(timeline), path)


def timeline_figure(timeline: Timeline) -> Figure:
    """Return the figure of `draw_timeline`; to be called within `style.drawing`."""
    bands = make_bands(timeline.lanes)
    tall = bands[-1].top + bands[-1].height if bands else _BAR
    figure = new_figure(_TOP + tall + _BELOW)
    put_title(figure, plain(timeline.site.title, 54), [_subtitle(timeline), _source(timeline)])
    axes = panel(figure, _LEFT, _TOP, _WIDTH, tall)
    axes.set_ylim(tall, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    _show_time(axes, timeline)
    for band in bands:
        _draw_band(axes, band, timeline)
        _name_band(axes, band, timeline)
    put_legend(figure, list(_entries(timeline)), _TOP + tall + _BELOW)
    return figure


def make_bands(lanes: Sequence[Lane]) -> list[Band]:
    """Return the bands of a timeline from above, each with its place in inches.

    The depths of a quantity in a tube lie close together as one band. Of a very large site
    rows are drawn thinner, so that the picture can still be opened.
    """
    grouped = [tuple(part) for _, part in groupby(lanes, key=_band_key)]
    tall = sum(_height(part) + _GAP + _PART for part in grouped)
    scale = min(1.0, _MOST_HEIGHT / max(1.0, tall))
    bands: list[Band] = []
    top = 0.0
    for part in grouped:
        if bands and _starts_group(part[0], bands[-1].first):
            top += _PART * scale
        height = _height(part) * scale
        bands.append(Band(part, top, height))
        top += height + _GAP * scale
    return bands


def _band_key(lane: Lane) -> tuple[str, ...]:
    quantity = lane.sensor[0] if lane.sensor else lane.name
    return lane.kind, lane.group, quantity


def _starts_group(lane: Lane, before: Lane) -> bool:
    return lane.kind in ("tube", "files", "law") and (lane.kind, before.kind) != ("law", "law")


def _height(lanes: tuple[Lane, ...]) -> float:
    return max(_LEAST, _ROW * len(lanes)) if lanes[0].kind == "sensor" else _BAR


def _days(timeline: Timeline, instants_s: Floats | float) -> Floats:
    """Return instants as days since 1970 in the site's standard time."""
    return np.asarray((np.asarray(instants_s) + timeline.site.utc_offset_s) / DAY_S)


def _show_time(axes: Axes, timeline: Timeline) -> None:
    start, stop = (float(day) for day in _days(timeline, timeline.edges_s[[0, -1]]))
    axes.set_xlim(start, stop)
    major, labels, minor = time_ticks(start, stop)
    axes.set_xticks(major, labels)
    axes.set_xticks(minor, minor=True)
    axes.grid(axis="x", color=GRID, lw=0.6)
    axes.set_axisbelow(True)


def _subtitle(timeline: Timeline) -> str:
    hours, minutes = divmod(abs(timeline.site.utc_offset_s) // 60, 60)
    sign = "-" if timeline.site.utc_offset_s < 0 else "+"
    return f"what was installed, wired and logged; dates in UTC{sign}{hours:02d}:{minutes:02d}"


def _source(timeline: Timeline) -> str:
    if not timeline.state:
        return "no store yet: what is wired is shown, not what was logged"
    return f"share of the readings due, as of state {timeline.state}"


def _draw_band(axes: Axes, band: Band, timeline: Timeline) -> None:
    """Draw what held, what was logged and what was done."""
    lane = band.first
    if lane.sensor is not None:
        _draw_sensors(axes, band, timeline)
    colours = {"tube": _GROUND, "files": _FILE, "law": _LAW}
    if lane.kind in colours:
        _draw_spans(axes, band, timeline, colours[lane.kind])
    for x, letter in _apart(axes, timeline, lane):
        _draw_mark(axes, band, x, letter)


def _draw_sensors(axes: Axes, band: Band, timeline: Timeline) -> None:
    """Draw the density of a band's sensors; hatched where readings are due and none is."""
    edges = _days(timeline, timeline.edges_s)
    rows = np.linspace(band.top, band.top + band.height, len(band.lanes) + 1)
    shares = [lane.density for lane in band.lanes if lane.density is not None]
    if len(shares) < len(band.lanes):
        _draw_wired(axes, band, timeline, rows)
    else:
        share = np.stack(shares)
        _hatch_gaps(axes, edges, rows, share == 0)
        cells = np.ma.masked_where(~(share > 0), share)
        axes.pcolormesh(
            edges, rows, cells, cmap=DENSITY, vmin=0, vmax=1, zorder=2, gid="density"
        )
    ends = [float(edge) for edge in edges[[0, -1]]]
    for row in rows[1:-1]:  # so that the sensors can be counted
        axes.plot(ends, [row, row], color="white", lw=0.35, zorder=3, gid="between")
    for lane, top, bottom in zip(band.lanes, rows[:-1], rows[1:], strict=True):
        for change in lane.changes_s:
            x = float(_days(timeline, change))
            axes.plot([x, x], [top, bottom], color=_SWAP, lw=1.6, zorder=4, gid="swap")


def _draw_wired(axes: Axes, band: Band, timeline: Timeline, rows: Floats) -> None:
    """Draw what is wired where nothing is known of readings."""
    low, high = (float(day) for day in _days(timeline, timeline.edges_s[[0, -1]]))
    for lane, top, bottom in zip(band.lanes, rows[:-1], rows[1:], strict=True):
        for span in lane.spans:
            start, stop = _clip(timeline, span.start_s, span.stop_s)
            if low <= start < stop <= high:
                look: Look = {
                    "fc": GRID,
                    "ec": "white",
                    "lw": 0.4,
                    "zorder": 2,
                    "gid": "wired",
                }
                axes.add_patch(Rectangle((start, top), stop - start, bottom - top, **look))


def _clip(timeline: Timeline, start_s: float, stop_s: float) -> tuple[float, float]:
    """Return a span as days, cut to what is shown."""
    ends = np.clip([start_s, stop_s], timeline.edges_s[0], timeline.edges_s[-1])
    start, stop = _days(timeline, ends)
    return float(start), float(stop)


def _hatch_gaps(axes: Axes, edges: Floats, rows: Floats, empty: np.ndarray) -> None:
    """Hatch runs of columns in which nothing was logged though it was due."""
    for row, top, bottom in zip(empty, rows[:-1], rows[1:], strict=True):
        steps = np.diff(np.concatenate(([0], row.astype(np.int8), [0])))
        for first, last in zip(
            np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True
        ):
            look: Look = {"fc": "white", "ec": INK, "lw": 0.0, "hatch": GAP_HATCH * 2}
            corner = (float(edges[first]), float(top))
            size = (float(edges[last] - edges[first]), float(bottom - top))
            axes.add_patch(Rectangle(corner, *size, zorder=2, gid="gap", **look))


def _draw_spans(axes: Axes, band: Band, timeline: Timeline, colour: str) -> None:
    """Draw bars for what held; versions of a law carry their number."""
    inset = band.height * (0.3 if band.first.kind == "files" else 0.15)
    look: Look = {"fc": colour, "ec": "white", "lw": 0.7, "zorder": 2, "gid": band.first.kind}
    for span in band.first.spans:
        start, stop = _clip(timeline, span.start_s, span.stop_s)
        if start >= stop:
            continue
        corner = (start, band.top + inset)
        axes.add_patch(Rectangle(corner, stop - start, band.height - 2 * inset, **look))
        if band.first.kind == "law":
            text = f"  {plain(span.label, 4)}"
            axes.text(start, band.middle, text, size=7, va="center", zorder=5, clip_on=True)


def _apart(axes: Axes, timeline: Timeline, lane: Lane) -> Iterator[tuple[float, str]]:
    """Yield places and letters of what is shown, moved on so that none hides another."""
    low, high = axes.get_xlim()
    least = (high - low) * _LETTER if lane.kind != "hand" else 0.0
    free = -np.inf
    told: set[tuple[int, str]] = set()
    for mark in sorted(lane.marks, key=lambda mark: mark.time_s):
        x = float(_days(timeline, mark.time_s))
        if low <= x <= high and (int(x), mark.letter) not in told:
            told.add((int(x), mark.letter))  # three references of one day are one visit
            free = max(x, free)
            yield free, mark.letter
            free += least


def _draw_mark(axes: Axes, band: Band, x: float, letter: str) -> None:
    """Draw something done: its letter, or a dot for a round by hand."""
    if band.first.kind == "hand":
        axes.plot([x], [band.middle], "o", ms=2.6, color=INK, zorder=5, gid="round")
        return
    look: Look = {"ha": "center", "va": "center", "size": 7.5, "weight": "bold", "zorder": 6}
    ground = {"fc": "white", "ec": "none", "boxstyle": "round,pad=0.08"}
    axes.text(x, band.middle, letter, bbox=ground, gid="visit", **look)


def _name_band(axes: Axes, band: Band, timeline: Timeline) -> None:
    """Write a band's name to the left of it."""
    lane = band.first
    start = float(_days(timeline, timeline.edges_s[0]))
    shift = (timeline.edges_s[-1] - timeline.edges_s[0]) / DAY_S * 0.012
    heads = ("tube", "files")
    bold = "bold" if lane.kind in heads else "normal"
    size = 8.5 if lane.kind in heads else 7.5
    look: Look = {**_NAME, "size": size, "weight": bold, "clip_on": False}
    axes.text(start - shift, band.middle, band_name(band), gid="name", **look)


def band_name(band: Band) -> str:
    """Return what stands beside a band."""
    lane = band.first
    if lane.kind == "sensor" and lane.sensor is not None:
        depths = [held.sensor[2] or 0.0 for held in band.lanes if held.sensor]
        ends = f"{depths[0] * CM_PER_M:g}"
        if len(depths) > 1:
            ends += f"–{depths[-1] * CM_PER_M:g}"
        return f"{lane.sensor[0].replace('_', ' ')} {ends} cm"
    if lane.kind == "law":
        return f"law {plain(lane.name, 22)}"
    if lane.kind == "files" and lane.spans:
        many = "files" if len(lane.spans) > 1 else "file"
        return f"{plain(lane.name, 18)}: {len(lane.spans)} {many}"
    return plain(lane.name.replace("_", " "), 28)


def _entries(timeline: Timeline) -> Iterator[Artist]:
    """Yield the legend's entries of what the picture shows."""
    lanes = timeline.lanes
    shares = [lane.density for lane in lanes if lane.density is not None]
    yield Patch(fc=_GROUND, label="tube in the ground")
    if shares:
        for share, text in ((1.0, "all readings due"), (0.5, "half of them"), (0.05, "few")):
            yield Patch(fc=DENSITY(share), label=text)
        if any((share == 0).any() for share in shares):
            yield Patch(fc="white", ec=INK, lw=0, hatch=GAP_HATCH, label="none: a gap")
    else:
        yield Patch(fc=GRID, label="sensor wired")
    if any(lane.changes_s for lane in lanes if lane.sensor):
        yield Line2D([], [], color=_SWAP, lw=1.6, label="another probe")
    if any(lane.kind == "hand" for lane in lanes):
        look: Look = {"marker": "o", "ms": 3, "ls": "", "color": INK}
        yield Line2D([], [], label="round by hand", **look)
    if any(lane.spans for lane in lanes if lane.kind == "files"):
        yield Patch(fc=_FILE, label="time covered by a raw file")
    if any(lane.kind == "law" for lane in lanes):
        yield Patch(fc=_LAW, label="version of a law in force")
    shown = {mark.letter for lane in lanes for mark in lane.marks}
    for action, letter in VISIT_LETTERS.items():
        if letter in shown:
            yield Line2D([], [], ls="", label=f"{letter}  {action}", marker="", color=FAINT)
