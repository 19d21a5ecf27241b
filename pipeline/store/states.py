"""The states of a site's store: what each brought, and finding one by name."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, TypedDict

from pipeline.errors import StoreError
from pipeline.store.site_store import SiteStore, State

NOW = "now"
_NIGHT_DIGITS = 7  # longer runs of digits are the beginning of an id


class ChangedLines(TypedDict):
    """How many lines of a file of the description changed."""

    file: str
    added: int
    removed: int


class StateRow(TypedDict):
    """A state as documents tell it. What older versions did not note is None."""

    commit: str
    night: int | None  # its number; None where the state is none of a night
    kind: str
    written: str  # instant, ISO 8601, UTC, microseconds
    message: str
    kept: bool  # false once thinned out
    brought: dict[str, Any] | None  # see `pipeline.nights.prepared.Brought`
    description: list[ChangedLines] | None
    site_hash: str | None
    code: str | None  # version


def list_states(store: SiteStore) -> list[StateRow]:
    """Return every state, kept or thinned out, newest first."""
    kept = store.history()
    here = {state["commit"] for state in kept}
    gone = [row for row in store.thinned() if row["commit"] not in here] if kept else []
    states = [_row(state, state["commit"] in here) for state in (*kept, *gone)]
    return sorted(states, key=lambda row: row["written"], reverse=True)


def find_state(store: SiteStore, name: str) -> StateRow:
    """Return the state that a name stands for, as in `list_states`.

    Parameters
    ----------
    name : str
        ``now``; the number of a night; the beginning of a commit id, if only one begins so; a
        date or an instant (ISO 8601, UTC unless it says otherwise): the last state before its
        end.

    Raises
    ------
    StoreError
        If there is none, several, or if it was thinned out.
    """
    states = list_states(store)
    if not states:
        raise StoreError(f"{store.address}: expected a state, found none; run percolog night")
    if name == NOW:
        return states[0]
    found = _named(states, name)
    if not found:
        raise StoreError(
            f"found no state {name!r}; expected 'now', the number of a night, a date, or the "
            f"beginning of a commit id as percolog history lists them"
        )
    if len(found) > 1:
        listed = ", ".join(row["commit"] for row in found[:5])
        raise StoreError(
            f"found {len(found)} states {name!r} ({listed}); expected one of them"
        )
    if not found[0]["kept"]:
        store.read(found[0]["commit"])  # says that it was thinned out, and what is left
    return found[0]


def commit_of(store: SiteStore, name: str | None) -> str | None:
    """Return the commit a name stands for, as `find_state`; None, the newest, for no name."""
    return None if name is None else find_state(store, name)["commit"]


def _named(states: list[StateRow], name: str) -> list[StateRow]:
    if not name.strip():  # every commit id begins so
        return []
    if name.isdigit() and len(name) <= _NIGHT_DIGITS:
        return [row for row in states if row["night"] == int(name)]
    end = _end_of(name)
    if end is not None:
        return [row for row in states if datetime.fromisoformat(row["written"]) < end][:1]
    return [row for row in states if row["commit"].startswith(name.upper())]


def _end_of(text: str) -> datetime | None:
    """Return the end of a date, or just after an instant; None for other text."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    found = found if found.tzinfo else found.replace(tzinfo=UTC)
    is_date = len(text) <= len("2026-03-01")
    return found + (timedelta(days=1) if is_date else timedelta(seconds=1))


def _row(state: State, kept: bool) -> StateRow:
    noted = state["metadata"]
    return {
        "commit": state["commit"],
        "night": noted.get("night"),
        "kind": noted.get("kind", "night"),
        "written": state["written"].replace("+00:00", "Z"),
        "message": state["message"],
        "kept": kept,
        "brought": noted.get("brought"),
        "description": noted.get("description"),
        "site_hash": noted.get("site_hash"),
        "code": noted.get("code"),
    }
