"""Is everything all right? One short account a site, from what nights have left behind.

Nothing is computed and no server is asked: the site's book (`pipeline.watch.book`), the
ledger's newest instants and the tubes' verdicts are read, and the store's files are counted.
"""

from __future__ import annotations

import os
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.axis import iso_utc
from pipeline.outcomes import describe_failure, outcome_of
from pipeline.processes import started
from pipeline.products.verdicts import verdict_rows
from pipeline.site.models import Site
from pipeline.store.description import in_force, taken_back
from pipeline.store.site_store import SiteStore
from pipeline.store.state import Snapshot
from pipeline.watch.book import Book, read_book
from pipeline.watch.conditions import due_since, newest_readings
from pipeline.watch.due import next_due
from pipeline.watch.nights import Watched, night_runs, watched
from pipeline.words import span_of_hours

# Counting the files of a store takes no longer than this; the size is then a lower bound.
_COUNT_WITHIN_S = 0.5
_LOW_DISK_BYTES = 1_000_000_000


def site_status(folder: Path, now: datetime) -> dict[str, Any]:
    """Return how a site is.

    Parameters
    ----------
    folder : Path
        The site's description.
    now : datetime
        The present, with a zone.

    Returns
    -------
    dict
        ``outcome``: "done" (all right), "attention" (look), "wrong" (mistakes in the
        description), "failed" (the last night failed, or the store cannot be read). ``why``:
        one line for each thing that is not right. ``night``, ``loggers``, ``tubes`` (those not
        to be trusted), ``alerts`` (open), ``disk``, ``next``. An error is told in
        ``failures``, never raised, so that no site hides another.
    """
    account: dict[str, Any] = {"site": folder.name, "folder": str(folder), "why": []}
    try:
        found = watched(folder)
        account["site"] = found.site
        book = read_book(found.output)
        _tell_book(account, found, book, now)
        if found.description is None:
            from pipeline.site.load import load_site

            load_site(folder)  # says what is wrong with it
        else:
            _tell_store(account, found.description, now)
    except Exception as error:  # isolation: the other sites must be shown
        account["failures"] = [describe_failure("status", error)]
        account["why"].insert(0, account["failures"][0]["error"].split("\n")[0])
    account["outcome"] = _outcome(account)
    return account


def _outcome(account: dict[str, Any]) -> str:
    night = account.get("night") or {}
    if account.get("failures"):
        return outcome_of(account["failures"])
    if night.get("outcome") in ("failed", "wrong"):
        return "failed"
    return "attention" if account["why"] else "done"


def _tell_book(account: dict[str, Any], found: Watched, book: Book, now: datetime) -> None:
    why = account["why"]
    if book.remark:
        why.append(book.remark)
    account["night"] = _night(book, now)
    account["alerts"] = sorted(book.open.values(), key=lambda entry: entry["since"])
    account["waiting"] = len(book.waiting)
    _judge_night(account["night"], found.alerts.night_h, why)
    why += [entry["what"] for entry in account["alerts"] if entry["kind"] != "night"]
    account["next"] = _next(book.schedule, now)
    if account["next"] and not account["next"]["served"]:
        why.append("a schedule is set up, but nothing serves it now; start percolog schedule")


def _night(book: Book, now: datetime) -> dict[str, Any] | None:
    if not book.night:
        return None
    night = {name: book.night.get(name) for name in ("began", "ended", "outcome", "message")}
    night["running"] = not night["ended"] and night_runs(book.night)
    night["hours_ago"] = round(_hours(str(night["ended"] or night["began"]), now), 1)
    return night


def _judge_night(night: dict[str, Any] | None, limit_h: float, why: list[str]) -> None:
    if night is None:
        why.append("no night has been watched yet: run percolog night")
    elif night["running"]:
        if night["hours_ago"] > limit_h:
            why.append(f"the night that runs began {night['hours_ago']:.0f} h ago")
    elif not night["ended"]:
        why.append(f"the night begun {night['began']} was stopped before its end")
    elif night["outcome"] in ("failed", "wrong"):
        why.append(f"the last night failed: {night['message']}")
    elif night["hours_ago"] > limit_h:
        why.append(f"no night for {night['hours_ago']:.0f} h (limit {limit_h:g} h)")


