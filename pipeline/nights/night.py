"""One site's night as plain functions: store, deliver, draw, close.

Each takes a site's folder and plain values and returns JSON-ready values, so that the command,
a flow or a debugger may call them alike. Only `store_night` changes the store, in one commit;
the others read the state it names and can be repeated at will.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from pipeline.axis import iso_utc
from pipeline.calibrate.laws import check_laws
from pipeline.deliver.atomic import sweep
from pipeline.deliver.own_files import own_files
from pipeline.engine.correcting import drift_rows
from pipeline.errors import Problem, SetAside, SiteError
from pipeline.ingest.clock_account import clock_remarks, repaired_clocks
from pipeline.ingest.double_signals import double_signals
from pipeline.ingest.intake import Intake
from pipeline.ingest.ledger import Ledger, reject_rows
from pipeline.ingest.lost_rain import lost_rain
from pipeline.nights.documents import (
    DeliveredNight,
    DrawnNight,
    FileCounts,
    FileRow,
    LaterPart,
    LedgerReport,
    NightAccount,
    StoredNight,
)
from pipeline.nights.handover import (
    absent_files,
    deliver_periods,
    deliver_rounds,
    deliver_space,
    draw_pictures,
    rounds_rows,
)
from pipeline.nights.manifest import Manifest, require_own_output, sole_writer
from pipeline.nights.page import write_page
from pipeline.nights.prepared import Timings, commit_state, prepare_state, timed
from pipeline.nights.summary import summarise, tube_rows, write_summary
from pipeline.nights.thinning import thin_when_due
from pipeline.products.verdicts import verdict_rows
from pipeline.site.ground import on_their_lines
from pipeline.site.load import load_site
from pipeline.site.models import Site
from pipeline.store.description import in_force, warnings
from pipeline.store.site_store import SiteStore


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
        raise SiteError(on_their_lines(site, problems))
    return site


def site_store(site: Site) -> SiteStore:
    """Return the store of a site."""
    return SiteStore(site.store, site.axis, site.id)


def store_night(folder: Path, now: datetime) -> StoredNight:
    """Take in what is new, compute what it changes, and commit once.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    now : datetime
        The present, with a zone; readings stamped later are set aside until it has passed.

    Raises
    ------
    SiteError, StoreError, LockedError
    PercologError
        If another site's files are in its output.
    """
    timings: Timings = {}
    with timed(timings, "describe"):
        site = open_description(folder)
        require_own_output(site)
    store = site_store(site)
    with store.write() as writer:
        before = store.read() if writer.attributes.get("nights") else None
        found = in_force(site, before)
        site = found.site
        prepared = prepare_state(writer, before, site, int(now.timestamp()))
        timings |= prepared.timings_s
        with timed(timings, "commit"):
            commit = commit_state(writer, before, found, prepared)
        intake, message = prepared.intake, prepared.message()
        intake.problems += warnings(found, writer.attributes)
    snapshot = store.read(commit)
    intake.problems += lost_rain(snapshot, intake.read)
    return {
        "site": site.id,
        "title": site.title,
        "now": iso_utc(now.timestamp()),
        "commit": commit,
        "message": message,
        "raw_files": {"found": len(intake.there), "read": len(intake.read)},
        "ledger": intake.ledger.totals(),
        "set_aside": _set_aside(intake),
        "clocks": repaired_clocks(intake.read),
        "double_signals": double_signals(site, intake.ledger),
        "tubes": tube_rows(site, snapshot),
        "verdicts": verdict_rows(site, snapshot, now),
        "drift": drift_rows(snapshot),
        "days_computed": int(prepared.days.sum()),
        "timings_s": {name: round(seconds, 3) for name, seconds in timings.items()},
    }


def deliver_night(folder: Path, night: StoredNight) -> DeliveredNight:
    """Write the files of every period that is missing or out of date."""
    site = open_description(folder)
    with sole_writer(site):
        return _deliver(site, site_store(site))


def _deliver(site: Site, store: SiteStore) -> DeliveredNight:
    """Write what is out of date in the newest state: a later night's may be there by now."""
    snapshot = store.read()
    commit = snapshot.commit_id
    written, states = store.written_at(commit), store.states()
    site = in_force(site, snapshot).site
    sweep(site.output)
    manifest = Manifest(site, states)
    if manifest.lost:
        manifest.adopt(own_files(site, manifest.folder, states))
    files = deliver_periods(site, snapshot, commit, written, manifest)
    files += deliver_rounds(site, snapshot, commit, written, manifest)
    files += deliver_space(site, snapshot, manifest)
    manifest.compare_kept()
    return {
        "delivered": [str(path) for path in files],
        "delivered_counts": _counts(files),
        "removed": [str(path) for path in manifest.take_removed()],
        **absent_files(site, snapshot, manifest),
        "rounds": rounds_rows(site),
    }


