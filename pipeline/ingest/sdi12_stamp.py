"""The time stamp of a log line: a date pattern made into a program, and the kernel it runs on.

A program is an array (operations, 3) of what to read, least digits, most digits, closed by
END. It is run once per line, in the same walk that reads the rest of the line.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.site.patterns import Token, pattern_tokens

YEAR, MONTH, DAY, DAY_OF_YEAR, HOUR, MINUTE, SECOND, HALF, OFFSET = range(9)
LITERAL, MONTH_NAME, SHORT_YEAR, HOUR_1_24, HOUR_1_12, HOUR_0_11, FRACTION, END = range(9, 17)
FIELDS = 9  # of them are kept while a stamp is read
OPERATION_LIMIT = 64

_NUMBERS = {
    "y": YEAR, "u": YEAR, "M": MONTH, "d": DAY, "D": DAY_OF_YEAR, "H": HOUR, "k": HOUR_1_24,
    "h": HOUR_1_12, "K": HOUR_0_11, "m": MINUTE, "s": SECOND, "S": FRACTION, "a": HALF,
    "X": OFFSET, "x": OFFSET, "Z": OFFSET,
}  # fmt: skip
_MOST_DIGITS = {YEAR: 4, DAY_OF_YEAR: 3, FRACTION: 9}
_MONTHS = np.frombuffer(b"janfebmaraprmayjunjulaugsepoctnovdec", dtype=np.uint8)
_DAYS_BEFORE = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365])
_DAYS_TO_1970 = 719_162  # from 0001-01-01 in the Gregorian calendar
_ABSENT = -1


def stamp_program(pattern: str) -> NDArray[np.int64]:
    """Return the program that reads a stamp written as ``pattern`` (UAX #35).

    Month names are the English ones of three letters; fractions of a second are cut off; a
    stated offset from UTC is taken off. Two-digit years are those of POSIX: 69 is 1969.

    Raises
    ------
    ValueError
        If the pattern is not understood or does not fix a date and a minute.
    """
    operations: list[tuple[int, int, int]] = []
    for token in pattern_tokens(pattern):
        if token.letter:
            operations.append(_operation(pattern, token))
        else:
            operations += [(LITERAL, byte, byte) for byte in token.text.encode()]
    found = {operation[0] for operation in operations}
    dated = DAY_OF_YEAR in found or (DAY in found and found & {MONTH, MONTH_NAME})
    timed = MINUTE in found and found & {HOUR, HOUR_1_24, HOUR_1_12, HOUR_0_11}
    if not (dated and timed and found & {YEAR, SHORT_YEAR}):
        raise ValueError(
            f"date pattern {pattern!r}: year, month and day (or day of year), hour and minute "
            "must all be there"
        )
    if found & {HOUR_1_12, HOUR_0_11} and HALF not in found:
        raise ValueError(f"date pattern {pattern!r}: an hour of 12 needs 'a' beside it")
    if len(operations) >= OPERATION_LIMIT:
        raise ValueError(f"date pattern {pattern!r}: longer than {OPERATION_LIMIT} parts")
    operations += [(END, 0, 0)] * (OPERATION_LIMIT - len(operations))
    return np.array(operations, dtype=np.int64)


def _operation(pattern: str, token: Token) -> tuple[int, int, int]:
    """Return the operation of one field of a pattern."""
    if token.letter not in _NUMBERS or (token.letter == "M" and token.count > 3):
        raise ValueError(
            f"date pattern {pattern!r}: {token.letter * token.count!r} cannot stand in the "
            f"stamp of a transcript; use {' '.join(_NUMBERS)}"
        )
    code = _NUMBERS[token.letter]
    if code == MONTH and token.count == 3:
        return MONTH_NAME, 3, 3
    if code == YEAR and token.count == 2:
        return SHORT_YEAR, 2, 2
    if token.count > 1 or code == FRACTION:
        return code, token.count, token.count
    return code, 1, _MOST_DIGITS.get(code, 2)


def stamp_widths(program: NDArray[np.int64]) -> tuple[int, int]:
    """Return the fewest and the most characters a stamp can have."""
    least = most = 0
    for code, low, high in program.tolist():
        if code == LITERAL:
            low = high = 1
        elif code == HALF:
            low = high = 2
        elif code == OFFSET:
            low, high = 1, 6
        least, most = least + low, most + high
    return least, most


@kernel
def _digits(buffer, at, stop, least, most):
    """Return the number and the position behind it, or -1 there."""
    value, count = 0, 0
    while count < most and at < stop:
        digit = np.int64(buffer[at]) - 48
        if digit < 0 or digit > 9:
            break
        value = 10 * value + digit
        count += 1
        at += 1
    return value, at if count >= least else -1


@kernel
def _month_name(buffer, at, stop):
    """Return the month of a name of three letters, and the position behind it or -1."""
    if at + 3 <= stop:
        for month in range(12):
            same = True
            for k in range(3):
                same &= (buffer[at + k] | 32) == _MONTHS[3 * month + k]
            if same:
                return month + 1, at + 3
    return 0, -1


@kernel
def _half(buffer, at, stop):
    """Return 0 for AM and 1 for PM, and the position behind it or -1."""
    if at + 2 <= stop and (buffer[at + 1] | 32) == 109:
        letter = buffer[at] | 32
        if letter == 97 or letter == 112:
            return (1 if letter == 112 else 0), at + 2
    return 0, -1


@kernel
def _offset(buffer, at, stop):
    """Return the offset from UTC [s] written Z, +hh, +hhmm or +hh:mm, and the end or -1."""
    if at < stop and buffer[at] == 90:
        return 0, at + 1
    if at >= stop or (buffer[at] != 43 and buffer[at] != 45):
        return 0, -1
    sign = 44 - np.int64(buffer[at])
    hours, at = _digits(buffer, at + 1, stop, 2, 2)
    if at < 0 or hours > 18:
        return 0, -1
    behind = at + 1 if at < stop and buffer[at] == 58 else at
    minutes, end = _digits(buffer, behind, stop, 2, 2)
    if end < 0:
        return sign * 3600 * hours, at
    return sign * (3600 * hours + 60 * minutes), end if minutes < 60 else -1


@kernel
def _settle(code, value):
    """Return the field a special number belongs to, and its value there; -2 if impossible."""
    if code == SHORT_YEAR:
        return YEAR, value + (2000 if value < 69 else 1900)
    if code == MONTH_NAME:
        return MONTH, value
    if code == HOUR_1_24:
        return HOUR, value % 24 if 1 <= value <= 24 else -2
    if code == HOUR_1_12:
        return HOUR, value % 12 if 1 <= value <= 12 else -2
    if code == HOUR_0_11:
        return HOUR, value if value <= 11 else -2
    return code, value


@kernel
def _read_field(buffer, at, stop, code, least, most):
    """Return what one field holds, and the position behind it or -1."""
    if code == MONTH_NAME:
        return _month_name(buffer, at, stop)
    if code == HALF:
        return _half(buffer, at, stop)
    if code == OFFSET:
        return _offset(buffer, at, stop)
    return _digits(buffer, at, stop, least, most)


@kernel
def _read_fields(buffer, at, stop, program, fields):
    """Fill ``fields``; return the position behind the stamp, or -1 - where it stopped."""
    for n in range(len(program)):
        code, least, most = program[n, 0], program[n, 1], program[n, 2]
        if code == END:
            break
        if code == LITERAL:
            if at >= stop or buffer[at] != least:
                return -1 - at
            at += 1
            continue
        value, end = _read_field(buffer, at, stop, code, least, most)
        if end < 0:
            return -1 - at
        if code > LITERAL:
            code, value = _settle(code, value)
        if code < LITERAL:
            fields[code] = value
        at = end
    return at


@kernel
def _day_number(year, month, day, day_of_year):
    """Return days since 1970-01-01, or -1_000_000 for a date that does not exist."""
    leap = 1 if (year % 4 == 0 and year % 100 != 0) or year % 400 == 0 else 0
    before = year - 1
    new_year = 365 * before + before // 4 - before // 100 + before // 400 - _DAYS_TO_1970
    if day_of_year != _ABSENT:
        sound = 1 <= day_of_year <= 365 + leap
        return new_year + day_of_year - 1 if sound and year >= 1 else -1_000_000
    if year < 1 or month < 1 or month > 12:
        return -1_000_000
    length = _DAYS_BEFORE[month] - _DAYS_BEFORE[month - 1] + (leap if month == 2 else 0)
    if day < 1 or day > length:
        return -1_000_000
    return new_year + _DAYS_BEFORE[month - 1] + (leap if month > 2 else 0) + day - 1


@kernel
def read_stamp(buffer, at, stop, program, fields):
    """Return seconds since 1970-01-01 00:00 and the position behind the stamp.

    The position is negative where there is no such stamp: -1 if nothing of it is there, -2 if
    it breaks off or names a time that does not exist. ``fields`` is scratch,
    int64, of FIELDS or more.
    """
    for n in range(FIELDS):
        fields[n] = _ABSENT
    fields[MINUTE] = fields[SECOND] = fields[HALF] = fields[OFFSET] = 0
    end = _read_fields(buffer, at, stop, program, fields)
    if end < 0:
        return 0, -1 if end == -1 - at else -2
    hour, minute, second = fields[HOUR], fields[MINUTE], fields[SECOND]
    hour += 12 * fields[HALF] if 0 <= hour < 12 else 0
    days = _day_number(fields[YEAR], fields[MONTH], fields[DAY], fields[DAY_OF_YEAR])
    # 24:00 is the midnight that ends the day.
    sound = 0 <= hour < 24 or (hour == 24 and minute == 0 and second == 0)
    if days == -1_000_000 or not sound or minute > 59 or second > 59:
        return 0, -2
    return 86_400 * days + 3600 * hour + 60 * minute + second - fields[OFFSET], end
