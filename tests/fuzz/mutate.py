"""Random changes of bytes: single bits to whole pages, and pieces that have broken parsers."""

from __future__ import annotations

import random
from collections.abc import Callable

# Nothing larger is made: the aim is many inputs, and a bound that shows in a page shows here.
MOST_BYTES = 256 * 1024
PIECES = (
    b"", b"\n", b"\r", b"\r\n", b"\0", b"\x1a", b'"', b'""', b"'", b",", b";", b"\t", b" ",
    b"#", b"\xef\xbb\xbf", b"\xff\xfe", b"\xff", b"\xed\xa0\x80", b"\xe2\x80\xa8", b"\x7f",
    b"-", b"+", b"nan", b"inf", b"-0", b"1e999", b"9", b"0x1", b"1_000", b"\xd9\xa3", b".",
    b",,,,,,,,", b"2024-02-30", b"0000-00-00", b"9999-12-31 23:59:60", b"24:00", b"99:99",
    b"!", b"?!", b"0D0!", b"0M!", b"0HA!", b"000001", b"[", b"]", b"{", b"=", b"[[",
    b"PK\x03\x04", b"\x1f\x8b\x08", b"\xfd7zXZ\x00", b"../", b"%s", b"\\",
)  # fmt: skip


def mutate(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    """Return the bytes after one to six random changes."""
    for _ in range(chance.choice((1, 1, 2, 3, 6))):
        data = chance.choice(_CHANGES)(chance, data, others)[:MOST_BYTES]
    return data


def _span(chance: random.Random, data: bytes) -> tuple[int, int]:
    """Return a piece of the data, mostly a short one."""
    start = chance.randint(0, len(data))
    return start, min(len(data), start + chance.choice((1, 1, 2, 8, 40, 400, 4000)))


def _flip(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    if not data:
        return data
    at = chance.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]


def _put(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    start, stop = _span(chance, data)
    piece = chance.choice(PIECES) if chance.random() < 0.8 else chance.randbytes(stop - start)
    return data[:start] + piece + data[chance.choice((start, stop)) :]


def _cut(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    start, stop = _span(chance, data)
    return data[:start] + data[stop:]


def _truncate(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    return data[: chance.randint(0, len(data))]


def _repeat(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    start, stop = _span(chance, data)
    times = chance.choice((2, 3, 50, 1000, 100_000))
    piece = data[start:stop] if chance.random() < 0.7 else chance.choice(PIECES)
    times = min(times, MOST_BYTES // max(1, len(piece)))
    return data[:start] + piece * times + data[start:]


def _move(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    start, stop = _span(chance, data)
    rest = data[:start] + data[stop:]
    at = chance.randint(0, len(rest))
    return rest[:at] + data[start:stop] + rest[at:]


def _splice(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    other = chance.choice(others)
    start, stop = _span(chance, other)
    at = chance.randint(0, len(data))
    return data[:at] + other[start : chance.choice((stop, len(other)))] + data[at:]


def _swap_lines(chance: random.Random, data: bytes, others: list[bytes]) -> bytes:
    lines = data.split(b"\n")
    a, b = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


Change = Callable[[random.Random, bytes, list[bytes]], bytes]
_CHANGES: tuple[Change, ...] = (
    _flip, _flip, _put, _put, _put, _cut, _truncate, _repeat, _move, _splice, _swap_lines,
)  # fmt: skip
