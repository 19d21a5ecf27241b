"""Files whose source is described otherwise now: which of them have to be read again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import replace

from pipeline.axis import iso_utc
from pipeline.errors import Problem
from pipeline.ingest.discover import Found, still_begins
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.read_by import descriptions
from pipeline.ingest.whereabouts import Whereabouts
from pipeline.site.fingerprint import placing_fingerprint
from pipeline.site.models import Site
from pipeline.store.state import Snapshot
from pipeline.words import counted


def redescribed(ledger: Ledger, prints: Mapping[str, str]) -> list[FileEntry]:
    """Return the files that were read by another description of their source than today's."""
    return [
        entry
        for entry in ledger.entries.values()
        if entry.source in prints and entry.fingerprint != prints[entry.source]
    ]


def spare_untouched(
    ledger: Ledger, prints: Mapping[str, str], before: Snapshot | None, site: Site
) -> bool:
    """Enter files as read by today's description where that places their readings alike.

    Parameters
    ----------
    ledger : Ledger
        Changed in place.
    prints : mapping
        Today's fingerprint of each source.
    before : Snapshot or None
        The state that keeps the description the files were read by (`read_by.keep`).
    site : Site
        Today's description.

    Returns
    -------
    bool
        Whether any file was spared.
    """
    changed = redescribed(ledger, prints)
    then = descriptions(before, site) if changed else {}
    spared = False
    for entry in changed:
        old = then.get((entry.source, entry.fingerprint))
        if old is None or entry.retry or entry.first_s is None or entry.last_s is None:
            continue
        span = entry.first_s, entry.last_s
        if placing_fingerprint(old, entry.source, span) == placing_fingerprint(
            site, entry.source, span
        ):
            entry.fingerprint = prints[entry.source]
            spared = True
    return spared


def taken_over(ledger: Ledger, found: Iterable[Found], known_only: bool) -> list[FileEntry]:
    """Return files that lie there unchanged, but for another source than they were read for.

    A source was renamed, or a folder given to another. The files are read for the one they
    are described for, anew if it knows them: what stood under the old name gives way.

    Parameters
    ----------
    ledger : Ledger
        Changed in place: files to be read again are marked as described otherwise.
    found : iterable of Found
    known_only : bool
        Whether files that are new to their source are left alone.
    """
    at = {file.path: file for file in found}
    same = {(file.source, file.path) for file in found}
    taken = []
    for entry in ledger.entries.values():
        there = at.get(entry.path)
        if (entry.source, entry.path) in same or entry.state == "replaced" or there is None:
            continue
        own = ledger.current(there.source, there.path)
        if (own is None and known_only) or not still_begins(there, entry):
            continue
        if own is not None:
            own.fingerprint = ""
        taken.append(entry)
    return taken


def moved_elsewhere(
    ledger: Ledger, prints: Mapping[str, str], found: Iterable[Found], site: Site
) -> list[Found]:
    """Return files that have to be read again, but lie elsewhere, or packed, or unpacked now.

    Their bytes are there: they are read from where they lie, under the name they had, so that
    what they hold stays where today's description puts it.

    Parameters
    ----------
    ledger : Ledger
    prints : mapping
        Today's fingerprint of each source.
    found : iterable of Found
        The files as they lie.
    site : Site
    """
    there = list(found)
    places = Whereabouts(site, there)
    same = {(file.source, file.path) for file in there}
    moved = []
    for entry in redescribed(ledger, prints):
        if entry.state != "read" or (entry.source, entry.path) in same:
            continue
        other = places.of(entry)
        if other is not None:
            moved.append(replace(other, source=entry.source, path=entry.path))
    return moved


def lost_files(
    ledger: Ledger, prints: Mapping[str, str], there: Set[tuple[str, str]]
) -> list[Problem]:
    """Return, for each source, which files would have to be read again but cannot be.

    So is what was read for a source that is described no more, and lies there no more for
    another.
    """
    lost: dict[str, list[FileEntry]] = {}
    for entry in redescribed(ledger, prints):
        gone = entry.state == "replaced" or (entry.source, entry.path) not in there
        if gone and entry.stored:
            lost.setdefault(entry.source, []).append(entry)
    orphans: dict[str, list[FileEntry]] = {}
    for entry in ledger.entries.values():
        if entry.source not in prints and entry.stored:
            orphans.setdefault(entry.source, []).append(entry)
    unnamed = [_orphaned(source, entries) for source, entries in sorted(orphans.items())]
    return unnamed + [
        Problem(
            min(entry.path for entry in entries),
            f"source {source}",
            f"{counted(len(entries), 'file')} read by an earlier description, now gone",
            "the files as they were, to be read again",
            f"Their {sum(entry.stored for entry in entries)} readings stay where that "
            f"description put them. Put the files back into the data folder.",
        )
        for source, entries in sorted(lost.items())
    ]


def _orphaned(source: str, entries: list[FileEntry]) -> Problem:
    """Return what to do of a source left out: one that ended has its wiring ended instead."""
    last = max((entry.last_s for entry in entries if entry.last_s is not None), default=None)
    after = "" if last is None else f", which is after {iso_utc(last)}"
    return Problem(
        "site.toml",
        f"source {source}",
        f"no such source, but {counted(len(entries), 'file')} read for it",
        "every source whose readings are kept, under the name it had",
        f"Its {sum(entry.stored for entry in entries)} readings stay where they were put, "
        f"whatever is edited now, and without its wiring nothing is computed of them. If it "
        f"ended on purpose, say so there: put its table [[source]] back into site.toml and "
        f"its rows, if it had any, into wiring.csv, the open ones with 'until' when it "
        f"ended{after}. Nothing more is said then, and its files need not lie there.",
    )
