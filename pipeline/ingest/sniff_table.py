"""A layout for an unknown delimited table, put together from what its cells look like."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from pipeline.ingest.sniff_cells import Numerals, best_numerals, is_null, sentinels_of
from pipeline.ingest.sniff_columns import Stamps, find_stamps
from pipeline.ingest.sniff_draft import Draft
from pipeline.ingest.sniff_rounds import make_rounds, rounds_form
from pipeline.ingest.sniff_text import Split, Text, comment_prefix, has_width

MAX_HEADER_ROWS = 10
_NUMERIC_SHARE = 0.5
_COUNTER_TITLE = re.compile(r"rec|count|\bn[or]\b|index|sequence|\bid\b", re.IGNORECASE)
_NUMBER = re.compile(r"[-+\d.,]+")
_UNIT = re.compile(
    r"\(?\[?(?:[mkµu]?[VAWsSmgPNJ](?:/\S+)?|[hk]?Pa|[cmk]?m[23³²]?(?:[/ ]\S+)?|°\S+|deg\S*|"
    r"%\S*|d?S/m|min|sec|-)\]?\)?"
)


@dataclass
class _Grid:
    """The lines of a sample split into cells; ``body`` are the lines with a stamp."""

    text: Text
    split: Split
    rows: list[list[str]]
    usual: list[int]  # lines of usual width
    stamps: Stamps
    body: list[int]

    def column(self, k: int) -> list[str]:
        return [self.rows[i][k] if k < len(self.rows[i]) else "" for i in self.body]


def draft_table(text: Text, split: Split) -> Draft | None:
    """Return a layout for a table split in one way; None if no stamps are found."""
    grid = _grid(text, split)
    if grid is None:
        return None
    draft = Draft({}, doubts=[*text.doubts, *grid.stamps.doubts])
    head = _Head.of(grid)
    if not head.count:
        draft.doubts.append("no row of titles was found: columns are told by their number")
    columns = list(_columns(grid, head, draft))
    form: dict[str, object] = {"dialect": _dialect(grid, head, draft)}
    form["tableSchema"] = _schema(grid, columns, draft)
    if draft.kind == "rounds":
        form["rounds"] = rounds_form(columns, head.titles, grid.column, draft)
    draft.form = form
    draft.facts += [
        f"rows with a stamp in the first {len(grid.rows)} lines: {len(grid.body)}, "
        f"from line {grid.body[0] + 1} on"
    ]
    draft.doubts += _footers(grid)
    return draft


def _grid(text: Text, split: Split) -> _Grid | None:
    rows = [split.cells(line) for line in text.lines]
    usual = [i for i, row in enumerate(rows) if has_width(row, split.width) and any(row)]
    stamps = find_stamps([rows[i] for i in usual], split.width)
    if stamps is None or not stamps.rows:
        return None
    body = [usual[i] for i in stamps.rows if not comment_prefix(text.lines[usual[i]])]
    return _Grid(text, split, rows, usual, stamps, body) if body else None


@dataclass(frozen=True)
class _Head:
    """Where the header stands: lines passed over, its rows, its titles and units."""

    skipped: int
    count: int
    titles: tuple[str, ...]
    units_row: int | None = None
    prefix: str = ""

    @staticmethod
    def of(grid: _Grid) -> _Head:
        """Return the header above the first row with a stamp."""
        first = grid.body[0]
        prefix = _prefix(grid)
        above = [i for i in range(first) if grid.text.lines[i].strip() and any(grid.rows[i])]
        shaped = [i for i in above if i in grid.usual and not _is_comment(grid, i, prefix)]
        if not shaped or grid.split.delimiter is None:
            return _Head(first if above else 0, 0, (), None, prefix)
        title = max(shaped, key=lambda i: (_distinct(grid.rows[i]), -i))
        header = [i for i in above if i >= title and not _is_comment(grid, i, prefix)]
        if len(header) > MAX_HEADER_ROWS:
            return _Head(first, 0, (), None, prefix)
        units = [n for n, i in enumerate(header, 1) if i > title and _is_units(grid.rows[i])]
        return _Head(
            title, len(header), tuple(grid.rows[title]), units[0] if units else None, prefix
        )


def _prefix(grid: _Grid) -> str:
    """Return what marks comments, if any line but a title is one."""
    found = Counter(
        comment_prefix(line)
        for i, line in enumerate(grid.text.lines)
        if comment_prefix(line) and i not in grid.usual
    )
    return found.most_common(1)[0][0] if found else ""


def _is_comment(grid: _Grid, i: int, prefix: str) -> bool:
    return bool(prefix) and comment_prefix(grid.text.lines[i]) == prefix


def _distinct(row: Sequence[str]) -> int:
    """Return how many cells of a row are texts of their own."""
    return len({cell for cell in row if cell and not _NUMBER.fullmatch(cell)})


def _is_units(row: Sequence[str]) -> bool:
    told = [cell for cell in row if cell]
    return bool(told) and 2 * sum(bool(_UNIT.fullmatch(cell)) for cell in told) >= len(told)


def _is_numeric(row: Sequence[str]) -> bool:
    told = [cell for cell in row if cell]
    return bool(told) and 2 * sum(bool(_NUMBER.fullmatch(cell)) for cell in told) > len(told)


def _dialect(grid: _Grid, head: _Head, draft: Draft) -> dict[str, object]:
    """Return the dialect; what is the standard's default is left out."""
    dialect: dict[str, object] = {}
    if grid.text.encoding != "utf-8":
        dialect["encoding"] = grid.text.encoding
    if grid.split.delimiter is None:
        dialect["delimiter"] = ""
        draft.doubts.append(
            "the widths of fixed columns: cut behind the last character seen in each"
        )
    elif grid.split.delimiter != ",":
        dialect["delimiter"] = grid.split.delimiter
    if head.skipped:
        dialect["skipRows"] = head.skipped
    if head.count != 1:
        dialect["headerRowCount"] = head.count
    if head.units_row:
        dialect["unitsRow"] = head.units_row
    if head.count > 1:
        draft.doubts.append(
            f"the titles: taken from line {head.skipped + 1}, the first of {head.count} "
            f"header rows"
        )
    numbers = [i for i in range(head.skipped + 1, grid.body[0]) if _is_numeric(grid.rows[i])]
    if numbers and head.count:
        draft.doubts.append(
            f"line {numbers[0] + 1}: it holds numbers but no stamp, and counts as a header row"
        )
    if head.prefix:
        dialect["commentPrefix"] = head.prefix
    return dialect


