"""The raw files of a site as ``percolog verify`` finds them: as read, moved or changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cached_property
from pathlib import PurePosixPath
from typing import TypedDict

from pipeline.errors import Problem
from pipeline.ingest.discover import Found, discover, still_begins
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.whereabouts import Whereabouts, packing
from pipeline.site.models import Site

_READ_BYTES = 8 * 1024**2


class Repacked(TypedDict):
    """A raw file that was packed or unpacked since, with the same content."""

    file: str  # as read
    became: str  # "packed", "unpacked" or "packed anew"
    lies_in: str


class RawFiles:
    """A site's raw files against their accounts.

    ``repacked`` gathers, while `problems` are told, the files that were packed or unpacked
    since and that a night finds all the same; ``removed`` counts those that are gone and need
    not be there.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self.repacked: list[Repacked] = []
        self.removed = 0

    @cached_property
    def _there(self) -> list[Found]:
        """The files of all sources as they lie, looked for once a file is missed."""
        return discover(self.site)[0]

    @cached_property
    def _places(self) -> Whereabouts:
        return Whereabouts(self.site, self._there)

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
            became = "" if moved is None else packing(entry.path, moved.path)
            if moved is None and self._may_be_gone(entry):
                self.removed += 1
            elif moved is None:
                yield self._of_lost(entry, fault)
            elif not became:
                yield _of_moved(entry, moved)
            elif self._is_found(entry, moved):
                told = Repacked(file=entry.path, became=became, lies_in=moved.path)
                self.repacked.append(told)
            else:
                yield self._of_repacked(entry, moved, became)

    def _may_be_gone(self, entry: FileEntry) -> bool:
        """Tell whether a file is not there, and a person says so or it has nothing of its own.

        Of a file without a usable time, that of its last change counts.
        """
        if (self.site.data / entry.path).exists() or next(self._places.beside(entry), None):
            return False
        if entry.state == "read" and entry.values_read == entry.duplicates:
            return True
        last_s = entry.modified_ns / 1e9 if entry.last_s is None else entry.last_s
        return any(
            source.archived_before is not None and last_s < source.archived_before.timestamp()
            for source in self.site.sources
            if source.id == entry.source
        )

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
        return self._places.of(entry)

    def _is_found(self, entry: FileEntry, moved: Found) -> bool:
        """Tell whether a night finds a file for the source it was read for."""
        return any((f.source, f.path) == (entry.source, moved.path) for f in self._there)

    def _fault(self, entry: FileEntry) -> str:
        """Return why a raw file does not begin with the bytes that were read, or nothing."""
        digest, left, full = hashlib.sha256(), entry.size, self.site.data / entry.path
        try:
            with full.open("rb") as file:
                while left > 0 and (data := file.read(min(left, _READ_BYTES))):
                    digest.update(data)
                    left -= len(data)
            if not left and digest.hexdigest() == entry.sha256:
                return ""
            size = full.stat().st_size
        except OSError as error:
            return f"cannot be read ({error.strerror or error})"
        if still_begins(Found(entry.source, entry.path, full, size, 0), entry):
            return ""  # packed anew
        return "is shorter than it was" if left else "differs from its hash"

    def _of_lost(self, entry: FileEntry, fault: str) -> Problem:
        """Return what is told of a file whose bytes are nowhere."""
        beside = [f.path for f in self._places.beside(entry)] if entry.content_size else []
        if beside and not (self.site.data / entry.path).exists():
            fault = (
                f"is no longer there; {beside[0]!r} bears its name "
                f"{packing(entry.path, beside[0])}, but does not hold its bytes"
            )
        return Problem(
            entry.path,
            "",
            f"a raw file that {fault}",
            "the bytes that were read",
            "Its readings are kept. Put the file back as it was, or let the night take the "
            "new one in as a new revision.",
        )

    def _of_repacked(self, entry: FileEntry, moved: Found, became: str) -> Problem:
        """Return what is told of a file packed or unpacked to a name that no source means."""
        files = next(s.files for s in self.site.sources if s.id == entry.source)
        return Problem(
            entry.path,
            "",
            f"a raw file that was {became} and lies in {moved.path!r} now",
            f"a file that source {entry.source!r} means ({files})",
            "Nothing is lost: its bytes are there, and a night that needs them reads them "
            f"from there. But no night looks for {moved.path!r}, and a store made anew would "
            "not have its readings: let the pattern of the source mean both"
            f"{_wider(files, moved)}.",
        )


def _wider(files: str, moved: Found) -> str:
    """Return a pattern that means a packed file too, where that is easily had."""
    name = PurePosixPath(moved.path).name
    wide = fnmatch(name, f"{PurePosixPath(files).name}*")
    return f", as files = {files + '*'!r} does" if wide else ""


def _of_moved(entry: FileEntry, moved: Found) -> Problem:
    """Return what is told of a file that lies elsewhere."""
    found = f"a raw file that lies in {moved.path!r} now"
    advice = (
        "Nothing is lost: its bytes are there, and a night that needs them reads them from "
        "there. Put it back if it was not moved on purpose."
    )
    return Problem(entry.path, "", found, "the file where it was read", advice)
