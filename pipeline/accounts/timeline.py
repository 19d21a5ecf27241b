"""``percolog timeline``: what was installed, wired and logged when, drawn with characters."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypedDict

import numpy as np

from pipeline.accounts.density import fill, with_files
from pipeline.accounts.inventory import file_spans
from pipeline.axis import DAY_S, iso_utc
from pipeline.errors import clean
from pipeline.nights.night import open_description, site_store
from pipeline.site.checks_dates import seconds
from pipeline.site.chronicle import (
    VISIT_LETTERS,
    Lane,
    Timeline,
    chronicle,
    covered,
    dated_until,
)
from pipeline.site.cross_wiring import EVER, NEVER
from pipeline.store.description import in_force
from pipeline.words import counted

LABELS = 32  # characters before the time axis
MOST_COLUMNS = 420  # of a picture, or of a very wide terminal
_LEAST_COLUMNS, _PIPED_WIDTH = 20, 100
_MONTHS = tuple("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split())


@dataclass(frozen=True)
class Glyphs:
    """The characters a timeline is drawn with; ``levels`` from nothing to all that is due."""

    levels: str
    installed: str
    wired: str
    law: str
    file: str
    swap: str
    tick: str


BLOCKS = Glyphs("·░▒▓█", "━", "─", "─", "▄", "│", "┬")
ASCII = Glyphs(".:+*#", "=", "-", "-", "_", "|", "+")
# Share of the readings due from which on each level but the first is drawn.
_LEVELS = (1e-9, 1 / 3, 2 / 3, 0.95)


def print_timeline(folder: Path, now: datetime, ascii_only: bool = False) -> None:
    """Print a site's timeline, as wide as the terminal and in characters that it can show.

    Piped, it is 100 characters wide or what ``COLUMNS`` says.
    """
    width = shutil.get_terminal_size((_PIPED_WIDTH, 24)).columns
    timeline = site_timeline(folder, now, min(MOST_COLUMNS, columns_in(width)))
    glyphs = ASCII if ascii_only or not _can_show(BLOCKS, sys.stdout.encoding) else BLOCKS
    text = timeline_text(timeline, width, glyphs)
    encoding = sys.stdout.encoding or "ascii"
    sys.stdout.write(text.encode(encoding, errors="replace").decode(encoding))


def _can_show(glyphs: Glyphs, encoding: str | None) -> bool:
    """Tell whether a stream's encoding has the characters."""
    try:
        "".join(vars(glyphs).values()).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def columns_in(width: int) -> int:
    """Return how many columns of time fit into lines of ``width`` characters."""
    return max(_LEAST_COLUMNS, width - LABELS)


def site_timeline(folder: Path, now: datetime, most_columns: int) -> Timeline:
    """Return the timeline of a site, with the density of its readings if it has a store.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    now : datetime
        The present, with a zone; what is dated later is not shown.
    most_columns : int
        Columns there is room for.

    Raises
    ------
    SiteError, StoreError
    """
    site = open_description(folder)
    store = site_store(site)
    until_s = dated_until(site, now.timestamp())
    if not store.exists() or not store.history():
        files = file_spans(site)
        ends = [span.stop_s for spans in files.values() for span in spans]
        bare = chronicle(site, max([until_s, *ends]), most_columns)
        return bare.with_lanes(with_files(bare.lanes, files), "")
    state = store.history()[0]["commit"]
    snapshot = store.read(state)
    site = in_force(site, snapshot).site
    until_s = dated_until(site, now.timestamp())
    stored_s = site.axis.origin_s + snapshot.steps * site.interval_s
    return fill(chronicle(site, max(stored_s, until_s), most_columns), snapshot, state)


