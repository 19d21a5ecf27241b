"""A site as what is stored of it is looked at, also while somebody is editing the description.

What was stored is there all the same. Where the description on the disk is wrong the site is
the one that the newest state itself was made by, and that is said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import NotRequired, TypedDict

from pipeline.errors import SiteError
from pipeline.outcomes import Failure, describe_failure, outcome_of, worst
from pipeline.site.load import load_places, load_site
from pipeline.site.models import Site
from pipeline.store.description import in_force, site_of, stored_files
from pipeline.store.site_store import SiteStore
from pipeline.store.state import Snapshot
from pipeline.store.states import commit_of
from pipeline.words import counted


class Told(TypedDict):
    """Where the description is wrong: a failure of which the problems are its mistakes."""

    failures: NotRequired[list[Failure]]


@dataclass(frozen=True)
class Described:
    """A site, and in ``failures`` that its description on the disk is wrong at present."""

    site: Site
    failures: list[Failure] = field(default_factory=list)

    def outcome(self, otherwise: str = "done") -> str:
        """Return how a command ends that shows what is stored."""
        return worst([outcome_of(self.failures), otherwise])

    def told(self) -> Told:
        """Return what an account of what is stored tells of the description."""
        return {"failures": self.failures} if self.failures else {}


@dataclass(frozen=True)
class Opened(Described):
    """A site, its store and one of its states."""

    store: SiteStore = field(kw_only=True)
    snapshot: Snapshot = field(kw_only=True)


def described(folder: Path, load: Callable[[Path], Site] = load_site) -> Described:
    """Return the site of a folder, where that is wrong as its newest state describes it.

    Raises
    ------
    SiteError
        If the description is wrong, and nothing is stored that could stand in for it.
    """
    try:
        return Described(load(folder))
    except SiteError as error:
        try:
            return _as_stored(folder, error)
        except Exception:  # damage takes any form; what is wrong here has to be mended first
            raise error from None


def open_state(
    folder: Path, load: Callable[[Path], Site] = load_site, commit: str | None = None
) -> Opened:
    """Open a state of a site, with the description that it is to be told by.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    load : callable
        Reads and checks a description.
    commit : str, optional
        Name of a state, see `pipeline.store.states.find_state`; the newest by default.

    Raises
    ------
    SiteError, StoreError
    """
    found = described(folder, load)
    site = found.site
    store = SiteStore(site.store, site.axis, site.id)
    snapshot = store.read(commit_of(store, commit))
    if not found.failures:
        site = in_force(site, snapshot).site
    return Opened(site, found.failures, store=store, snapshot=snapshot)


def _as_stored(folder: Path, error: SiteError) -> Described:
    """Return the site that the newest state was made by, in the folders of today."""
    places = load_places(folder)
    store = SiteStore(places.store, places.axis, places.id)
    snapshot = store.read()
    site = site_of(stored_files(snapshot), places)
    commit = snapshot.commit_id
    failure = describe_failure("describe", error)
    failure["error"] = (
        f"the description is wrong at present ({counted(len(error.problems), 'mistake')}, "
        f"which percolog check lists); what is told here is by the one of state {commit}, "
        f"written {store.written_at(commit):%Y-%m-%dT%H:%MZ}"
    )
    return Described(site, [failure])
