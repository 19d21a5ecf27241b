"""From the stamps a logger wrote to UTC: what can be told is repaired, the rest set aside.

A table's stamps pass three stages, each from the rows of its file, those around it, the site
description and the visits alone: the zone's changes of offset, clocks that began again at an
epoch, and drift between checks. Every repair is returned with its evidence;
`pipeline.ingest.clock_logged` leads back from an instant to the stamp as logged.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.ingest.clock_around import Around
from pipeline.ingest.clock_back import steps_back
from pipeline.ingest.clock_drift import Drift, ahead_s, drift_rules, first_setting
from pipeline.ingest.clock_order import Borders, Found, Settled, settle
from pipeline.ingest.clock_reset import Dial, lost_rows, pin_runs
from pipeline.ingest.clock_swap import LEAST_SIGNS, swap_signs
from pipeline.ingest.clock_zone import ZoneTable, zone_table
from pipeline.ingest.records import Repair, Table
from pipeline.site.clock_checks import ClockCheck, clock_checks
from pipeline.site.models import Clock, Site, Source
from pipeline.words import counted

# Runs of corrected rows told one by one; beyond, one repair stands for the rest of a rule.
MAX_REPAIRS = 100

ALONE = Around()

# How what was found at a border of a zone is called in the ledger.
_KINDS = {"told": "repeated_hour", "late": "late_jump", "no jump": "no_jump"}


@dataclass
class ClockedStamps:
    """UTC seconds of each stamp, the stamps that have none by reason (True: refused)."""

    utc_s: NDArray[np.int64]
    refused: dict[str, NDArray[np.bool_]]
    repairs: list[Repair] = field(default_factory=list)


@dataclass(frozen=True)
class ClockRules:
    """All that is known of a source's clock.

    ``checks`` are those of its visits; ``origin_s`` and ``site_offset_s`` are the site's first
    instant (UTC) and its standard time.
    """

    clock: Clock
    interval_s: int
    origin_s: int
    site_offset_s: int = 0
    checks: tuple[ClockCheck, ...] = ()

    @staticmethod
    def of(site: Site, source: Source) -> ClockRules:
        """Return what a site description knows of a source's clock."""
        interval_s = source.interval_s or site.interval_s
        checks = clock_checks(site, source.id)
        return ClockRules(
            source.clock, interval_s, site.axis.origin_s, site.utc_offset_s, checks
        )

    @property
    def shift_s(self) -> int:
        """Return what is added to a stamp at the start of an interval to get its end."""
        return self.interval_s if self.clock.stamp == "start" else 0


def parse_utc_offset(text: str) -> int:
    """Return the seconds of an offset such as ``+01:00``, ``-0330`` or ``Z``.

    Raises
    ------
    ValueError
        If the text is no offset within 14 hours.
    """
    if text in ("Z", "UTC"):
        return 0
    digits = text[1:].replace(":", "")
    if text[:1] not in ("+", "-") or len(digits) != 4 or not digits.isdigit():
        raise ValueError(f"{text!r} is no UTC offset; write it like +01:00")
    seconds = int(digits[:2]) * 3600 + int(digits[2:]) * 60
    if seconds > timedelta(hours=14).total_seconds() or int(digits[2:]) > 59:
        raise ValueError(f"{text!r} is no UTC offset within 14 hours")
    return -seconds if text[0] == "-" else seconds


def to_utc(stamp_s: NDArray[np.int64], clock: Clock, interval_s: int) -> ClockedStamps:
    """Turn stamps that stand each for itself, such as those of hand readings, into UTC.

    Parameters
    ----------
    stamp_s : array (n,)
        Seconds since 1970-01-01 00:00 on the clock.
    clock : Clock
        Fixed offset or named zone, and what a stamp means.
    interval_s : int
        Logging interval; a stamp at its start is moved to its end.

    Returns
    -------
    ClockedStamps
        In a named zone an hour that occurs twice is refused as ``ambiguous_time`` and one that
        does not exist as ``missing_time``.
    """
    shift = interval_s if clock.stamp == "start" else 0
    utc, settled = _through_zone(stamp_s, clock, None)
    return ClockedStamps(utc + shift, _refused(settled))


def read_clock(table: Table, rules: ClockRules, around: Around = ALONE) -> ClockedStamps:
    """Turn a table's stamps into UTC.

    Parameters
    ----------
    table : Table
        Rows in the order of the file.
    rules : ClockRules
        What is known of the clock.
    around : Around
        Rows of the files before and after; by default the file is read alone.

    Returns
    -------
    ClockedStamps
        Refused are ``ambiguous_time`` and ``missing_time`` (of a named zone, or where the
        clock was set) and ``clock_reset``: rows that an epoch's clock stamped and nothing
        fixes. What is stamped before the site began with no jump before it is not judged here.
    """
    whole, own = around.join(table)
    logged, settled = _through_zone(whole.stamp_s, rules.clock, rules.interval_s)
    result = ClockedStamps(logged, _refused(settled))
    result.repairs += [_zone_repair(whole, found, rules) for found in settled.found]
    result.repairs += _swap_remarks(table, rules)
    is_true = _through_resets(whole, rules, result)
    drift = drift_rules(rules.checks)
    if drift is not None:
        _through_drift(whole, rules, drift, is_true, result)
    repairs = [around.with_files(r, table) for r in result.repairs if r.rows]
    refused = {reason: rows[own] for reason, rows in result.refused.items()}
    repairs += _back_remarks(table, result.utc_s[own], refused, rules)
    return ClockedStamps(result.utc_s[own] + rules.shift_s, refused, repairs)


