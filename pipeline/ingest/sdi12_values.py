"""Compiled reading of values out of replies that were kept, straight into columns."""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np
from numba import njit

_MINUS, _POINT = 45, 46
# Exact in float64; a value of at most 7 digits divided by one of them is rounded once, so the
# result is the float64 nearest to the decimal number sent.
_POWERS = np.array([1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7])


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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
