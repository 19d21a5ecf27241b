"""Compiled sorting of kept replies by their channels, and reading of values into columns."""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel

_MINUS, _POINT = 45, 46
# Exact in float64; a value of at most 7 digits divided by one of them is rounded once, so the
# result is the float64 nearest to the decimal number sent.
_POWERS = np.array([1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7])


_HASH = np.uint64(0x9E3779B97F4A7C15)  # 2**64 over the golden ratio, odd: spreads any bits


def group_slots(count):
    """Return an empty table of group numbers and keys, for `group_rows` of ``count`` rows."""
    size = 1 << max(4, (2 * count).bit_length())
    return np.zeros(size, dtype=np.int32), np.zeros(size, dtype=np.int64)


@kernel
def _key(line):
    """Return one number for address, measurement, first value and count of values."""
    key = (np.int64(line.reply_address) << 6) | line.measure
    return (((key << 32) | line.first) << 12) | line.count


@kernel
def group_rows(lines, rows, groups, numbers, keys):
    """Fill ``groups`` with the number of each row's set of channels, in order of appearance.

    ``numbers`` and ``keys`` come from `group_slots`. Returns how many sets there are.
    """
    found, last = 0, len(numbers) - 1
    for k in range(len(rows)):
        key = _key(lines[rows[k]])
        slot = np.int64((np.uint64(key) * _HASH) >> np.uint64(32)) & last
        while numbers[slot] and keys[slot] != key:
            slot = (slot + 1) & last
        if not numbers[slot]:
            found += 1
            numbers[slot] = found
            keys[slot] = key
        groups[k] = numbers[slot] - 1
    return found


@kernel
def sort_rows(rows, groups, ends, ordered):
    """Fill ``ordered`` with the rows group by group, their order kept.

    ``ends`` are the ends of the groups there; it is used up.
    """
    for k in range(len(rows) - 1, -1, -1):
        ends[groups[k]] -= 1
        ordered[ends[groups[k]]] = rows[k]


@kernel
def _value(buffer, at, stop):
    """Return the value whose sign is at ``at``, and the position behind it."""
    negative = buffer[at] == _MINUS
    at += 1
    digits, decimals, step = 0, 0, 0
    while at < stop:
        byte = np.int64(buffer[at])
        if byte == _POINT:
            step = 1
        elif 48 <= byte <= 57:
            digits = 10 * digits + byte - 48
            decimals += step
        else:
            break
        at += 1
    value = digits / _POWERS[decimals]
    return (-value if negative else value), at


@kernel
def read_values(buffer, lines, rows, columns):
    """Fill ``columns`` (values, rows) from the data replies ``lines[rows]``.

    The replies have been checked: each holds as many values as there are columns.
    """
    for k in range(len(rows)):
        line = lines[rows[k]]
        at = line.start + line.value + 1
        stop = at + line.length
        for n in range(len(columns)):
            columns[n, k], at = _value(buffer, at, stop)
