"""The end of a delimited file, read with the header of its beginning.

The rows behind the last known line end are read as if they followed the header at once, and
their lines numbered as in the whole file. That gives what reading the whole file gives only
where a row means the same whatever the rows around it: no quoted cell runs over a line end,
the number of columns is fixed by titles or is the same in all rows, and the encoding has no
memory. Where one of these cannot be shown, nothing is returned.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest import fields
from pipeline.ingest.delimited import read_table
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.lines import Lines, split_lines, to_utf8
from pipeline.ingest.records import ParsedFile
from pipeline.ingest.scan import OPEN
from pipeline.ingest.sheet import passed_over
from pipeline.site.layout import Layout

_HEAD_BYTES = 1024**2  # a header is looked for in the first part of a file only
_LAST_BYTES = 64 * 1024  # and the last rows in the last one
_NOTHING = ParsedFile((), 0, 0, 0, 0)
# Encodings in which a line end is one byte that is nothing else, and nothing is remembered
# from one line to the next.
_PLAIN_CODECS = ("utf-8", "utf-8-sig", "ascii")
_PLAIN_FAMILIES = ("iso8859-", "cp125")


@dataclass(frozen=True)
class Tail:
    """What is new in a grown file, and what it replaces.

    ``loose_end`` is the line without an end with which the known part stopped, as it was read
    then. The rows of the header count in both. ``last_s`` is the stamp of the last known row
    of each set of channels, of those among the last lines.
    """

    loose_end: ParsedFile
    new: ParsedFile
    last_s: dict[tuple[str, ...], int]


@dataclass(frozen=True)
class _Head:
    """The lines of a file above its data: their bytes and their number."""

    size: int
    lines: int


def read_tail(data: bytes, known: FileEntry, layout: Layout) -> Tail | None:
    """Return what is new in a grown table; None where it cannot be read by itself.

    Parameters
    ----------
    data : bytes
        The whole file; its first ``known.content_size`` bytes are those read then.
    known : FileEntry
        The account of what was read then.
    layout : Layout
        How the file is written down.

    Raises
    ------
    ReaderError
        If the end of the file is not as the layout says.
    """
    resume = _behind_last_line(data, known.content_size)
    after_foreign_header = any(r.reason == "wrong_header" for r in known.rejects)
    if resume == 0 or after_foreign_header or not _is_plain(layout.dialect.encoding):
        return None
    head = _find_head(data[: min(resume, _HEAD_BYTES)], resume, layout, known.path)
    if head is None or not _rows_stand_alone(data, head, resume, layout):
        return None
    skipped = _line_count(data, resume) - head.lines
    above = data[: head.size]
    return Tail(
        _read(above + data[resume : known.content_size], layout, known.path, skipped),
        _read(above + data[resume:], layout, known.path, skipped),
        _last_stamps(data, head, resume, layout, known.path),
    )


def _last_stamps(
    data: bytes, head: _Head, resume: int, layout: Layout, name: str
) -> dict[tuple[str, ...], int]:
    """Return the stamps of the last rows of the known part, by their channels."""
    start = head.size
    if resume - start > _LAST_BYTES:
        start = _behind_last_line(data, resume - _LAST_BYTES)
    last = _read(data[: head.size] + data[max(start, head.size) : resume], layout, name, 0)
    return {
        tuple(table.columns): int(table.stamp_s[-1])
        for table in last.tables
        if len(table.stamp_s)
    }


def _behind_last_line(data: bytes, size: int) -> int:
    """Return where the line after the last finished one of the first ``size`` bytes begins."""
    end = max(data.rfind(b"\n", 0, size), data.rfind(b"\r", 0, size))
    # The known part may have stopped between the two bytes of a line end.
    return end + 1 + (data[end : end + 2] == b"\r\n")


def _line_count(data: bytes, size: int) -> int:
    """Return how many lines end within the first ``size`` bytes."""
    if data.find(b"\r", 0, size) < 0:
        return data.count(b"\n", 0, size)
    pairs = data.count(b"\r\n", 0, size)
    return data.count(b"\n", 0, size) + data.count(b"\r", 0, size) - pairs


def _is_plain(encoding: str) -> bool:
    name = codecs.lookup(encoding).name
    return name in _PLAIN_CODECS or name.startswith(_PLAIN_FAMILIES)


def _find_head(sample: bytes, resume: int, layout: Layout, name: str) -> _Head | None:
    """Return the lines up to the last header row, counted as `pipeline.ingest.sheet` does."""
    dialect = layout.dialect
    if not dialect.skip_rows and not dialect.header_row_count:
        return _Head(0, 0)
    text = to_utf8(sample, dialect.encoding, name)
    lines = split_lines(text)
    buffer = np.frombuffer(text, dtype=np.uint8)
    rule = fields.field_rule(layout)
    _, blank = fields.count_fields(buffer, lines, rule)
    is_row = ~_comments(buffer, lines, layout)
    if dialect.skip_blank_rows:
        is_row &= ~blank
    is_row[: dialect.skip_rows] = False
    rows = np.flatnonzero(is_row)[: dialect.header_row_count]
    count = max(dialect.skip_rows, int(rows[-1]) + 1 if len(rows) else 0)
    whole = len(lines) if len(sample) == resume else len(lines) - 1
    if len(rows) < dialect.header_row_count or count > whole:
        return None
    starts = split_lines(sample).start  # of the bytes as they are on the disk
    return _Head(int(starts[count]) if count < len(starts) else len(sample), count)


def _comments(buffer: NDArray[np.uint8], lines: Lines, layout: Layout) -> NDArray[np.bool_]:
    quote, spans = fields.field_rule(layout).quote, (lines.start, lines.stop)
    found = np.zeros(len(lines), dtype=np.bool_)
    for prefix in passed_over(layout.dialect):
        found |= fields.starts_with(buffer, spans, prefix, quote)
    return found


def _rows_stand_alone(data: bytes, head: _Head, resume: int, layout: Layout) -> bool:
    """Tell whether each row of the file means the same whatever the others are."""
    rule = fields.field_rule(layout)
    quoted = rule.quote >= 0 and bytes([rule.quote]) in data
    titled = layout.dialect.header_row_count > 0 or rule.kind == fields.FIXED
    if titled and not quoted:
        return True
    known, new = (_widths(part, layout) for part in (data[:resume], data[resume:]))
    if OPEN in known or OPEN in new:
        return False
    if titled:
        return True
    if head.size:
        known = _widths(data[head.size : resume], layout)
    return len(known) == 1 and set(new) <= set(known)


def _widths(part: bytes, layout: Layout) -> set[int]:
    """Return the numbers of fields that lines have, of those that end and hold something."""
    lines = split_lines(part)
    if not lines.terminated:  # read once it ends, and joined to nothing until then
        lines = Lines(lines.start[:-1], lines.stop[:-1], lines.number[:-1], True)
    buffer = np.frombuffer(part, dtype=np.uint8)
    counts, blank = fields.count_fields(buffer, lines, fields.field_rule(layout))
    told = (counts == OPEN) | ~(blank | _comments(buffer, lines, layout))
    return set(np.unique(counts[told]).tolist())


def _read(text: bytes, layout: Layout, name: str, skipped: int) -> ParsedFile:
    """Read some lines of a file; ``skipped`` lines were left out above the data."""
    if not text.strip(b"\x1a"):
        return _NOTHING
    parsed = read_table(text, layout, name)
    tables = tuple(
        replace(table, line=table.line + np.int32(skipped)) for table in parsed.tables
    )
    rejects = tuple(
        replace(reject, first_line=reject.first_line + skipped) for reject in parsed.rejects
    )
    return replace(parsed, tables=tables, rejects=rejects)
