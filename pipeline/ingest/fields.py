"""Lines to fields: compiled scanners that know every dialect a layout can state.

One scanner serves separators, runs of blanks and fixed columns, so that a damaged line or a
quote never forces the rest of a file onto a slower way. Positions are bytes in the buffer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest import scan
from pipeline.ingest.lines import Lines
from pipeline.ingest.scan import BLANK, OPEN, TO_LINE_END
from pipeline.site.layout import Layout

Spans = tuple[NDArray[np.int32], NDArray[np.int32]]  # where fields start and stop

SEPARATED, BLANKS, FIXED = 0, 1, 2


@dataclass(frozen=True)
class FieldRule:
    """How a line falls into fields; ``edges`` are character columns of fixed fields."""

    kind: int
    delimiter: int
    quote: int  # -1: none
    doubled: bool
    trim: bool
    edges: NDArray[np.int32]


def field_rule(layout: Layout) -> FieldRule:
    """Return the compiled form of a layout's dialect."""
    dialect = layout.dialect
    quote = -1 if dialect.quote_char is None else ord(dialect.quote_char)
    kind, delimiter = SEPARATED, BLANK
    widths: list[int] = []
    if dialect.delimiter is None:
        kind, quote = FIXED, -1
        widths = [column.width or 0 for column in layout.table_schema.columns]
    elif dialect.delimiter == " +":
        kind = BLANKS
    else:
        delimiter = ord(dialect.delimiter)
    edges = np.concatenate(([0], np.cumsum(np.asarray(widths, dtype=np.int64))))
    if widths and widths[-1] == 0:
        edges[-1] = TO_LINE_END
    return FieldRule(
        kind, delimiter, quote, dialect.double_quote, dialect.trim, edges.astype(np.int32)
    )


def count_fields(
    buffer: NDArray[np.uint8], lines: Lines, rule: FieldRule
) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Return the number of fields of each line, and whether all of them are empty."""
    counts = np.zeros(len(lines), dtype=np.int32)
    blank = np.zeros(len(lines), dtype=np.bool_)
    if rule.kind == FIXED:
        scan.count_fixed(buffer, lines.start, lines.stop, rule.edges, counts, blank)
    else:
        scan.count_separated(buffer, lines.start, lines.stop, *_how(rule), counts, blank)
    return counts, blank


def find_fields(
    buffer: NDArray[np.uint8], lines: Lines, rule: FieldRule, wanted: NDArray[np.int64]
) -> Spans:
    """Return where some fields start and stop on each line, without quotes and blanks around.

    Parameters
    ----------
    buffer, lines, rule
        The text, its lines and how they fall into fields.
    wanted : ndarray (columns,), of int64
        0-based field numbers, rising.

    Returns
    -------
    (ndarray, ndarray), (columns, lines)
        Starts and stops; an empty span where a line has no such field.
    """
    shape = (len(wanted), len(lines))
    start, stop = np.zeros(shape, dtype=np.int32), np.zeros(shape, dtype=np.int32)
    if rule.kind == FIXED:
        scan.find_fixed(buffer, lines.start, lines.stop, rule.edges, wanted, start, stop)
    else:
        scan.find_separated(buffer, lines.start, lines.stop, *_how(rule), wanted, start, stop)
    return start, stop


def join_open_lines(
    buffer: NDArray[np.uint8],
    lines: Lines,
    rule: FieldRule,
    counts: NDArray[np.int32],
) -> tuple[Lines, bool]:
    """Join lines that a quoted line end split, where the whole has the usual field count.

    A stray quote therefore costs its own line only, never the rest of the file. Returns the
    rows (numbered by their first line) and whether any were joined.
    """
    whole = counts[counts > 0]
    if rule.quote < 0 or not len(whole) or not (counts == OPEN).any():
        return lines, False
    usual = int(np.bincount(whole).argmax())
    last = np.arange(len(lines), dtype=np.int64)
    keep = np.ones(len(lines), dtype=np.bool_)
    scan.join(buffer, lines.start, lines.stop, *_how(rule), counts, usual, last, keep)
    joined = Lines(
        lines.start[keep], lines.stop[last[keep]], lines.number[keep], lines.terminated
    )
    return joined, not keep.all()


def _how(rule: FieldRule) -> tuple[bool, int, int, bool, bool]:
    """Return the rule as the kernels take it."""
    return rule.kind == BLANKS, rule.delimiter, rule.quote, rule.doubled, rule.trim


def equals_any(
    buffer: NDArray[np.uint8], spans: Spans, texts: tuple[bytes, ...]
) -> NDArray[np.bool_]:
    """Tell which spans hold exactly one of ``texts``."""
    result = np.zeros(len(spans[0]), dtype=np.bool_)
    lengths = np.array([len(text) for text in texts], dtype=np.int64)
    stops = np.cumsum(lengths)
    reference = np.frombuffer(b"".join(texts) or b"\0", dtype=np.uint8)
    scan.equals_any(buffer, *spans, reference, stops - lengths, stops, result)
    return result


def starts_with(
    buffer: NDArray[np.uint8], spans: Spans, prefix: bytes, quote: int
) -> NDArray[np.bool_]:
    """Tell which spans begin with ``prefix``, which a quote may precede."""
    result = np.zeros(len(spans[0]), dtype=np.bool_)
    scan.starts_with(buffer, *spans, np.frombuffer(prefix, dtype=np.uint8), quote, result)
    return result


def damaged(buffer: NDArray[np.uint8], spans: Spans) -> NDArray[np.bool_]:
    """Tell which spans hold control characters or bytes that were not text."""
    result = np.zeros(len(spans[0]), dtype=np.bool_)
    scan.damaged(buffer, *spans, result)
    return result


def gather(
    buffer: NDArray[np.uint8], spans: Spans
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Return the spans' text end to end, and the n + 1 offsets that part it."""
    lengths = (spans[1] - spans[0]).astype(np.int64)
    offsets = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(lengths)))
    out = np.empty(int(offsets[-1]), dtype=np.uint8)
    scan.copy(buffer, *spans, offsets, out)
    return offsets, out
