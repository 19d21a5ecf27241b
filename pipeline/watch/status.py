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
from typing import Any, NotRequired, Required, TypedDict
from zoneinfo import ZoneInfo

from pipeline.axis import iso_utc
from pipeline.outcomes import Failure, describe_failure, outcome_of
from pipeline.processes import started
from pipeline.products.verdicts import verdict_rows
from pipeline.site.models import Site
from pipeline.store.description import in_force, taken_back
from pipeline.store.site_store import SiteStore
from pipeline.store.state import Snapshot
from pipeline.watch.book import Book, OpenAlert, read_book
from pipeline.watch.conditions import due_since, newest_readings
from pipeline.watch.due import next_due
from pipeline.watch.nights import Watched, night_runs, watched
from pipeline.watch.unnoted import with_unnoted
from pipeline.words import needs_look, span_of_hours

# Counting the files of a store takes no longer than this; the size is then a lower bound.
_COUNT_WITHIN_S = 0.5
_LOW_DISK_BYTES = 1_000_000_000


class LastNight(TypedDict):
    """The last night that was watched."""

    began: str | None  # instants, ISO 8601, UTC
    ended: str | None  # None while it runs or where it was stopped
    outcome: str | None
    message: str | None
    running: bool
    hours_ago: float


class NextNight(TypedDict):
    """The next night of a schedule."""

    due: str  # instant, ISO 8601, UTC
    at: str  # as scheduled
    zone: str
    served: bool


class LoggerRow(TypedDict):
    """How a source's readings arrive."""

    source: str
    kind: str
    due: bool
    newest: str | None  # instant, ISO 8601, UTC; None without readings
    hours_silent: float | None  # None where nothing is due


class UnsoundTube(TypedDict):
    """A tube not to be trusted."""

    tube: str
    verdict: str | None
    reason: str
    action: str


class Disk(TypedDict):
    """The room a store takes; None in an object store."""

    store_bytes: int | None
    counted: bool  # false: the store is larger than that
    free_bytes: int | None
    output_free_bytes: NotRequired[int]  # where the output lies; told after the store's


class Status(TypedDict, total=False):
    """How a site is, as far as that could be seen."""

    site: Required[str]
    folder: Required[str]
    why: Required[list[str]]  # one line for each thing that is not right
    night: LastNight | None  # None before the first
    alerts: list[OpenAlert]
    waiting: int  # messages still to be sent
    next: NextNight | None  # None without a schedule
    loggers: list[LoggerRow]
    tubes: list[UnsoundTube]
    disk: Disk
    failures: list[Failure]
    # "done" (all right), "attention" (look), "wrong" (mistakes in the description), "failed"
    # (the last night failed, or the store cannot be read).
    outcome: str


def site_status(folder: Path, now: datetime) -> Status:
    """Return how a site is.

    Parameters
    ----------
    folder : Path
        The site's description.
    now : datetime
        The present, with a zone.

    An error is told in ``failures``, never raised, so that no site hides another.
    """
    account: Status = {"site": folder.name, "folder": str(folder), "why": []}
    try:
        found = watched(folder)
        account["site"] = found.site
        book = read_book(found.output)
        if unnoted := with_unnoted(folder, book):
            account["why"].append(unnoted)
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


def _outcome(account: Status) -> str:
    night = account.get("night")
    if account.get("failures"):
        return outcome_of(account["failures"])
    if night and night["outcome"] in ("failed", "wrong"):
        return "failed"
    return "attention" if account["why"] else "done"


def _tell_book(account: Status, found: Watched, book: Book, now: datetime) -> None:
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


def _night(book: Book, now: datetime) -> LastNight | None:
    if not book.night:
        return None
    began, ended = book.night.get("began"), book.night.get("ended")
    return {
        "began": began,
        "ended": ended,
        "outcome": book.night.get("outcome"),
        "message": book.night.get("message"),
        "running": not ended and night_runs(book.night),
        "hours_ago": round(_hours(str(ended or began), now), 1),
    }


def _judge_night(night: LastNight | None, limit_h: float, why: list[str]) -> None:
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


def _next(schedule: dict[str, Any], now: datetime) -> NextNight | None:
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


def _tell_store(account: Status, site: Site, now: datetime) -> None:
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
        {
            "tube": row["tube"],
            "verdict": row["verdict"],
            "reason": row["reason"],
            "action": row["action"],
        }
        for row in verdict_rows(site, snapshot, now)
        if needs_look(row)
    ]
    account["disk"] = _disk(site)
    _tell_output(account, site)
    why, told = account["why"], {entry["key"] for entry in account["alerts"]}
    for logger in account["loggers"]:
        hours = logger["hours_silent"] or 0
        silent = logger["due"] and hours > site.alerts.silent_h
        if site.alerts.silent and silent and f"silent:{logger['source']}" not in told:
            why.append(f"logger {logger['source']} has been silent for {span_of_hours(hours)}")
    free, size = account["disk"]["free_bytes"], account["disk"]["store_bytes"] or 0
    if free is not None and free < max(_LOW_DISK_BYTES, size // 10):
        why.append(f"only {free / 1e9:.1f} GB are free where the store lies")


def _loggers(site: Site, snapshot: Snapshot, now: datetime) -> list[LoggerRow]:
    newest, now_s = newest_readings(snapshot), now.timestamp()
    rows: list[LoggerRow] = []
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


def _disk(site: Site) -> Disk:
    if "://" in site.store:
        return {"store_bytes": None, "counted": False, "free_bytes": None}
    size, whole = _size(site.store, time.monotonic() + _COUNT_WITHIN_S)
    return {
        "store_bytes": size,
        "counted": whole,  # False: the store is larger than that
        "free_bytes": shutil.disk_usage(site.store).free,
    }


def _tell_output(account: Status, site: Site) -> None:
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