def _columns(grid: _Grid, head: _Head, draft: Draft) -> Iterator[dict[str, object]]:
    """Yield the columns that need saying something of; of fixed columns, all."""
    datatypes = dict(grid.stamps.columns)
    names = _Names(head.titles)
    measures: list[int] = []
    found: dict[int, dict[str, object]] = {}
    numerals, doubt = best_numerals(_number_cells(grid), grid.split.delimiter)
    draft.doubts += [doubt] if doubt else []
    for k in range(grid.split.width):
        column: dict[str, object] = {"name": names.of(k, _part(datatypes.get(k)))}
        column.update(names.place(k))
        if k in datatypes:
            column.update(role="stamp", datatype=_stamp_type(datatypes[k], numerals))
        elif k in grid.stamps.spare or _is_wordy(grid.column(k), numerals):
            column.update(role="ignore", datatype={"base": "string"})
        elif _is_counter(grid, k, names.titles):
            column["role"] = "counter"
            draft.doubts.append(
                f"column {k + 1} rises by one from row to row: a record counter"
            )
        else:
            measures.append(k)
            continue
        found[k] = column
    if not make_rounds(found, names.titles, draft):
        _make_long(grid, found, measures, names, draft)
    draft.facts.append(f"{len(measures)} columns of numbers, decimal {numerals.decimal!r}")
    draft.form["numerals"] = numerals
    draft.form["measures"] = measures
    if grid.split.delimiter is None:
        yield from _fixed_columns(grid, found, names, numerals)
        return
    yield from (found[k] for k in sorted(found))


