"""One tube's health: its verdict, and the evidence a person can check, by depth."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.qc.findings import Verdict
from pipeline.report.style import (
    CM_PER_M,
    FAINT,
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
from pipeline.report.time_columns import day_text, time_label, time_ticks
from pipeline.words import told_set_in

PERCENT = 100.0
_LEFT, _WIDE, _HIGH, _APART = 0.62, 2.45, 1.75, 0.62  # inches
_EDGE = 0.05  # of the axis of time, in which a date stands to the left of its tick
_SECOND = _LEFT + _WIDE + 0.42
_WHOLE = _SECOND + _WIDE - _LEFT
_TITLE, _LABELS = 0.42, 0.76
_LINE = 0.17
_CHARACTERS = 84
MOST_LINES = 14
# A direction has its own sign as well as its own colour.
MARKERS = ("o", "s", "^", "D", "v", "P")
_WORDS = {
    Verdict.SOUND: "sound",
    Verdict.USE_WITH_CARE: "use with care",
    Verdict.DO_NOT_USE: "do not use",
}


@dataclass(frozen=True)
class HealthEvidence:
    """What is drawn of one tube.

    ``depths_m`` (depth,) nominal; ``difference`` (day, depth) [m3 m-3] daily values less the
    median of the neighbours; ``noise_ratio`` (depth,) times that of its like; ``responses``
    with ``onset_s``, ``depth_m``, ``rise_in_hour`` and ``telling`` (bool); ``directions`` with
    ``depth_m``, ``direction_deg`` and ``water`` [m3 m-3], means of the rounds; ``sentences``
    in the order in which they weigh, ``action`` what to do, if anything.
    ``span_d`` are the days since 1970, in the site's standard time, that the responses were
    sought in, ``utc_offset_s`` that time's offset; ``logged`` whether a sensor was ever wired,
    ``set_in_m`` how much deeper than marked the tube sits.
    """

    tube: str
    verdict: Verdict
    reason: str
    depths_m: Floats
    difference: Floats
    noise_ratio: Floats
    responses: pd.DataFrame
    directions: pd.DataFrame
    sentences: tuple[str, ...]
    action: str
    span_d: tuple[float, float]
    utc_offset_s: int
    logged: bool = True
    set_in_m: float = 0.0


def draw_health(evidence: HealthEvidence, path: Path) -> Path:
    """Draw the health of one tube as PNG.

    Returns
    -------
    Path
        ``path``.
    """
    with drawing():
        return save(health_figure(evidence), path)


def health_figure(evidence: HealthEvidence) -> Figure:
    """Return the figure of `draw_health`; to be called within `style.drawing`."""
    lines = _lines(evidence)
    top = _TITLE + _LINE * len(lines) + 0.34
    below = top + _HIGH + _APART + 0.2
    figure = new_figure(below + _HIGH + _LABELS)
    put_title(figure, f"{plain(evidence.tube)}: {_WORDS[evidence.verdict]}", lines)
    turned = panel(figure, _LEFT, top, _WIDE, _HIGH)
    apart = panel(figure, _SECOND, top, _WIDE, _HIGH)
    course = panel(figure, _LEFT, below, _WHOLE - 1.42, _HIGH)
    noise = panel(figure, _LEFT + _WHOLE - 1.15, below, 1.15, _HIGH)
    axes = (turned, apart, course, noise)
    for each in axes:
        _depth_axis(each, evidence)
    entries = _draw_directions(turned, evidence)
    entries += _draw_difference(apart, evidence)
    entries += _draw_responses(course, evidence)
    _draw_noise(noise, evidence)
    for each in (apart, noise):
        each.set_ylabel("")
        each.set_yticklabels([])
    put_legend(figure, entries, below + _HIGH + _LABELS)
    return figure


def _lines(evidence: HealthEvidence) -> list[str]:
    """Return the reason and the evidence as lines that fit the page."""
    told = evidence.sentences or (evidence.reason,)
    lines: list[str] = []
    for sentence in told:
        wrapped = textwrap.wrap(plain(sentence, 600), _CHARACTERS, subsequent_indent="   ")
        if len(lines) + len(wrapped) > MOST_LINES:
            lines.append("more with percolog tubes")
            break
        lines += wrapped
    if evidence.action:
        lines += textwrap.wrap(f"do: {evidence.action}", _CHARACTERS)
    if evidence.set_in_m:  # findings name sensors by these depths, too
        told_in = told_set_in(evidence.set_in_m)
        lines.append(f"sensors named by depth as wired; the tube is {told_in}")
    if (
        evidence.span_d[0] > 0
    ):  # the picture is drawn anew when the evidence changes, or monthly
        last = np.datetime64(int(evidence.span_d[1]) - 1, "D")
        lines.append(f"from the record to {day_text(last, True)}")
    return lines


def _depth_axis(axes: Axes, evidence: HealthEvidence) -> None:
    """Give a panel its depths, downwards and evenly spaced."""
    count = evidence.depths_m.size
    axes.set_ylim(count - 0.4, -0.6)
    axes.set_yticks(range(count), [f"{CM_PER_M * depth:.4g}" for depth in evidence.depths_m])
    axes.set_ylabel("depth (cm)")
    axes.grid(color=GRID, lw=0.6)
    axes.set_axisbelow(True)


def _place(evidence: HealthEvidence, depths_m: pd.Series) -> NDArray[np.intp]:
    """Return the row of each depth in the panels."""
    return np.searchsorted(evidence.depths_m, depths_m.to_numpy(np.float64))


def _nothing(axes: Axes, text: str, logged: bool = True) -> None:
    """Say in an empty panel why it is empty: ``text``, or that there is no logger."""
    look: Look = {"transform": axes.transAxes, "ha": "center", "va": "center", "color": INK}
    axes.text(0.5, 0.5, text if logged else "no logger", size=9, **look)
    axes.set_xticks([])


def _draw_directions(axes: Axes, evidence: HealthEvidence) -> list[Artist]:
    """Draw what hand rounds read in each direction; return the legend's entries."""
    axes.set_title("hand rounds by direction, means", loc="left", size=10)
    rows = evidence.directions
    if rows.empty:
        _nothing(axes, "no round in\nthree directions")
        return []
    entries: list[Artist] = []
    for number, (direction, part) in enumerate(rows.groupby("direction_deg", sort=True)):
        look: Look = {
            "marker": MARKERS[number % len(MARKERS)],
            "color": PALETTE[number % len(PALETTE)],
            "ls": "none",
            "ms": 6,
            "mec": INK,
            "mew": 0.5,
        }
        axes.plot(PERCENT * part["water"], _place(evidence, part["depth_m"]), **look)
        entries.append(Line2D([], [], label=f"direction {direction:g}°", **look))
    axes.set_xlabel("water content (% by volume)")
    return entries


