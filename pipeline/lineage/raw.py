"""The line of a raw file that a reading came from, and whether the file is still the same.

A line is found by counting line ends block by block; nothing is parsed, and of a plain file
nothing behind the line is read but for its hash.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from pipeline.arrays import Integers
from pipeline.errors import ReaderError
from pipeline.ingest.archives import compression, expand
from pipeline.ingest.discover import MAX_FILE_BYTES
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.lines import CARRIAGE_RETURN, LINE_FEED, to_utf8

# A file whose size and time are those of the ledger is hashed up to this size only, so that
# a trace stays quick.
HASHED_BYTES = 64 * 1024**2
SHOWN_BYTES = 16 * 1024
_BLOCK = 1024**2
_HEAD_BYTES = 64 * 1024
_AS_READ, _GROWN = "as read", "grown"
# Marks of byte order of encodings of two and four bytes, the longer ones first.
_WIDE = ("utf-16", "utf-32")
_MARKS = {
    codecs.BOM_UTF32_LE: "-le",
    codecs.BOM_UTF32_BE: "-be",
    codecs.BOM_UTF16_LE: "-le",
    codecs.BOM_UTF16_BE: "-be",
}


@dataclass(frozen=True)
class Found:
    """A raw file looked up again: its state, what was checked, and a stream of its lines.

    ``state`` is "as read", "grown" (the known beginning is the same), "changed", "gone" or
    "unreadable"; ``stream`` is None where there is nothing to read. ``exact`` tells whether
    the stream holds the bytes as they lie in the file (or archive), not a text made of them;
    where it does not, ``content`` are the bytes. ``lies_in`` is the file looked into, relative
    to the data folder, "" where there is none.
    """

    state: str
    said: str
    checked: str
    stream: BinaryIO | None = None
    exact: bool = True
    content: bytes = b""
    lies_in: str = ""

    @property
    def is_as_read(self) -> bool:
        """Tell whether the line is certain to be the one that was read."""
        return self.state in (_AS_READ, _GROWN)


@dataclass(frozen=True)
class Writing:
    """How a source's files fall into lines: encoding, and whether a lone CR ends one."""

    encoding: str
    lone_returns: bool


def open_raw(data_folder: Path, entry: FileEntry, writing: Writing) -> Found:
    """Find a raw file again and compare it with its account.

    Parameters
    ----------
    data_folder : Path
        The site's data folder; a path that leads out of it is not followed.
    entry : FileEntry
        The file's account, of the state that is traced.
    writing : Writing

    Returns
    -------
    Found
        The caller closes its stream.
    """
    full = data_folder / entry.path
    try:
        if not full.resolve().is_relative_to(data_folder.resolve()):
            return Found("unreadable", "it is a link out of the data folder now", "")
        if not full.is_file():
            return Found("gone", "the file is no longer there; its account stands", "")
        status = full.stat()
        if status.st_size > MAX_FILE_BYTES:
            return Found("changed", f"it has {status.st_size} bytes now", "size")
        found = _compared(full, entry, writing, (status.st_size, status.st_mtime_ns))
        return replace(found, lies_in=entry.path)
    except OSError as error:
        return Found("unreadable", f"it cannot be read ({error.strerror or error})", "")
    except ReaderError as error:
        return Found("changed", f"it cannot be expanded ({error.problem.found})", "bytes")


def _compared(
    full: Path, entry: FileEntry, writing: Writing, status: tuple[int, int]
) -> Found:
    """Return the file with its state and a stream of its content."""
    same = status == (entry.size, entry.modified_ns)
    if same and entry.size > HASHED_BYTES:
        said = "size and time are those of the ledger; too large to hash here"
        return _streamed(full, None, writing, (_AS_READ, said, "size and time"))
    with full.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    if digest == entry.sha256:
        said = "its SHA-256 is that of the ledger"
        return _streamed(full, None, writing, (_AS_READ, said, "sha256"))
    raw = full.read_bytes()
    data = expand(raw, entry.path)
    begins = hashlib.sha256(memoryview(data)[: entry.content_size]).hexdigest()
    more = len(data) - entry.content_size
    if begins == entry.content_sha256 and more == 0:
        said = "what is inside has the SHA-256 of what was read"
        return _streamed(full, data, writing, (_AS_READ, said, "sha256 of the content"))
    if begins == entry.content_sha256 and more > 0:
        said = f"it has grown since by {more} bytes; what was read then is unchanged"
        return _streamed(full, data, writing, (_GROWN, said, "sha256 of the known beginning"))
    said = "its bytes are no longer those that were read"
    return _streamed(full, data, writing, ("changed", said, "sha256"))


def _streamed(
    full: Path, data: bytes | None, writing: Writing, told: tuple[str, str, str]
) -> Found:
    """Return a stream of the lines: the file itself where its bytes are its lines."""
    with full.open("rb") as file:
        packed = compression(file.read(8)) is not None
    if data is None and packed:
        data = expand(full.read_bytes(), full.name)
    if _is_bytewise(writing.encoding):
        return Found(*told, full.open("rb") if not packed else io.BytesIO(data or b""))
    content = full.read_bytes() if data is None else data
    text = to_utf8(content, writing.encoding, full.name)
    return Found(*told, io.BytesIO(text), exact=False, content=content)


def _is_bytewise(encoding: str) -> bool:
    """Tell whether line ends are the bytes 10 and 13, whatever stands between."""
    letters = "\r\n0aZ"
    return letters.encode(encoding) == letters.encode("ascii")


