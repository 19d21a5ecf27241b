"""One site's night as plain functions: store, deliver, draw, close.

Each takes a site's folder and plain values and returns JSON-ready values, so that the command,
a flow or a debugger may call them alike. Only `store_night` changes the store, in one commit;
the others read the state it names and can be repeated at will.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.calibrate.laws import check_laws
from pipeline.deliver.atomic import sweep
from pipeline.effective import changed_days, effective_rules, rules_table
from pipeline.engine import run_steps
from pipeline.errors import Problem, SiteError
from pipeline.handover import deliver_periods, deliver_rounds, draw_pictures, rounds_rows
from pipeline.ingest.clock_account import clock_remarks, repaired_clocks
from pipeline.ingest.intake import Intake, take_in
from pipeline.ingest.ledger import Ledger, advice
from pipeline.record_step import run_record_steps
from pipeline.redo import clear_marks, marked_days
from pipeline.site.fingerprint import site_hash
from pipeline.site.load import load_site
from pipeline.site.models import Site
from pipeline.state import Snapshot, Writer
from pipeline.steps import RECORD_STEPS, STATION_STEPS, TUBE_STEPS
from pipeline.store import SiteStore
from pipeline.summary import summarise, tube_rows, write_summary

Timings = dict[str, float]


def open_description(folder: Path) -> Site:
    """Load a site and check what needs the science: its calibration laws.

    Raises
    ------
    SiteError
        With every mistake found.
    """
    site = load_site(folder)
    problems = check_laws(site)
    if problems:
        raise SiteError(problems)
    return site


def site_store(site: Site) -> SiteStore:
    """Return the store of a site."""
    return SiteStore(site.store, site.axis, site.id)


def store_night(folder: Path, now: datetime) -> dict[str, Any]:
    """Take in what is new, compute what it changes, and commit once.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    now : datetime
        The present, with a zone; readings stamped later are set aside until it has passed.

    Returns
    -------
    dict
        ``site``, ``commit`` (the state that holds tonight's result, also if nothing was new),
        ``message``, ``set_aside``, ``clocks``, ``ledger``, ``raw_files``, ``tubes``,
        ``timings_s``.

    Raises
    ------
    SiteError, StoreError, LockedError
    """
    timings: Timings = {}
    with _timed(timings, "describe"):
        site = open_description(folder)
    store = site_store(site)
    with store.write() as writer:
        history = store.history()
        before = store.read() if history else None
        _refuse_lost_tubes(writer, site)
        with _timed(timings, "ingest"):
            intake = take_in(writer, before, site, int(now.timestamp()))
        with _timed(timings, "compute"):
            days = _compute(writer, site, intake)
        message = _message(intake, days)
        with _timed(timings, "commit"):
            commit = _commit(writer, site, intake, days, message) or history[0]["commit"]
    snapshot = store.read(commit)
    return {
        "site": site.id,
        "title": site.title,
        "commit": commit,
        "message": message,
        "raw_files": {"found": intake.files_found, "read": len(intake.read)},
        "ledger": intake.ledger.totals(),
        "set_aside": _set_aside(intake),
        "clocks": repaired_clocks(intake.read),
        "tubes": tube_rows(site, snapshot),
        "days_computed": int(days.sum()),
        "timings_s": {name: round(seconds, 3) for name, seconds in timings.items()},
    }


def deliver_night(folder: Path, night: dict[str, Any]) -> dict[str, Any]:
    """Write the files of every period that is missing or out of date.

    Returns
    -------
    dict
        ``delivered``, the files written now, and ``rounds``, how hand readings differ from the
        loggers (see `pipeline.handover.rounds_rows`).
    """
    site = open_description(folder)
    store = site_store(site)
    commit = night["commit"]
    snapshot, written = store.read(commit), store.written_at(commit)
    sweep(site.output)
    files = deliver_periods(site, snapshot, commit, written)
    files += deliver_rounds(site, snapshot, commit, written)
    return {"delivered": [str(path) for path in files], "rounds": rounds_rows(site)}


def draw_night(folder: Path, night: dict[str, Any]) -> dict[str, Any]:
    """Draw the pictures of every tube over the days the site asks for."""
    site = open_description(folder)
    snapshot = site_store(site).read(night["commit"])
    return {"pictures": [str(path) for path in draw_pictures(site, snapshot)]}


def close_night(folder: Path, night: dict[str, Any], *parts: dict[str, Any]) -> dict[str, Any]:
    """Write the run summary beside the site's output and return it."""
    site = open_description(folder)
    summary = summarise(night, *parts)
    summary["summary_files"] = [str(path) for path in write_summary(site.output, summary)]
    return summary


def run_night(folder: Path, now: datetime) -> dict[str, Any]:
    """Run a site's whole night in this process."""
    night = store_night(folder, now)
    parts = [deliver_night(folder, night), draw_night(folder, night)]
    return close_night(folder, night, *parts)


def ledger_report(folder: Path) -> dict[str, Any]:
    """Return the account of every raw file of a site, as last committed."""
    site = open_description(folder)
    ledger = Ledger.from_table(site_store(site).read().table("ledger"))
    files = [
        {
            "path": entry.path,
            "source": entry.source,
            "revision": entry.revision,
            "state": entry.state,
            "size": entry.size,
            "sha256": entry.sha256,
            "first": _iso(entry.first_s),
            "last": _iso(entry.last_s),
            "rows_read": entry.rows_read,
            "values_read": entry.values_read,
            "stored": entry.stored,
            "duplicates": entry.duplicates,
            "superseded": entry.superseded,
            "rejected": entry.rejected,
            "rejects": [vars(reject) for reject in entry.rejects],
            "clock": json.loads(entry.clock) if entry.clock else None,
            "around": json.loads(entry.around) if entry.around else None,
            "repairs": [asdict(repair) for repair in entry.repairs],
            "closes": entry.closes(),
        }
        for entry in sorted(ledger.entries.values(), key=lambda e: (e.path, e.revision))
    ]
    return {"site": site.id, "totals": ledger.totals(), "files": files}


def _compute(writer: Writer, site: Site, intake: Intake) -> NDArray[np.bool_]:
    """Run the steps over the days that readings or rules changed; return the days written."""
    rules, stored = effective_rules(site), writer.table("rules")
    writer.replace_layers([layer.name for layer in site.derive.layers])
    changed = intake.changed | _seen_from_stations(writer, site, intake.station_days)
    for tube in site.tubes:
        row = writer.labels["tube"].index(tube.tube)
        changed[row] |= changed_days(
            stored, rules[tube.tube], tube.tube, site.axis, writer.days
        )
    redo, station = marked_days(writer)
    changed |= redo
    station |= intake.station_days.any(axis=0)
    station |= changed_days(stored, rules[""], "", site.axis, writer.days)
    computed = run_steps(writer, site, TUBE_STEPS, changed)
    days: NDArray[np.bool_] = np.logical_or.reduce(computed, axis=0)
    if site.stations:
        at_station = run_steps(writer, site, STATION_STEPS, station[np.newaxis])[0]
        days |= at_station
        computed = computed | at_station  # rain that came late changes what rests on it
    run_record_steps(writer, site, RECORD_STEPS, computed)
    clear_marks(writer)
    table = rules_table(rules)
    if stored is None or not stored.equals(table):
        writer.put_table("rules", table)
    return days


def _seen_from_stations(
    writer: Writer, site: Site, station_days: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return on which days each tube is touched by what changed at the stations.

    A station's readings tell of the tubes wired to it; rain, wherever it is logged, of all.
    """
    labels = writer.labels
    touched = np.zeros((len(labels["tube"]), writer.days), dtype=bool)
    for row, station in enumerate(labels["station"]):
        wires = [wire for wire in site.wiring if wire.source == station]
        if any(wire.quantity == "rain" for wire in wires):
            touched |= station_days[row]
        for tube in {wire.tube for wire in wires if wire.tube}:
            touched[labels["tube"].index(tube)] |= station_days[row]
    return touched


def _commit(
    writer: Writer, site: Site, intake: Intake, days: NDArray[np.bool_], message: str
) -> str | None:
    """Commit the night; None if there is nothing to commit."""
    if not writer.changed():
        return None
    number = int(writer.attributes.get("nights", 0)) + 1
    writer.set_attributes({"nights": number})
    _stamp_days(writer, days, number)
    metadata = {
        "night": number,
        "site_hash": site_hash(site),
        "code": version("percolog"),
        "files_read": len(intake.read),
        "steps": [f"{step.name} {step.version}" for step in (*TUBE_STEPS, *STATION_STEPS)],
    }
    return writer.commit(message, metadata)


def _stamp_days(writer: Writer, days: NDArray[np.bool_], number: int) -> None:
    """Note for each day in which night it was last computed; deliveries go by it."""
    stored = writer.table("day_nights")
    nights = np.zeros(len(days), dtype=np.int32)
    if stored is not None:
        old = stored["night"].to_numpy()
        nights[: len(old)] = old
    nights[days] = number
    writer.put_table("day_nights", pa.table({"night": nights}))


def _refuse_lost_tubes(snapshot: Snapshot, site: Site) -> None:
    """Refuse a description that no longer knows a tube whose readings are stored."""
    lost = [name for name in snapshot.labels["tube"] if name not in site.tube_by_id]
    if lost:
        raise SiteError(
            Problem(
                "tubes.csv",
                "column tube",
                f"no row for {name!r}, whose readings are stored",
                "a row for every tube that ever was",
                "Put the row back and give it a date in 'removed'.",
            )
            for name in lost
        )


def _message(intake: Intake, days: NDArray[np.bool_]) -> str:
    """Return what the night brought, in one line."""
    entries = intake.read
    stored = sum(entry.stored for entry in entries)
    aside = sum(entry.rejected + entry.rejected_rows for entry in entries)
    text = (
        f"{len(entries)} files read, {stored} values stored, {int(days.sum())} days computed"
    )
    return f"{text}, {aside} rows or values set aside" if aside else text


def _set_aside(intake: Intake) -> list[dict[str, Any]]:
    """Return what needs a look: tonight's refusals, and files no night could read yet."""
    rows = [{**problem.as_dict(), "count": 1} for problem in intake.problems]
    told = {problem.file for problem in intake.problems}
    tonight = {entry.file for entry in intake.read}
    for entry in sorted(intake.ledger.entries.values(), key=lambda e: (e.path, e.revision)):
        waiting = entry.state == "set aside" and entry.path not in told
        if not waiting and (entry.file not in tonight or entry.state == "set aside"):
            continue
        for reject in sorted(entry.rejects, key=lambda r: r.reason):
            rows.append(
                {
                    "file": entry.path,
                    "place": f"line {reject.first_line}" if reject.first_line else "",
                    "found": f"{reject.reason}: {reject.found}",
                    "expected": reject.expected,
                    "advice": advice(reject.reason),
                    "count": reject.rows or reject.values or 1,
                }
            )
        rows += clock_remarks(entry)
    for path in intake.ledger.totals()["open_files"]:
        rows.append(
            Problem(
                path,
                "",
                "an account that does not close",
                "every value accounted for",
                "This is a fault of percolog; report it with the file.",
            ).as_dict()
            | {"count": 1}
        )
    return rows


def _iso(seconds: int | None) -> str | None:
    return None if seconds is None else str(np.datetime64(seconds, "s")) + "Z"


@contextmanager
def _timed(timings: Timings, name: str) -> Iterator[None]:
    """Add the seconds a block takes."""
    start = time.perf_counter()
    yield
    timings[name] = timings.get(name, 0.0) + time.perf_counter() - start