def in_doubt(stamp_s: NDArray[np.int64], rules: ClockRules) -> NDArray[np.bool_]:
    """Tell which stamps occur twice or never on the clock of a zone."""
    if rules.clock.zone is None or not len(stamp_s):
        return np.zeros(len(stamp_s), dtype=np.bool_)
    borders = _borders(_zone_of(rules.clock.zone, stamp_s))
    return np.asarray(
        np.searchsorted(borders.high, stamp_s, side="right")
        != np.searchsorted(borders.low, stamp_s, side="right")
    )


def lost_alone(stamp_s: NDArray[np.int64], rules: ClockRules) -> NDArray[np.bool_]:
    """Tell which rows of a file a clock begun anew may have stamped.

    A file that begins on the epoch's day may be the first of a clock that fell back between
    two files, which only the file before it tells.
    """
    logged, _ = _through_zone(stamp_s, rules.clock, None)
    epoch = _epoch(rules)
    if epoch is not None:
        logged = np.append(epoch + 2 * DAY_S, logged)
    dial = Dial(
        logged, np.ones(len(logged), bool), None, rules.interval_s, rules.origin_s, epoch
    )
    lost = lost_rows(dial)
    return lost if epoch is None else lost[1:]


def _through_zone(
    stamp_s: NDArray[np.int64], clock: Clock, interval_s: int | None
) -> tuple[NDArray[np.int64], Settled]:
    """Return stamps less the offset that held, and what the zone's changes left in doubt."""
    none = np.zeros(len(stamp_s), dtype=np.bool_)
    if clock.zone is None or not len(stamp_s):
        offset = parse_utc_offset(clock.utc_offset or "Z")
        rule = np.zeros(len(stamp_s), dtype=np.int64)
        return stamp_s - offset, Settled(rule, none, none)
    zone = _zone_of(clock.zone, stamp_s)
    borders = _borders(zone)
    settled = settle(stamp_s, borders, interval_s)
    return stamp_s - zone.offset_s[settled.rule], settled


def _zone_of(name: str, stamp_s: NDArray[np.int64]) -> ZoneTable:
    return zone_table(name, int(stamp_s.min()), int(stamp_s.max()))


def _borders(zone: ZoneTable) -> Borders:
    before, after = zone.start_s + zone.offset_s[:-1], zone.start_s + zone.offset_s[1:]
    return Borders(np.minimum(before, after), np.maximum(before, after), before > after)


def _epoch(rules: ClockRules) -> int | None:
    """Return where the clock begins after a failure, brought to UTC."""
    epoch = rules.clock.epoch_s
    return (
        None
        if epoch is None
        else int(_through_zone(np.array([epoch]), rules.clock, None)[0][0])
    )


def _refused(settled: Settled) -> dict[str, NDArray[np.bool_]]:
    return {"ambiguous_time": settled.ambiguous, "missing_time": settled.missing}


def _zone_repair(table: Table, found: Found, rules: ClockRules) -> Repair:
    zone = rules.clock.zone or ""
    repair = _repair(table, _KINDS[found.kind], slice(found.start, found.stop), found.evidence)
    seconds = found.size_s if found.kind == "late" else 0
    return replace(
        repair, least_s=seconds, most_s=seconds, evidence=f"{found.evidence} ({zone})"
    )


def _repair(table: Table, kind: str, rows: slice, evidence: str) -> Repair:
    """Return a repair of consecutive rows that adds nothing to their stamps.

    Rows of other files have no line and do not count; of a repair of such alone none is left.
    """
    line = table.line[rows]
    line = line[line > 0]
    if not len(line):
        return Repair(kind, 0, 0, 0, 0, 0, evidence)
    return Repair(kind, int(line.min()), int(line.max()), len(line), 0, 0, evidence)


def _swap_remarks(table: Table, rules: ClockRules) -> list[Repair]:
    """Return a remark where day and month seem to have changed places.

    The dates may have been written in the site's time and brought to another since, so that
    both are tried.
    """
    own = parse_utc_offset(rules.clock.utc_offset or "Z")
    shifts = {0, 0 if rules.clock.zone else rules.site_offset_s - own}
    for shift in sorted(shifts):
        rows = swap_signs(table.stamp_s + shift, rules.interval_s)
        if len(rows) >= LEAST_SIGNS:
            first = np.datetime64(int(table.stamp_s[rows[0]]), "s")
            before = np.datetime64(int(table.stamp_s[rows[0] - 1]), "s")
            evidence = (
                f"day and month may have changed places: {len(rows)} times the date jumps by "
                f"a month where the day turns, first from {before} to {first}; nothing changed"
            )
            span = slice(int(rows[0]), int(rows[-1]) + 1)
            return [_repair(table, "day_month_order", span, evidence)]
    return []