def timeline_text(timeline: Timeline, width: int, glyphs: Glyphs = BLOCKS) -> str:
    """Return a timeline as lines of text: a heading, the lanes, and what the signs mean.

    Parameters
    ----------
    timeline : Timeline
        With at most ``width`` less `LABELS` columns.
    width : int
        Characters in a line.
    glyphs : Glyphs
        What to draw with.
    """
    lines = [line for text in _heading(timeline) for line in textwrap.wrap(text, width)]
    part = ""
    for lane in timeline.lanes:
        new = "laws" if lane.kind == "law" else lane.group
        if new != part:
            lines += ["", *([] if part else _axis(timeline, glyphs))]
            part = new
        label = _label(lane)
        shown = label if len(label) < LABELS else label[: LABELS - 2] + "~"
        lines.append(shown.ljust(LABELS) + draw_lane(lane, timeline, glyphs))
    lines += ["", *_legend(timeline, glyphs, width)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _heading(timeline: Timeline) -> list[str]:
    site = timeline.site
    first, last = (_local(timeline, edge) for edge in timeline.edges_s[[0, -1]])
    offset = f"{'-' if site.utc_offset_s < 0 else '+'}{_clock(abs(site.utc_offset_s))}"
    since = f"{_day(first)} to {_day(last - np.timedelta64(1, 's'))}, UTC{offset}"
    column = f"a column is {seconds(timeline.width_s)}"
    store = (
        f"readings of state {timeline.state}"
        if timeline.state
        else "no store yet: what is wired is shown, not what was logged; run percolog night"
    )
    return [clean(f"{site.title} ({site.id})"), f"{since}; {column}", store]


def _local(timeline: Timeline, instant_s: float) -> np.datetime64:
    """Return an instant in the site's standard time."""
    return np.datetime64(int(instant_s) + timeline.site.utc_offset_s, "s")


def _day(instant: np.datetime64) -> str:
    year, month, day = str(instant.astype("datetime64[D]")).split("-")
    return f"{int(day)} {_MONTHS[int(month) - 1]} {year}"


def _clock(length_s: int) -> str:
    return f"{length_s // 3600:02d}:{length_s % 3600 // 60:02d}"


def _axis(timeline: Timeline, glyphs: Glyphs) -> list[str]:
    """Return two lines: dates, and a tick below the first character of each."""
    labels, ticks = [" "] * timeline.count, [" "] * timeline.count
    free = 0
    for column, text in _ticks(timeline):
        if column >= free and column + len(text) <= timeline.count:
            labels[column : column + len(text)] = text
            ticks[column] = glyphs.tick
            free = column + len(text) + 1
    return [" " * LABELS + "".join(labels), " " * LABELS + "".join(ticks)]


def _ticks(timeline: Timeline) -> Iterator[tuple[int, str]]:
    """Yield columns in which a month begins, or of a short record a day, with its name."""
    local = timeline.edges_s[:-1] + timeline.site.utc_offset_s
    days = local.astype("int64").astype("datetime64[s]").astype("datetime64[D]")
    unit = "M" if timeline.edges_s[-1] - timeline.edges_s[0] > 45 * DAY_S else "D"
    parts = days.astype(f"datetime64[{unit}]")
    for column in np.flatnonzero(parts[1:] != parts[:-1]) + 1:
        year, month, day = str(days[column]).split("-")
        name = _MONTHS[int(month) - 1]
        if unit == "D":
            yield int(column), f"{int(day)} {name}"
        else:
            yield int(column), year if month == "01" else name


def _label(lane: Lane) -> str:
    """Return what stands in front of a lane."""
    probes = list(dict.fromkeys(span.label for span in lane.spans))
    if lane.kind == "tube":
        return clean(f"{lane.name} ({', '.join(probes)})")
    if lane.kind == "files":
        count = len(lane.spans)
        return clean(f"{lane.name}: {counted(count, 'file')}" if count else lane.name)
    if lane.kind == "law":
        return clean(f"{lane.name} ({lane.group})")
    named = f" {'>'.join(probes)}" if lane.kind == "sensor" else ""
    return clean(f"  {lane.name}{named}")


def draw_lane(lane: Lane, timeline: Timeline, glyphs: Glyphs) -> str:
    """Return a lane as a character for each column."""
    inside = covered(lane.spans, timeline.edges_s) > 0
    if lane.density is not None:
        level = np.searchsorted(_LEVELS, np.nan_to_num(lane.density), side="right")
        line = np.where(np.isnan(lane.density), " ", np.array(list(glyphs.levels))[level])
    else:
        sign = {"tube": glyphs.installed, "law": glyphs.law, "files": glyphs.file}
        line = np.where(inside, sign.get(lane.kind, glyphs.wired), " ")
    if lane.kind == "law":
        for span in lane.spans:
            _put(line, timeline, max(span.start_s, timeline.edges_s[0]), span.label[-1])
    elif lane.sensor is not None:
        for change_s in lane.changes_s:
            _put(line, timeline, change_s, glyphs.swap)
    order = list(VISIT_LETTERS.values())
    weight = {letter: place for place, letter in enumerate(order)}
    for mark in sorted(lane.marks, key=lambda m: -weight.get(m.letter, 0)):
        _put(line, timeline, mark.time_s, mark.letter)
    return "".join(line.tolist())


def _put(line: np.ndarray, timeline: Timeline, instant_s: float, sign: str) -> None:
    """Put a sign into the column of an instant, if that is shown."""
    column = int((instant_s - timeline.edges_s[0]) // timeline.width_s)
    if 0 <= column < timeline.count:
        line[column] = sign


def _legend(timeline: Timeline, glyphs: Glyphs, width: int) -> list[str]:
    """Return what the signs mean, those that occur only, in lines that fit."""
    kinds = {lane.kind for lane in timeline.lanes}
    letters = {mark.letter for lane in timeline.lanes for mark in lane.marks}
    parts = [f"{glyphs.installed} in the ground"]
    if any(lane.density is not None for lane in timeline.lanes):
        names = (
            "none of the readings due",
            "under 1/3",
            "under 2/3",
            "under 95 %",
            "95 % or more",
        )
        parts += [f"{s} {n}" for s, n in zip(glyphs.levels, names, strict=True)]
    else:
        parts.append(f"{glyphs.wired} wired")
    if any(lane.changes_s for lane in timeline.lanes if lane.sensor is not None):
        parts.append(f"{glyphs.swap} another probe")
    if any(lane.spans for lane in timeline.lanes if lane.kind == "files"):
        parts.append(f"{glyphs.file} covered by a file")
    if "law" in kinds:
        parts.append(f"1{glyphs.law}2{glyphs.law} versions of a law in force")
    parts += [f"{sign} {action}" for action, sign in VISIT_LETTERS.items() if sign in letters]
    parts += ["o round by hand"] * ("o" in letters)
    return wrap("  ".join(part.replace(" ", "\u00a0") for part in parts), max(width, 40))


def wrap(text: str, width: int) -> list[str]:
    """Return text in lines; what is joined by no-break spaces stays together."""
    lines = textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


# Written so because "from" is a word of the language. Instants are ISO 8601, UTC.
SpanRow = TypedDict(
    "SpanRow",
    {"from": str | None, "until": str | None, "label": str},  # None: for ever
)


class Visit(TypedDict):
    """A mark of a person's visit."""

    time: str | None
    letter: str


class LaneRow(TypedDict):
    """A lane of a timeline."""

    kind: str
    of: str  # tube or source
    name: str
    spans: list[SpanRow]
    visits: list[Visit]
    due_every_s: float | None  # None where nothing is due
    # Of each column the share of the readings due; None where nothing is due, and None as a
    # whole where it is not counted.
    density: list[float | None] | None


class TimelineAccount(TypedDict):
    """A timeline for programs."""

    site: str
    outcome: str
    commit: str | None  # None before the first night
    start: str | None  # of the first column
    column_s: float
    columns: int
    lanes: list[LaneRow]


def timeline_account(timeline: Timeline) -> TimelineAccount:
    """Return a timeline as JSON-ready values, for programs."""
    return {
        "site": timeline.site.id,
        "outcome": "done",
        "commit": timeline.state or None,
        "start": _iso(timeline.edges_s[0]),
        "column_s": timeline.width_s,
        "columns": timeline.count,
        "lanes": [_lane_account(lane) for lane in timeline.lanes],
    }


def _lane_account(lane: Lane) -> LaneRow:
    density = None if lane.density is None else np.round(lane.density, 4).tolist()
    spans: list[SpanRow] = [
        {"from": _iso(span.start_s), "until": _iso(span.stop_s), "label": span.label}
        for span in lane.spans
    ]
    return {
        "kind": lane.kind,
        "of": lane.group,
        "name": lane.name,
        "spans": spans,
        "visits": [{"time": _iso(m.time_s), "letter": m.letter} for m in lane.marks],
        "due_every_s": lane.interval_s or None,
        "density": density,
    }


def _iso(instant_s: float) -> str | None:
    """Return an instant as ISO 8601; None for ever."""
    if not EVER.timestamp() < instant_s < NEVER.timestamp():
        return None
    return iso_utc(instant_s)
