"""Which columns of an unknown table make its time stamps."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from pipeline.ingest.sniff_stamp import Written, written

_LEAST_SHARE = 0.8  # of the rows below the first stamp must have one
_PROBED = 30  # cells, to see soon that a column holds neither dates nor times
_LOOK_RIGHT = 4  # columns from a date to its time of day
_CLOCK_TITLE = re.compile(r"time|zeit|heure|hora|clock|uhr|hhmm|\bhour", re.IGNORECASE)
_DAY_TITLE = re.compile(r"day|tag|jour|doy|julian|\bjd\b", re.IGNORECASE)
_DATE_TITLE = re.compile(r"date|datum|serial|time|zeit|stamp", re.IGNORECASE)
_PLAIN_NUMBER = re.compile(r"\d{1,18}(\.\d+)?")  # longer is no date, and may be infinite
_SERIAL_DAYS = (20_000, 60_000)  # 1954 to 2064
_EPOCH_SECONDS = (300_000_000, 4_100_000_000)  # 1979 to 2099
Test = Callable[[Sequence[float]], bool]


@dataclass(frozen=True)
class Stamps:
    """The stamp columns of a table: their places and datatypes in order.

    ``rows`` are those that have a stamp; ``spare`` other columns that hold a date or a time.
    """

    columns: tuple[tuple[int, dict[str, object]], ...]
    rows: tuple[int, ...]
    spare: tuple[int, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass
class _Table:
    """The rows of a table by column, and a text that may be each column's title."""

    rows: Sequence[Sequence[str]]
    titles: Sequence[str]
    told: dict[int, Written] = field(default_factory=dict)

    def column(self, k: int) -> list[str]:
        return [row[k] if k < len(row) else "" for row in self.rows]


def find_stamps(rows: Sequence[Sequence[str]], width: int) -> Stamps | None:
    """Return the columns that make the stamps, or None.

    Parameters
    ----------
    rows : sequence of sequences of str
        The rows of usual width, those of the header among them.
    width : int
        Number of columns.
    """
    titles = [" ".join(row[k] for row in rows[:4] if k < len(row)) for k in range(width)]
    table = _Table(rows, titles)
    for k in range(width):
        found = _written_column(table.column(k))
        if found is not None:
            table.told[k] = found
    for way in (_whole, _date_and_clock, _year_and_day, _serial_day, _epoch):
        columns = way(table, width)
        if columns:
            return _stamps(table, columns)
    return None


def _written_column(cells: Sequence[str]) -> Written | None:
    """Return how a column writes dates or times, header and stray rows aside."""
    likely = [
        cell for cell in cells if cell and cell[0].isalnum() and any(map(str.isdigit, cell))
    ]
    last = likely[-_PROBED:]
    if sum(written([cell]) is not None for cell in last) < _LEAST_SHARE * len(last):
        return None
    kept = [cell for cell in likely if written([cell]) is not None]
    if not kept or len(kept) < _LEAST_SHARE * len(likely):
        return None
    return written(kept)


def _whole(table: _Table, width: int) -> list[tuple[int, dict[str, object]]]:
    """Return a column that holds date and time of day."""
    for k, found in table.told.items():
        if found.has_date and found.has_clock:
            return [(k, found.datatype)]
    return []


def _date_and_clock(table: _Table, width: int) -> list[tuple[int, dict[str, object]]]:
    """Return a column of dates with one of times of day behind it, if there is one."""
    dates = [k for k, found in table.told.items() if found.has_date]
    for date in dates:
        clock = _clock_column(table, date, width)
        if clock is not None:
            return [(date, table.told[date].datatype), clock]
    return [(dates[0], table.told[dates[0]].datatype)] if dates else []


def _clock_column(
    table: _Table, date: int, width: int
) -> tuple[int, dict[str, object]] | None:
    """Return the time of day that belongs to a date."""
    near = [*range(date + 1, min(date + 1 + _LOOK_RIGHT, width)), *range(date - 1, date)]
    for k in near:
        found = table.told.get(k)
        if found is not None and found.has_clock and not found.has_date:
            return k, found.datatype
    counted = [k for k in near if k >= 0 and _numbers(table, k, _is_hhmm)]
    titled = [k for k in counted if _CLOCK_TITLE.search(table.titles[k])]
    for k in [*titled, *(k for k in counted if k == date + 1)]:
        return k, {"base": "hhmm"}
    return None


def _year_and_day(table: _Table, width: int) -> list[tuple[int, dict[str, object]]]:
    """Return a year, the day of the year and perhaps the time of day."""
    years = [k for k in range(width) if _numbers(table, k, _is_year)]
    for year in years:
        for k in range(year + 1, min(year + 1 + _LOOK_RIGHT, width)):
            if not _numbers(table, k, _is_day_of_year):
                continue
            if k > year + 1 and not _DAY_TITLE.search(table.titles[k]):
                continue
            day: list[tuple[int, dict[str, object]]] = [
                (year, {"base": "date", "format": "yyyy"}),
                (k, {"base": "dayOfYear"}),
            ]
            clock = _clock_column(table, k, width)
            return [*day, clock] if clock is not None else day
    return []


