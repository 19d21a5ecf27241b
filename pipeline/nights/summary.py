"""The account of a night for a person and for a machine."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.axis import iso_utc
from pipeline.deliver.atomic import replacing
from pipeline.derive.rounds_comparison import ComparisonRow
from pipeline.engine.correcting import DriftRow
from pipeline.errors import SetAside, clean
from pipeline.ingest.clock_account import RepairedClock
from pipeline.ingest.double_signals import DoubleSignal
from pipeline.nights.documents import LaterPart, NightAccount, StoredNight, TubeRow
from pipeline.products.verdicts import VerdictRow
from pipeline.qc.flags import Quality
from pipeline.site.models import Site, Wire
from pipeline.site.stretches import intervals_at, stretches_of
from pipeline.store.state import Snapshot
from pipeline.variables import SIGNALS
from pipeline.words import counted, needs_look, told_absent, told_refusal


def tube_rows(site: Site, snapshot: Snapshot) -> list[TubeRow]:
    """Return, for each tube, how its sensors did over the days the report shows."""
    by_hand = _hand_readings(snapshot)
    rows = {row["tube"]: row for row in _logged_rows(site, snapshot)}
    for name, row in rows.items():
        count, last_s = by_hand.get(name, (0, None))
        row["hand_readings"] = count
        if not row["due"] and last_s is not None:
            row["last_reading"] = iso_utc(last_s)
    return list(rows.values())


def _hand_readings(snapshot: Snapshot) -> dict[str, tuple[int, int]]:
    """Return how many hand readings each tube has, and when the last was, UTC seconds."""
    stored = snapshot.table("rounds")
    if stored is None:
        return {}
    found = stored.group_by("tube").aggregate([("time_s", "count"), ("time_s", "max")])
    return {row["tube"]: (row["time_s_count"], row["time_s_max"]) for row in found.to_pylist()}


def _logged_rows(site: Site, snapshot: Snapshot) -> list[TubeRow]:
    """Return the rows of all tubes as far as loggers tell."""
    axis, stop = snapshot.axis, snapshot.steps
    start = max(0, stop - site.report.days * axis.steps_per_day)
    if not snapshot.holds("water/quality") or stop == start:
        return [_tube_row(tube.tube, [], 0, None) for tube in site.tubes]
    quality = snapshot.read("water/quality", start, stop)
    by_tube = np.ascontiguousarray(quality.transpose(1, 0, 2))
    times = axis.seconds(start, stop)
    depths = snapshot.labels["depth"]
    rows = []
    for tube in site.tubes:
        flags = by_tube[snapshot.labels["tube"].index(tube.tube)]
        read = flags != Quality.MISSING
        seen = np.flatnonzero(read.any(axis=1))
        if not len(seen):
            rows.append(_tube_row(tube.tube, [], 0, None))
            continue
        told = [
            depth for depth, any_read in zip(depths, read.any(axis=0), strict=True) if any_read
        ]
        wires = [w for w in site.wiring if w.tube == tube.tube and w.quantity in SIGNALS]
        span = start + int(seen[0]), start + int(seen[-1]) + 1
        due = sum(_due([w for w in wires if w.depth_m == depth], span, site) for depth in told)
        counts = np.bincount(flags.ravel(), minlength=Quality.MISSING + 1).tolist()
        counts[Quality.MISSING] = 0  # a cell where nothing was due has that flag too
        due = max(due, sum(counts))  # also of what is no longer wired
        rows.append(_tube_row(tube.tube, counts, due, int(times[seen[-1]])))
    return rows


def _due(wires: list[Wire], span: tuple[int, int], site: Site) -> int:
    """Return how many values the sources of a sensor should have logged in some steps.

    While nothing is wired nothing is due.
    """
    interval_s = intervals_at(stretches_of(wires, site), site.axis.seconds(*span))
    return int(np.ceil(round(float(np.nansum(site.interval_s / interval_s)), 6)))


def _tube_row(name: str, counts: list[int], due: int, last_s: int | None) -> TubeRow:
    """Return one row from the number of cells with each flag."""
    flagged = {q: counts[q] if counts else 0 for q in Quality}

    def share(cells: int) -> float | None:
        # Of nothing there is no share: 0 % would read as if all readings were wanting.
        return round(100 * cells / due, 2) if due else None

    return {
        "tube": name,
        "due": due,
        "good_pct": share(flagged[Quality.GOOD] + flagged[Quality.NOT_EVALUATED]),
        "suspect_pct": share(flagged[Quality.SUSPECT]),
        "bad_pct": share(flagged[Quality.BAD]),
        "missing_pct": share(due - sum(counts)),
        "last_reading": None if last_s is None else iso_utc(last_s),
        "hand_readings": 0,
    }


def summarise(night: StoredNight, *parts: LaterPart) -> NightAccount:
    """Return a night and its deliveries as one summary, with its outcome.

    ``outcome`` is "failed" where a part names ``failures``, "attention" where something was
    set aside or an account does not close, else "done".
    """
    summary: NightAccount = {**night}
    for part in parts:
        summary |= part
    summary["outcome"] = "attention" if night["set_aside"] else "done"
    if summary.get("failures"):
        summary["outcome"] = "failed"
    return summary


def write_summary(folder: Path, summary: NightAccount) -> list[Path]:
    """Write the summary as JSON and as text; return both paths."""
    folder.mkdir(parents=True, exist_ok=True)
    document = json.dumps(summary, indent=2, sort_keys=True, allow_nan=False) + "\n"
    paths = [folder / "summary.json", folder / "summary.txt"]
    for path, text in zip(paths, (document, _text(summary)), strict=True):
        with replacing(path) as temporary:
            temporary.write_text(text, encoding="utf-8")
    return paths


def _text(summary: NightAccount) -> str:
    """Return the summary as a page of plain text."""
    ledger = summary["ledger"]
    lines = [
        f"{summary['title']} ({summary['site']})",
        f"State {summary['commit']}: {summary['message']}",
        "",
        f"Values read {ledger['values_read']} = stored {ledger['stored']} "
        f"+ identical duplicates {ledger['duplicates']} + superseded {ledger['superseded']} "
        f"+ set aside {ledger['rejected']}",
        f"Rows read {ledger['rows_read']} in {counted(ledger['files'], 'file')}",
        "",
        "tube            good  suspect   bad  missing   last reading (UTC)",
        *map(_tube_line, summary["tubes"]),
    ]
    unsound = [row for row in summary.get("verdicts", []) if needs_look(row)]
    if unsound:
        lines += ["", "Tubes that are not sound:", *map(_verdict_line, unsound)]
    for title, listed in _lists(summary):
        if listed:
            lines += ["", title, *listed]
    for what, names, logged in told_absent(summary):
        lines += ["", f"{what.capitalize()}, since {logged}: {names}"]
    return "\n".join(clean(line) for line in lines) + "\n"  # a file name may drive terminals


def _lists(night: NightAccount) -> Iterator[tuple[str, list[str]]]:
    yield "Failed:", [f"- {row['part']}: {row['error']}" for row in night.get("failures", [])]
    yield "Set aside (needs a look):", [*map(_set_aside_line, night.get("set_aside", []))]
    yield "Clocks repaired:", [*map(_clock_line, night.get("clocks", []))]
    doubles = [*map(_double_line, night.get("double_signals", []))]
    yield "Two sources logged one sensor at once:", doubles
    yield "Hand rounds against loggers:", [*map(_rounds_line, night.get("rounds", []))]
    yield "Drift corrected (docs/drift.md):", [*map(_drift_line, night.get("drift", []))]
    yield "Delivered:", [f"- {path}" for path in night.get("delivered", [])]
    removed = [f"- {path}" for path in night.get("removed", [])]
    yield "Removed, since nothing is left for them:", removed
    yield "Pictures:", [f"- {path}" for path in night.get("pictures", [])]


def _tube_line(row: TubeRow) -> str:
    if not row["due"] and row["hand_readings"]:
        told = f"{row['hand_readings']} hand readings in all"
        return f"{row['tube']:<14} {told}; none by a logger{'':4}{row['last_reading']}"
    if not row["due"]:
        return f"{row['tube']:<14} no reading was due in the days computed"
    return (
        f"{row['tube']:<14}{row['good_pct']:6.1f}{row['suspect_pct']:9.1f}"
        f"{row['bad_pct']:6.1f}{row['missing_pct']:9.1f}   {row['last_reading']}"
    )


def _set_aside_line(row: SetAside) -> str:
    return f"- {told_refusal(row)}. {row['advice']}"


def _clock_line(row: RepairedClock) -> str:
    least, most = row["least_s"], row["most_s"]
    added = f"{least:+d} s" if least == most else f"{least:+d} to {most:+d} s"
    moved = f", {added}" if least or most else ""  # a repeated hour is told apart, not moved
    return (
        f"- {row['file']} line {row['first_line']}: {counted(row['rows'], 'row')}, "
        f"{row['kind']}{moved}; {row['evidence']}"
    )


def _rounds_line(row: ComparisonRow) -> str:
    where = f"- {row['tube']} {row['depth_cm']:g} cm"
    others = row["corrected_count"]
    if not row["count"] and others:
        return f"{where}: {counted(others, 'reading')}, by which the logger was corrected"
    if not row["count"]:  # a round may be in before the logger's file of that day
        return f"{where}: no logged value at the time of any hand reading"
    spread = row["standard_deviation"]
    return (
        f"{where}: {counted(row['count'], 'reading')}, "
        f"hand minus logger {row['mean_difference']:+.3f} m3 m-3"
        + ("" if spread is None else f", standard deviation {spread:.3f}")
        + f"; {row['beyond_count']} beyond twice their uncertainty"
        + (f"; {others} more, by which the logger was corrected, left out" if others else "")
    )


def _verdict_line(row: VerdictRow) -> str:
    action = f" Do: {row['action']}." if row["action"] else ""
    return f"- {row['tube']}: {row['verdict'] or 'no verdict'}: {row['reason']}.{action}"


def _drift_line(row: DriftRow) -> str:
    return (
        f"- {row['tube']} {row['depth_cm']:g} cm: {row['water_content']:+.3f} m3 m-3 at the "
        f"last check, {row['checked']} ({row['kind']}); rated {row['rating']} (our own rating)"
    )


def _double_line(row: DoubleSignal) -> str:
    depths = ", ".join(f"{depth:g}" for depth in row["depths_cm"])
    counts, beside = row["counts"], row["beside"]
    return (
        f"- {row['tube']} {depths} cm, {row['from']} to {row['until']}: "
        f"{counts['quantity']} of {counts['source']} counts, {beside['quantity']} of "
        f"{beside['source']} where that has no reading"
    )
