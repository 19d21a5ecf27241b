"""Decimal commas in a table that commas separate: one number read as two fields.

The fields after it stand one column too far to the right, and what is wrong is found there.
So a row with mistakes, or with more fields than the header, is read once more with digits
joined again; if that leaves fewer mistakes, the commas are told of and not what they caused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

from pipeline.errors import Problem
from pipeline.site.mistakes import RowSpot
from pipeline.site.tables import CellContext, Row, TableColumn

_BEFORE, _AFTER = re.compile(r"[+-]?\d{1,9}", re.ASCII), re.compile(r"\d{1,9}", re.ASCII)
_MOST_READ = 64  # ways to join the fields of one row; a table has hardly more number columns
_LISTED = 3

Reader = Callable[[Row, list[Problem]], object]  # reads a row, adding its mistakes


@dataclass(frozen=True)
class _Joined:
    """A row with numbers joined again: the first one's column, and each as it was written."""

    row: Row
    column: str
    written: tuple[str, ...]


def number_titles(
    columns: tuple[TableColumn, ...],
    schemas: Mapping[Callable[[str, CellContext], Any], Mapping[str, Any]],
) -> frozenset[str]:
    """Return the titles of columns of numbers, by what their cells are written as."""
    return frozenset(c.title for c in columns if schemas[c.read]["type"] == "number")


def split_numbers(
    row: Row, spot: RowSpot, numbers: frozenset[str], told: int, read: Reader
) -> list[Problem] | None:
    """Return the mistakes of a row in which commas split numbers, or None if they did not.

    Parameters
    ----------
    row : Row
        As read, of a table that commas separate.
    spot : RowSpot
        Where it stands.
    numbers : frozenset of str
        Titles of the columns that hold numbers.
    told : int
        How many mistakes ``read`` tells of the row as it stands.
    read : callable
        Reads a row, adding its mistakes to a list.
    """
    if not told and not row.surplus:
        return None
    tried: list[tuple[int, int, list[Problem], _Joined]] = []
    for joined in islice(_ways(row, numbers), _MOST_READ):
        left: list[Problem] = []
        read(joined.row, left)
        tried.append((len(left), len(joined.written), left, joined))
    best = min((each[:2] for each in tried), default=None)
    if best is None or best[0] > max(told - 1, 0):
        return None
    alike = [each for each in tried if each[:2] == best]
    return [_problem([each[-1] for each in alike], spot), *alike[0][2]]


def _ways(row: Row, numbers: frozenset[str]) -> Iterator[_Joined]:
    """Yield the row with one or more numbers joined, those with most of them first."""
    titles, fields = tuple(row.cells), (*row.cells.values(), *row.surplus)
    for cells, columns in _joinings(titles, fields, numbers):
        if columns:
            by_title = dict(zip(titles, cells, strict=False))
            written = tuple(by_title[column].replace(".", ",") for column in columns)
            joined = Row(row.line, by_title, tuple(cells[len(titles) :]))
            yield _Joined(joined, columns[0], written)


def _joinings(
    titles: tuple[str, ...], fields: tuple[str, ...], numbers: frozenset[str]
) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Yield fields with numbers joined or not, and the titles of those that are joined."""
    for place, title in enumerate(titles):
        pair = fields[place : place + 2]
        if title in numbers and len(pair) == 2 and _is_split(*pair):
            before, after = fields[:place], fields[place + 2 :]
            number = ".".join(pair)
            for cells, columns in _joinings(titles[place + 1 :], after, numbers):
                yield (*before, number, *cells), (title, *columns)
            for cells, columns in _joinings(titles[place + 1 :], fields[place + 1 :], numbers):
                yield (*before, pair[0], *cells), columns
            return
    yield fields, ()


def _is_split(before: str, after: str) -> bool:
    return bool(_BEFORE.fullmatch(before) and _AFTER.fullmatch(after))


def _problem(joined: list[_Joined], spot: RowSpot) -> Problem:
    """Return what is told of the numbers of one row, which several joinings may explain."""
    first = joined[0]
    each = "each read" if first.written[1:] else "read"
    shown = " or ".join(dict.fromkeys(_listed(one.written) for one in joined))
    found = f"{shown}, {each} as two fields: commas separate the columns here"
    point = first.written[0].replace(",", ".")
    advice = f"Write a decimal point, as in {point}, or save the table with semicolons."
    column = first.column if len({one.column for one in joined}) == 1 else ()
    return spot.problem(column, found, "each number in one field", advice)


def _listed(written: tuple[str, ...]) -> str:
    more = len(written) - _LISTED
    rest = f" and {more} more" if more > 0 else ""
    return ", ".join(repr(number) for number in written[:_LISTED]) + rest
