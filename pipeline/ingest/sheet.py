"""A delimited file opened: its rows told apart, its columns found, nothing converted yet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Problem, ReaderError
from pipeline.ingest import fields
from pipeline.ingest.account import Account
from pipeline.ingest.decimal_commas import on_split_numbers
from pipeline.ingest.fields import FieldRule, Spans
from pipeline.ingest.header import FileColumn, Header, file_columns
from pipeline.ingest.lines import Lines, holds_damage, split_lines, to_utf8
from pipeline.site.layout import Column, Dialect, Layout, layout_faults

# Columns a file may have; a line of separators alone must not exhaust memory.
MAX_COLUMNS = 20_000
_PREVIEW_ROWS, _PREVIEW_BYTES = 3, 2000


@dataclass(frozen=True)
class Sheet:
    """The data rows of a file and where their cells are.

    ``lines`` are the rows of the right shape; ``spans`` the places of cells, (columns, rows),
    in the order of ``columns``; ``rows_read`` counts every row of the file and
    ``rows_without_values`` those that are header, comment, blank or skipped.
    """

    buffer: NDArray[np.uint8]
    lines: Lines
    columns: tuple[FileColumn, ...]
    spans: Spans
    header: Header
    account: Account
    rows_read: int
    rows_without_values: int

    def cells(self, position: int) -> Spans:
        """Return the cells of one of the columns."""
        return self.spans[0][position], self.spans[1][position]


def open_sheet(data: bytes, layout: Layout, kind: str, name: str) -> Sheet:
    """Return the rows and columns of a delimited file.

    Raises
    ------
    ReaderError
        If the file is empty, is not text in the layout's encoding, or has another header.
    """
    _refuse_faulty(layout, kind, name)
    text = to_utf8(data, layout.dialect.encoding, name)
    rows = _Rows(text, layout, name)
    rows.set_header_aside()
    rows.set_damaged_aside()
    columns = rows.find_columns()
    rows.set_misshapen_aside()
    lines = _selected(rows.lines, rows.is_data)
    order = sorted(range(len(columns)), key=lambda k: columns[k].index)
    columns = tuple(columns[k] for k in order)
    wanted = np.array([column.index for column in columns], dtype=np.int64)
    spans = fields.find_fields(rows.buffer, lines, rows.rule, wanted)
    without = len(rows.lines) - len(lines) - rows.account.rows()
    return Sheet(
        rows.buffer, lines, columns, spans, rows.header, rows.account, len(rows.lines), without
    )


def _refuse_faulty(layout: Layout, kind: str, name: str) -> None:
    """Raise for a layout that was not checked with the site it belongs to."""
    faults = layout_faults(layout, kind)
    if faults:
        raise ReaderError(
            Problem(
                name, f"layout {layout.id!r}", faults[0], "a layout free of contradictions"
            )
        )


def passed_over(dialect: Dialect) -> list[bytes]:
    """Return what begins the lines that are no rows: comments and footers."""
    comment = [dialect.comment_prefix] if dialect.comment_prefix else []
    return [prefix.encode() for prefix in (*comment, *dialect.footer_prefixes)]


def _selected(lines: Lines, chosen: NDArray[np.bool_]) -> Lines:
    """Return some of the rows; all of them without a copy."""
    if chosen.all():
        return lines
    return Lines(
        lines.start[chosen], lines.stop[chosen], lines.number[chosen], lines.terminated
    )


class _Rows:
    """The rows of a file while they are told apart; ``is_data`` shrinks step by step."""

    def __init__(self, text: bytes, layout: Layout, name: str) -> None:
        self.text, self.layout, self.name = text, layout, name
        self.dialect = layout.dialect
        self.buffer = np.frombuffer(text, dtype=np.uint8)
        self.rule: FieldRule = fields.field_rule(layout)
        self.account = Account()
        self.lines = split_lines(text)
        self.counts, self.blank = fields.count_fields(self.buffer, self.lines, self.rule)
        self.lines, joined = fields.join_open_lines(
            self.buffer, self.lines, self.rule, self.counts
        )
        if joined:
            self.counts, self.blank = fields.count_fields(self.buffer, self.lines, self.rule)
        self.is_data = np.ones(len(self.lines), dtype=np.bool_)
        self.header = Header(name, None, 1, ())
        self.head_texts: tuple[bytes, ...] = ()
        self.width = 0

    def set_header_aside(self) -> None:
        """Take out skipped rows, comments, blank lines, header rows, and find the titles."""
        self._set_unfinished_aside()
        skipped = min(self.dialect.skip_rows, len(self.lines))
        self.is_data[:skipped] = False
        for prefix in passed_over(self.dialect):
            self.is_data &= ~fields.starts_with(
                self.buffer, self._spans(), prefix, self.rule.quote
            )
        if self.dialect.skip_blank_rows:
            self.is_data &= ~self.blank
        wanted = self.dialect.header_row_count
        head = np.flatnonzero(self.is_data)[:wanted]
        self.is_data[head] = False
        self.is_data &= ~self.blank  # below the header a blank row never holds a value
        first = int(head[0]) if len(head) else skipped
        self.header = Header(self.name, None, self._number(first), self._preview(first))
        if len(head) < wanted:
            raise self.header.error(
                f"{len(head)} header rows", f"{wanted}", "A growing file is read again later."
            )
        if wanted:
            self._take_titles(head)
            self._set_repeats_aside(int(head[-1]) + 1)

    def _set_unfinished_aside(self) -> None:
        """Set aside a last line without end: its last value could be cut short."""
        if self.lines.terminated or not len(self.lines) or self.blank[-1]:
            return
        self.is_data[-1] = False
        self._note("incomplete_line", np.array([len(self.lines) - 1]), "a line end")

    def _take_titles(self, head: NDArray[np.int64]) -> None:
        """Read the titles from the title row."""
        row = int(head[self.dialect.title_row - 1])
        line = self._line_bytes(row)
        damaged = fields.damaged(self.buffer, self._spans(slice(row, row + 1)))[0]
        titles = self._cells(row)
        self.header = Header(self.name, titles, self._number(row), self.header.preview)
        if damaged:
            raise self.header.error(
                f"bytes that are no text in {self.dialect.encoding!r}: {line[:60]!r}",
                "titles",
                "Set the dialect's encoding, for example 'cp1252' or 'utf-16'.",
            )
        if len(titles) > MAX_COLUMNS:
            raise self.header.error(f"{len(titles)} columns", f"at most {MAX_COLUMNS}")
        before = [self._line_bytes(r) for r in range(int(head[-1]) + 1)][-50:]
        self.head_texts = tuple(text for text in before if text.strip())

    def _set_repeats_aside(self, first: int) -> None:
        """Take out header rows met again: a logger was started anew."""
        self.is_data[first:] &= ~fields.equals_any(
            self.buffer, self._spans(slice(first, None)), self.head_texts
        )

    def set_damaged_aside(self) -> None:
        """Set aside rows with bytes that are no text; refuse the file if most are so."""
        if not holds_damage(self.text, self.lines):
            return
        damaged = self.is_data & fields.damaged(self.buffer, self._spans())
        data_rows = int(self.is_data.sum())
        where = np.flatnonzero(damaged)
        if len(where) and 2 * len(where) > data_rows:
            raise self.header.error(
                f"{len(where)} of {data_rows} rows with bytes that are no text in "
                f"{self.dialect.encoding!r}",
                "text",
                "Set the dialect's encoding, or look at the file.",
            )
        self.is_data &= ~damaged
        self._note("damaged_text", where, f"text in {self.dialect.encoding}")

    def find_columns(self) -> tuple[FileColumn, ...]:
        """Return the columns to read; sets the number of fields a row must have."""
        listed = self.layout.table_schema.columns
        if self.dialect.delimiter is None:
            self.width = len(listed)
        elif self.header.titles is not None:
            titles = self.header.titles
            self.width = len(titles) - (len(titles) > 1 and not titles[-1])
        else:
            counts = self.counts[self.is_data & (self.counts > 0)]
            self.width = int(np.bincount(counts).argmax()) if len(counts) else _least(listed)
        columns = file_columns(self.layout, self.header, min(self.width, MAX_COLUMNS))
        self._set_foreign_aside(columns)
        return columns

    def _set_foreign_aside(self, columns: tuple[FileColumn, ...]) -> None:
        """Set aside what follows another header inside the file, up to the known one again."""
        stamps = [c.index for c in columns if c.column.role == "stamp"]
        titles = self.header.titles
        if titles is None or not stamps or not titles[stamps[0]]:
            return
        title = titles[stamps[0]]
        spans = fields.find_fields(
            self.buffer, self.lines, self.rule, np.array(stamps[:1], dtype=np.int64)
        )
        again = fields.equals_any(self.buffer, (spans[0][0], spans[1][0]), (title.encode(),))
        if not (again & self.is_data).any():
            return
        # The last title row at or before each row rules it: known, or another.
        ruling = np.maximum.accumulate(np.where(again, np.arange(len(again)), -1))
        foreign = self.is_data & (ruling >= 0) & self.is_data[np.maximum(ruling, 0)]
        self.is_data &= ~foreign
        where = np.flatnonzero(foreign)
        self._note("wrong_header", where, "the header the file began with, or data")

    def set_misshapen_aside(self) -> None:
        """Set aside rows with another number of fields than the header."""
        right = self.counts == self.width
        over = np.flatnonzero(self.is_data & (self.counts == self.width + 1))
        if len(over) and self.rule.kind == fields.SEPARATED:
            # A separator at the end of the line is common, and harmless when nothing follows.
            start, stop = fields.find_fields(
                self.buffer,
                _at(self.lines, over),
                self.rule,
                np.array([self.width], dtype=np.int64),
            )
            right[over] = start[0] == stop[0]
        where = np.flatnonzero(self.is_data & ~right)
        self.is_data &= right
        self._note("wrong_field_count", where, f"{self.width} fields")

    def _note(self, reason: str, where: NDArray[np.int64], expected: str) -> None:
        """Set whole rows aside in the account."""
        if len(where):
            row = int(where[0])
            found = repr(self._line_bytes(row)[:60].decode("utf-8", errors="replace"))
            advice = ""
            if reason == "wrong_field_count":
                count = int(self.counts[row])
                found = f"{'an open quote' if count < 0 else f'{count} fields'} in {found}"
                advice = on_split_numbers(
                    self._line_bytes(row), count - self.width, self.layout
                )
            example = (self._number(row), found, expected)
            self.account.set_aside(reason, len(where), 0, example, advice=advice)

    def _spans(self, part: slice = slice(None)) -> Spans:
        return self.lines.start[part], self.lines.stop[part]

    def _number(self, row: int) -> int:
        return int(self.lines.number[row]) if row < len(self.lines) else 1

    def _line_bytes(self, row: int) -> bytes:
        return self.text[self.lines.start[row] : self.lines.stop[row]]

    def _cells(self, row: int) -> tuple[str, ...]:
        """Return the texts of one row."""
        line = _at(self.lines, np.array([row]))
        count = max(int(self.counts[row]), 1)
        if self.rule.kind == fields.FIXED:
            count = len(self.layout.table_schema.columns)
        wanted = np.arange(min(count, MAX_COLUMNS + 1), dtype=np.int64)
        start, stop = fields.find_fields(self.buffer, line, self.rule, wanted)
        quote = self.dialect.quote_char or "\0"
        return tuple(
            self.text[a:b].decode("utf-8", errors="replace").replace(quote * 2, quote)
            for a, b in zip(start[:, 0], stop[:, 0], strict=True)
        )

    def _preview(self, first: int) -> tuple[tuple[str, ...], ...]:
        """Return the cells of the first rows for a message."""
        last = min(first + _PREVIEW_ROWS, len(self.lines))
        return tuple(self._cells(row) for row in range(first, last))


def _least(listed: tuple[Column, ...]) -> int:
    """Return the least number of columns a layout needs."""
    return max([len(listed), *(column.number or 0 for column in listed)])


def _at(lines: Lines, rows: NDArray[np.int64]) -> Lines:
    """Return some rows by index."""
    return Lines(lines.start[rows], lines.stop[rows], lines.number[rows], True)
