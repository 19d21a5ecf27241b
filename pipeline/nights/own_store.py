"""A store belongs to one description: two with the same id must not write to one store.

Nothing in a store tells two descriptions of one id apart (somebody copied the folder and left
the store's place as it was); each would take the other's files for its own. So a store keeps
where the description lay that wrote to it last.
"""

from __future__ import annotations

import platform
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.errors import PercologError, Problem, SiteError
from pipeline.site.load import load_site
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

_ATTRIBUTE = "described"


def described_here(site: Site) -> dict[str, Any]:
    """Return the attributes by which a store keeps where its description lies."""
    return {_ATTRIBUTE: {"folder": str(site.folder.resolve()), "machine": platform.node()}}


def other_descriptions(snapshot: Snapshot, site: Site) -> Iterator[Problem]:
    """Yield that a store was written to last by a description that lay elsewhere.

    One that was moved on this machine is the same, and nothing is told of it. What lies on
    another machine cannot be looked at: that is told until something is stored from here.

    Raises
    ------
    PercologError
        If another description of this id, on this machine, still names this store.
    """
    last = snapshot.attributes.get(_ATTRIBUTE)
    here = described_here(site)[_ATTRIBUTE]
    if last is None or last["folder"] == here["folder"]:
        return
    if last["machine"] != here["machine"]:
        yield Problem(
            site.store,
            "",
            f"readings stored by the description in {last['folder']} on {last['machine']}",
            f"those of the one in {here['folder']}",
            "If the site was moved here, nothing is to be done. If both are in use, stop one "
            "of them, and give it an id and a store of its own: they mix in this store.",
        )
    elif _is_alive(Path(last["folder"]), site):
        raise PercologError(
            f"{site.store}: expected the store of the description in {here['folder']}, found "
            f"that of another with the id {site.id!r}, in {last['folder']}; their readings "
            f"would mix. Give one of them an id and a store of its own, or, if the other is "
            f"no longer used, move it away"
        )


def _is_alive(folder: Path, site: Site) -> bool:
    """Tell whether another folder than the site's describes a site of its id and store."""
    try:
        if folder.samefile(site.folder):
            return False
        other = load_site(folder)
    except (OSError, SiteError):  # no night can be run by it
        return False
    return other.id == site.id and _place(other.store) == _place(site.store)


def _place(store: str) -> str:
    return store if "://" in store else str(Path(store).resolve())
