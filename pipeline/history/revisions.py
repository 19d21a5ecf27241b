"""Doing a site's results again: by an edited description, or by the one before it.

Both first show what would change. That is computed in a state which is prepared as a night
prepares its own and then dropped, so that nothing is visible to others and nothing stays
behind; the store is not locked while a person thinks about it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.axis import DAY_S
from pipeline.errors import SiteError, StoreError
from pipeline.history.comparison import compare_states
from pipeline.history.documents import LineChanges, RedoneTube, Revision
from pipeline.nights.night import open_description, site_store
from pipeline.nights.prepared import Prepared, commit_state, prepare_state
from pipeline.site.description_files import (
    changed_files,
    read_description,
    write_description,
)
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.store.description import (
    UNDONE,
    UNDONE_TABLE,
    InForce,
    in_force,
    is_another,
    keep_description,
    site_of,
    stored_files,
)
from pipeline.store.object_store import while_answering
from pipeline.store.site_store import SiteStore
from pipeline.store.state import Snapshot, Writer

# Shown what would change, says whether to do it.
Consent = Callable[[Revision], bool]


@dataclass(frozen=True)
class Plan:
    """A description to bring into force, and why.

    ``taken_back`` are the files nights are not to go by although they lie on the disk, and
    ``restored`` the state whose description comes back.
    """

    kind: str
    found: InForce
    now: datetime
    taken_back: dict[str, bytes] | None = None
    restored: str = ""
    planned_on: str = ""  # the newest state when an undoing was planned


@while_answering
def recalibrate_site(
    folder: Path, now: datetime, dry_run: bool, consent: Consent | None = None
) -> Revision:
    """Show what the edited description changes in what is stored, and then do it.

    New files are left to the night; files whose wiring or layout is another one now are read
    again.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    now : datetime
        The present, with a zone.
    dry_run : bool
        Only show.
    consent : callable, optional
        Asked with what would change before it is done; without it nobody is asked.

    Raises
    ------
    SiteError, StoreError, LockedError
    """
    site, store = site_and_store(folder)
    found = InForce(site, read_description(site.folder))
    return _carry_out(store, Plan("recalibrate", found, now), dry_run, consent)


@while_answering
def undo_site(
    folder: Path, now: datetime, dry_run: bool, consent: Consent | None = None
) -> Revision:
    """Take the last change of the description back; readings and their accounts stay.

    The results become those of the description before, with every reading there is now.
    Nights go by it from then on, whatever lies on the disk, until that is edited again.

    Raises
    ------
    StoreError
        If no earlier state has another description.
    """
    site, store = site_and_store(folder)
    newest, on_disk = store.read(), read_description(site.folder)
    current = in_force(site, newest)
    in_store = stored_files(newest) or on_disk
    state, files = _state_before(store, newest, site, in_store)
    restored = site_of(files, site)
    taken_back = stored_files(newest, UNDONE_TABLE) if current.undone else in_store
    if site_hash(site) == site_hash(restored):  # the files were put back beforehand
        taken_back = {}
    plan = Plan("undo", InForce(restored, files), now, taken_back, state, newest.commit_id)
    try:
        account = _carry_out(store, plan, dry_run, consent)
    except SiteError as error:  # of files that do not lie on the disk
        told = f"the description of state {state} cannot come into force again: {error}"
        raise StoreError(f"{store.address}: {told} Take back by hand what can be.") from error
    changes = description_changes(on_disk, files) if taken_back else []
    account |= {"restored": state, "put_back": changes, "files": []}
    account["edited"] = bool(taken_back) and is_another(site, on_disk, taken_back)
    if account["done"] and account["commit"]:
        target = site.output / "undo" / account["commit"]
        names = [change["file"] for change in changes if change["file"] in files]
        written = write_description({name: files[name] for name in names}, target)
        account["files"] = [str(path) for path in written]
    return account


def site_and_store(folder: Path) -> tuple[Site, SiteStore]:
    """Return the site described in a folder and its store, which a night has made.

    Raises
    ------
    SiteError, StoreError
    """
    site = open_description(folder)
    store = site_store(site)
    if not store.exists():
        raise StoreError(f"{store.address}: expected a store, found none; run percolog night")
    return site, store


def _carry_out(
    store: SiteStore, plan: Plan, dry_run: bool, consent: Consent | None
) -> Revision:
    """Preview a plan, ask, and do it; without anybody to ask both are one run."""
    if not dry_run and consent is None:
        return _attempt(store, plan, commit=True)
    account = _attempt(store, plan, commit=False)
    if dry_run or consent is None or not consent(account):
        return account
    return _attempt(store, plan, commit=True)


def _attempt(store: SiteStore, plan: Plan, commit: bool) -> Revision:
    """Prepare the state of a plan, tell what it changes, and commit or drop it."""
    with store.write() as writer:
        try:
            before = store.read()
            if plan.planned_on and plan.planned_on != before.commit_id:
                raise StoreError(
                    f"{store.address}: another run has written state {before.commit_id} "
                    f"meanwhile; look at it, then say percolog undo again if it is to be so"
                )
            prepared = prepare_state(
                writer, before, plan.found.site, int(plan.now.timestamp()), known_only=True
            )
            account = _account(before, writer, plan, prepared)
            if commit:
                _mark(writer, plan)
                state = commit_state(writer, before, plan.found, prepared, plan.kind)
                account |= {"commit": state, "done": state != before.commit_id}
        finally:
            if not commit:
                store.clear()
    return account


def _account(before: Snapshot, writer: Writer, plan: Plan, prepared: Prepared) -> Revision:
    kept = stored_files(before)
    return {
        "site": plan.found.site.id,
        "outcome": "done",
        "done": False,
        "from": before.commit_id,
        "commit": None,
        "description": description_changes(kept, plan.found.files) if kept else [],
        "files_read": len(prepared.intake.read),
        "days": int(prepared.days.sum()),
        "tubes": _tube_rows(plan.found.site, writer, prepared),
        **compare_states(before, writer, prepared.tubes, prepared.stations),
    }


def _mark(writer: Writer, plan: Plan) -> None:
    """Note what is taken back, so that the next night does not do it again."""
    if plan.kind == "undo":
        writer.set_attributes({UNDONE: None})
        if plan.taken_back:
            keep_description(writer, plan.taken_back, UNDONE_TABLE)
            number = int(writer.attributes.get("nights", 0)) + 1
            writer.set_attributes({UNDONE: {"by": number, "restored": plan.restored}})


def _state_before(
    store: SiteStore, newest: Snapshot, site: Site, in_store: dict[str, bytes]
) -> tuple[str, dict[str, bytes]]:
    """Return the newest state with another description than the one in force, and its files.

    After an undoing the search goes on from the state whose description came back then, so
    that a second undoing leads further back and not forward again.
    """
    states = [state["commit"] for state in store.history()]
    mark = newest.attributes.get(UNDONE)
    if mark and mark["restored"] in states:
        states = states[states.index(mark["restored"]) :]
    hash_now = site_hash(site_of(in_store, site))
    for commit in states:
        files = stored_files(store.read(commit))
        if files and files != in_store and site_hash(site_of(files, site)) != hash_now:
            return commit, files
    raise StoreError(
        f"{store.address}: found no kept state before this one with another description; "
        f"readings are never taken back, so there is nothing to undo"
    )


def description_changes(
    old: Mapping[str, bytes], new: Mapping[str, bytes]
) -> list[LineChanges]:
    """Return the lines added and removed by file, JSON-ready."""
    return [
        {"file": c.file, "added": list(c.added), "removed": list(c.removed)}
        for c in changed_files(old, new)
    ]


def _tube_rows(site: Site, state: Snapshot, prepared: Prepared) -> list[RedoneTube]:
    """Return which days of which tubes are computed again, as dates in the site's own time."""
    midnight = np.datetime64(site.axis.origin_s + site.utc_offset_s, "s")
    rows: list[RedoneTube] = []
    for name, days in zip(state.labels["tube"], prepared.tubes, strict=True):
        at = np.flatnonzero(days)
        if len(at):
            first, last = (midnight + np.timedelta64(int(d) * DAY_S, "s") for d in at[[0, -1]])
            rows.append(
                {
                    "tube": name,
                    "days": len(at),
                    "first": str(first.astype("datetime64[D]")),
                    "last": str(last.astype("datetime64[D]")),
                }
            )
    return rows