def _back_remarks(
    table: Table,
    utc_s: NDArray[np.int64],
    refused: dict[str, NDArray[np.bool_]],
    rules: ClockRules,
) -> list[Repair]:
    """Return a remark where the clock seems to have been put back and nobody noted it."""
    sound = ~np.logical_or.reduce([*refused.values(), np.zeros(len(utc_s), np.bool_)])
    steps = steps_back(table, utc_s, sound, rules.interval_s)
    if not steps:
        return []
    first = steps[0].row
    before, after = (np.datetime64(int(table.stamp_s[n]), "s") for n in (first - 1, first))
    went = f"goes back from {before} to {after}" if after < before else f"stays at {after}"
    evidence = (
        f"the stamp {went} {steps[0].evidence}, {counted(len(steps), 'time')} in this file; "
        "nothing changed, and of readings stamped alike the later one counts"
        f"{first_setting(rules.checks, utc_s[first], rules.interval_s)}"
    )
    remark = _repair(table, "ran_back", slice(first, steps[-1].row + 1), evidence)
    return [replace(remark, rows=len(steps))]


def _through_resets(
    table: Table, rules: ClockRules, result: ClockedStamps
) -> NDArray[np.bool_]:
    """Put rows right that a clock begun anew stamped; return which are true time already."""
    sound = ~(result.refused["ambiguous_time"] | result.refused["missing_time"])
    counter, epoch = table.counter, _epoch(rules)
    dial = Dial(result.utc_s, sound, counter, rules.interval_s, rules.origin_s, epoch)
    lost = lost_rows(dial)
    is_true = np.zeros(len(lost), dtype=np.bool_)
    if not lost.any():
        return is_true
    utc = result.utc_s.copy()
    unpinned = lost.copy()
    for run in pin_runs(dial, lost, rules.checks):
        rows = slice(run.start, run.stop)
        utc[rows] += run.shift_s
        unpinned[rows] = False
        is_true[rows] = run.is_true
        repair = _repair(table, "clock_reset", rows, run.evidence)
        result.repairs.append(replace(repair, least_s=run.shift_s, most_s=run.shift_s))
    # A file that begins before the site did is no reset; one that falls back there is.
    jumped = np.maximum.accumulate(result.utc_s) > result.utc_s
    result.refused["clock_reset"] = unpinned & jumped & sound
    result.utc_s = utc
    return is_true


def _through_drift(
    table: Table,
    rules: ClockRules,
    drift: Drift,
    is_true: NDArray[np.bool_],
    result: ClockedStamps,
) -> None:
    """Correct the stamps by the checks of the clock.

    A row stamped at the start of its interval is logged at its end: what the clock showed then
    tells before or after which check that was.
    """
    logged = result.utc_s + rules.shift_s
    settled = settle(logged, drift.borders, rules.interval_s, harmless_s=rules.interval_s)
    rule = np.where(is_true, 0, settled.rule)
    corrected = logged.copy()
    for number in np.unique(rule[rule > 0]).tolist():
        rows = rule == number
        corrected[rows] -= ahead_s(logged[rows], drift.nodes[number - 1])
    open_to_doubt = ~is_true & ~np.logical_or.reduce(list(result.refused.values()))
    for reason, rows in _refused(settled).items():
        result.refused[reason] = result.refused[reason] | (rows & open_to_doubt)
    result.repairs += _drift_repairs(table, rule, corrected - logged, drift)
    result.utc_s = corrected - rules.shift_s


def _drift_repairs(
    table: Table, rule: NDArray[np.int64], added_s: NDArray[np.int64], drift: Drift
) -> list[Repair]:
    """Return a repair for each run of rows under one rule of the drift."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(rule)) + 1, [len(rule)])).tolist()
    runs = [(a, b) for a, b in pairwise(edges) if b > a and rule[a] > 0]
    repairs = [
        _drift_repair(table, slice(a, b), added_s, drift.nodes[int(rule[a]) - 1])
        for a, b in runs[:MAX_REPAIRS]
    ]
    if len(runs) > MAX_REPAIRS:
        rest = slice(runs[MAX_REPAIRS][0], len(rule))
        for number in np.unique(rule[rest][rule[rest] > 0]).tolist():
            repairs.append(_drift_repair(table, rest, added_s, drift.nodes[number - 1]))
    return repairs


def _drift_repair(
    table: Table, rows: slice, added_s: NDArray[np.int64], nodes: tuple[tuple[int, float], ...]
) -> Repair:
    checks = "; ".join(
        f"{np.datetime64(at - round(ahead), 's')}Z {ahead:+g} s" for at, ahead in nodes
    )
    evidence = f"checks of the clock, ahead of true time by: {checks}"
    added = added_s[rows][table.line[rows] > 0]
    if not len(added):
        added = np.zeros(1, dtype=np.int64)
    return replace(
        _repair(table, "clock_drift", rows, evidence),
        least_s=int(added.min()),
        most_s=int(added.max()),
        nodes=nodes,
    )