def _serial_day(table: _Table, width: int) -> list[tuple[int, dict[str, Any]]]:
    """Return the serial day of a spreadsheet, and the time of day where it is whole."""
    for k in range(width):
        if not _numbers(table, k, _is_serial_day):
            continue
        clock = None
        if not any("." in cell for cell in table.column(k)):
            clock = _clock_column(table, k, width)
        datatype = {"base": "serialDay", "format": "1900"}
        return [(k, datatype), clock] if clock is not None else [(k, datatype)]
    return []


def _epoch(table: _Table, width: int) -> list[tuple[int, dict[str, object]]]:
    """Return seconds or milliseconds since 1970."""
    for k in range(width):
        if _numbers(table, k, _is_epoch):
            return [(k, {"base": "epochSeconds"})]
        if _numbers(table, k, lambda values: _is_epoch([value / 1000 for value in values])):
            return [(k, {"base": "epochMilliseconds"})]
    return []


def _numbers(table: _Table, k: int, test: Test) -> bool:
    """Tell whether the numbers of a column, which must be most of it, pass a test."""
    cells = [cell for cell in table.column(k) if cell]
    values = [float(cell) for cell in cells if _PLAIN_NUMBER.fullmatch(cell)]
    if not values or len(values) < 0.5 * len(cells):
        return False
    return test(values)


def _rises(values: Sequence[float]) -> bool:
    """Tell whether values hardly ever fall."""
    falls = sum(b < a for a, b in pairwise(values))
    return falls <= 0.02 * len(values)


def _is_hhmm(values: Sequence[float]) -> bool:
    sound = all(v == int(v) and 0 <= v <= 2400 and v % 100 < 60 for v in values)
    return sound and (len(values) == 1 or len(set(values)) > 1)


def _is_year(values: Sequence[float]) -> bool:
    return all(v == int(v) and 1900 <= v <= 2100 for v in values) and _rises(values)


def _is_day_of_year(values: Sequence[float]) -> bool:
    falls = sum(b < a - 300 for a, b in pairwise(values))
    inside = all(1 <= v < 367 for v in values)
    return inside and sum(b < a for a, b in pairwise(values)) <= falls + 0.02 * len(values)


def _is_serial_day(values: Sequence[float]) -> bool:
    low, high = _SERIAL_DAYS
    return all(low < v < high for v in values) and _rises(values) and len(set(values)) > 1


def _is_epoch(values: Sequence[float]) -> bool:
    low, high = _EPOCH_SECONDS
    return all(low < v < high for v in values) and _rises(values) and len(set(values)) > 1


def _stamps(table: _Table, columns: list[tuple[int, dict[str, object]]]) -> Stamps:
    """Return the stamps with the rows that have one, and what is unsure."""
    places = [k for k, _ in columns]
    rows = [i for i, row in enumerate(table.rows) if _has_stamp(row, places, table)]
    doubts = [doubt for k in places for doubt in _doubts_of(table, k)]
    spare = _spare(table, places)
    if columns[0][1]["base"] == "serialDay":
        doubts.append("the day: read as a spreadsheet's serial day of the 1900 system")
    if spare:
        told = ", ".join(str(k + 1) for k in spare)
        used = " and ".join(str(k + 1) for k in places)
        doubts.append(
            f"the stamp: column {used} was taken; {told} hold dates or times as well"
        )
    return Stamps(tuple(columns), tuple(rows), tuple(spare), tuple(doubts))


def _spare(table: _Table, places: Sequence[int]) -> list[int]:
    """Return the other columns that hold a date or a time of day."""
    width = len(table.titles)
    clocks = [
        clock[0]
        for k, found in table.told.items()
        if found.has_date and not found.has_clock and k not in places
        if (clock := _clock_column(table, k, width)) is not None
    ]
    return sorted({*table.told, *clocks} - set(places))


def _doubts_of(table: _Table, k: int) -> tuple[str, ...]:
    return table.told[k].doubts if k in table.told else ()


def _has_stamp(row: Sequence[str], places: Sequence[int], table: _Table) -> bool:
    """Tell whether a row has all parts of a stamp."""
    for k in places:
        cell = row[k] if k < len(row) else ""
        sound = written([cell]) is not None if k in table.told else _is_number(cell)
        if not sound:
            return False
    return True


def _is_number(cell: str) -> bool:
    return re.fullmatch(r"\d+(\.\d+)?", cell) is not None
