"""Compiled scanner of written times; `pipeline.ingest.stamps` makes its programs.

A program is an array (operations, 4) of code, first, second, third argument. The scanner fills
``fields`` (what was read, per row) and clears ``good`` where a cell does not fit to its end.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel

YEAR, MONTH, DAY, DAY_OF_YEAR, HOUR, MINUTE, SECOND, HALF, OFFSET = range(9)
FIELD_COUNT = 9
ABSENT = -1_000_000

# literal a|b; run of blanks; digits into a field; month name; am or pm; offset from UTC;
# fraction (1: with its point); letters to pass over; the cell may end here.
LITERAL, RUN, DIGITS, OP_MONTH, OP_HALF, OP_OFFSET, FRACTION, LETTERS, END = range(9)

_FAIL = -1


@kernel
def _lower(byte):
    return byte + 32 if 65 <= byte <= 90 else byte


@kernel
def _digits(buffer, position, stop, least, most):
    """Return the number and the position behind it, or -1; one-letter fields may be padded."""
    if least == 1:
        while position < stop and buffer[position] == 32:
            position += 1
    value, count = 0, 0
    while position < stop and count < most:
        digit = np.int64(buffer[position]) - 48
        if digit < 0 or digit > 9:
            break
        value = value * 10 + digit
        count += 1
        position += 1
    return value, position if count >= least else _FAIL


@kernel
def _month(buffer, position, stop, names, lengths):
    """Return the month 1 to 12 and the position behind its name and a point."""
    for n in range(len(lengths)):
        if stop - position < lengths[n]:
            continue
        same = True
        for k in range(lengths[n]):
            if _lower(buffer[position + k]) != names[n, k]:
                same = False
                break
        if same:
            position += lengths[n]
            if position < stop and buffer[position] == 46 and lengths[n] <= 4:
                position += 1
            return n % 12 + 1, position
    return 0, _FAIL


@kernel
def _half(buffer, position, stop):
    """Return 0 for am, 1 for pm (a.m., AM and the like too), and the position behind."""
    if position >= stop:
        return 0, _FAIL
    first = _lower(buffer[position])
    if first != 97 and first != 112:
        return 0, _FAIL
    position += 1
    if position < stop and buffer[position] == 46:
        position += 1
    if position >= stop or _lower(buffer[position]) != 109:
        return 0, _FAIL
    position += 1
    if position < stop and buffer[position] == 46:
        position += 1
    return (1 if first == 112 else 0), position


@kernel
def _offset(buffer, position, stop):
    """Return the offset from UTC [s] written Z, +hh, +hhmm or +hh:mm."""
    if position < stop and buffer[position] == 90:
        return 0, position + 1
    if position >= stop or (buffer[position] != 43 and buffer[position] != 45):
        return 0, _FAIL
    sign = -1 if buffer[position] == 45 else 1
    hours, position = _digits(buffer, position + 1, stop, 2, 2)
    if position < 0:
        return 0, _FAIL
    minutes = 0
    if position < stop and buffer[position] == 58:
        position += 1
    if position < stop:
        minutes, position = _digits(buffer, position, stop, 2, 2)
    if position < 0 or hours > 18 or minutes > 59:
        return 0, _FAIL
    return sign * (3600 * hours + 60 * minutes), position


@kernel
def _pass_over(buffer, position, stop, code, first, most):
    """Return the position behind blanks, fractions or letters."""
    begin = position
    if code == FRACTION and first == 1:
        if position >= stop or (buffer[position] != 46 and buffer[position] != 44):
            return _FAIL
        position += 1
        begin = position
    while position < stop:
        byte = buffer[position]
        if code == RUN:
            fits = byte == 32 or byte == 9
        elif code == FRACTION:
            fits = 48 <= byte <= 57 and position - begin < most
        else:
            fits = 97 <= _lower(byte) <= 122 or byte >= 128 or byte == 46
        if not fits:
            break
        position += 1
    return position if position > begin else _FAIL


@kernel
def _named(buffer, position, stop, code, names, lengths):
    """Read a field that is not plain digits: month name, half of the day, offset."""
    if code == OP_MONTH:
        value, position = _month(buffer, position, stop, names, lengths)
        return MONTH, value, position
    if code == OP_HALF:
        value, position = _half(buffer, position, stop)
        return HALF, value, position
    value, position = _offset(buffer, position, stop)
    return OFFSET, value, position


@kernel
def _run_program(buffer, position, stop, program, names, lengths, fields, row):
    """Run the program over one cell; return the position reached or -1."""
    for n in range(len(program)):
        code = program[n, 0]
        if code == DIGITS:
            value, position = _digits(buffer, position, stop, program[n, 2], program[n, 3])
            fields[program[n, 1], row] = value
        elif code == LITERAL:
            byte = buffer[position] if position < stop else 0
            fits = byte == program[n, 1] or byte == program[n, 2]
            position = position + 1 if fits else _FAIL
        elif code == END:
            if position == stop:
                return position
        elif code == OP_MONTH or code == OP_HALF or code == OP_OFFSET:
            field, value, position = _named(buffer, position, stop, code, names, lengths)
            fields[field, row] = value
        else:
            position = _pass_over(buffer, position, stop, code, program[n, 1], program[n, 3])
        if position < 0:
            return position
    return position


@kernel
def scan_pattern(buffer, starts, stops, program, names, lengths, fields, good):
    """Read every cell by the program into ``fields`` (FIELD_COUNT, rows)."""
    for i in range(len(starts)):
        start, stop = np.int64(starts[i]), np.int64(stops[i])
        while start < stop and buffer[start] == 32:
            start += 1
        while stop > start and buffer[stop - 1] == 32:
            stop -= 1
        if (
            start == stop
            or _run_program(buffer, start, stop, program, names, lengths, fields, i) != stop
        ):
            good[i] = False