def _part(datatype: dict[str, Any] | None) -> str:
    """Return a name for a stamp column without a title, "" for any other column."""
    if datatype is None:
        return ""
    return {"date": "date", "dayOfYear": "day"}.get(datatype["base"], "time")


def _stamp_type(datatype: dict[str, object], numerals: Numerals) -> dict[str, object]:
    """Return the datatype of a stamp; a serial day is written as numbers are."""
    if datatype["base"] == "serialDay" and numerals.decimal != ".":
        return {**datatype, "decimalChar": numerals.decimal}
    return datatype


class _Names:
    """The names of columns and how the file tells them."""

    def __init__(self, titles: Sequence[str]) -> None:
        self.titles = [title.strip() for title in titles]
        self._alike = Counter(self.titles)
        self._given: dict[int, str] = {}
        self._taken: Counter[str] = Counter()

    def of(self, k: int, otherwise: str) -> str:
        """Return a name for a column that no other has."""
        title = self.titles[k] if k < len(self.titles) else ""
        base = title or otherwise or f"column {k + 1}"
        if k in self._given:
            self._taken[self._given[k]] -= 1
        self._given[k] = base if not self._taken[base] else f"{base} {k + 1}"
        self._taken[self._given[k]] += 1
        return self._given[k]

    def place(self, k: int) -> dict[str, object]:
        """Return the column's number where its title does not tell it."""
        title = self.titles[k] if k < len(self.titles) else ""
        return {} if title and self._alike[title] == 1 else {"number": k + 1}


def _fixed_columns(
    grid: _Grid, found: dict[int, dict[str, object]], names: _Names, numerals: Numerals
) -> Iterator[dict[str, object]]:
    """Yield every column with its width; the last goes on to the end of the line."""
    edges = grid.split.edges
    for k in range(grid.split.width):
        column = dict(found.get(k, {"name": names.of(k, "")}))
        column.pop("number", None)
        if k not in found and numerals != Numerals():
            column["datatype"] = _number_type(numerals)
        if k < grid.split.width - 1:
            column["width"] = edges[k + 1] - edges[k]
        yield column


def _number_type(numerals: Numerals) -> dict[str, object]:
    datatype: dict[str, object] = {"base": "number"}
    if numerals.decimal != ".":
        datatype["decimalChar"] = numerals.decimal
    if numerals.group:
        datatype["groupChar"] = numerals.group
    return datatype


def _number_cells(grid: _Grid) -> list[str]:
    told = {k for k, _ in grid.stamps.columns} | set(grid.stamps.spare)
    free = [k for k in range(grid.split.width) if k not in told]
    return [cell for k in free for cell in grid.column(k)]


def _is_wordy(cells: Sequence[str], numerals: Numerals) -> bool:
    """Tell whether a column holds words rather than numbers."""
    told = [cell for cell in cells if not is_null(cell)]
    numbers = sum(numerals.value(cell) is not None for cell in told)
    return bool(told) and numbers < _NUMERIC_SHARE * len(told)


def _is_counter(grid: _Grid, k: int, titles: Sequence[str]) -> bool:
    cells = grid.column(k)
    if len(cells) < 3 or not all(cell.isdigit() for cell in cells):
        return False
    title = titles[k] if k < len(titles) else ""
    steps = [int(b) - int(a) for a, b in pairwise(cells)]
    first_column = k < min(place for place, _ in grid.stamps.columns) + 2
    return steps.count(1) >= 0.9 * len(steps) and bool(
        _COUNTER_TITLE.search(title) or first_column
    )


