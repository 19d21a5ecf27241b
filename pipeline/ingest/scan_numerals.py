"""Compiled reader of number cells; `pipeline.ingest.numerals` calls it.

A decimal of at most 2**53 in its digits and 22 in its power of ten is the quotient or product
of two exact doubles, so that one operation rounds it correctly (Clinger 1990, "How to read
floating point numbers accurately", doi:10.1145/93548.93557). Other cells are told apart only.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.ingest.scan import trimmed

# What a cell is; HARD is a number that needs more than one operation.
NUMBER, NULL, TEXT, HARD = 0, 1, 2, 3

_POWERS = np.array([float(10**power) for power in range(23)])  # all exact
_EXACT = 2**53
_MAX_DIGITS = 18  # more would overflow an int64
# The value is below 10**(power + digits): beyond the first no double holds it, below the
# second it rounds to zero.
_BEYOND, _BELOW = 310, -330


@kernel
def _is_marker(buffer, start, stop, markers, lengths):
    for m in range(len(lengths)):
        if stop - start == lengths[m]:
            same = True
            for k in range(lengths[m]):
                if buffer[start + k] != markers[m, k]:
                    same = False
                    break
            if same:
                return True
    return False


@kernel
def _sign(buffer, start, stop):
    """Return the sign and where the digits begin; U+2212 is the minus of typeset tables."""
    if start < stop and buffer[start] == 45:
        return -1.0, start + 1
    if start < stop and buffer[start] == 43:
        return 1.0, start + 1
    if (
        stop - start > 3
        and buffer[start] == 0xE2
        and buffer[start + 1] == 0x88
        and buffer[start + 2] == 0x92
    ):
        return -1.0, start + 3
    return 1.0, start


@kernel
def _at_group(buffer, position, stop, group):
    if len(group) == 0 or stop - position < len(group):
        return False
    for k in range(len(group)):
        if buffer[position + k] != group[k]:
            return False
    return True


@kernel
def _whole_part(buffer, position, stop, group):
    """Return the digits before the decimal character: value, count, end, well formed.

    Groups must have three digits: "1.25" read with "." as group character is no 125.
    """
    mantissa, significant, count, in_group, grouped = np.int64(0), 0, 0, 0, False
    while position < stop:
        digit = np.int64(buffer[position]) - 48
        if 0 <= digit <= 9:
            if mantissa > 0 or digit > 0:
                significant += 1
            if significant <= _MAX_DIGITS:
                mantissa = mantissa * 10 + digit
            count += 1
            in_group += 1
            position += 1
        elif _at_group(buffer, position, stop, group):
            if in_group == 0 or in_group > 3 or (grouped and in_group != 3):
                return mantissa, significant, count, position, False
            grouped, in_group = True, 0
            position += len(group)
        else:
            break
    return mantissa, significant, count, position, not grouped or in_group == 3


@kernel
def _fraction(buffer, position, stop, mantissa, significant):
    """Go on with the digits behind the decimal character."""
    first = position
    while position < stop:
        digit = np.int64(buffer[position]) - 48
        if digit < 0 or digit > 9:
            break
        if mantissa > 0 or digit > 0:
            significant += 1
        if significant <= _MAX_DIGITS:
            mantissa = mantissa * 10 + digit
        position += 1
    return mantissa, significant, position - first, position


@kernel
def _exponent(buffer, position, stop):
    """Return the power of ten behind E, and whether the cell ends there."""
    if position == stop:
        return 0, True
    if buffer[position] != 69 and buffer[position] != 101:
        return 0, False
    position += 1
    sign = 1
    if position < stop and (buffer[position] == 45 or buffer[position] == 43):
        sign = -1 if buffer[position] == 45 else 1
        position += 1
    if position == stop:
        return 0, False
    power = 0
    while position < stop:
        digit = np.int64(buffer[position]) - 48
        if digit < 0 or digit > 9:
            return 0, False
        power = min(power * 10 + digit, 100_000)
        position += 1
    return sign * power, True


@kernel
def _rounded(sign, mantissa, significant, power):
    """Return the value by one exactly rounded operation, or say that it is not so simple."""
    if mantissa == 0:
        return sign * 0.0, NUMBER
    if significant <= _MAX_DIGITS and mantissa <= _EXACT and -22 <= power <= 22:
        if power < 0:
            return sign * (mantissa / _POWERS[-power]), NUMBER
        return sign * (mantissa * _POWERS[power]), NUMBER
    if power + significant > _BEYOND:
        return np.nan, TEXT
    if power + significant < _BELOW:
        return sign * 0.0, NUMBER
    return np.nan, HARD


@kernel
def _read_cell(buffer, start, stop, decimal, group):
    sign, position = _sign(buffer, start, stop)
    mantissa, significant, count, position, sound = _whole_part(buffer, position, stop, group)
    if not sound:
        return np.nan, TEXT
    decimals = 0
    if position < stop and buffer[position] == decimal:
        mantissa, significant, decimals, position = _fraction(
            buffer, position + 1, stop, mantissa, significant
        )
    power, ended = _exponent(buffer, position, stop)
    if not ended or count + decimals == 0:
        return np.nan, TEXT
    return _rounded(sign, mantissa, significant, power - decimals)


@kernel
def _plain_cell(buffer, start, stop, decimal):
    """Read a cell of at most 15 digits, a minus and a decimal character; else say no.

    Nearly every cell of a logger is such a one, and this is twice as fast as the whole way.
    """
    negative = buffer[start] == 45
    position = start + 1 if negative else start
    if stop - position > 16 or stop == position:
        return 0.0, False
    mantissa, point, digits = np.int64(0), stop, 0
    for k in range(position, stop):
        digit = np.int64(buffer[k]) - 48
        if 0 <= digit <= 9:
            mantissa = mantissa * 10 + digit
            digits += 1
        elif buffer[k] == decimal and point == stop:
            point = k
        else:
            return 0.0, False
    if digits == 0 or digits > 15:
        return 0.0, False
    value = mantissa / _POWERS[stop - point - 1] if point < stop else np.float64(mantissa)
    return -value if negative else value, True


@kernel
def read_cells(buffer, starts, stops, decimal, group, markers, lengths, values, kinds):
    """Read the cells of some columns (columns, rows) into values, and what each is into kinds.

    Row by row, as the bytes lie: column by column would fetch the whole file once a column.
    """
    columns, rows = starts.shape
    for i in range(rows):
        for c in range(columns):
            start, stop = starts[c, i], stops[c, i]
            if start < stop and (buffer[start] <= 32 or buffer[stop - 1] <= 32):
                start, stop = trimmed(buffer, start, stop)
            if start == stop or _is_marker(buffer, start, stop, markers, lengths):
                values[c, i], kinds[c, i] = np.nan, NULL
                continue
            values[c, i], plain = _plain_cell(buffer, start, stop, decimal)
            kinds[c, i] = NUMBER
            if not plain:
                values[c, i], kinds[c, i] = _read_cell(buffer, start, stop, decimal, group)


@kernel
def plain_numerals(buffer, starts, stops, decimal, group, offsets, out):
    """Copy well-formed numbers with "." for the decimal character and no groups."""
    end = 0
    for i in range(len(starts)):
        start, stop = trimmed(buffer, starts[i], stops[i])
        sign, position = _sign(buffer, start, stop)
        if sign < 0:
            out[end] = 45
            end += 1
        while position < stop:
            if _at_group(buffer, position, stop, group):
                position += len(group)
                continue
            byte = buffer[position]
            out[end] = np.uint8(46) if byte == decimal else byte
            end += 1
            position += 1
        offsets[i + 1] = end
