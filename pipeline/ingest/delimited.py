"""Delimited tables to readings, in wide form (a column a channel) or long (a value a row)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.fields import Spans
from pipeline.ingest.header import FileColumn
from pipeline.ingest.numerals import (
    NULL,
    TEXT,
    NumberRule,
    cell_text,
    cell_texts,
    number_rule,
    read_numbers,
)
from pipeline.ingest.records import ParsedFile, Table
from pipeline.ingest.sheet import Sheet, open_sheet
from pipeline.ingest.stamps import read_stamps, stamp_part
from pipeline.site.layout import Column, Layout

KEY_SEPARATOR = "/"
MAX_KEY_BYTES = 256  # longer is no name, and must not blow up an array of names


@dataclass
class Content:
    """The rows of a sheet, read: instants, which rows are usable, and what was counted.

    ``good`` marks rows with a sound stamp; ``filled`` those with a cell that is no null.
    """

    sheet: Sheet
    layout: Layout
    stamp_s: NDArray[np.int64]
    good: NDArray[np.bool_]
    filled: NDArray[np.bool_]
    lost: NDArray[np.int64]  # values per row that go with a row set aside
    nulls: int = 0

    def set_rows_aside(
        self, bad: NDArray[np.bool_], reason: str, position: int, expected: str
    ) -> None:
        """Set filled rows aside whole, with the values they hold."""
        rows = np.flatnonzero(bad & self.good & self.filled)
        self.good &= ~bad
        if not len(rows):
            return
        first = int(rows[0])
        found = cell_text(self.sheet.buffer, self.sheet.cells(position), first)
        example = (int(self.sheet.lines.number[first]), found, expected)
        self.sheet.account.set_aside(reason, len(rows), int(self.lost[rows].sum()), example)


def read_table(data: bytes, layout: Layout, name: str) -> ParsedFile:
    """Return the readings of a delimited file.

    Parameters
    ----------
    data : bytes
        The whole file.
    layout : Layout
        How it is written down.
    name : str
        Its path, for messages.

    Raises
    ------
    ReaderError
        If the file as a whole cannot be read: empty, not text, another header.
    """
    sheet = open_sheet(data, layout, "table", name)
    if any(column.column.role == "value" for column in sheet.columns):
        content, cells = read_content(sheet, layout, "value")
        tables = _long_tables(content, cells)
    else:
        content, cells = read_content(sheet, layout, "channel")
        tables = _wide_table(content, cells)
    return parsed_file(content, tables)


def parsed_file(content: Content, tables: tuple[Table, ...]) -> ParsedFile:
    """Return what was read with the account of it."""
    sheet = content.sheet
    with_values = int(np.count_nonzero(content.good & content.filled))
    empty = int(np.count_nonzero(~content.filled))
    return ParsedFile(
        tables=tables,
        rows_read=sheet.rows_read,
        rows_with_values=with_values,
        rows_without_values=sheet.rows_without_values + empty,
        nulls=content.nulls,
        rejects=sheet.account.rejects(),
    )


def read_content(
    sheet: Sheet, layout: Layout, role: str
) -> tuple[Content, dict[int, NDArray[np.float64]]]:
    """Read the stamps and the number cells of all columns of one role.

    Returns the content, and by the column's position its values (rows,), NaN where there is
    none. Texts in number cells and rows with a bad stamp are set aside in the account.
    """
    rows = len(sheet.lines)
    stamps = [k for k, c in enumerate(sheet.columns) if c.column.role == "stamp"]
    parts = [stamp_part(sheet.columns[k].column.datatype) for k in stamps]
    stamp_s, good = read_stamps(sheet.buffer, [sheet.cells(k) for k in stamps], parts)
    content = Content(
        sheet,
        layout,
        stamp_s,
        np.ones(rows, dtype=np.bool_),
        np.zeros(rows, dtype=np.bool_),
        np.zeros(rows, dtype=np.int64),
    )
    positions = [k for k, c in enumerate(sheet.columns) if c.column.role == role]
    values, kinds = _read_columns(content, positions)
    expected = " and ".join(part.written for part in parts)
    content.set_rows_aside(~good, "bad_stamp", stamps[0], f"a stamp as {expected}")
    for k, position in enumerate(positions):
        _set_texts_aside(content, position, kinds[k])
    if not good.all():
        values[:, ~good] = np.nan
    return content, dict(zip(positions, values, strict=True))


def _read_columns(
    content: Content, positions: list[int]
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Read columns of numbers (columns, rows) and count what the rows hold."""
    sheet, rows = content.sheet, len(content.good)
    alike: dict[NumberRule, list[int]] = {}
    for k, position in enumerate(positions):
        alike.setdefault(_rule(content, sheet.columns[position].column), []).append(k)
    if len(alike) == 1:  # the common case, without copies
        (rule,) = alike
        values, kinds = read_numbers(sheet.buffer, _some(sheet.spans, positions), rule)
    else:
        values = np.empty((len(positions), rows), dtype=np.float64)
        kinds = np.empty((len(positions), rows), dtype=np.uint8)
        for rule, group in alike.items():
            cells = _some(sheet.spans, [positions[k] for k in group])
            values[group], kinds[group] = read_numbers(sheet.buffer, cells, rule)
    content.lost = np.count_nonzero(kinds != NULL, axis=0)
    content.filled = content.lost > 0
    content.nulls = kinds.size - int(content.lost.sum())
    return values, kinds


