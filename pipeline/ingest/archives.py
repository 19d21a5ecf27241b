"""Compressed raw files: gzip, xz, and zip with one member, expanded in bounded steps.

What a file is, its first bytes tell; its name only has to agree. A file that expands beyond
the limits is refused as soon as it does, so that a few bytes never fill the memory.
"""

from __future__ import annotations

import io
import lzma
import zipfile
import zlib
from collections.abc import Callable
from pathlib import PurePosixPath

from pipeline.errors import Problem, ReaderError

# What is inside may not be larger than this, nor than the ratio allows. Logger text shrinks
# to a fifth or a twentieth; constant columns to a hundredth. Below the floor any ratio is
# harmless.
MAX_EXPANDED_BYTES = 1024**3
MAX_RATIO = 250
RATIO_FLOOR_BYTES = 16 * 1024**2

_STEP_BYTES = 1024**2
_FEED_BYTES = 64 * 1024
_PADDING = b"\0\0\0\0"
_XZ_MEMORY_BYTES = 128 * 1024**2  # the strongest preset needs 65 MiB (xz manual page)
_GZIP, _XZ = b"\x1f\x8b", b"\xfd7zXZ\x00"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_GZIP_WRAPPER = 16 + zlib.MAX_WBITS
_ENCRYPTED = 0x1
_SHOWN_NAMES = 3
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


def compression(data: bytes) -> str | None:
    """Return how a file is compressed by its first bytes: "gz", "xz", "zip" or None."""
    if data.startswith(_GZIP):
        return "gz"
    if data.startswith(_XZ):
        return "xz"
    return "zip" if data.startswith(_ZIP) else None


def expand(data: bytes, name: str) -> bytes:
    """Return the bytes inside a compressed file; those of any other file as they are.

    Parameters
    ----------
    data : bytes
        The file as it lies on the disk.
    name : str
        Its path, for messages and for what it claims to be.

    Raises
    ------
    ReaderError
        If the file is damaged or cut short, holds anything but one file, is encrypted, names
        a path that leads elsewhere, or grows beyond the limits.
    """
    kind = compression(data)
    claimed = PurePosixPath(name).suffix.lower().removeprefix(".")
    if kind is None:
        if claimed not in _EXPANDERS:
            return data
        if not data:  # as while it is being packed
            raise _Room(name).damaged("is empty")
        raise _error(
            name, f"a file that begins with {data[:8]!r}", f"a {claimed} file",
            "Copy it again; rename it if it is not compressed.",
        )  # fmt: skip
    return _EXPANDERS[kind](data, _Room(name))


def expand_beginning(data: bytes, name: str, size: int) -> bytes:
    """Return the first bytes inside a file of which only the beginning may be given.

    At most ``size`` bytes of the first stream of a gzip or xz file; a zip must be whole, since
    its contents are listed at its end. Any other file as it is.

    Raises
    ------
    ReaderError
        If nothing can be expanded.
    """
    kind = compression(data)
    try:
        if kind == "gz":
            return zlib.decompressobj(_GZIP_WRAPPER).decompress(data, size)
        if kind == "xz":
            stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_XZ_MEMORY_BYTES)
            return stream.decompress(data, size)
    except (zlib.error, lzma.LZMAError) as error:
        raise _Room(name).damaged(f"is damaged ({error})") from error
    return expand(data, name)


def _error(name: str, found: str, expected: str, advice: str) -> ReaderError:
    return ReaderError(Problem(name, "", found, expected, advice))


