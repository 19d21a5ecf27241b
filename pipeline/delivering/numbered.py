"""``percolog deliver``: numbered, immutable revisions of what is handed to others.

A delivery is a folder below the site's output, named by what was asked for; in it lies a
folder for each revision, never changed once it is there. A delivery that would say the same as
its newest revision makes none. What is compared is what the files say, not when they were
written: see `pipeline.deliver.content`.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.deliver.changes import Change, compare_tables, holds_cells, reasons
from pipeline.deliver.event_changes import Appearance, compare_events, holds_events
from pipeline.deliver.fields import OF_TUBES, OF_WEATHER
from pipeline.deliver.metadata import FORM, Provenance
from pipeline.deliver.netcdf_changes import compare_files
from pipeline.deliver.package import (
    CHANGES,
    OWN,
    Resource,
    write_descriptor,
    write_dictionary,
)
from pipeline.deliver.row_changes import compare_rows
from pipeline.delivering.contents import STEPS, Request, contents
from pipeline.delivering.documents import DeliveryAccount, MadeRevision
from pipeline.delivering.revision_files import (
    last_number,
    newest_revision,
    note_number,
    require_whole,
    sole_delivery,
)
from pipeline.engine.effective import effective_rules
from pipeline.errors import PercologError, clean
from pipeline.nights.handover import file_origins, provenance_of
from pipeline.nights.manifest import DELIVERIES
from pipeline.nights.night import open_description, site_store
from pipeline.nights.periods import Period, kinds_logged, local_day, periods, read_by_hand
from pipeline.site.models import Site
from pipeline.store.description import in_force, site_of, stored_files
from pipeline.store.object_store import while_answering
from pipeline.store.state import Snapshot
from pipeline.store.states import commit_of
from pipeline.words import told_periods

HOUR_S = 3600


@while_answering
def deliver_site(folder: Path, request: Request, commit: str | None = None) -> DeliveryAccount:
    """Make a revision of a delivery if it would say anything new.

    Parameters
    ----------
    folder : Path
        The folder of ``site.toml``.
    request : Request
    commit : str, optional
        The state to deliver; the newest by default.

    Raises
    ------
    SiteError, StoreError
    PercologError
        If the request cannot be met; it says what was found and what was expected.
    """
    site = open_description(folder)
    store = site_store(site)
    snapshot = store.read(commit_of(store, commit))
    site = _described(site, snapshot, earlier=commit is not None)
    state = snapshot.commit_id
    period = requested_period(site, snapshot.days, request.period)
    _refuse(request, site)
    home = site.output / DELIVERIES / request.folder
    if newest_revision(home) is None:
        _refuse_empty(site, snapshot, period, request)
    provenance = provenance_of(site, snapshot, state, store.written_at(state))
    with sole_delivery(home):
        kept, account = _deliver(site, snapshot, request, period, provenance, home)
    return {
        "site": site.id,
        "commit": state,
        "delivery": request.folder,
        "revision": int(kept.name[1:]),
        "revision_folder": str(kept),
        **account,
        "folder": str(folder),
        "outcome": "done",
    }


def _deliver(
    site: Site,
    snapshot: Snapshot,
    request: Request,
    period: Period,
    provenance: Provenance,
    home: Path,
) -> tuple[Path, MadeRevision]:
    """Make a revision if it says anything new; return the newest folder, and what is new.

    No number is given twice, also where revisions were removed by hand.
    """
    newest = newest_revision(home)
    number = last_number(home) + 1
    final = home / f"r{number:04d}"
    draft = home / f".r{number:04d}.{os.getpid()}.part"
    _clear(home)
    draft.mkdir()
    try:
        account = _make(site, snapshot, request, period, provenance, draft, newest, number)
        if account["new"]:
            _seal(draft, final)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    note_number(home)
    return newest[0] if newest and not account["new"] else final, account


def _described(site: Site, snapshot: Snapshot, earlier: bool) -> Site:
    """Return the site as described when a state was made, if that is another than the newest.

    The newest is described by what is in force, an earlier one by the files it keeps.
    """
    files = stored_files(snapshot) if earlier else {}
    return site_of(files, site) if files else in_force(site, snapshot).site


def requested_period(site: Site, days: int, text: str) -> Period:
    """Return the days of the axis that a period asked for holds.

    Raises
    ------
    PercologError
        If the text is no period, or the site has no day in it.
    """
    begin, end = _bounds(text)
    dates = [local_day(site, day).date() for day in range(days)]
    inside = [
        day
        for day, date in enumerate(dates)
        if (begin is None or date >= begin.date()) and (end is None or date < end.date())
    ]
    if not inside:
        held = f"{dates[0]} to {dates[-1]}" if dates else "none; run percolog night"
        raise PercologError(
            f"period {text!r}: found no day of the site in it; expected days it has: {held}"
        )
    return Period(text.replace("/", "--"), inside[0], inside[-1] + 1)


def _bounds(text: str) -> tuple[datetime | None, datetime | None]:
    if text == "all":
        return None, None
    try:
        if "/" in text:
            first, last = (datetime.fromisoformat(part) for part in text.split("/"))
            return first, last
        parts = [int(part) for part in text.split("-")]
        year, month, day = (*parts, *[1] * (3 - len(parts)))
        begin = datetime(year, month, day)
        if len(parts) == 1:
            return begin, begin.replace(year=year + 1)
        if len(parts) == 2:
            return begin, (begin + timedelta(days=32)).replace(day=1)
        return begin, begin + timedelta(days=1)
    except (ValueError, OverflowError):
        raise PercologError(
            f"period: found {text!r}; expected all, a year (2026), a month (2026-03), a day, "
            f"or two days with a slash between them (2026-03-01/2026-04-01)"
        ) from None


def _refuse(request: Request, site: Site) -> None:
    for step in request.steps:
        if step not in STEPS:
            raise PercologError(f"step: found {step!r}; expected one of {', '.join(STEPS)}")
    edges = request.layers_cm
    if edges and (len(edges) < 2 or edges[0] < 0 or (np.diff(edges) <= 0).any()):
        raise PercologError(
            f"layers: found {edges!r}; expected two or more edges in cm, downwards from 0 or "
            f"below: 0,10,40,100"
        )
    name = request.folder
    if name != Path(name).name or name.startswith(".") or not name.isprintable():
        raise PercologError(f"name: found {name!r}; expected a plain folder name")
    if "hourly" in request.steps and site.interval_s > HOUR_S:
        raise PercologError("step: found 'hourly'; expected a step no finer than the site's")


def _refuse_empty(site: Site, snapshot: Snapshot, period: Period, request: Request) -> None:
    """Refuse a first revision of days without any reading, by a logger or by hand.

    Once delivered, days may lose their readings; what vanished is then told by a revision.
    """
    days = period.start_day, period.stop_day
    if kinds_logged(snapshot, *days) or read_by_hand(snapshot, *days):
        return
    found = periods(site, snapshot.days)
    held = [p.name for p in found if kinds_logged(snapshot, p.start_day, p.stop_day)]
    raise PercologError(
        f"period {request.period!r}: found no reading in it; expected a period with readings, "
        f"which lie in: {told_periods(held) or 'none; see percolog ledger'}"
    )


def _make(
    site: Site,
    snapshot: Snapshot,
    request: Request,
    period: Period,
    provenance: Provenance,
    draft: Path,
    newest: tuple[Path, dict[str, Any]] | None,
    number: int,
) -> MadeRevision:
    """Write everything into a draft; tell whether it says anything new, and what."""
    previous, before = newest or (None, {})
    logged = kinds_logged(snapshot, period.start_day, period.stop_day)
    # What vanished since is told by values that are missing now, as in any delivery.
    kinds = {*logged, *_kinds_had(site, period, previous)}
    resources = [*contents(site, snapshot, request, period, provenance, draft, kinds)]
    resources.append(write_dictionary(resources, draft))
    own = {
        "name": request.folder,
        "revision": number,
        "request": asdict(request),
        "state": provenance.commit,
        "created": provenance.created,
        "code": version("percolog"),
        "form": FORM,
        "inputs": _inputs(snapshot),
        "rules": _rules(site),
    }
    changes: list[Change | Appearance] = []
    told = _removed_by_hand(previous, number)
    if previous is not None:
        if _says_the_same(resources, before, draft):
            return {"new": False, "files": [], "changes": [], "reasons": []}
        require_whole(previous, before)
        changes = _compare(previous, draft)
        told += reasons(before[OWN], own)
    path = draft / CHANGES
    path.write_text(_changes_text(site, request, number, own, before, changes, told), "utf-8")
    resources.append(Resource(path, "what changed since the revision before, and why"))
    descriptor = write_descriptor(site, resources, own, draft)
    return {
        "new": True,
        "files": [resource["path"] for resource in descriptor["resources"]],
        "changes": [str(change) for change in changes],
        "reasons": told,
    }


def _removed_by_hand(previous: Path | None, number: int) -> list[str]:
    """Return a line on revisions between one and the next; their numbers are not given again.

    Whoever was handed one of them finds the changes against an older one.
    """
    gone = range(1 if previous is None else int(previous.name[1:]) + 1, number)
    if not gone:
        return []
    what = f"revision {gone[0]} was" if len(gone) == 1 else f"revisions to {gone[-1]} were"
    return [f"{what} made before and removed by hand"]


def _kinds_had(site: Site, period: Period, previous: Path | None) -> Iterator[str]:
    """Yield the kinds of files of loggers that a revision holds."""
    if previous is None:
        return
    for kind, end in ((OF_TUBES, ""), (OF_WEATHER, "_weather")):
        stems = (f"{site.id}_{period.name}{step}{end}" for step in ("", "_daily"))
        if any((previous / "netcdf" / f"{stem}.nc").is_file() for stem in stems):
            yield kind


def _inputs(snapshot: Snapshot) -> dict[str, str]:
    """Return the raw files behind a state, and the SHA-256 of each."""
    return {
        origin.path: origin.sha256
        for origin in sorted(file_origins(snapshot).values(), key=lambda o: o.path)
    }


def _rules(site: Site) -> dict[str, dict[str, list[list[Any]]]]:
    """Return the dated rules of every tube, as plain values."""
    return {
        tube: {
            kind: [[start, json.loads(text)] for start, text in segments]
            for kind, segments in kinds.items()
        }
        for tube, kinds in effective_rules(site).items()
    }


def _says_the_same(resources: list[Resource], before: dict[str, Any], draft: Path) -> bool:
    old = {r["path"]: r["content"] for r in before["resources"] if r["path"] != CHANGES}
    new = {
        r.path.relative_to(draft).as_posix(): r.content
        for r in resources
        if r.path.name != CHANGES
    }
    return old == new


def _compare(previous: Path, draft: Path) -> list[Change | Appearance]:
    """Compare tables, weather and rounds that both have, and events that only one has."""
    found: list[Change | Appearance] = []
    folders = previous / "parquet", draft / "parquet"
    for name in sorted({path.name for folder in folders for path in folder.glob("*.parquet")}):
        old, new = (folder / name for folder in folders)
        if holds_events(new if new.is_file() else old):
            found += compare_events(new.stem, old, new)
        elif old.is_file() and new.is_file() and holds_cells(new):
            found += compare_tables(new.stem, old, new)
        elif old.is_file() and new.is_file():
            found += compare_rows(new.stem, old, new)
    for new in sorted((draft / "netcdf").glob("*.nc")):
        old = previous / "netcdf" / new.name
        if old.is_file():
            found += compare_files(new.stem, old, new)
    return found


def _changes_text(
    site: Site,
    request: Request,
    number: int,
    own: dict[str, object],
    before: dict[str, Any],
    changes: list[Change | Appearance],
    told: list[str],
) -> str:
    lines = [
        f"{site.title} ({site.id}): delivery {request.folder}, revision {number}",
        f"from state {own['state']} of {own['created']}",
        "",
    ]
    if not before:
        first = [
            f"{line}; nothing to compare with." for line in told or ["The first revision"]
        ]
        return _page([*lines, *first])
    lines += [
        f"Against revision {before[OWN]['revision']} (state {before[OWN]['state']}):",
        "",
    ]
    lines += ["Why:", *(f"- {line}" for line in told or ["no rule or raw file differs"]), ""]
    lines += ["What (new minus old, in the variable's units):"]
    lines += [f"- {change}" for change in changes] or ["- no value of a table both have"]
    return _page(lines)


def _page(lines: list[str]) -> str:
    """Return lines as a text; what names of files and rules hold cannot drive a terminal."""
    return "\n".join([*(clean(line) for line in lines), ""])


def _seal(draft: Path, final: Path) -> None:
    """Make a draft the revision: on disk, read-only, in one step."""
    for path in sorted(draft.rglob("*")):
        if path.is_file():
            path.chmod(0o444)
    os.sync()
    draft.rename(final)
    handle = os.open(final.parent, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear(home: Path) -> None:
    """Remove drafts that killed runs have left."""
    for path in home.glob(".r*.part"):
        pid = path.name.split(".")[2]
        if not Path(f"/proc/{pid}").exists():
            shutil.rmtree(path, ignore_errors=True)