def _draw_difference(axes: Axes, evidence: HealthEvidence) -> list[Artist]:
    """Draw how daily values differ from neighbours: the middle half, and nine tenths.

    Returns the legend's entries.
    """
    axes.set_title("minus median of neighbours", loc="left", size=10)
    known = np.isfinite(evidence.difference).any(axis=0)
    if not known.any():
        _nothing(axes, "fewer than two\nneighbours", evidence.logged)
        return []
    axes.axvline(0, color=INK, lw=0.8)
    most: Look = {"color": PALETTE[0], "lw": 1.2}
    half: Look = {"color": PALETTE[4], "lw": 5, "solid_capstyle": "butt"}
    for row in np.flatnonzero(known):
        days = evidence.difference[:, row]
        low, first, middle, third, high = PERCENT * np.quantile(
            days[np.isfinite(days)], [0.05, 0.25, 0.5, 0.75, 0.95]
        )
        axes.plot([low, high], [row, row], **most)
        axes.plot([first, third], [row, row], **half)
        axes.plot(middle, row, "|", color=INK, ms=10, mew=1.4)
    reach = max(2.0, 1.1 * max(abs(edge) for edge in axes.get_xlim()))
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("difference (% by volume)")
    return [
        Line2D([], [], label="90 % of the days", **most),
        Line2D([], [], label="half of the days, and median", **half),
    ]


def _draw_responses(axes: Axes, evidence: HealthEvidence) -> list[Artist]:
    """Draw when sensors answered rain, and which answers tell of a fault."""
    axes.set_title("answers to rain", loc="left", size=10)
    rows = evidence.responses
    if rows.empty:
        _nothing(axes, "none in the last year", evidence.logged)
        return []
    when = (rows["onset_s"].to_numpy() + evidence.utc_offset_s) / DAY_S
    where, telling = _place(evidence, rows["depth_m"]), rows["telling"].to_numpy(bool)
    quiet: Look = {"marker": "o", "ls": "none", "ms": 3, "color": FAINT}
    loud: Look = {"marker": "X", "ls": "none", "ms": 6, "color": PALETTE[1], "mec": INK}
    axes.plot(when[~telling], where[~telling], **quiet)
    axes.plot(when[telling], where[telling], **loud)
    major, labels, minor = time_ticks(*evidence.span_d)
    axes.set_xlim(*evidence.span_d)
    axes.set_xticks(major, labels)
    start, stop = evidence.span_d
    if len(major) and major[-1] > stop - _EDGE * (stop - start):
        axes.get_xticklabels()[-1].set_horizontalalignment(
            "right"
        )  # else it runs into the next panel's
    axes.set_xticks(minor, minor=True)
    axes.set_xlabel(time_label(evidence.utc_offset_s))
    entries: list[Artist] = [Line2D([], [], label="sensor wetted", **quiet)]
    if telling.any():
        entries.append(Line2D([], [], label="shows a void, or flow along the wall", **loud))
    return entries


def _draw_noise(axes: Axes, evidence: HealthEvidence) -> None:
    """Draw the noise of each sensor against that of its like."""
    axes.set_title("noise", loc="left", size=10)
    known = np.isfinite(evidence.noise_ratio)
    if not known.any():
        _nothing(axes, "none to\ncompare", evidence.logged)
        return
    rows = np.flatnonzero(known)
    axes.barh(rows, evidence.noise_ratio[rows], height=0.55, color=PALETTE[4], ec=INK, lw=0.5)
    axes.axvline(1, color=INK, lw=0.8)
    axes.set_xlim(0, max(2.0, 1.15 * float(evidence.noise_ratio[rows].max())))
    axes.set_xlabel("ratio to that of\nlike sensors")