def line_at(stream: BinaryIO, line: int, lone_returns: bool) -> bytes | None:
    """Return the bytes of a line without its end, cut at 16 KiB; None beyond the last one.

    Parameters
    ----------
    stream : binary stream, seekable
    line : int
        From 1, as an editor counts.
    lone_returns : bool
        Whether a CR without LF ends a line too.
    """
    start = _start_of(stream, line, lone_returns)
    return None if start is None else _line_from(stream, start, lone_returns)


def _line_from(stream: BinaryIO, start: int, lone_returns: bool) -> bytes | None:
    """Return the bytes of the line that begins at a position, as `line_at` does."""
    stream.seek(start)
    block = stream.read(SHOWN_BYTES)
    if not block:
        return None
    ends = _ends(block, lone_returns)
    text = block[: int(ends[0])] if len(ends) else block
    return text.rstrip(b"\r\n")


def head_lines(stream: BinaryIO, count: int, lone_returns: bool) -> list[bytes]:
    """Return the first lines of a file, as many as a short look into it holds."""
    stream.seek(0)
    block = stream.read(_HEAD_BYTES)
    edges = [0, *_ends(block, lone_returns).tolist()[:count]]
    return [block[a:b].rstrip(b"\r\n") for a, b in pairwise(edges)]


def _start_of(stream: BinaryIO, line: int, lone_returns: bool) -> int | None:
    """Return the position at which a line begins."""
    missing, base = line - 1, 0
    stream.seek(0)
    while missing > 0:
        block = stream.read(_BLOCK)
        while block.endswith(b"\r") and (more := stream.read(1)):
            block += more  # CR LF is one end
        if not block:
            return None
        count = _count(block, lone_returns)
        if count >= missing:
            return base + int(_ends(block, lone_returns)[missing - 1])
        missing -= count
        base += len(block)
    return base


def _count(block: bytes, lone_returns: bool) -> int:
    feeds = block.count(b"\n")
    if not lone_returns or b"\r" not in block:
        return feeds
    return feeds + block.count(b"\r") - block.count(b"\r\n")


def _ends(block: bytes, lone_returns: bool) -> Integers:
    """Return the positions behind each line end."""
    buffer = np.frombuffer(block, dtype=np.uint8)
    feeds = np.flatnonzero(buffer == LINE_FEED) + 1
    if not lone_returns or b"\r" not in block:
        return feeds
    returns = np.flatnonzero(buffer == CARRIAGE_RETURN) + 1
    following = buffer[np.minimum(returns, len(buffer) - 1)]
    lone = returns[(returns == len(buffer)) | (following != LINE_FEED)]
    return np.sort(np.concatenate((feeds, lone)))


def escaped(raw: bytes) -> str:
    """Return bytes as ASCII; those that are none, and the backslash, as hexadecimals."""
    return "".join(
        chr(byte) if 32 <= byte < 127 and byte != 0x5C else f"\\x{byte:02x}" for byte in raw
    )


def line_account(found: Found, line: int, writing: Writing) -> dict[str, Any]:
    """Return a line as JSON takes it: its number, its place, its text, its bytes escaped.

    ``first_byte`` is where it begins in what is inside the file, from 0; None where the line
    is gone, or its encoding leaves that open. ``text`` is decoded for people, with damaged
    bytes replaced; it is None where the line is gone. ``is_as_read`` is false where the file
    changed: the line is then the one that stands there now.
    """
    raw, first_byte = None, None
    if found.stream is not None:
        first_byte = _start_of(found.stream, line, writing.lone_returns)
    if found.stream is not None and first_byte is not None:
        raw = _line_from(found.stream, first_byte, writing.lone_returns)
        if raw is None:
            first_byte = None
        elif not found.exact:
            first_byte = _place_in(found, first_byte, raw, writing.encoding)
    encoding = writing.encoding if found.exact else "utf-8"
    return {
        "line": line,
        "first_byte": first_byte,
        "text": None if raw is None else raw.decode(encoding, errors="replace"),
        "bytes": None if raw is None else escaped(raw),
        "bytes_are_exact": raw is not None and found.exact,
        "cut": raw is not None and len(raw) >= SHOWN_BYTES,
        "is_as_read": raw is not None and found.is_as_read,
    }


def _place_in(found: Found, start: int, raw: bytes, encoding: str) -> int | None:
    """Return where a line of a text made of a file begins in the file's own bytes.

    What stands before it is put into the encoding again. Damaged text may come out longer or
    shorter; so the line must stand there, else the place is not known.
    """
    stream = found.stream
    if stream is None:
        return None
    stream.seek(0)
    before = stream.read(start).decode("utf-8")
    codec, mark = _codec_and_mark(found.content, encoding)
    at = len(mark) + len(before.encode(codec, errors="replace"))
    # A long line may have been cut within a character.
    line = raw.decode("utf-8", errors="ignore").encode(codec, errors="replace")
    return at if found.content.startswith(line, at) else None


def _codec_and_mark(content: bytes, encoding: str) -> tuple[str, bytes]:
    """Return the encoding with its order of bytes, and the mark that a file begins by."""
    codec = codecs.lookup(encoding).name
    if codec == "utf-8-sig":
        return "utf-8", codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    if not codec.startswith(_WIDE):
        return codec, b""
    mark = next((mark for mark in _MARKS if content.startswith(mark)), b"")
    native = "-le" if sys.byteorder == "little" else "-be"
    return codec + _MARKS.get(mark, native) if codec in _WIDE else codec, mark
