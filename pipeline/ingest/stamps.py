"""Written times to seconds: date patterns of UAX #35, day of year, epochs and serial days.

A layout's stamp columns are each compiled once; a compiled scanner then reads every row's
digits straight from the buffer. Seconds count from 1970-01-01 00:00 on the clock that wrote
the stamp; a stamp that states its own offset from UTC is turned into UTC. Fractions of a
second are cut off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.fields import Spans
from pipeline.ingest.numerals import NUMBER, NumberRule, number_rule, read_numbers
from pipeline.ingest.scan_stamps import (
    ABSENT,
    DAY,
    DAY_OF_YEAR,
    DIGITS,
    END,
    FIELD_COUNT,
    FRACTION,
    HALF,
    HOUR,
    LETTERS,
    LITERAL,
    MINUTE,
    MONTH,
    OFFSET,
    OP_HALF,
    OP_MONTH,
    OP_OFFSET,
    RUN,
    SECOND,
    YEAR,
    scan_pattern,
)
from pipeline.site.layout import Datatype
from pipeline.site.patterns import Token, pattern_tokens

DAY_S = 86_400
ENGLISH_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip
# Days from the spreadsheet's day 0 to 1970-01-01. The 1900 system counts a 29 February 1900
# that never was (ECMA-376 part 1, 18.17.4.1), so serials before 1 March 1900 are refused.
_SERIAL_EPOCH = {"1900": 25_569, "1904": 24_107}
_FIRST_SERIAL = {"1900": 61, "1904": 0}
_LAST_SERIAL = 2_958_465  # 9999-12-31
# Seconds from the year 1 to the year 9999, about; keeps sums inside int64.
_SECOND_LIMIT = 3.0e11
_PATTERN_FIELDS = {
    "y": YEAR, "u": YEAR, "M": MONTH, "d": DAY, "D": DAY_OF_YEAR, "H": HOUR, "k": HOUR,
    "h": HOUR, "K": HOUR, "m": MINUTE, "s": SECOND,
}  # fmt: skip
_ISO_DATE = "yyyy-MM-dd"
_Program = NDArray[np.int64]
Values = NDArray[np.float64]
Fields = NDArray[np.int32]  # (FIELD_COUNT, rows)
Good = NDArray[np.bool_]


@dataclass(frozen=True)
class StampPart:
    """One compiled stamp column: a pattern's program, or a number of some meaning."""

    base: str
    written: str  # for messages
    program: _Program | None
    names: NDArray[np.uint8]
    name_lengths: NDArray[np.int64]
    number: NumberRule
    two_digit_year: bool = False
    hour_letter: str = "H"
    epoch: str = "1900"


def stamp_part(datatype: Datatype) -> StampPart:
    """Return the compiled form of one stamp column.

    Raises
    ------
    ValueError
        If its pattern is not understood.
    """
    names, lengths = _month_table(datatype.months or ENGLISH_MONTHS, datatype.months is None)
    number = number_rule(datatype)
    if datatype.base not in ("dateTime", "date", "time", "string"):
        return StampPart(
            datatype.base, datatype.base, None, names, lengths, number,
            epoch=datatype.format or "1900",
        )  # fmt: skip
    if datatype.format is None:
        return StampPart(
            datatype.base, _iso_text(datatype.base), _iso_program(datatype.base), names,
            lengths, number,
        )  # fmt: skip
    tokens = pattern_tokens(datatype.format)
    hours = [token.letter for token in tokens if token.letter in ("H", "k", "h", "K")]
    return StampPart(
        datatype.base,
        repr(datatype.format),
        _program(tokens),
        names,
        lengths,
        number,
        any(token.letter in ("y", "u") and token.count == 2 for token in tokens),
        hours[0] if hours else "H",
    )


