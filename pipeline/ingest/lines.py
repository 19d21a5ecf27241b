"""Bytes to lines: encodings brought to UTF-8, and every line's place in the buffer.

Lines are numbered as an editor numbers them: LF, CR LF and a lone CR each end one.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Problem, ReaderError

LINE_FEED, CARRIAGE_RETURN, TAB = 10, 13, 9
REPLACEMENT = "\ufffd".encode()  # what a decoder puts where bytes were no text
_BYTE_ORDER_MARK = codecs.BOM_UTF8
_MAX_BYTES = 2**31 - 2  # positions are kept as int32


@dataclass(frozen=True)
class Lines:
    """Places of the lines of a buffer, one entry per line.

    ``start`` and ``stop`` are byte positions without the line end; ``number`` is the 1-based
    physical line; ``terminated`` tells whether the last line has an end.
    """

    start: NDArray[np.int32]
    stop: NDArray[np.int32]
    number: NDArray[np.int32]
    terminated: bool

    def __len__(self) -> int:
        return len(self.start)


def to_utf8(data: bytes, encoding: str, name: str) -> bytes:
    """Return ``data`` as UTF-8 without byte-order mark; damaged text becomes U+FFFD.

    A trailing end-of-file character (hexadecimal 1A), which old systems wrote, is left out.

    Raises
    ------
    ReaderError
        If the file is empty, too large, or plainly of another encoding.
    """
    if not data.strip(b"\r\n\x1a"):
        raise ReaderError(
            Problem(
                name, "", "an empty file", "a header or data rows",
                "It is read again once it has grown.",
            )
        )  # fmt: skip
    if len(data) > _MAX_BYTES:
        raise ReaderError(
            Problem(name, "", f"{len(data)} bytes", "less than 2 GiB", "Split the file.")
        )
    codec = codecs.lookup(encoding).name
    _refuse_other_width(data, codec, name)
    text = _transcode(data, codec)
    return text.removeprefix(_BYTE_ORDER_MARK).rstrip(b"\x1a")


def _transcode(data: bytes, codec: str) -> bytes:
    """Return the bytes in UTF-8, without copying where they are so already."""
    if data.isascii() and _extends_ascii(codec):
        return data
    text = data.decode(codec, errors="replace")
    if codec == "utf-8" and "\ufffd" not in text:
        return data
    # Lone surrogates survive some decoders and have no place in UTF-8.
    return text.encode("utf-8", errors="replace")


@lru_cache(maxsize=64)
def _extends_ascii(codec: str) -> bool:
    """Tell whether ASCII bytes mean themselves in the encoding."""
    ascii_bytes = bytes(range(128))
    return ascii_bytes.decode(codec, errors="replace") == ascii_bytes.decode("ascii")


def _refuse_other_width(data: bytes, codec: str, name: str) -> None:
    """Raise `ReaderError` where file and layout differ in bytes a character."""
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or (
        data[:4000].count(0) > len(data[:4000]) // 3
    )
    expects_wide = codec.startswith(("utf-16", "utf-32"))
    if wide and not expects_wide:
        found = "bytes of UTF-16, or no text at all"
        advice = 'Set the dialect\'s encoding = "utf-16" if it is text.'
    elif expects_wide and 0 not in data[:4000]:
        found, advice = "one byte a character", 'Set the dialect\'s encoding = "utf-8".'
    else:
        return
    raise ReaderError(Problem(name, "line 1", found, f"text in {codec}", advice))


def split_lines(text: bytes) -> Lines:
    """Return the places of all lines of ``text``; an empty end is no line."""
    buffer = np.frombuffer(text, dtype=np.uint8)
    stop, after = _line_ends(buffer)
    terminated = len(buffer) == 0 or (len(after) > 0 and int(after[-1]) == len(buffer))
    if not terminated:
        stop = np.append(stop, len(buffer))
        after = np.append(after, len(buffer))
    start = np.concatenate(([0], after[:-1]))[: len(stop)].astype(np.int32)
    if (
        not text.isascii() and _BYTE_ORDER_MARK in text
    ):  # files joined end to end keep a mark inside
        start = _skip_marks(buffer, start, stop)
    number = np.arange(1, len(stop) + 1, dtype=np.int32)
    return Lines(start, stop.astype(np.int32), number, terminated)


def _line_ends(buffer: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where each line ends, and where the one after it starts."""
    feeds = np.flatnonzero(buffer == LINE_FEED)
    returns = np.flatnonzero(buffer == CARRIAGE_RETURN)
    if len(returns) == 0:
        return feeds, feeds + 1
    following = np.minimum(returns + 1, len(buffer) - 1)
    paired = (buffer[following] == LINE_FEED) & (following > returns)
    preceding = np.maximum(feeds - 1, 0)
    bare = feeds[(buffer[preceding] != CARRIAGE_RETURN) | (feeds == 0)]
    stop = np.concatenate((bare, returns))
    after = np.concatenate((bare + 1, returns + 1 + paired))
    order = np.argsort(stop, kind="stable")
    return stop[order], after[order]


def _skip_marks(
    buffer: NDArray[np.uint8], start: NDArray[np.int32], stop: NDArray[np.int64]
) -> NDArray[np.int32]:
    """Move line starts behind a byte-order mark."""
    marked = stop - start >= len(_BYTE_ORDER_MARK)
    for offset, byte in enumerate(_BYTE_ORDER_MARK):
        marked &= buffer[np.minimum(start + offset, len(buffer) - 1)] == byte
    return (start + np.where(marked, len(_BYTE_ORDER_MARK), 0)).astype(np.int32)


def holds_damage(text: bytes, lines: Lines) -> bool:
    """Tell whether the lines may hold replaced bytes or control characters; no is certain."""
    if not text.isascii() and (REPLACEMENT in text or _BYTE_ORDER_MARK in text):
        return True
    buffer = np.frombuffer(text, dtype=np.uint8)
    line_ends = len(text) - int(np.sum(lines.stop, dtype=np.int64))
    line_ends += int(np.sum(lines.start, dtype=np.int64))
    controls = np.count_nonzero(buffer < 32) - np.count_nonzero(buffer == TAB)
    return bool(controls > line_ends)
