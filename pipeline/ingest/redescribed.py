"""Files whose source is described otherwise now: which of them have to be read again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set

from pipeline.description import site_of, stored_files
from pipeline.errors import Problem, SiteError
from pipeline.ingest.discover import Found, still_begins
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.site.fingerprint import placing_fingerprint, source_fingerprint
from pipeline.site.models import Site
from pipeline.state import Snapshot
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
        The state that keeps the description the files were read by.
    site : Site
        Today's description.

    Returns
    -------
    bool
        Whether any file was spared.
    """
    changed = redescribed(ledger, prints)
    old = _site_before(before, site) if changed and before is not None else None
    if old is None:
        return False
    kinds = {source.id: source.kind for source in old.sources}
    then = {name: source_fingerprint(old, name) for name in kinds}
    spared = False
    for entry in changed:
        if kinds.get(entry.source, "rounds") == "rounds" or entry.retry:
            continue
        if entry.first_s is None or entry.last_s is None:
            continue
        span = entry.first_s, entry.last_s
        alike = entry.fingerprint == then[entry.source] and (
            placing_fingerprint(old, entry.source, span)
            == placing_fingerprint(site, entry.source, span)
        )
        if alike:
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
    return Problem(
        "site.toml",
        f"source {source}",
        f"no such source, but {counted(len(entries), 'file')} read for it",
        "every source whose readings are kept, under the name it had",
        f"Its {sum(entry.stored for entry in entries)} readings stay where they were put, "
        f"whatever is edited now. Describe the source again under its old name; one that logs "
        f"no more has its rows of wiring.csv ended.",
    )


def _site_before(before: Snapshot, site: Site) -> Site | None:
    """Return the site as described with a state; None if that cannot be known any more."""
    files = stored_files(before)
    if not files:
        return None
    try:
        return site_of(files, site)
    except SiteError:  # this version no longer understands it
        return None
