"""The raw files of a site as ``percolog verify`` finds them: as read, moved or changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cached_property

from pipeline.errors import Problem
from pipeline.ingest.discover import Found, discover
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.redescribed import lies_elsewhere
from pipeline.site.models import Site

_READ_BYTES = 8 * 1024**2


class RawFiles:
    """A site's raw files against their accounts."""

    def __init__(self, site: Site) -> None:
        self.site = site

    @cached_property
    def _there(self) -> list[Found]:
        """The files of all sources as they lie, looked for once a file is missed."""
        return discover(self.site)[0]

    def problems(self, ledger: Ledger) -> Iterator[Problem]:
        """Yield raw files that are not what they were, or where they were, when read."""
        for entry in sorted(ledger.entries.values(), key=lambda e: (e.path, e.revision)):
            is_current = ledger.current(entry.source, entry.path) is entry
            if entry.state == "replaced" or not is_current:
                continue
            fault = self._fault(entry)
            if not fault:
                continue
            moved = self._moved_to(entry)
            if moved is not None:
                yield _of_moved(entry, moved)
                continue
            advice = (
                "Its readings are kept. Put the file back as it was, or let the night take "
                "the new one in as a new revision."
            )
            expected = "the bytes that were read"
            yield Problem(entry.path, "", f"a raw file that {fault}", expected, advice)

    def is_lost(self, entry: FileEntry) -> bool:
        """Tell whether the bytes of a file cannot be read again from anywhere."""
        return bool(self._fault(entry)) and self._moved_to(entry) is None

    def _moved_to(self, entry: FileEntry) -> Found | None:
        """Return where a night would read a file that is not where it was, if it can.

        As for a night: of a source that is still described, from the files of any source.
        """
        described = any(source.id == entry.source for source in self.site.sources)
        if not described or (self.site.data / entry.path).exists():
            return None
        return lies_elsewhere(entry, self._there)

    def _fault(self, entry: FileEntry) -> str:
        """Return why a raw file does not begin with the bytes that were read, or nothing."""
        digest, left = hashlib.sha256(), entry.size
        try:
            with (self.site.data / entry.path).open("rb") as file:
                while left > 0 and (data := file.read(min(left, _READ_BYTES))):
                    digest.update(data)
                    left -= len(data)
        except OSError as error:
            return f"cannot be read ({error.strerror or error})"
        if left:
            return "is shorter than it was"
        return "" if digest.hexdigest() == entry.sha256 else "differs from its hash"


def _of_moved(entry: FileEntry, moved: Found) -> Problem:
    """Return what is told of a file that lies elsewhere."""
    found = f"a raw file that lies in {moved.path!r} now"
    advice = (
        "Nothing is lost: its bytes are there, and a night that needs them reads them from "
        "there. Put it back if it was not moved on purpose."
    )
    return Problem(entry.path, "", found, "the file where it was read", advice)
