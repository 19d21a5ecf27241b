"""CSV tables as text editors and spreadsheets write them, every row with its line.

Comma or semicolon is told from the header line. Spreadsheets in countries with a decimal comma
save semicolons; only there is a decimal comma a number.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import Problem
from pipeline.site.mistakes import BadValueError, RowSpot, did_you_mean, nearest, one_of, show
from pipeline.site.text_files import read_text

MOST_TITLES = 100  # a header of more is no table of a site, and each would be looked up
_OTHER = {",": ";", ";": ","}
_CUT_OFF = "Fill the row in; if it is the last, the file may have been cut off: copy it again."
MOST_TOLD = 1000  # mistakes of a table; a table of more is of another kind, or one is repeated


@dataclass(frozen=True)
class CellContext:
    """What the meaning of a cell depends on besides its text, and cells already understood.

    A long table repeats its depths, dates and units on every row; each is read once.
    """

    offset_s: int
    decimal_comma: bool = False
    understood: dict[tuple[str, str], object] = field(default_factory=dict)


@dataclass(frozen=True)
class TableColumn:
    """One column: its title, the model's field, how its text becomes a value.

    An empty cell leaves the field to the model's default unless ``required``.
    """

    title: str
    field: str
    read: Callable[[str, CellContext], object]
    required: bool = False


@dataclass(frozen=True)
class Row:
    """One row: the line it starts on, its cells by column title, and those without a title."""

    line: int
    cells: dict[str, str]
    surplus: tuple[str, ...] = ()


@dataclass(frozen=True)
class TextTable:
    """A table as text; not ``whole`` if the reading ended at too many rows of no use."""

    name: str
    rows: tuple[Row, ...]
    decimal_comma: bool
    whole: bool = True


class _Lines:
    """Feed lines to the CSV reader, leaving out comments and blank lines between rows only."""

    def __init__(self, text: str) -> None:
        self.stream = io.StringIO(text, newline="")
        self.number = 0
        self.row_starts_at = 0

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        for line in self.stream:
            self.number += 1
            if self.row_starts_at:
                return line
            if line.strip(" \t\r\n;,") and not line.lstrip().startswith("#"):
                self.row_starts_at = self.number
                return line
        raise StopIteration


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the line on which each record starts and its stripped fields."""
    lines = _Lines(text)
    for record in csv.reader(lines, delimiter=delimiter, strict=True):
        yield lines.row_starts_at, [cell.strip() for cell in record]
        lines.row_starts_at = 0


def table_records(text: str) -> list[tuple[int, list[str]]]:
    """Return a table's records, header first: the line each starts on and its fields.

    Raises
    ------
    csv.Error
        If it is no table.
    """
    return list(_records(text, _delimiter(text)))


def _delimiter(text: str) -> str:
    """Return the separator of the header line."""
    header = next(_Lines(text), "")
    return ";" if header.count(";") > header.count(",") else ","


def read_table(
    path: Path, name: str, columns: tuple[TableColumn, ...], problems: list[Problem]
) -> TextTable | None:
    """Return a table's rows, or None after saying why there are none.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Its name in messages.
    columns : tuple of TableColumn
        The columns it may have; the required ones it must have.
    problems : list of Problem
        Mistakes are added here.
    """
    text = read_text(path, name, problems)
    if text is None:
        return None
    delimiter = _delimiter(text)
    records = _records(text, delimiter)
    rows: list[Row] = []
    try:
        line, titles = next(records, (1, []))
        if not _header_is_good(RowSpot(name, line), titles, columns, problems):
            return None
        overfull = 0
        for line, cells in records:
            spot = RowSpot(name, line)
            if _is_other(cells, titles, delimiter):
                problems.append(_other_separator(spot, delimiter))
                return None
            if cells == titles:
                advice = "Delete the line; were two tables put below each other?"
                found, expected = "the header once more", "rows below one header"
                problems.append(spot.problem((), found, expected, advice))
                return None
            rows.append(_row(line, titles, cells))
            overfull += any(rows[-1].surplus)
            if overfull == MOST_TOLD:  # each is told where the cells are read
                break
    except csv.Error as error:
        spot = RowSpot(name, rows[-1].line + 1 if rows else 1)
        advice = "Look for a quotation mark without its partner at or below this line."
        problems.append(spot.problem((), f"broken CSV ({error})", "a CSV table", advice))
        return None
    return TextTable(name, tuple(rows), delimiter == ";", overfull < MOST_TOLD)


def _is_other(cells: list[str], titles: list[str], delimiter: str) -> bool:
    """Tell whether a record has few fields because another character separates them."""
    few = len(cells) < len(titles) and 2 < len(titles)
    return few and cells[0].count(_OTHER[delimiter]) >= len(titles) // 2


