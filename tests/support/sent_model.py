"""What must become of every value a field sent, worked out value by value in plain Python.

The rule, as the ledger's documentation states it: of the readings that fall on one step the
one nearest to the step is stored; of equally near ones that before the step, then that of the
path that sorts last, then that of the later line. A reading equal to the stored one in value
and time is a duplicate; any other is superseded, once for each distinct reading.

Nothing of the project's intake is used here.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from sent_around import around_of, stamps_of
from sent_pages import Content, HandRow

from pipeline.site.models import Site, Source

FUTURE_S = 3600
JITTER = 10
SCALE = {"mV": 1000, "%": 100}


@dataclass(frozen=True)
class Version:
    """One version of one file, and when it was last read."""

    source: str
    path: str
    revision: int
    content: Content
    now_s: int

    @property
    def key(self) -> tuple[str, str, int]:
        """Return what names it, in the order that decides between files."""
        return self.path, self.source, self.revision


@dataclass
class Fate:
    """What must become of the values of one file."""

    stored: int = 0
    duplicates: int = 0
    superseded: int = 0
    rows: Counter = field(default_factory=Counter)
    values: Counter = field(default_factory=Counter)


@dataclass
class Expected:
    """What must be in the store.

    ``cells``: (quantity, place, depth, step) to (offset, value, file, line); ``superseded``
    the same in one tuple.
    ``rounds`` and ``rounds_superseded``: readings with their file and line.
    """

    fates: dict[tuple, Fate]
    cells: dict[tuple, tuple]
    superseded: set[tuple]
    rounds: set[tuple]
    rounds_superseded: set[tuple]


def expect(site: Site, versions: list[Version]) -> Expected:
    """Return what must become of every value of some files."""
    fates = {version.key: Fate() for version in versions}
    claims: dict[tuple, list[tuple]] = defaultdict(list)
    for version in versions:
        fate = fates[version.key]
        fate.rows.update(version.content.lost_rows)
        fate.values.update(version.content.lost_values)
        around = _around(site, versions, version)
        for table in version.content.tables:
            _claim(site, version, (table, *around), fate, claims)
    cells, superseded = {}, set()
    for cell, readings in claims.items():
        cells[cell] = _decide(cell, readings, fates, superseded)
    rounds, corrected = _rounds(site, versions, fates)
    return Expected(fates, cells, superseded, rounds, corrected)


def _around(
    site: Site, versions: list[Version], version: Version
) -> tuple[list[int], list[int], list[int]]:
    """Return the stamps before, of and after a file whose clock needs it, else nothing."""
    source = next(s for s in site.sources if s.id == version.source)
    if source.kind != "table":
        return [], [], []
    newest = {v.path: v for v in sorted(versions, key=lambda v: v.revision)}
    is_long = source.id == "long"
    files = {
        path: (v.content.data, stamps_of(v.content.tables, is_long))
        for path, v in newest.items()
        if v.source == source.id
    }
    if newest[version.path] is not version:
        return [], [], []
    origin = int(site.start.timestamp())
    before, after = around_of(
        version.path, files, lambda stamp_s: stamp_s - _ahead_of_utc(source, stamp_s) < origin
    )
    return before, files[version.path][1], after


def _claim(site: Site, version: Version, rows: tuple, fate: Fate, claims) -> None:
    """Bring the rows of a table to the cells they claim."""
    table, before, own, after = rows
    if table and own:  # only what borders on another file has it around
        before = before if table[0].stamp_s == own[0] else []
        after = after if table[-1].stamp_s == own[-1] else []
    source = next(s for s in site.sources if s.id == version.source)
    origin = int(site.start.timestamp())
    times = clock(site, source, [row.stamp_s for row in table], (before, after))
    for row, (utc_s, is_lost) in zip(table, times, strict=True):
        step = (utc_s - origin + site.interval_s // 2) // site.interval_s
        reason = (
            ("clock_reset" if is_lost else "")
            or ("before_start" if step < 0 else "")
            or ("in_future" if utc_s > version.now_s + FUTURE_S else "")
        )
        if reason:
            fate.values[reason] += len(row.values)
            continue
        offset = utc_s - (origin + step * site.interval_s)
        for channel, value in row.values.items():
            wire = _wire(site, source, channel, utc_s)
            if isinstance(wire, str):
                fate.values[wire] += 1
                continue
            place = (wire.source, None) if wire.at_station else (wire.tube, wire.depth_m)
            stored = float(np.float32(value / SCALE.get(wire.unit, 1)))
            claims[(wire.quantity, *place, step)].append(
                (offset, stored, version.key, row.line)
            )


def _wire(site: Site, source: Source, channel: str, utc_s: int):
    """Return the wire of a channel at an instant, or why there is none."""
    for wire in site.wiring:
        begun = wire.start is None or utc_s >= wire.start.timestamp()
        ended = wire.until is not None and utc_s >= wire.until.timestamp()
        if (wire.source, wire.channel) == (source.id, channel) and begun and not ended:
            tubes = [tube for tube in site.tubes if tube.tube == wire.tube]
            if tubes and utc_s < tubes[0].installed.timestamp():
                return "not_installed"
            return wire
    return "not_wired"


def clock(
    site: Site, source: Source, stamps: list[int], around: tuple[list[int], list[int]]
) -> list[tuple[int, bool]]:
    """Return the instant of each row (UTC), and whether a clock begun anew stamped it."""
    origin = int(site.start.timestamp())
    before, after = around
    logged = [s - _ahead_of_utc(source, s) for s in (*before, *stamps, *after)]
    shifts = _pinned(logged, origin, site.interval_s)
    result, highest = [], logged[0] if logged else 0
    for logged_s, shift in zip(logged, shifts, strict=True):
        highest = max(highest, logged_s)
        is_lost = logged_s < origin and shift is None and highest > logged_s
        utc_s = logged_s + (shift or 0)
        utc_s -= _drift(site, source, utc_s if shift else logged_s)
        result.append(
            (utc_s + (site.interval_s if source.clock.stamp == "start" else 0), is_lost)
        )
    return result[len(before) : len(before) + len(stamps)]


def _ahead_of_utc(source: Source, stamp_s: int) -> int:
    """Return the offset of a source's clock at a stamp; its zones have no change near it."""
    if source.clock.zone:
        there = datetime.fromtimestamp(stamp_s, UTC).replace(
            tzinfo=ZoneInfo(source.clock.zone)
        )
        return int(there.utcoffset().total_seconds())
    sign = -1 if source.clock.utc_offset.startswith("-") else 1
    digits = source.clock.utc_offset.strip("+-Z").replace(":", "") or "0000"
    return sign * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