def read_stamps(
    buffer: NDArray[np.uint8], spans: Sequence[Spans], parts: Sequence[StampPart]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the seconds of each row, put together from its stamp columns.

    Parameters
    ----------
    buffer : ndarray of uint8
        The text.
    spans : sequence of (starts, stops)
        The cells of each stamp column, (rows,).
    parts : sequence of StampPart
        How each column is written.

    Returns
    -------
    seconds : ndarray (rows,) of int64
        Zero where the stamp is bad.
    good : ndarray (rows,) of bool
    """
    rows = len(spans[0][0])
    fields = np.full((FIELD_COUNT, rows), ABSENT, dtype=np.int32)
    counted = np.zeros(rows, dtype=np.int64)  # seconds given outright
    good = np.ones(rows, dtype=np.bool_)
    for part, cells in zip(parts, spans, strict=True):
        if part.program is not None:
            scan_pattern(
                buffer, *cells, part.program, part.names, part.name_lengths, fields, good
            )
            _settle(part, fields)
        else:
            counted += _read_numeric(buffer, cells, part, fields, good)
    absolute = any(part.base in _ABSOLUTE for part in parts)
    seconds = counted + _time_of_day(fields, good) - _offset(fields)
    if not absolute:
        seconds += _date_seconds(fields, good)
    return np.where(good, seconds, 0), good


def _settle(part: StampPart, fields: NDArray[np.int32]) -> None:
    """Give two-digit years their century and the hour of a clock its place in the day."""
    if part.two_digit_year:
        year = fields[YEAR]
        short = (year >= 0) & (year < 100)
        # As POSIX strptime: 69 to 99 are the twentieth century.
        fields[YEAR] = np.where(short, np.where(year < 69, 2000, 1900) + year, year)
    hour = fields[HOUR]
    if part.hour_letter == "k":
        fields[HOUR] = np.where(hour == 24, 0, np.where(hour == 0, 99, hour))
    if part.hour_letter in ("h", "K"):
        low, high = (1, 12) if part.hour_letter == "h" else (0, 11)
        half_known = (hour >= low) & (hour <= high) & (fields[HALF] != ABSENT)
        fields[HOUR] = np.where(half_known, hour % 12 + 12 * fields[HALF], 99)


def _date_seconds(fields: NDArray[np.int32], good: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return seconds of midnight of the date; marks impossible dates."""
    year, month, day, day_of_year = (
        fields[index].astype(np.int64) for index in (YEAR, MONTH, DAY, DAY_OF_YEAR)
    )
    by_day_of_year = day_of_year != ABSENT
    leap = ((year % 4 == 0) & (year % 100 != 0)) | (year % 400 == 0)
    good &= (year >= 1) & (year <= 9999)
    sound_month = np.clip(month, 1, 12)
    length = _MONTH_LENGTHS[sound_month] + (leap & (sound_month == 2))
    good &= by_day_of_year | ((month >= 1) & (month <= 12) & (day >= 1) & (day <= length))
    good &= ~by_day_of_year | ((day_of_year >= 1) & (day_of_year <= 365 + leap))
    before = year - 1
    new_year = 365 * before + before // 4 - before // 100 + before // 400 - _DAYS_TO_1970
    into_year = _DAYS_BEFORE[sound_month] + (leap & (sound_month > 2)) + day - 1
    return DAY_S * (new_year + np.where(by_day_of_year, day_of_year - 1, into_year))


_MONTH_LENGTHS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_DAYS_BEFORE = np.concatenate(([0, 0], np.cumsum(_MONTH_LENGTHS[1:12])))
_DAYS_TO_1970 = 719_162  # from 0001-01-01 in the Gregorian calendar
_ABSOLUTE = ("epochSeconds", "epochMilliseconds", "serialDay")


def _time_of_day(fields: NDArray[np.int32], good: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return seconds since midnight; 24:00 is the midnight that ends the day."""
    hour, minute, second = (
        np.where(fields[index] == ABSENT, 0, fields[index]).astype(np.int64)
        for index in (HOUR, MINUTE, SECOND)
    )
    good &= (hour < 24) | ((hour == 24) & (minute == 0) & (second == 0))
    good &= (minute < 60) & (second < 60)
    return 3600 * hour + 60 * minute + second


def _offset(fields: NDArray[np.int32]) -> NDArray[np.int64]:
    """Return the offset from UTC that stamps state, zero where none."""
    return np.where(fields[OFFSET] == ABSENT, 0, fields[OFFSET]).astype(np.int64)


def _read_numeric(
    buffer: NDArray[np.uint8],
    cells: Spans,
    part: StampPart,
    fields: NDArray[np.int32],
    good: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Read a column that counts; returns seconds and fills fields."""
    column = (cells[0][np.newaxis], cells[1][np.newaxis])
    (values,), (kinds,) = read_numbers(buffer, column, part.number)
    good &= kinds == NUMBER
    values = np.where(kinds == NUMBER, values, 0.0)
    return _NUMERIC[part.base](values, part, fields, good)


def _epoch_seconds(
    values: Values, part: StampPart, fields: Fields, good: Good
) -> NDArray[np.int64]:
    """Return seconds since 1970."""
    good &= np.abs(values) < _SECOND_LIMIT
    return np.floor(np.where(good, values, 0.0)).astype(np.int64)


def _epoch_milliseconds(
    values: Values, part: StampPart, fields: Fields, good: Good
) -> NDArray[np.int64]:
    """Return milliseconds since 1970 as seconds."""
    return _epoch_seconds(values / 1000.0, part, fields, good)


def _serial_day(
    values: Values, part: StampPart, fields: Fields, good: Good
) -> NDArray[np.int64]:
    """Return a spreadsheet's serial day as seconds."""
    good &= (values >= _FIRST_SERIAL[part.epoch]) & (values <= _LAST_SERIAL)
    # Serial days are written with some digits only: the nearest second.
    serial = np.where(good, values, 0.0)
    return np.rint((serial - _SERIAL_EPOCH[part.epoch]) * DAY_S).astype(np.int64)


def _day_of_year(
    values: Values, part: StampPart, fields: Fields, good: Good
) -> NDArray[np.int64]:
    """Fill the day of the year; return its fraction in seconds."""
    good &= (values >= 1) & (values < 367)
    days = np.floor(np.where(good, values, 1.0))
    fields[DAY_OF_YEAR] = days
    return np.rint((np.where(good, values, 1.0) - days) * DAY_S).astype(np.int64)


def _hhmm(values: Values, part: StampPart, fields: Fields, good: Good) -> NDArray[np.int64]:
    """Fill hour and minute from one number, as 1430."""
    good &= (values >= 0) & (values <= 2400) & (values == np.floor(values))
    clock = np.where(good, values, 0.0).astype(np.int32)
    fields[HOUR], fields[MINUTE] = clock // 100, clock % 100
    return np.zeros(len(values), dtype=np.int64)


_NUMERIC = {
    "epochSeconds": _epoch_seconds,
    "epochMilliseconds": _epoch_milliseconds,
    "serialDay": _serial_day,
    "dayOfYear": _day_of_year,
    "hhmm": _hhmm,
}


def _month_table(
    months: tuple[str, ...], abbreviate: bool
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Return the names a month may have, twelve a set, longest set first."""
    names = [name.strip().lower().encode() for name in months]
    if abbreviate:
        names += [name[:3] for name in names]
    width = max(map(len, names))
    padded = b"".join(name.ljust(width, b"\0") for name in names)
    table = np.frombuffer(padded, dtype=np.uint8).reshape(len(names), width)
    return table, np.array([len(name) for name in names], dtype=np.int64)


def _iso_text(base: str) -> str:
    """Return in words what a column without a pattern is read as."""
    return {
        "date": _ISO_DATE,
        "time": "HH:mm[:ss[.S]]",
    }.get(base, "yyyy-MM-dd HH:mm[:ss[.S]]")


def _iso_program(base: str) -> _Program:
    """Return the program of ISO 8601: "T" or a blank between, seconds may be missing."""
    date = [] if base == "time" else list(_program(pattern_tokens(_ISO_DATE)))
    clock = [] if base == "date" else list(_program(pattern_tokens("HH:mm")))
    tail = [
        (END, 0, 0, 0), (LITERAL, 58, 58, 0), (DIGITS, SECOND, 2, 2),
        (END, 0, 0, 0), (FRACTION, 1, 0, 9),
    ]  # fmt: skip
    between = [(LITERAL, 84, 32, 0)] if date and clock else []
    return np.array([*date, *between, *clock, *(tail if clock else [])], dtype=np.int64)


def _program(tokens: Sequence[Token]) -> _Program:
    """Return the scanner's operations for a pattern, (operations, 4)."""
    operations: list[tuple[int, int, int, int]] = []
    for token in tokens:
        if token.letter:
            operations.append(_operation(token))
            continue
        for byte in token.text.encode():
            blank = byte == 32
            operations.append((RUN, byte, 0, 0) if blank else (LITERAL, byte, byte, 0))
    return np.array(operations, dtype=np.int64).reshape(len(operations), 4)


def _operation(token: Token) -> tuple[int, int, int, int]:
    """Return the operation of one pattern field: code, field, least and most digits."""
    letter, count = token.letter, token.count
    if letter == "M" and count >= 3:
        return OP_MONTH, MONTH, 0, 0
    if letter in _PATTERN_FIELDS:
        widest = {"y": 4, "u": 4, "D": 3}.get(letter, 2)
        return DIGITS, _PATTERN_FIELDS[letter], count, count if count > 1 else widest
    special = {"a": OP_HALF, "E": LETTERS, "S": FRACTION}
    return special.get(letter, OP_OFFSET), 0, 1, count
