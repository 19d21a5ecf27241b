"""By which description files were read that cannot be read by today's: kept while that lasts.

Only the night after an edit would know it otherwise. A source left out of the description, and
described again with its wiring ended when its files lie there no more, places its readings as
they were: that can be told as long as the description they were read by is known.
"""

from __future__ import annotations

from collections.abc import Mapping

import pyarrow as pa

from pipeline.errors import SiteError
from pipeline.ingest.ledger import Ledger
from pipeline.site.fingerprint import source_fingerprint
from pipeline.site.models import Site
from pipeline.store.description import site_of, stored_files
from pipeline.store.state import Snapshot, Writer

TABLE = "read_by"
# A source and its fingerprint, as ledger entries hold them.
Reading = tuple[str, str]
_SCHEMA = pa.schema(
    [(name, pa.string()) for name in ("source", "fingerprint", "file")]
    + [("content", pa.binary())]
)


def descriptions(before: Snapshot | None, site: Site) -> dict[Reading, Site]:
    """Return the sites by which files may have been read, as far as they are known.

    Parameters
    ----------
    before : Snapshot or None
        The state that keeps the description it was made by, and earlier ones still needed.
    site : Site
        Today's description, for its folders.
    """
    if before is None:
        return {}
    found = {}
    for reading, files in _kept(before).items():
        old = _site_or_none(files, site)
        if old is not None:
            found[reading] = old
    return found | _own(before, site)


def keep(
    writer: Writer,
    before: Snapshot | None,
    ledger: Ledger,
    prints: Mapping[str, str],
    site: Site,
) -> None:
    """Keep the descriptions of files that today's does not read, and no others.

    Parameters
    ----------
    writer : Writer
        The state being prepared.
    before : Snapshot or None
        The state it starts from.
    ledger : Ledger
        After the intake.
    prints : mapping
        Today's fingerprint of each source.
    site : Site
        Today's description.
    """
    waiting = {
        (entry.source, entry.fingerprint)
        for entry in ledger.entries.values()
        if entry.stored and entry.fingerprint != prints.get(entry.source)
    }
    kept = _kept(writer)
    needed = {reading: kept[reading] for reading in waiting & kept.keys()}
    if before is not None and waiting - kept.keys():
        files = stored_files(before)
        needed |= dict.fromkeys(waiting & _own(before, site).keys(), files)
    if needed == kept:
        return
    if not needed:
        writer.drop_table(TABLE)
        return
    rows = [
        {"source": source, "fingerprint": print_, "file": file, "content": content}
        for (source, print_), files in sorted(needed.items())
        for file, content in sorted(files.items())
    ]
    writer.put_table(TABLE, pa.Table.from_pylist(rows, schema=_SCHEMA))


def _kept(state: Snapshot) -> dict[Reading, dict[str, bytes]]:
    table = state.table(TABLE)
    found: dict[Reading, dict[str, bytes]] = {}
    for row in [] if table is None else table.to_pylist():
        files = found.setdefault((row["source"], row["fingerprint"]), {})
        files[row["file"]] = row["content"]
    return found


def _own(before: Snapshot, site: Site) -> dict[Reading, Site]:
    """Return the site as described with a state, by each of its loggers."""
    files = stored_files(before)
    old = _site_or_none(files, site) if files else None
    if old is None:
        return {}
    loggers = [source.id for source in old.sources if source.kind != "rounds"]
    return {(name, source_fingerprint(old, name)): old for name in loggers}


def _site_or_none(files: Mapping[str, bytes], site: Site) -> Site | None:
    """Return a site as described then; None if that cannot be known any more."""
    try:
        return site_of(files, site)
    except SiteError:  # this version no longer understands it
        return None
