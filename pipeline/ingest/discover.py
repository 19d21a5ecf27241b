"""Which raw files a site has, and which of them need reading tonight."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path, PurePath, PurePosixPath

from pipeline.errors import Problem, ReaderError
from pipeline.ingest.archives import compression, expand
from pipeline.ingest.ledger import FileEntry, Ledger, file_id
from pipeline.site.matching import matching
from pipeline.site.models import Site

# A raw file larger than this is refused: it is no logger's export.
MAX_FILE_BYTES = 2 * 1024**3


@dataclass(frozen=True)
class Found:
    """A raw file as it lies in the data folder.

    ``path`` is relative to it, and the name by which the ledger knows the file, which may lie
    in ``full`` by another one now (`pipeline.ingest.whereabouts`).
    """

    source: str
    path: str
    full: Path
    size: int
    modified_ns: int

    @property
    def named(self) -> str:
        """Return the path by the name on the disk, which says whether the file is packed."""
        return PurePosixPath(self.path).with_name(self.full.name).as_posix()


@dataclass(frozen=True)
class Opened:
    """A raw file read into memory, entered in the ledger under its id.

    ``data`` is what a reader gets: of a compressed file what is inside. ``refused`` is why a
    compressed file cannot be expanded. ``before`` is the account of the version before, where
    that was read and the file has only grown since; ``known`` the same where what is new in
    it may be read alone. ``replaced`` is the account of the version before where the file does
    not begin with its bytes any more.
    """

    found: Found
    data: bytes
    entry: FileEntry
    refused: ReaderError | None = None
    before: FileEntry | None = None
    known: FileEntry | None = None
    replaced: FileEntry | None = None


def discover(site: Site) -> tuple[list[Found], list[Problem]]:
    """Return the raw files of all sources in order of source and path, and what is no file.

    A path that leads out of the data folder (a link) is refused.
    """
    files: list[Found] = []
    problems: list[Problem] = []
    root = site.data.resolve()
    if not os.path.isdir(site.data):  # unlike Path.is_dir never raises
        return [], [
            Problem(
                str(site.data),
                "",
                "no such folder",
                "the folder of the raw files",
                "Mount it or put it back; what is stored is kept, and nothing was read.",
            )
        ]
    for source in site.sources:
        found, failed = matching(site.data, source.files)
        problems += [_out_of_reach(Path(e.filename).relative_to(site.data), e) for e in failed]
        for full in found:
            path = full.relative_to(site.data).as_posix()
            status = looked_at(full, path, root)
            if isinstance(status, Problem):
                problems.append(status)
                continue
            files.append(Found(source.id, path, full, status.st_size, status.st_mtime_ns))
    return files, list(dict.fromkeys(problems))


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
    revision, and the readings of the old one stay, if it had any. Of a compressed file what is
    inside tells.

    Raises
    ------
    ReaderError
        If the file cannot be read, or is a damaged archive where a sound one was: the account
        of that stands until the file is mended.
    """
    raw = _read(found)
    known = ledger.current(found.source, found.path)
    begins, digest = _digests(raw, known)
    if known is not None and (known.sha256, known.fingerprint) == (digest, fingerprint):
        known.modified_ns = found.modified_ns
        if not known.retry:
            return None
    data, refused = _expanded(raw, found.named)
    if refused is not None and known is not None and known.state == "read":
        raise refused
    begins, content_digest = (begins, digest) if data is raw else _digests(data, known)
    if known is not None and _is_repacked(known, (content_digest, fingerprint)):
        known.size, known.modified_ns, known.sha256 = len(raw), found.modified_ns, digest
        if not known.retry:
            return None
    # Of a file that was set aside nothing is kept that another revision could replace.
    grown = known is not None and (
        begins == known.content_sha256 or known.state == "set aside"
    )
    entry = FileEntry(
        file=0,
        source=found.source,
        path=found.path,
        revision=0 if known is None else known.revision + (not grown),
        state="read",
        size=len(raw),
        modified_ns=found.modified_ns,
        sha256=digest,
        fingerprint=fingerprint,
        content_size=len(data),
        content_sha256=content_digest,
    )
    entry.file = file_id(entry.source, entry.path, entry.revision)
    replaced = None if grown else known
    if replaced is not None:
        replaced.state = "replaced"
    ledger.add(entry)
    before = known if grown and _was_read_alike(known, entry) else None
    carries_on = compression(raw) is None and _can_carry_on(before, entry)
    return Opened(
        found, data, entry, refused, before, before if carries_on else None, replaced
    )


def _is_repacked(known: FileEntry, print_: tuple[str, str]) -> bool:
    """Tell whether what is inside is what was read, and is described alike."""
    return known.state == "read" and (known.content_sha256, known.fingerprint) == print_


