"""Delimited files as a field sends them, written together with what each line holds.

A page knows, by what it wrote and not by reading it back, every row, value and fault in it.
Nothing of the project's readers is used here.
"""

from __future__ import annotations

import gzip
import io
import lzma
import random
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from pipeline.site.layout import Layout

PATTERNS = {
    "yyyy-MM-dd HH:mm:ss": "%Y-%m-%d %H:%M:%S",
    "dd.MM.yyyy HH:mm:ss": "%d.%m.%Y %H:%M:%S",
    "yyyyMMddHHmmss": "%Y%m%d%H%M%S",
}
MARKER, SENTINEL, TEXT = "NAN", "-6999", "over"


@dataclass(frozen=True)
class Row:
    """A row with a sound stamp: its line, its stamp on the logger's clock, its values."""

    line: int
    stamp_s: int
    values: dict[str, float]


@dataclass(frozen=True)
class HandRow:
    """One hand reading as noted."""

    line: int
    stamp_s: int
    tube: str
    reader: str
    direction_deg: float
    depth_m: float
    value: float


@dataclass
class Content:
    """What one version of a file holds; ``with_values`` and ``nulls`` None where not told."""

    data: bytes
    rows: int
    with_values: int | None
    tables: list[list[Row]] = field(default_factory=list)
    hand: list[HandRow] = field(default_factory=list)
    lost_rows: Counter = field(default_factory=Counter)
    lost_values: Counter = field(default_factory=Counter)
    nulls: int | None = None
    is_unreadable: bool = False


@dataclass(frozen=True)
class Dialect:
    """One way to write a table down."""

    delimiter: str
    decimal: str
    pattern: str
    line_end: str
    encoding: str
    is_quoted: bool
    has_units: bool
    skipped: int

    @staticmethod
    def draw(chance: random.Random) -> Dialect:
        """Return a dialect drawn by lot."""
        delimiter = chance.choice([",", ";", "\t", " +"])
        return Dialect(
            delimiter=delimiter,
            decimal=chance.choice([".", ","]) if delimiter != "," else ".",
            pattern=chance.choice(list(PATTERNS)) if delimiter != " +" else "yyyyMMddHHmmss",
            line_end=chance.choice(["\n", "\n", "\r\n", "\r"]),
            encoding=chance.choice(["utf-8", "utf-8", "utf-16", "latin-1"]),
            is_quoted=chance.random() < 0.3 and delimiter != " +",
            has_units=chance.random() < 0.3,
            skipped=chance.choice([0, 0, 2]),
        )

    def layout(self, identity: str, columns: list[dict[str, Any]], **more: Any) -> Layout:
        """Return the description of this dialect, the first column being the stamp."""
        number = {"base": "number", "decimalChar": self.decimal}
        stamp = {"base": "dateTime", "format": self.pattern}
        listed = [{"name": "time", "role": "stamp", "datatype": stamp}]
        listed += [{"datatype": number, **column} for column in columns]
        return Layout.model_validate(
            {
                "id": identity,
                "dialect": {
                    "delimiter": self.delimiter,
                    "encoding": self.encoding,
                    "headerRowCount": 1 + self.has_units,
                    "unitsRow": 2 if self.has_units else None,
                    "skipRows": self.skipped,
                    "commentPrefix": "#",
                },
                "tableSchema": {
                    "columns": listed,
                    "othersDatatype": number,
                    "null": [MARKER],
                    "sentinels": [float(SENTINEL)],
                },
                **more,
            }
        )

    def line(self, cells: list[str]) -> str:
        """Return cells as one line without its end."""
        cells = [f'"{cell}"' for cell in cells] if self.is_quoted else cells
        return (" " if self.delimiter == " +" else self.delimiter).join(cells)

    def stamp(self, stamp_s: int) -> str:
        """Return a stamp as written."""
        return datetime.fromtimestamp(stamp_s, UTC).strftime(PATTERNS[self.pattern])

    def number(self, value: float) -> str:
        """Return a number as written; values are eighths, so three digits are exact."""
        return f"{value:.3f}".replace(".", self.decimal)


class Page:
    """A file being written, and the account of it."""

    def __init__(self, dialect: Dialect, titles: list[str]) -> None:
        self.dialect, self.titles = dialect, titles
        self.lines = ["made by nobody"] * dialect.skipped
        self.content = Content(b"", 0, 0, nulls=0)
        self.header()

    def header(self) -> None:
        """Write the header, which a logger does again when it is started anew."""
        self.lines.append(self.dialect.line(self.titles))
        if self.dialect.has_units:
            self.lines.append(self.dialect.line(["-"] * len(self.titles)))

    def blank(self) -> None:
        """Write a blank line."""
        self.lines.append("")

    def comment(self) -> None:
        """Write a comment."""
        self.lines.append("# battery changed")

    def cell(self, value: float | str | None) -> str:
        """Return a cell; None is no value, written in one of its forms."""
        if isinstance(value, str):
            return value
        return MARKER if value is None else self.dialect.number(value)

    def write(self, cells: list[str]) -> int:
        """Write cells as a line; return its number."""
        self.lines.append(self.dialect.line(cells))
        return len(self.lines)

    def misshapen(self, cells: list[str], extra: int) -> None:
        """Write a row with two cells more than it should have, or one less."""
        self.write([*cells, "1", "1"] if extra else cells[:-1])
        self.lose("wrong_field_count")

    def damaged(self, cells: list[str]) -> None:
        """Write a row with a byte that is no text."""
        byte = "\udcff" if self.dialect.encoding == "utf-8" else "\x01"
        self.write([cells[0][:4] + byte + cells[0][5:], *cells[1:]])
        self.lose("damaged_text")

    def lose(self, reason: str, rows: int = 1, values: int = 0) -> None:
        """Count what must be set aside."""
        self.content.lost_rows[reason] += rows
        self.content.lost_values[reason] += values

    def finish(self, tables: list[list[Row]], unfinished: str = "") -> Content:
        """Return what was written; ``unfinished`` is the beginning of one more line."""
        content, end = self.content, self.dialect.line_end
        text = "".join(line + end for line in self.lines) + unfinished
        if unfinished:
            self.lose("incomplete_line")
        errors = "surrogateescape" if self.dialect.encoding == "utf-8" else "strict"
        content.data = text.encode(self.dialect.encoding, errors)
        content.rows = len(self.lines) + bool(unfinished)
        content.tables = tables
        return content


def pack(data: bytes, ending: str) -> bytes:
    """Return bytes as a file with this ending holds them."""
    if ending == ".gz":
        return gzip.compress(data, mtime=0)
    if ending == ".xz":
        return lzma.compress(data, preset=0)
    if ending == ".zip":
        sink = io.BytesIO()
        with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("export.csv", data)
        return sink.getvalue()
    return data
