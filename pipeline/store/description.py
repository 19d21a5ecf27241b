"""The description a state was made with: kept in the store, and which one is in force now.

Each state keeps the files of the description it was made with, so that a correction can be
taken back (`pipeline.history.revisions`). After that the description on the disk is no longer
the one that nights go by, until somebody edits it again: the store keeps both and `in_force`
decides.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.errors import Problem
from pipeline.site.description_files import (
    FileChange,
    changed_files,
    read_description,
    write_description,
)
from pipeline.site.fingerprint import site_hash
from pipeline.site.load import Places, load_site
from pipeline.site.models import Site
from pipeline.store.state import Snapshot, Writer

TABLE, UNDONE_TABLE = "description", "undone_description"
# Attribute of the store: what was taken back, and in favour of which state.
UNDONE = "undone"


@dataclass(frozen=True)
class InForce:
    """The site that nights go by, and the files that describe it.

    ``undone`` are the differences between these files and those on the disk where the latter
    were taken back; empty where the disk is in force.
    """

    site: Site
    files: dict[str, bytes]
    undone: tuple[FileChange, ...] = ()


def in_force(site: Site, state: Snapshot | None) -> InForce:
    """Return the description to go by: the one on the disk unless just that was taken back.

    Parameters
    ----------
    site : Site
        As loaded from the disk.
    state : Snapshot or None
        The newest state of the store.
    """
    files = read_description(site.folder)
    if state is None or not state.attributes.get(UNDONE):
        return InForce(site, files)
    undone, kept = stored_files(state, UNDONE_TABLE), stored_files(state)
    if is_another(site, files, undone):
        return InForce(site, files)
    return InForce(site_of(kept, site), kept, tuple(changed_files(files, kept)))


def is_another(site: Site, on_disk: Mapping[str, bytes], stored: Mapping[str, bytes]) -> bool:
    """Tell whether the disk says something else than stored files; comments do not count."""
    return on_disk != stored and site_hash(site_of(stored, site)) != site_hash(site)


def stored_files(state: Snapshot, table: str = TABLE) -> dict[str, bytes]:
    """Return the files of the description a state was made with; empty where it kept none."""
    found = state.table(table)
    if found is None:
        return {}
    names, contents = found["file"].to_pylist(), found["content"].to_pylist()
    return dict(zip(names, contents, strict=True))


def keep_description(writer: Writer, files: Mapping[str, bytes], table: str = TABLE) -> None:
    """Keep the files of a description in a state, if it does not hold them already."""
    if stored_files(writer, table) != files:
        content = {"file": sorted(files), "content": [files[name] for name in sorted(files)]}
        schema = pa.schema([("file", pa.string()), ("content", pa.binary())])
        writer.put_table(table, pa.table(content, schema=schema))


def site_of(files: Mapping[str, bytes], site: Site | Places) -> Site:
    """Return the site that stored files describe, in the folders of the present one.

    Raises
    ------
    SiteError
        If the present version of the code no longer understands them.
    """
    with tempfile.TemporaryDirectory(prefix="percolog-") as folder:
        write_description(files, Path(folder))
        stored = load_site(Path(folder))
    places = ("folder", "data", "store", "output")
    return stored.model_copy(update={name: getattr(site, name) for name in places})


def warnings(found: InForce, attributes: Mapping[str, Any]) -> list[Problem]:
    """Return what to tell of a description that was taken back but still lies on the disk."""
    if not found.undone:
        return []
    return [
        Problem(
            ", ".join(change.file for change in found.undone),
            "",
            f"the description that was taken back in state {attributes[UNDONE]['by']}",
            f"that of state {attributes[UNDONE]['restored']}, by which nights go, or another",
            "Put back the files that percolog undo wrote below the site's output, or edit "
            "further, or bring these into force again with percolog recalibrate.",
        )
    ]


def taken_back(found: InForce, attributes: Mapping[str, Any]) -> str:
    """Return in a line which files nights do not go by, and by what instead."""
    names = ", ".join(change.file for change in found.undone)
    return f"taken back: {names}; nights go by those of state {attributes[UNDONE]['restored']}"