def _other_separator(spot: RowSpot, delimiter: str) -> Problem:
    found = (
        f"fields separated by {_OTHER[delimiter]!r} under a header separated by {delimiter!r}"
    )
    advice = "Save the table anew, all of it with one of them."
    return spot.problem((), found, "one separator in the whole table", advice)


def is_enough(spot: RowSpot, before: int, problems: list[Problem]) -> bool:
    """Return whether a table's mistakes fill the list; say then where the reading ended.

    A person mends a thousand mistakes of one kind by one change, and must be able to read what
    is wrong; a table of another kind would otherwise be told cell by cell.
    """
    if len(problems) - before < MOST_TOLD:
        return False
    found = f"{MOST_TOLD} mistakes down to here"
    advice = "Mend those above and check again: the rows below have not been looked at."
    problems.append(spot.problem((), found, "rows as the columns say", advice))
    return True


def _header_is_good(
    spot: RowSpot, titles: list[str], columns: tuple[TableColumn, ...], problems: list[Problem]
) -> bool:
    known = [column.title for column in columns]
    before = len(problems)
    fault = _whole_header(titles, known)
    if fault is not None:
        problems.append(spot.problem((), *fault))
    else:
        _check_titles(spot, titles, known, problems)
        present = {nearest(title, known) for title in titles}  # misspelt: told already
        problems.extend(
            spot.problem((), f"no column {column.title!r}", "that column in the header")
            for column in columns
            if column.required and column.title not in present
        )
    return len(problems) == before


def _whole_header(titles: list[str], known: list[str]) -> tuple[str, str, str] | None:
    """Return what is wrong with a header as a whole: found, expected, and advice."""
    header = f"a header row: {','.join(known)}"
    if not titles:
        return "an empty file", header, ""
    if len(titles) > MOST_TITLES:
        return (
            f"a header of {len(titles)} columns",
            f"at most {MOST_TITLES}; {one_of(known)}",
            "",
        )
    if len(titles) == 1 and "\t" in titles[0]:
        advice = "Save the table as comma-separated values."
        return "a header separated by tabs", "commas or semicolons", advice
    if len(titles) == 1 and re.search("[,;]", titles[0]):
        advice = "Take the quotes around whole rows away, or save the table anew."
        return "a header in one pair of quotes", "quotes around single fields", advice
    if not any(nearest(title, known) for title in titles):
        advice = "Put the column titles into the first row; it is no row of values."
        return f"no column title, but {show(','.join(titles))}", header, advice
    return None


def _check_titles(
    spot: RowSpot, titles: list[str], known: list[str], problems: list[Problem]
) -> None:
    for place, title in enumerate(titles):
        if not title:
            continue
        if title not in known:
            unused = [name for name in known if name not in titles]
            advice = did_you_mean(title, unused) or did_you_mean(title, known)
            found = f"unknown column {show(title)}"
            problems.append(spot.problem((), found, one_of(known), advice))
        elif title in titles[:place]:
            problems.append(spot.problem(title, "the column twice", "each column once"))


def _row(line: int, titles: list[str], cells: list[str]) -> Row:
    untitled = (cell for n, cell in enumerate(cells) if n >= len(titles) or not titles[n])
    by_title = {title: cell for title, cell in zip(titles, cells, strict=False) if title}
    return Row(line, by_title, tuple(untitled))


def read_cells(
    row: Row,
    spot: RowSpot,
    columns: tuple[TableColumn, ...],
    context: CellContext,
    problems: list[Problem],
) -> tuple[dict[str, Any], frozenset[str]]:
    """Return the row's values by model field, and the fields that could not be read."""
    values: dict[str, Any] = {}
    bad: set[str] = set()
    if any(row.surplus):
        untitled = next(filter(None, row.surplus))
        found, expected = f"{show(untitled)} under no column title", f"{len(row.cells)} fields"
        advice = "Put text that holds the separator in quotes."
        problems.append(spot.problem((), found, expected, advice))
    for column in columns:
        text = row.cells.get(column.title, "")
        if not text:
            if column.required:
                ends_before = column.title not in row.cells
                found = "nothing, as the row ends before it" if ends_before else "nothing"
                expected, advice = f"a value for {column.title!r}", _CUT_OFF * ends_before
                problems.append(spot.problem(column.title, found, expected, advice))
                bad.add(column.field)
            continue
        cell = (column.field, text)
        if cell in context.understood:
            values[column.field] = context.understood[cell]
            continue
        try:
            value = values[column.field] = column.read(text, context)
            context.understood[cell] = value
        except BadValueError as error:
            found = show(text)
            problems.append(spot.problem(column.title, found, error.expected, error.advice))
            bad.add(column.field)
    return values, frozenset(bad)