def _next(schedule: dict[str, Any], now: datetime) -> dict[str, Any] | None:
    """Return the next night of a schedule that is known, and whether anything serves it."""
    if not schedule:
        return None
    try:
        due = next_due(schedule["at"], ZoneInfo(schedule["zone"]), now)
        pid = int(schedule["pid"])
    except (KeyError, ValueError, TypeError, OSError):
        return None
    served = started(pid) is not None and started(pid) == schedule.get("process")
    return {
        "due": iso_utc(due.timestamp()),
        "at": schedule["at"],
        "zone": schedule["zone"],
        "served": served,
    }


def _tell_store(account: dict[str, Any], site: Site, now: datetime) -> None:
    store = SiteStore(site.store, site.axis, site.id)
    if not store.exists():
        account["why"].append("there is no store yet: run percolog night")
        return
    snapshot = store.read()
    found = in_force(site, snapshot)
    site = found.site
    if found.undone:
        account["why"].append(taken_back(found, snapshot.attributes))
    account["loggers"] = _loggers(site, snapshot, now)
    account["tubes"] = [
        {name: row.get(name) for name in ("tube", "verdict", "reason", "action")}
        for row in verdict_rows(site, snapshot)
        if row["verdict"] != "sound"
    ]
    account["disk"] = _disk(site)
    _tell_output(account, site)
    why, told = account["why"], {entry["key"] for entry in account["alerts"]}
    for logger in account["loggers"]:
        silent = logger["due"] and (logger["hours_silent"] or 0) > site.alerts.silent_h
        if site.alerts.silent and silent and f"silent:{logger['source']}" not in told:
            hours = logger["hours_silent"]
            why.append(f"logger {logger['source']} has been silent for {span_of_hours(hours)}")
    free = account["disk"]["free_bytes"]
    if free is not None and free < max(_LOW_DISK_BYTES, account["disk"]["store_bytes"] // 10):
        why.append(f"only {free / 1e9:.1f} GB are free where the store lies")


def _loggers(site: Site, snapshot: Snapshot, now: datetime) -> list[dict[str, Any]]:
    newest, now_s = newest_readings(snapshot), now.timestamp()
    rows = []
    for source in site.sources:
        last, due = newest.get(source.id), due_since(site, source, now_s)
        begin = last if last is not None else due
        rows.append(
            {
                "source": source.id,
                "kind": source.kind,
                "due": due is not None,
                "newest": None if last is None else iso_utc(last),
                "hours_silent": None if begin is None else round((now_s - begin) / 3600, 1),
            }
        )
    return rows


def _disk(site: Site) -> dict[str, Any]:
    if "://" in site.store:
        return {"store_bytes": None, "counted": False, "free_bytes": None}
    size, whole = _size(site.store, time.monotonic() + _COUNT_WITHIN_S)
    return {
        "store_bytes": size,
        "counted": whole,  # False: the store is larger than that
        "free_bytes": shutil.disk_usage(site.store).free,
    }


def _tell_output(account: dict[str, Any], site: Site) -> None:
    """Tell of an output that takes no files: on another disk than the store, or read-only."""
    there = next(path for path in (site.output, *site.output.parents) if path.is_dir())
    free, same = shutil.disk_usage(there).free, False
    if "://" not in site.store:
        same = there.stat().st_dev == Path(site.store).stat().st_dev
    if free < _LOW_DISK_BYTES and not same:
        account["why"].append(f"only {free / 1e9:.1f} GB are free where the output lies")
    if not os.access(there, os.W_OK):
        account["why"].append(f"{there}: no night can write its files and alerts there")
    account["disk"]["output_free_bytes"] = free


def _size(folder: str, until: float) -> tuple[int, bool]:
    """Return the bytes of the files below a folder, and whether all were counted in time."""
    total, folders = 0, [folder]
    while folders:
        try:
            with os.scandir(folders.pop()) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(entry.path)
                    else:
                        total += entry.stat(follow_symlinks=False).st_size
                    if time.monotonic() > until:
                        return total, False
        except FileNotFoundError:  # a night thins meanwhile
            continue
    return total, True


def _hours(text: str, now: datetime) -> float:
    then = datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)
    return (now - then).total_seconds() / 3600