def _some(spans: Spans, positions: list[int]) -> Spans:
    """Return the spans of some columns, as a view where they lie side by side."""
    first, last = positions[0], positions[-1]
    if positions == list(range(first, last + 1)):
        return spans[0][first : last + 1], spans[1][first : last + 1]
    return spans[0][positions], spans[1][positions]


def _rule(content: Content, column: Column) -> NumberRule:
    """Return how a column writes numbers and missing ones."""
    schema = content.layout.table_schema
    return number_rule(
        column.datatype,
        schema.null if column.null is None else column.null,
        schema.sentinels if column.sentinels is None else column.sentinels,
    )


def _set_texts_aside(content: Content, position: int, kinds: NDArray[np.uint8]) -> None:
    """Set aside the cells of a column that are no numbers, in rows that are else sound."""
    texts = np.flatnonzero((kinds == TEXT) & content.good)
    if not len(texts):
        return
    content.lost[texts] -= 1  # a row set aside later must not count the value again
    sheet, first = content.sheet, int(texts[0])
    name = sheet.columns[position].column.name
    found = f"{cell_text(sheet.buffer, sheet.cells(position), first)} in column {name!r}"
    sheet.account.set_aside(
        "not_a_number",
        0,
        len(texts),
        (int(sheet.lines.number[first]), found, _number_text(sheet.columns[position])),
        name,
    )


def _number_text(file_column: FileColumn) -> str:
    """Return how the layout expects numbers to be written."""
    datatype = file_column.column.datatype
    group = f" and groups parted by {datatype.group_char!r}" if datatype.group_char else ""
    return f"a number with decimal {datatype.decimal_char!r}{group}"


def _wide_table(content: Content, cells: dict[int, NDArray[np.float64]]) -> tuple[Table, ...]:
    """Return one table of all channels, without the rows that hold nothing."""
    keep = content.good & content.filled
    chosen = slice(None) if keep.all() else keep
    columns = {
        content.sheet.columns[position].column.name: values[chosen]
        for position, values in cells.items()
    }
    line = content.sheet.lines.number[chosen]
    return (Table(content.stamp_s[chosen], line, columns, _counter(content, chosen)),)


def _counter(
    content: Content, chosen: slice | NDArray[np.bool_]
) -> NDArray[np.float64] | None:
    """Return the logger's record numbers; they are evidence and stand in no account."""
    sheet = content.sheet
    at = [k for k, c in enumerate(sheet.columns) if c.column.role == "counter"]
    if not at:
        return None
    rule = _rule(content, sheet.columns[at[0]].column)
    values, _ = read_numbers(sheet.buffer, _some(sheet.spans, at), rule)
    return values[0, chosen]


def _long_tables(content: Content, cells: dict[int, NDArray[np.float64]]) -> tuple[Table, ...]:
    """Return one table a channel, in the order in which the channels appear."""
    (values,) = cells.values()
    sheet = content.sheet
    positions = [k for k, c in enumerate(sheet.columns) if c.column.role == "key"]
    codes, names = _channel_codes(content, positions)
    rows = np.flatnonzero(content.good & ~np.isnan(values))
    rows = rows[np.argsort(codes[rows], kind="stable")]
    present, first = np.unique(codes[rows], return_index=True)
    parts = np.split(rows, first[1:]) if len(present) else []
    tables = []
    for code, part in zip(present, parts, strict=True):
        channel = {names[code]: values[part]}
        tables.append(Table(content.stamp_s[part], sheet.lines.number[part], channel))
    return tuple(tables)


def _channel_codes(
    content: Content, positions: list[int]
) -> tuple[NDArray[np.int64], list[str]]:
    """Return the channel of each row as a code, and the codes' names; no name, no reading."""
    combined = np.zeros(len(content.good), dtype=np.int64)
    names = [""]
    for order, position in enumerate(positions):
        codes, texts = read_keys(content, position)
        pairs = combined * len(texts) + codes
        distinct, first, combined = np.unique(pairs, return_index=True, return_inverse=True)
        joined = [
            (names[pair // len(texts)] + KEY_SEPARATOR if order else "")
            + texts[pair % len(texts)]
            for pair in distinct.tolist()
        ]
        ranks = np.argsort(np.argsort(first))  # in order of appearance
        combined = ranks[combined]
        names = [joined[k] for k in np.argsort(first)]
    return combined, names


def read_keys(content: Content, position: int) -> tuple[NDArray[np.int64], list[str]]:
    """Return a text column as codes and names; rows without a usable name are set aside."""
    sheet = content.sheet
    start, stop = sheet.cells(position)
    bad = (stop == start) | (stop - start > MAX_KEY_BYTES)
    name = sheet.columns[position].column.name
    content.set_rows_aside(bad, "no_name", position, f"a name in column {name!r}")
    codes, texts = cell_texts(sheet.buffer, (start, np.where(bad, start, stop)))
    return codes.astype(np.int64), [text.strip() for text in texts] or [""]