def _counts(files: list[Path]) -> FileCounts:
    """Return how many of the delivered files are NetCDF and how many tables."""
    netcdf = sum(path.suffix == ".nc" for path in files)
    return {"netcdf": netcdf, "tables": len(files) - netcdf}


def draw_night(folder: Path, night: StoredNight) -> DrawnNight:
    """Draw the pictures of every tube over the days the site asks for."""
    site = open_description(folder)
    snapshot = site_store(site).read(night["commit"])
    site = in_force(site, snapshot).site
    return {"pictures": [str(path) for path in draw_pictures(site, snapshot)]}


def close_night(folder: Path, night: StoredNight, *parts: LaterPart) -> NightAccount:
    """Write the run summary and the night's page into the site's output; return the summary.

    Once a week earlier states are thinned out here, when the files say which they need;
    ``thinning`` tells of it.
    """
    site = open_description(folder)
    night = {**night, "set_aside": [*night["set_aside"], *_kept(site)]}
    summary = summarise(night, *parts)
    store = site_store(site)
    thinned = thin_when_due(site, store)
    if thinned is not None:
        summary["thinning"] = thinned
    snapshot = store.read(night["commit"])
    files = write_summary(site.output, summary)
    files.append(write_page(in_force(site, snapshot).site, snapshot, summary))
    summary["summary_files"] = [str(path) for path in files]
    return summary


def _kept(site: Site) -> list[SetAside]:
    """Return what is to be told of delivered files that were kept aside."""
    if not Manifest(site).tells():
        return []
    with sole_writer(site):
        return Manifest(site).take_told()


def run_night(folder: Path, now: datetime) -> NightAccount:
    """Run a site's whole night in this process."""
    night = store_night(folder, now)
    return close_night(folder, night, deliver_night(folder, night), draw_night(folder, night))


def ledger_report(folder: Path) -> LedgerReport:
    """Return the account of every raw file of a site, as last committed."""
    site = open_description(folder)
    ledger = Ledger.from_table(site_store(site).read().table("ledger"))
    files: list[FileRow] = [
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


def _set_aside(intake: Intake) -> list[SetAside]:
    """Return what needs a look: tonight's refusals, and files no night could read yet."""
    rows: list[SetAside] = [{**p.as_dict(), "count": 1} for p in intake.problems]
    told = {problem.file for problem in intake.problems}
    tonight = {entry.file for entry in intake.read}
    for entry in sorted(intake.ledger.entries.values(), key=lambda e: (e.path, e.revision)):
        # Of a file that was taken away nobody can read more; it is told no longer.
        there = (entry.source, entry.path) in intake.there
        waiting = entry.state == "set aside" and entry.path not in told and there
        if not waiting and (entry.file not in tonight or entry.state == "set aside"):
            continue
        rows += reject_rows(entry)
        rows += clock_remarks(entry)
    for path in intake.ledger.totals()["open_files"]:
        problem = Problem(
            path,
            "",
            "an account that does not close",
            "every value accounted for",
            "This is a fault of percolog; report it with the file.",
        )
        rows.append({**problem.as_dict(), "count": 1})
    return rows


def _iso(seconds: int | None) -> str | None:
    return None if seconds is None else iso_utc(seconds)
