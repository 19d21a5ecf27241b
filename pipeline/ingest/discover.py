"""Which raw files a site has, and which of them need reading tonight."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Problem, ReaderError
from pipeline.ingest.ledger import FileEntry, Ledger, file_id
from pipeline.site.models import Site

# A raw file larger than this is refused: it is no logger's export.
MAX_FILE_BYTES = 2 * 1024**3


@dataclass(frozen=True)
class Found:
    """A raw file as it lies in the data folder; ``path`` is relative to it."""

    source: str
    path: str
    full: Path
    size: int
    modified_ns: int


@dataclass(frozen=True)
class Opened:
    """A raw file read into memory, entered in the ledger under its id."""

    found: Found
    data: bytes
    entry: FileEntry


def discover(site: Site) -> tuple[list[Found], list[Problem]]:
    """Return the raw files of all sources in order of source and path, and what is no file.

    A path that leads out of the data folder (a link) is refused.
    """
    files: list[Found] = []
    problems: list[Problem] = []
    root = site.data.resolve()
    for source in site.sources:
        for full in sorted(site.data.glob(source.files)):
            path = full.relative_to(site.data).as_posix()
            problem = _refuse(full, path, root)
            if problem:
                problems.append(problem)
                continue
            status = full.stat()
            files.append(Found(source.id, path, full, status.st_size, status.st_mtime_ns))
    return files, problems


def is_known(found: Found, ledger: Ledger, fingerprint: str) -> bool:
    """Tell whether a file needs no reading: same size, same time, same description."""
    entry = ledger.current(found.source, found.path)
    return (
        entry is not None
        and not entry.retry
        and (entry.size, entry.modified_ns) == (found.size, found.modified_ns)
        and entry.fingerprint == fingerprint
    )


def open_file(found: Found, ledger: Ledger, fingerprint: str) -> Opened | None:
    """Read a file and enter it in the ledger; None if its bytes turn out to be known.

    A file that has grown keeps its id; one whose known beginning has changed becomes a new
    revision, and the readings of the old one stay.

    Raises
    ------
    ReaderError
        If the file cannot be read.
    """
    data = _read(found)
    known = ledger.current(found.source, found.path)
    digest = hashlib.sha256(data).hexdigest()
    if known is not None and known.sha256 == digest and known.fingerprint == fingerprint:
        known.modified_ns = found.modified_ns
        if not known.retry:
            return None
    revision = _revision(known, data)
    if known is not None and known.revision != revision:
        known.state = "replaced"
    entry = FileEntry(
        file=file_id(found.source, found.path, revision),
        source=found.source,
        path=found.path,
        revision=revision,
        state="read",
        size=len(data),
        modified_ns=found.modified_ns,
        sha256=digest,
        fingerprint=fingerprint,
    )
    ledger.add(entry)
    return Opened(found, data, entry)


def _revision(known: FileEntry | None, data: bytes) -> int:
    """Return the known revision if the bytes begin with what was read then, else the next."""
    if known is None:
        return 0
    grown = hashlib.sha256(memoryview(data)[: known.size]).hexdigest() == known.sha256
    return known.revision if grown else known.revision + 1


def _read(found: Found) -> bytes:
    try:
        return found.full.read_bytes()
    except OSError as error:
        raise ReaderError(
            Problem(
                found.path,
                "",
                f"a file that cannot be read ({error.strerror or error})",
                "a readable file",
                "Check its permissions; it is tried again next night.",
            )
        ) from error


def _refuse(full: Path, path: str, root: Path) -> Problem | None:
    """Return why a path is not taken as a raw file, or None."""
    if not full.exists():
        return Problem(path, "", "a broken link", "a file", "Mend or remove it.")
    if not full.resolve().is_relative_to(root):
        return Problem(
            path,
            "",
            "a link out of the data folder",
            "a file below it",
            "Copy the file there.",
        )
    if not full.is_file():
        kind = "a folder" if full.is_dir() else "something that is no regular file"
        return Problem(
            path, "", kind, "a file", "Narrow the source's file pattern, or move it away."
        )
    if full.stat().st_size > MAX_FILE_BYTES:
        return Problem(
            path, "", f"{full.stat().st_size} bytes", f"at most {MAX_FILE_BYTES}", "Split it."
        )
    return None