class _Room:
    """What has been expanded of one file so far, and what may be."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._sink = io.BytesIO()

    def add(self, piece: bytes, consumed: int) -> None:
        """Keep a piece, or refuse the file, of which ``consumed`` bytes were used so far."""
        self._sink.write(piece)
        limit = min(MAX_EXPANDED_BYTES, max(RATIO_FLOOR_BYTES, MAX_RATIO * consumed))
        if self._sink.tell() > limit:
            raise _error(
                self.name,
                f"{consumed} bytes that expand to {self._sink.tell()} and more",
                f"at most {MAX_RATIO} times as much and {MAX_EXPANDED_BYTES} bytes",
                "It is no logger's export; split it if it is.",
            )

    def content(self) -> bytes:
        return self._sink.getvalue()  # shares the memory, no copy

    def damaged(self, why: str) -> ReaderError:
        return _error(
            self.name, f"a compressed file that {why}", "a whole one",
            "Copy it again; it is read as soon as it has changed.",
        )  # fmt: skip


def _expand_gzip(data: bytes, room: _Room) -> bytes:
    """Expand all streams of a gzip file; zeros behind them are padding (gzip manual)."""
    left = data
    while left.startswith(_GZIP):
        stream = zlib.decompressobj(_GZIP_WRAPPER)
        try:
            while not stream.eof:
                piece = stream.decompress(left, _STEP_BYTES)
                left = stream.unconsumed_tail
                room.add(piece, len(data) - len(left))
                if not piece and not left and not stream.eof:
                    raise room.damaged("ends too early")
        except zlib.error as error:
            raise room.damaged(f"is damaged ({error})") from error
        left = stream.unused_data
    if left.strip(b"\0"):
        raise room.damaged(f"goes on with {left[:8]!r}, which is no gzip")
    return room.content()


def _expand_xz(data: bytes, room: _Room) -> bytes:
    """Expand all streams of an xz file; zeros between them are padding (xz format, 2.2)."""
    start = 0
    while data.startswith(_XZ, start):
        stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_XZ_MEMORY_BYTES)
        position = start
        try:
            while not stream.eof:
                fed = data[position : position + _FEED_BYTES] if stream.needs_input else b""
                if stream.needs_input and not fed:
                    raise room.damaged("ends too early")
                position += len(fed)
                room.add(stream.decompress(fed, _STEP_BYTES), position)
        except lzma.LZMAError as error:
            raise room.damaged(f"is damaged ({error})") from error
        start = position - len(stream.unused_data)
        while data.startswith(_PADDING, start):
            start += len(_PADDING)
    if start < len(data):
        raise room.damaged(f"goes on with {data[start : start + 8]!r}, which is no xz")
    return room.content()


def _expand_zip(data: bytes, room: _Room) -> bytes:
    """Expand the one member of a zip file."""
    source = io.BytesIO(data)
    try:
        with (
            zipfile.ZipFile(source) as archive,
            archive.open(_only_member(archive, room)) as f,
        ):
            while piece := f.read(_STEP_BYTES):
                room.add(piece, source.tell())
    except ReaderError:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise room.damaged(f"is damaged ({error})") from error
    except (NotImplementedError, RuntimeError, OSError, ValueError, OverflowError) as error:
        # What the library says of headers that contradict themselves.
        raise room.damaged(f"cannot be read ({error})") from error
    return room.content()


def _only_member(archive: zipfile.ZipFile, room: _Room) -> zipfile.ZipInfo:
    """Return the archive's only member, or refuse the archive."""
    members = archive.infolist()
    if len(members) != 1:
        shown = ", ".join(repr(member.filename) for member in members[:_SHOWN_NAMES])
        more = f", {shown}{' ...' if len(members) > _SHOWN_NAMES else ''}" if shown else ""
        raise _error(
            room.name, f"a zip with {len(members)} members{more}", "one file in a zip",
            "Save a spreadsheet as CSV."
            if "[Content_Types].xml" in archive.namelist()
            else "Unpack it, or pack each file by itself.",
        )  # fmt: skip
    (member,) = members
    # The library cuts a name at a NUL; the name as written is what must be harmless.
    fault = _fault_of_name(member.orig_filename)
    if fault or member.is_dir():
        raise _error(
            room.name, f"a member {member.orig_filename!r}, {fault or 'a folder'}",
            "a plain file name", "Pack the file anew without its folders.",
        )  # fmt: skip
    if member.flag_bits & _ENCRYPTED:
        raise _error(room.name, "an encrypted zip", "one without password", "Unpack it.")
    if member.compress_type not in _METHODS:
        raise _error(
            room.name, f"a zip of method {member.compress_type}", "method 8 (deflate) or 0",
            "Pack it anew, or as gz or xz.",
        )  # fmt: skip
    return member


def _fault_of_name(name: str) -> str:
    """Return why a member's name is not that of a file below the archive; empty if it is.

    Nothing is ever written under the name; but one who packs such names means harm.
    """
    parts = name.replace("\\", "/").split("/")
    if "\0" in name or not name:
        return "no file name"
    if name[0] in "/\\" or name[1:2] == ":":
        return "an absolute path"
    return "a path that leads out of the archive" if ".." in parts else ""


_EXPANDERS: dict[str, Callable[[bytes, _Room], bytes]] = {
    "gz": _expand_gzip,
    "xz": _expand_xz,
    "zip": _expand_zip,
}
PACKED_ENDINGS = tuple(f".{kind}" for kind in _EXPANDERS)
