"""Watch over a site's nights: note that one began, tell what it showed, each thing once.

Nothing here may end a night or change its outcome: an error becomes an entry in the account.
"""

from __future__ import annotations

import json
import logging
import os
import tomllib
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pipeline.deliver.atomic import replacing
from pipeline.errors import SiteError
from pipeline.nights.documents import NightAccount, Told
from pipeline.outcomes import Failure, describe_failure
from pipeline.processes import started
from pipeline.refusals import told
from pipeline.site.alerts import Alerts
from pipeline.site.load import load_site
from pipeline.site.models import Site
from pipeline.watch.book import Book, opened, stamp
from pipeline.watch.conditions import Condition, failed_parts, find_conditions
from pipeline.watch.unnoted import drop_unnoted, keep_unnoted, memory
from pipeline.watch.ways import Sender, WayError, ways_of
from pipeline.words import first_line

logger = logging.getLogger(__name__)

LOOKED_FOR = ("silent", "supply", "tube", "file")
STOPPED_ADVICE = (
    "Nothing is lost: this night took up its work. Lines that the stopped night had set aside "
    "are listed by percolog ledger alone. If it happens again look at the memory, the disk "
    "and the time limits of the machine"
)
WAY_ADVICE = (
    "Mend [alerts] in site.toml, the environment variable or the host; what it could not tell "
    "is tried again every night"
)

_AGAIN = "What was told cannot be remembered; the next night tells it again"


@dataclass(frozen=True)
class Watched:
    """What the watch must know of a site even when its description is spoilt."""

    site: str
    title: str
    output: Path
    alerts: Alerts
    description: Site | None = None  # None: it cannot be used


def watched(folder: Path) -> Watched:
    """Return where a site's book lies and whom to tell, from what can still be read of it.

    The description; else ``[site]`` and ``[alerts]`` of its ``site.toml`` alone; else what was
    remembered of it the last time.

    Raises
    ------
    SiteError
        If none of these can be had.
    """
    try:
        site = load_site(folder)
    except SiteError as error:
        for look in (_from_toml, _remembered):
            try:
                return look(folder)
            except (OSError, ValueError, KeyError, TypeError, AttributeError):
                continue
        raise error
    found = Watched(site.id, site.title, site.output, site.alerts, site)
    _remember(folder, found)
    return found


def begin_night(folder: Path, now: datetime) -> None:
    """Note that a night begins, so that one which is killed is known by it."""
    try:
        with opened(watched(folder).output) as book:
            before = book.night
            cut = before and not before.get("ended") and not night_runs(before)
            process = {"pid": os.getpid(), "process": started(os.getpid())}
            book.night = {"began": stamp(now), **process}
            if cut:
                book.night["cut"] = before["began"]
    except Exception as error:  # the night is worth more than the note of it
        logger.debug("%s: the beginning could not be noted: %s", folder.name, error)


def end_night(folder: Path, summary: NightAccount, now: datetime) -> NightAccount:
    """Tell what a night showed; return its summary with the account of it.

    Parameters
    ----------
    folder : Path
        The site's description.
    summary : NightAccount
        As `pipeline.nights.parts.result_of` returns it.
    now : datetime
        The instant of the night.
    """
    try:
        account, refused = _tell(watched(folder), summary, now)
    except Exception as error:  # a mailbox must not fail a night
        failure = describe_failure("alerts", error)
        logger.warning("%s: alerts could not be raised: %s", folder.name, failure["error"])
        refused = failure["error"]
        account = {"raised": [], "over": [], "open": None, "failures": [failure]}
    if refused:
        night = {"ended": stamp(now), "outcome": summary["outcome"]}
        keep_unnoted(folder, {**night, "message": _message(summary), "why": refused})
    else:
        drop_unnoted(folder)
    return {**summary, "alerts": account}