def _make_long(
    grid: _Grid,
    found: dict[int, dict[str, object]],
    measures: list[int],
    names: _Names,
    draft: Draft,
) -> None:
    """Give the roles of long form where one column holds all values and another names them."""
    wordy = [k for k, column in found.items() if column["role"] == "ignore"]
    wordy = [k for k in wordy if k not in grid.stamps.spare]
    if len(measures) != 1 or not wordy:
        return
    stamps = list(zip(*(grid.column(k) for k, _ in grid.stamps.columns), strict=True))
    if 2 * len(set(stamps)) > len(stamps) + 1:
        return  # nearly every row has a stamp of its own
    for k in wordy:
        channels = grid.column(k)
        pairs = set(zip(stamps, channels, strict=True))
        if len(pairs) > 0.95 * len(stamps) and len(set(channels)) <= len(channels) / 2:
            found[k].update(role="key")
            value = measures[0]
            found[value] = {
                "name": names.of(value, "value"),
                **names.place(value),
                "role": "value",
            }
            draft.doubts.append(
                f"long form: column {k + 1} names the channel, column {value + 1} is its value"
            )
            return


def _schema(grid: _Grid, columns: list[dict[str, object]], draft: Draft) -> dict[str, object]:
    """Return the table schema: columns, null markers, sentinels, how numbers are written."""
    numerals, measures = draft.form.pop("numerals"), draft.form.pop("measures")
    schema: dict[str, object] = {"columns": columns}
    words = Counter(
        cell
        for k in measures
        for cell in grid.column(k)
        if cell and numerals.value(cell) is None
    )
    odd = [word for word in words if not is_null(word)]
    if words:
        schema["null"] = ["", *sorted(words)]
    if odd:
        shown = ", ".join(repr(word) for word in sorted(odd)[:5])
        draft.doubts.append(f"texts among numbers, taken to mean 'no value': {shown}")
    _add_sentinels(grid, schema, measures, numerals, draft)
    long = any(column.get("role") == "value" for column in columns)
    if numerals != Numerals():
        datatype = _number_type(numerals)
        if long:
            next(c for c in columns if c.get("role") == "value")["datatype"] = datatype
        elif grid.split.delimiter is not None:
            schema["othersDatatype"] = datatype
        for depth in columns if draft.kind == "rounds" else ():
            if "role" not in depth:  # listed, so that 'othersDatatype' does not hold for it
                depth["datatype"] = datatype
    if long or not measures or draft.kind == "rounds":
        schema["others"] = "ignore"
    return schema


def _add_sentinels(
    grid: _Grid,
    schema: dict[str, object],
    measures: list[int],
    numerals: Numerals,
    draft: Draft,
) -> None:
    """State the numbers that seem to mean "no value"."""
    found: dict[float, list[int]] = {}
    for k in measures:
        values = [v for cell in grid.column(k) if (v := numerals.value(cell)) is not None]
        for sentinel in sentinels_of(values):
            found.setdefault(sentinel, []).append(k)
    if not found:
        return
    schema["sentinels"] = sorted(found)
    for sentinel, places in sorted(found.items()):
        shown = ", ".join(str(k + 1) for k in places[:6])
        draft.doubts.append(
            f"the number {sentinel:g}: taken to mean 'no value', far from the other values of "
            f"column {shown}{' ...' if len(places) > 6 else ''}; it holds for all columns"
        )


def _footers(grid: _Grid) -> Iterator[str]:
    """Yield what stands below the last row with a stamp."""
    last = grid.body[-1]
    below = [i for i in range(last + 1, len(grid.text.lines)) if grid.text.lines[i].strip()]
    if below:
        shown = grid.text.lines[below[0]][:40]
        yield (
            f"line {below[0] + 1}, below the last row: {shown!r} will be set aside; if it "
            "ends every file, name its beginning in 'footerPrefixes' of [dialect]"
        )