def reopen_file(found: Found, entry: FileEntry) -> Opened | None:
    """Read a file again that the ledger knows; None if its bytes are others by now.

    Raises
    ------
    ReaderError
        If it cannot be read.
    """
    raw = _read(found)
    if hashlib.sha256(raw).hexdigest() != entry.sha256:
        return None
    data, refused = _expanded(raw, found.named)
    if refused is not None:
        raise refused
    return Opened(found, data, replace(entry, retry=False), None, before=entry)


def still_begins(found: Found, entry: FileEntry) -> bool:
    """Tell whether a file can be read and still begins with the bytes the ledger knows."""
    try:
        data, refused = _expanded(_read(found), found.named)
    except ReaderError:  # told when it is opened
        return False
    begins = hashlib.sha256(memoryview(data)[: entry.content_size]).hexdigest()
    return refused is None and begins == entry.content_sha256


def _was_read_alike(known: FileEntry | None, entry: FileEntry) -> bool:
    """Tell whether the version before was read, under the same description."""
    return (
        known is not None and known.state == "read" and known.fingerprint == entry.fingerprint
    )


def _can_carry_on(before: FileEntry | None, entry: FileEntry) -> bool:
    """Tell whether the account of the version before still says what became of its rows."""
    return before is not None and not before.retry and before.content_size < entry.content_size


def _digests(data: bytes, known: FileEntry | None) -> tuple[str, str]:
    """Return the SHA-256 of as many bytes as were known, and that of all."""
    known_size = 0 if known is None else known.content_size
    view = memoryview(data)
    running = hashlib.sha256(view[:known_size])
    begins = running.hexdigest()
    running.update(view[known_size:])
    return begins, running.hexdigest()


def _expanded(raw: bytes, path: str) -> tuple[bytes, ReaderError | None]:
    """Return what is inside a file, or why that cannot be had."""
    try:
        return expand(raw, path), None
    except ReaderError as error:
        return b"", error


def _read(found: Found) -> bytes:
    """Return the bytes that were there when the file was found; what comes after waits.

    A logger may go on writing. What is hashed, counted and read is one and the same.
    """
    try:
        with found.full.open("rb") as file:
            return file.read(found.size)
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
    except MemoryError as error:
        raise ReaderError(no_memory(found.path, found.size)) from error


def no_memory(path: str, size: int) -> Problem:
    """Return what is told of a file that the machine has no room for."""
    found = f"{size} bytes, for which there is not memory enough"
    return Problem(path, "", found, "a file that fits", "Split it, or move it away.")


def _out_of_reach(path: PurePath, error: OSError) -> Problem:
    advice = "Check its permissions and its disk; it is tried again next night."
    found = f"what cannot be looked at ({error.strerror or type(error).__name__})"
    name = _told(path.as_posix()) if path.parts else "data folder"
    return Problem(name, "", found, "a file or folder to read", advice)


def _told(path: str) -> str:
    """Return a path with bytes that are no UTF-8 spelled out."""
    raw = path.encode("utf-8", errors="surrogateescape")
    return raw.decode("utf-8", errors="backslashreplace")


def looked_at(full: Path, path: str, root: Path) -> os.stat_result | Problem:
    """Return the state of a file, or why a path is not taken as one.

    Parameters
    ----------
    full : Path
    path : str
        The same relative to the data folder, for messages.
    root : Path
        The data folder, resolved: a link that leads out of it is refused.
    """
    if _told(path) != path:
        advice = "Rename the file, or its folder; no table of results could hold the name."
        return Problem(_told(path), "", "a name that is not UTF-8", "one that is", advice)
    try:
        status = full.stat()
        refused = _refuse(full, path, root, status)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ELOOP) and os.path.islink(full):
            return Problem(path, "", "a broken link", "a file", "Mend or remove it.")
        return _out_of_reach(PurePath(path), error)
    return refused or status


def _refuse(full: Path, path: str, root: Path, status: os.stat_result) -> Problem | None:
    """Return why something that is there is not taken as a raw file, or None."""
    if not full.resolve().is_relative_to(root):
        return Problem(
            path,
            "",
            "a link out of the data folder",
            "a file below it",
            "Copy the file there.",
        )
    if not stat.S_ISREG(status.st_mode):
        folder = stat.S_ISDIR(status.st_mode)
        kind = "a folder" if folder else "something that is no regular file"
        return Problem(
            path, "", kind, "a file", "Narrow the source's file pattern, or move it away."
        )
    if status.st_size > MAX_FILE_BYTES:
        return Problem(
            path, "", f"{status.st_size} bytes", f"at most {MAX_FILE_BYTES}", "Split it."
        )
    return None