def _tell(site: Watched, summary: NightAccount, now: datetime) -> tuple[Told, str]:
    """Return what was told, and why the night could not be noted: nothing if it was."""
    at, ways = stamp(now), ways_of(site.alerts)
    conditions, kinds = _conditions(site, summary, now)
    sender = Sender(site.site, site.title, site.output)
    failures: list[Failure] = []
    with opened(site.output, to_tell=True) as book:
        if book.remark:
            failures.append({"part": "alerts", "kind": "", "error": book.remark})
        book.forget_ways_but(ways)
        conditions += _cut(book, at)
        new, gone = book.update(conditions, kinds, list(ways), at)
        book.night |= {"ended": at, "outcome": summary["outcome"]}
        book.night["message"] = _message(summary)
    # What could not be entered is told all the same, and told again by the next night.
    with nullcontext(book) if book.refused else opened(site.output, to_tell=True) as book:
        lost = _send(book, ways, sender)
        told = [_lost_way(name, error, at) for name, error in lost.items()]
        sound = [name for name in ways if name not in lost]
        book.update(told, ("way",), sound, at)
        # What is not to be had now is not tried twice in one night.
        lost |= _send(book, {name: ways[name] for name in sound}, sender)
        still = len(book.open)
    if book.refused:
        failures.append({"part": "alerts", "kind": "", "error": f"{book.refused}. {_AGAIN}"})
    failures += [
        {"part": f"alerts by {name}", "kind": "WayError", "error": error}
        for name, error in lost.items()
    ]
    for failure in failures:
        logger.warning("%s: %s: %s", site.site, failure["part"], failure["error"])
    raised = [condition.what for condition in new]
    told_now: Told = {"raised": raised, "over": gone, "open": still, "failures": failures}
    return told_now, book.refused


def _conditions(
    site: Watched, summary: NightAccount, now: datetime
) -> tuple[list[Condition], tuple[str, ...]]:
    """Return what is amiss, and of which kinds that could be told."""
    found = failed_parts(summary, now)
    if site.description is None or "commit" not in summary:
        return found, ("night",)
    from pipeline.store.description import in_force
    from pipeline.store.site_store import SiteStore

    description = site.description
    store = SiteStore(description.store, description.axis, description.id)
    snapshot = store.read(summary["commit"])
    in_use = in_force(description, snapshot).site.model_copy(update={"alerts": site.alerts})
    return found + find_conditions(in_use, snapshot, summary, now), ("night", *LOOKED_FOR)


def _cut(book: Book, now: str) -> list[Condition]:
    began = book.night.pop("cut", None)
    if began is None:
        return []
    what = f"the night begun {began} was stopped before its end"
    evidence = f"no end was noted, and its process was gone at {now}"
    key = f"stopped:{began}"
    return [Condition(key, "stopped", what, began, evidence, STOPPED_ADVICE, lasting=False)]


def _lost_way(name: str, error: str, now: str) -> Condition:
    what = f"alerts cannot be told by {name}"
    return Condition(f"way:{name}", "way", what, now, error, WAY_ADVICE)


def _send(book: Book, ways: dict[str, Callable[..., None]], sender: Sender) -> dict[str, str]:
    """Send what waits; return the ways that failed and why."""
    lost = {}
    for name, way in ways.items():
        notes = book.to_tell(name)
        if not notes:
            continue
        try:
            way(sender, notes)
        except WayError as error:
            lost[name] = str(error)
        except Exception as error:  # the other ways must still be gone
            lost[name] = describe_failure(name, error)["error"]
        else:
            book.strike(name)
    return lost


def _message(summary: NightAccount) -> str:
    failures = summary.get("failures", [])
    told = "; ".join(f"{row['part']}: {first_line(row['error'])}" for row in failures)
    return (told or summary.get("message", ""))[:500]


def night_runs(night: dict[str, object]) -> bool:
    """Tell whether the process of a night is still at it."""
    pid, process = night.get("pid"), night.get("process")
    return isinstance(pid, int) and process is not None and started(pid) == process


def _from_toml(folder: Path) -> Watched:
    content = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    site = content["site"]
    output = (folder / site.get("output", "out")).resolve()
    alerts = Alerts.model_validate(content.get("alerts", {}))
    return Watched(str(site["id"]), str(site.get("title", "")), output, alerts)


def _remember(folder: Path, site: Watched) -> None:
    alerts = site.alerts.model_dump(mode="json")
    content = {"site": site.site, "title": site.title, "output": str(site.output)}
    text = json.dumps({**content, "alerts": alerts})
    path = memory(folder)
    try:
        if not path.exists() or path.read_bytes() != text.encode():
            with replacing(path, 0o600) as temporary:
                temporary.write_text(text, encoding="utf-8")
    except OSError:  # of use only on a bad day
        return


def _remembered(folder: Path) -> Watched:
    content = json.loads(memory(folder).read_text(encoding="utf-8"))
    alerts = Alerts.model_validate(content["alerts"])
    return Watched(content["site"], content["title"], Path(content["output"]), alerts)


def note_schedule(folder: Path, at: str, zone: str) -> None:
    """Note in a site's book by which schedule, and by which process, its nights are served."""
    try:
        with opened(watched(folder).output) as book:
            process = {"pid": os.getpid(), "process": started(os.getpid())}
            book.schedule = {"at": at, "zone": zone, **process}
    except Exception as error:  # percolog status then knows of no schedule; nights run
        why = told(error) or error
        logger.warning("%s: the schedule could not be noted: %s", folder.name, why)
