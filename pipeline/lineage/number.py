"""The number in a raw line that a stored value was made from, as it is written there.

Where the layout tells the column, the number is read from that cell; in other files it is
looked for in the line. Either way it counts only if its conversion gives the stored value to
the last bit, so that what is shown is proved.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

import numpy as np

from pipeline.errors import ReaderError
from pipeline.ingest.header import Header, file_columns
from pipeline.site.layout import Dialect, Layout
from pipeline.units import Conversion

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_BUS_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)")  # a CRC behind may begin with E


@dataclass(frozen=True)
class Written:
    """A number as it stands in a line: its text, its value in its own unit, where it begins.

    ``column`` counts from 1 where the cell is known; ``times`` is how often a number that
    gives the same stored value was met.
    """

    text: str
    value: float
    column: int | None = None
    times: int = 1

    def as_dict(self, unit: str) -> dict[str, object]:
        """Return the number as JSON takes it."""
        return {
            "text": self.text,
            "value": self.value,
            "unit": unit,
            "column": self.column,
            "times_in_line": self.times,
        }


def written_number(
    line: str, head: list[str], layout: Layout, channel: str, proof: Proof
) -> Written | None:
    """Return the number of a line that gives a stored value; None where none does.

    Parameters
    ----------
    line : str
        The raw line.
    head : list of str
        The first lines of its file, for the titles.
    layout : Layout
    channel : str
        Channel of the reading.
    proof : Proof
        Tells whether a number is the one.
    """
    if layout.transcript is not None:
        return _searched(line, _BUS_NUMBER, ".", proof)
    index = _column(head, layout, channel)
    decimal, group = _characters(layout, channel)
    if index is not None:
        cells = _split(line, layout.dialect)
        text = cells[index].strip() if index < len(cells) else ""
        value = _value(text, decimal, group)
        if value is not None and proof.holds(value):
            return Written(text, value, index + 1)
    return _searched(line, _NUMBER, decimal, proof)


@dataclass(frozen=True)
class Proof:
    """The stored value, and how a number of the file becomes it."""

    stored: np.float32
    conversion: Conversion

    def holds(self, value: float) -> bool:
        """Tell whether a number in the file's unit is stored as exactly this value."""
        return bool(self.canonical(value) == self.stored)

    def canonical(self, value: float) -> np.float32:
        """Return a number as it is stored."""
        found = self.conversion(np.array([value], dtype=np.float64))
        return np.float32(found[0])

    def as_logged(self) -> float:
        """Return the stored value in the file's unit, as near as its seven digits tell."""
        return (float(self.stored) - self.conversion.offset) / self.conversion.factor


def _searched(
    line: str, pattern: re.Pattern[str], decimal: str, proof: Proof
) -> Written | None:
    """Return the number of a line that gives the stored value, wherever it stands."""
    plain = line if decimal == "." else line.replace(decimal, ".")
    spans = [m.span() for m in pattern.finditer(plain) if proof.holds(float(m.group()))]
    if not spans:
        return None
    first, last = spans[0]
    return Written(line[first:last], float(plain[first:last]), None, len(spans))


def _column(head: list[str], layout: Layout, channel: str) -> int | None:
    """Return a channel's place in the rows, from 0; None where only a reader could tell."""
    dialect = layout.dialect
    long_form = any(column.role == "value" for column in layout.table_schema.columns)
    if long_form or dialect.delimiter in (None, " +"):
        return None
    titles = _titles(head, dialect)
    width = len(titles or _split(head[-1], dialect)) if head else 0
    header = Header("", titles, 1, ())
    try:
        columns = file_columns(layout, header, width)
    except ReaderError:
        return None
    places = [c.index for c in columns if c.column.name == channel]
    return places[0] if places else None


def _titles(head: list[str], dialect: Dialect) -> tuple[str, ...] | None:
    """Return the titles of a file from its first lines, None if it has none."""
    if dialect.header_row_count == 0:
        return None
    rows = [line.removeprefix("\ufeff") for line in head[dialect.skip_rows :]]
    passed_over = (*filter(None, [dialect.comment_prefix]), *dialect.footer_prefixes)
    rows = [r for r in rows if r.strip() and not r.startswith(passed_over)]
    if len(rows) < dialect.title_row:
        return None
    return tuple(_split(rows[dialect.title_row - 1], dialect))


def _split(line: str, dialect: Dialect) -> list[str]:
    """Return the cells of one line."""
    rows = csv.reader(
        [line],
        delimiter=dialect.delimiter or ",",
        quotechar=dialect.quote_char or '"',
        doublequote=dialect.double_quote,
        quoting=csv.QUOTE_NONE if dialect.quote_char is None else csv.QUOTE_MINIMAL,
        skipinitialspace=dialect.trim,
    )
    try:
        return next(rows, [])
    except csv.Error:  # a stray quote or a NUL: the number is looked for instead
        return []


def _characters(layout: Layout, channel: str) -> tuple[str, str | None]:
    """Return the decimal and the group character of a channel's numbers."""
    schema = layout.table_schema
    for column in schema.columns:
        if column.name == channel or column.role == "value":
            return column.datatype.decimal_char, column.datatype.group_char
    return schema.others_datatype.decimal_char, schema.others_datatype.group_char


def _value(text: str, decimal: str, group: str | None) -> float | None:
    """Return a number as written, None of other text."""
    plain = text.replace(group, "") if group else text
    plain = plain.replace(decimal, ".")
    try:
        return float(plain) if _NUMBER.fullmatch(plain) else None
    except ValueError:
        return None
