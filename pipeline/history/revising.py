"""What the commands on revisions do: history, compare, recalibrate, undo, thin.

Each returns a JSON-ready account with its ``outcome``. After something was done again in the
store, files and pictures follow, as after a night.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from pipeline.errors import SiteError
from pipeline.history.change_picture import picture_of
from pipeline.history.comparison import compare_states
from pipeline.history.differences import differing_days
from pipeline.history.documents import (
    History,
    Revision,
    StatesApart,
    ThinnedStore,
)
from pipeline.history.revisions import Consent, description_changes, site_and_store
from pipeline.nights import parts
from pipeline.nights.documents import StoredNight
from pipeline.nights.night import open_description, site_store
from pipeline.nights.thinning import thin_site
from pipeline.outcomes import describe_failure, outcome_of, tried
from pipeline.site.load import load_places
from pipeline.store.description import stored_files
from pipeline.store.opened import open_state
from pipeline.store.site_store import SiteStore
from pipeline.store.states import find_state, list_states

Work = Callable[[Path, datetime, bool, Consent | None], Revision]


def redo(
    work: Work, folder: Path, now: datetime, dry_run: bool, consent: Consent | None = None
) -> Revision:
    """Run `recalibrate_site` or `undo_site`, and deliver and draw what it changed.

    Errors are told in ``failures``, never raised, so that the next site is not stopped.
    """
    account: Revision = {"site": folder.name}
    doing = "store"
    try:
        account = {**work(folder, now, dry_run, consent)}
        if account["done"] and account["commit"]:
            state: StoredNight = {"site": account["site"], "commit": account["commit"]}
            doing = "deliver"
            account |= parts.deliver(folder, state)
            doing = "draw"
            account |= parts.draw(folder, state)
    except Exception as error:  # isolation: one site's surprise must not stop the others
        failures = [describe_failure(doing, error)]
        account |= {"outcome": outcome_of(failures), "failures": failures}
    return account | {"folder": str(folder)}


def site_history(folder: Path) -> History:
    """Return every state of a site's store, newest first (see `pipeline.store.states`).

    What is wrong with the description is told in ``failures``: it is when something was edited
    that one wants to know what was before. Only [site] is needed to find the store.

    Raises
    ------
    SiteError, StoreError
    """
    try:
        site = open_description(folder)
    except SiteError as error:
        try:
            places = load_places(folder)
        except SiteError:
            raise error from None  # with every mistake, not those of one file
        failures = [describe_failure("describe", error)]
        states = list_states(SiteStore(places.store, places.axis, places.id))
        outcome = outcome_of(failures)
        return {"site": places.id, "outcome": outcome, "states": states, "failures": failures}
    return {"site": site.id, "outcome": "done", "states": list_states(site_store(site))}


def site_comparison(
    folder: Path, first: str, second: str, picture: Path | None = None
) -> StatesApart:
    """Tell two states of a site apart, in numbers and in a picture.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    first, second : str
        Names of states, see `pipeline.store.states.find_state`.
    picture : Path, optional
        Where the picture goes; else below the site's output.

    Raises
    ------
    SiteError, StoreError
    """
    opened = open_state(folder, open_description)
    site, store = opened.site, opened.store
    states = [find_state(store, name) for name in (first, second)]
    old, new = (store.read(state["commit"]) for state in states)
    days = differing_days(old, new)
    marked = days.reshape(1, -1)
    account: StatesApart = {
        "site": site.id,
        "outcome": opened.outcome(),
        "from": states[0]["commit"],
        "to": states[1]["commit"],
        "states": states,
        "days": int(days.sum()),
        "description": description_changes(stored_files(old), stored_files(new)),
        **compare_states(old, new, marked, marked),
    }
    name = f"{states[0]['commit']}_{states[1]['commit']}.png"
    path = picture if picture is not None else site.output / "compare" / name

    def draw() -> None:
        account["picture"] = str(picture_of(site, old, new, account, path))

    if failures := [*opened.failures, *tried("draw", draw)]:
        account |= {"outcome": outcome_of(failures), "failures": failures}
    return account


def thin_store(folder: Path, dry_run: bool) -> ThinnedStore:
    """Thin out a site's earlier states (see `pipeline.nights.thinning.thin_site`)."""
    site, store = site_and_store(folder)
    account = thin_site(site, store, dry_run)
    return {"site": site.id, "outcome": "done", "dry_run": dry_run, **account}
