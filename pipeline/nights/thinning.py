"""Thinning out earlier states of a store by the site's policy, so that space is freed.

Kept are the newest states, of each month before those the last one, and every state that a
delivered file or a revision of a delivery names. What a thinned state brought stays listed in
the history; its cells are gone. A stop at any instant leaves a sound store: marks of what is
kept come first, then the list of what goes, and only then anything goes.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypedDict

import pyarrow as pa

from pipeline.errors import PercologError
from pipeline.nights.manifest import delivered_states
from pipeline.site.models import Keep, Site
from pipeline.store.description import UNDONE
from pipeline.store.site_store import THINNED, SiteStore, State
from pipeline.store.state import Snapshot, Writer
from pipeline.words import counted

AT_MOST_EVERY = timedelta(days=7)
_ATTRIBUTE, _KIND = "last_thinned", "thin"
_COLUMNS = ("commit", "written", "message", "metadata")


class Thinned(TypedDict):
    """What was thinned out, or would be."""

    kept: list[str]  # commits, newest first
    thinned: list[str]
    bytes_before: int | None  # of the store; None in an object store
    bytes_after: int | None  # also None after a dry run


class ThinningFailed(TypedDict):
    """Why earlier states could not be thinned out."""

    failed: str


def states_to_keep(
    states: list[State], policy: Keep, delivered: set[str]
) -> tuple[list[State], list[State]]:
    """Part states into those to keep and those to thin out.

    The state a thinning leaves holds what the one before it did. It counts for none of
    ``policy.nights``, so that thinning out again and again takes no night away.

    Parameters
    ----------
    states : list of dict
        As from `SiteStore.history`, newest first.
    policy : Keep
    delivered : set of str
        Commits that delivered files name.
    """
    months: set[str] = set()
    kept: list[State] = []
    gone: list[State] = []
    nights = 0
    for state in states:
        newest = nights < policy.nights
        nights += not _is_thinning(state)
        month = state["written"][:7]
        last_of_month = policy.monthly and month not in months
        named = policy.delivered and state["commit"] in delivered
        if newest or last_of_month or named:
            kept.append(state)
        else:
            gone.append(state)
        months.add(month)
    return kept, gone


def _is_thinning(state: State) -> bool:
    return bool(state["metadata"].get("kind") == _KIND)


def thin_site(site: Site, store: SiteStore, dry_run: bool = False) -> Thinned:
    """Thin out the states that the site's policy does not keep.

    Raises
    ------
    StoreError, LockedError
    """
    if dry_run:
        return _plan(site, store)[1]
    with store.write() as writer:
        gone, account = _plan(site, store)
        if not gone:
            return account
        states = store.history()
        oldest = [s for s in states if not _is_thinning(s)][: site.keep.nights][-1]
        older = {s["commit"] for s in states if s["written"] < oldest["written"]}
        marked = older & set(account["kept"])
        store.keep(marked)
        _list_thinned(writer, gone)
        writer.set_attributes({_ATTRIBUTE: states[0]["written"]})
        count = f"{counted(len(gone), 'earlier state')} thinned out"
        writer.commit(count, {"kind": _KIND})
        store.drop(store.written_at(oldest["commit"]), marked)
        return {**account, "bytes_after": _size(store)}


def _plan(site: Site, store: SiteStore) -> tuple[list[State], Thinned]:
    """Return the states that are to go, and the account of it before anything went."""
    named = delivered_states(site) | _restored(store.read())
    kept, gone = states_to_keep(store.history(), site.keep, named)
    return gone, {
        "kept": [state["commit"] for state in kept],
        "thinned": [state["commit"] for state in gone],
        "bytes_before": _size(store),
        "bytes_after": None,
    }


def thin_when_due(site: Site, store: SiteStore) -> Thinned | ThinningFailed | None:
    """Thin out if that was last done a week ago; None if it is not due.

    A failure is told and tried again the next night: it must not spoil this one.
    """
    try:
        states = store.history()
        last = store.read().attributes.get(_ATTRIBUTE)
        if last is not None:
            since = datetime.fromisoformat(states[0]["written"]) - datetime.fromisoformat(last)
            if since < AT_MOST_EVERY:
                return None
        if len(states) <= site.keep.nights:
            return None
        account = thin_site(site, store)
    except (PercologError, OSError) as error:
        return {"failed": str(error)}
    return account if account["thinned"] else None


def _restored(newest: Snapshot) -> set[str]:
    """Return the state whose description is in force in place of one that was taken back."""
    mark = newest.attributes.get(UNDONE)
    return {mark["restored"]} if mark else set()


def _list_thinned(writer: Writer, gone: list[State]) -> None:
    """Add states to the table of those that were thinned out."""
    stored = writer.table(THINNED)
    rows = [] if stored is None else stored.to_pylist()
    known = {row["commit"] for row in rows}
    new = [
        {
            "commit": state["commit"],
            "written": state["written"],
            "message": state["message"],
            "metadata": json.dumps(state["metadata"]),
        }
        for state in gone
        if state["commit"] not in known
    ]
    schema = pa.schema([(name, pa.string()) for name in _COLUMNS])
    newest_first = sorted([*new, *rows], key=lambda row: row["written"], reverse=True)
    writer.put_table(THINNED, pa.Table.from_pylist(newest_first, schema=schema))


def _size(store: SiteStore) -> int | None:
    """Return the bytes a local store takes."""
    if not store.is_local:
        return None
    return sum(p.stat().st_size for p in Path(store.address).rglob("*") if p.is_file())