def _pinned(logged: list[int], origin: int, interval_s: int) -> list[int | None]:
    """Return what is added to rows of a clock begun anew that fill the gap they lie in."""
    shifts: list[int | None] = [None] * len(logged)
    start = 0
    while start < len(logged):
        stop = start + 1
        if logged[start] < origin:
            while (
                stop < len(logged)
                and logged[stop] < origin
                and logged[stop] >= logged[stop - 1]
            ):
                stop += 1
            shift = _fills(logged, start, stop, origin, interval_s)
            shifts[start:stop] = [shift] * (stop - start)
        start = stop
    return shifts


def _fills(
    logged: list[int], start: int, stop: int, origin: int, interval_s: int
) -> int | None:
    """Return the shift of a run that fills the gap between its neighbours, else None."""
    if start == 0 or stop == len(logged):
        return None
    before, after, run = logged[start - 1], logged[stop], logged[start:stop]
    if before < origin or after < origin:
        return None
    room = interval_s // JITTER
    gaps = [b - a for a, b in pairwise(run)]
    even = all(abs(gap - interval_s) <= room for gap in gaps)
    missing = after - before - (run[-1] - run[0] + 2 * interval_s)
    return after - interval_s - run[-1] if even and abs(missing) <= room else None


def _drift(site: Site, source: Source, logged_s: int) -> int:
    """Return how far a clock was ahead: linear between checks, nothing before the first."""
    nodes = [
        (int(v.time.timestamp()) + int(v.value), int(v.value))
        for v in site.visits
        if v.source == source.id and v.action == "clock"
    ]
    if not nodes or logged_s < nodes[0][0]:
        return 0
    for (a, ahead_a), (b, ahead_b) in pairwise(nodes):
        if logged_s < b:
            return round(ahead_a + Fraction(logged_s - a, b - a) * (ahead_b - ahead_a))
    return nodes[-1][1]


def _decide(cell, readings: list[tuple], fates, superseded: set[tuple]) -> tuple:
    """Return the reading a cell keeps; count it and the others."""
    # (nearest, before the step, path, source, revision, line): the last in order is kept.
    ordered = sorted(readings, key=lambda r: (-abs(r[0]), -r[0], r[2], r[3]))
    kept = ordered.pop()
    fates[kept[2]].stored += 1
    seen: set[tuple] = set()
    for reading in reversed(ordered):
        if reading[:2] == kept[:2] or reading[:2] in seen:
            fates[reading[2]].duplicates += 1
        else:
            fates[reading[2]].superseded += 1
            seen.add(reading[:2])
            superseded.add((*cell, *reading))
    return kept


def _rounds(site: Site, versions: list[Version], fates) -> tuple[set[tuple], set[tuple]]:
    """Return the hand readings kept, and those a newer version of their file corrects."""
    readings: dict[tuple, list[Version]] = defaultdict(list)
    lines: dict[tuple, int] = {}
    for version in sorted(versions, key=lambda v: v.key):
        met: Counter = Counter()
        for hand in version.content.hand:
            reason = _refused_hand(site, version, hand)
            if reason:
                fates[version.key].values[reason] += 1
                continue
            place = (
                hand.stamp_s,
                hand.tube,
                hand.reader,
                str(hand.direction_deg),
                hand.depth_m,
            )
            value = (*place, round(hand.value / 100, 9))
            reading = (*value, met[value])
            met[value] += 1
            readings[reading].append(version)
            lines[(reading, version.key)] = hand.line
    kept, corrected = set(), set()
    newest: Counter = Counter()
    for reading, holders in readings.items():
        for version in holders:
            book = (reading[:5], version.path)
            newest[book] = max(newest[book], version.revision)
    for reading, holders in readings.items():
        for version in holders[:-1]:
            fates[version.key].duplicates += 1
        last = holders[-1]
        is_old = last.revision < newest[(reading[:5], last.path)]
        fates[last.key].superseded += is_old
        fates[last.key].stored += not is_old
        row = (*reading, last.key, lines[(reading, last.key)])
        (corrected if is_old else kept).add(row)
    return kept, corrected


def _refused_hand(site: Site, version: Version, hand: HandRow) -> str:
    """Return why a hand reading must be set aside, or nothing. Whole days count for tubes."""
    if hand.stamp_s < site.start.timestamp():
        return "before_start"
    if hand.stamp_s > version.now_s + FUTURE_S:
        return "in_future"
    installed = [t.installed.date() for t in site.tubes if t.tube == hand.tube]
    day = datetime.fromtimestamp(hand.stamp_s, UTC).date()
    return "" if installed and installed[0] <= day else "not_installed"
