"""Titles of a file against the columns of its layout; a mismatch is explained."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.errors import Problem, ReaderError
from pipeline.site.layout import Column, Layout

_MARKS = (";", "\t", ",", "|")  # delimiters to think of
_SHOWN_ROWS, _SHOWN_CELLS, _SHOWN_CHARACTERS = 3, 8, 24


@dataclass(frozen=True)
class FileColumn:
    """A column of the file: what the layout says of it, and its place from 0."""

    column: Column
    index: int


@dataclass(frozen=True)
class Header:
    """The titles as read (None without a header), where they stand, and the first rows."""

    name: str
    titles: tuple[str, ...] | None
    line: int
    preview: tuple[tuple[str, ...], ...]

    def error(self, found: str, expected: str, advice: str = "") -> ReaderError:
        """Return a `ReaderError` that shows the first rows as the layout splits them."""
        seen = "; ".join(" | ".join(_shown(row)) for row in self.preview[:_SHOWN_ROWS])
        text = f"{advice} The layout splits the first rows so: {seen}".strip()
        return ReaderError(Problem(self.name, f"line {self.line}", found, expected, text))


def file_columns(layout: Layout, header: Header, width: int) -> tuple[FileColumn, ...]:
    """Return the columns to read, those listed first and then the others the layout admits.

    Parameters
    ----------
    layout : Layout
    header : Header
        The titles of the file.
    width : int
        Number of columns of the file.

    Raises
    ------
    ReaderError
        If a column of the layout is not in the file.
    """
    titles = None if header.titles is None else [title.strip() for title in header.titles]
    listed: list[FileColumn] = []
    missing: list[str] = []
    for order, column in enumerate(layout.table_schema.columns):
        index = _place(column, order, titles, width, header)
        if index is None:
            missing.append(_written(column))
        else:
            listed.append(FileColumn(column, index))
    if missing:
        raise _missing(header, missing, titles, width)
    _refuse_shared(listed, header)
    return (*listed, *_others(layout, listed, titles, width))


def _written(column: Column) -> str:
    """Return how a column is told in the file."""
    return f"number {column.number}" if column.number else repr(column.titles or column.name)


def _place(
    column: Column, order: int, titles: list[str] | None, width: int, header: Header
) -> int | None:
    """Return a column's place in the file, or None."""
    if column.number is not None:
        return column.number - 1 if column.number <= width else None
    if titles is None:
        return order if order < width else None
    title = (column.titles or column.name).strip()
    if titles.count(title) > 1:
        raise header.error(
            f"the title {title!r} {titles.count(title)} times",
            "each title of the layout once",
            "State the column's number in the layout instead.",
        )
    return titles.index(title) if title in titles else None


def _missing(
    header: Header, missing: list[str], titles: list[str] | None, width: int
) -> ReaderError:
    """Return the error for columns that the file lacks."""
    if titles is None:
        return header.error(f"{width} columns", f"columns {', '.join(missing)} too")
    hints = dict.fromkeys(_hint(title.strip("'\""), titles, header) for title in missing[:50])
    return header.error(
        f"titles {', '.join(_shown(titles))}",
        f"also {', '.join(missing)}",
        " ".join(hint for hint in [*hints][:5] if hint),
    )


def _hint(title: str, titles: list[str], header: Header) -> str:
    """Return what may be wrong with a layout whose title is not in the title row."""
    for below, row in enumerate(header.preview[1:], 1):
        if title in [cell.strip() for cell in row]:
            return (
                f"{title!r} stands {below} lines further down: look at skipRows and titleRow."
            )
    for cell in titles[:_SHOWN_CELLS]:
        mark = _mark_beside(title, cell)
        if mark:
            return f"{title!r} stands inside another cell: is the delimiter {mark!r}?"
    near = difflib.get_close_matches(title, titles[:500], n=1, cutoff=0.6)
    if near and _garbled(title) == near[0]:
        return f"{title!r} is {near[0]!r} here: set the dialect's encoding to 'utf-8'."
    if near:
        return f"{title!r} may be {near[0]!r} here."
    told = [cell for cell in titles if cell]
    if told and all(cell[0].isdigit() or cell[0] in "-+" for cell in told):
        return "These look like data: are skipRows or headerRowCount too large?"
    return ""


def _mark_beside(title: str, cell: str) -> str:
    """Return the delimiter that stands beside a title within a cell, or ""."""
    for mark in _MARKS:
        if title in [part.strip(' "') for part in cell.split(mark)] and cell != title:
            return mark
    return ""


def _garbled(title: str) -> str:
    """Return how a title in UTF-8 reads when it is taken for one byte a letter."""
    return title.encode().decode("cp1252", errors="replace")


def _refuse_shared(listed: list[FileColumn], header: Header) -> None:
    """Raise where two columns of the layout are one column of the file."""
    places: dict[int, str] = {}
    for file_column in listed:
        other = places.setdefault(file_column.index, file_column.column.name)
        if other != file_column.column.name:
            raise header.error(
                f"column {file_column.index + 1} named both {other!r} and "
                f"{file_column.column.name!r} by the layout",
                "one name a column",
            )


def _others(
    layout: Layout, listed: list[FileColumn], titles: list[str] | None, width: int
) -> list[FileColumn]:
    """Return the columns not listed, as channels named by their titles.

    A column without a title is named as the standard names it, ``_col.N``; a title met again
    is told apart by its column number.
    """
    schema = layout.table_schema
    if schema.others == "ignore" or schema.others_datatype.base != "number":
        return []
    taken = {file_column.index for file_column in listed}
    names = {file_column.column.name for file_column in listed}
    others = []
    for index in range(width):
        if index in taken:
            continue
        title = titles[index] if titles and index < len(titles) else ""
        name = title or f"_col.{index + 1}"
        name = f"{name}#{index + 1}" if name in names else name
        names.add(name)
        others.append(FileColumn(Column(name=name, datatype=schema.others_datatype), index))
    return others


def _shown(cells: Sequence[str]) -> list[str]:
    """Return the first cells, shortened, as a person would quote them."""
    shown = [
        repr(cell if len(cell) <= _SHOWN_CHARACTERS else cell[:_SHOWN_CHARACTERS] + "…")
        for cell in cells[:_SHOWN_CELLS]
    ]
    return shown if len(cells) <= _SHOWN_CELLS else [*shown, f"… {len(cells)} in all"]
