"""A clock that was put back, told from the order of a file's rows.

Two things part it from a file that holds an earlier stretch once more. The logger's record
counter goes on by one over the step back. Or, where there is none, the rows from the step on
repeat stamps of the rows just before it with other values, or lie between them: a copy would
repeat them with the same values.

A row is judged by rows above it and by those below that are stamped no later than they: rows
stamped later than all known ones change nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.records import Table

# A file with more steps back than this is no clock's work; the later ones are left out.
MAX_STEPS = 1000
# Rows count as one interval apart when they are so within this part of it.
_JITTER = 10
# So many intervals before a stamp that comes twice show a logger that writes one row each.
_REGULAR = 2


@dataclass(frozen=True)
class PutBack:
    """The first row after a step of the clock back, and by what it is told."""

    row: int
    evidence: str


def steps_back(
    table: Table, utc_s: NDArray[np.int64], sound: NDArray[np.bool_], interval_s: int
) -> list[PutBack]:
    """Return where a clock seems to have been put back and nobody noted it.

    Not told is a clock put back where the rows repeat the values of before, where the step
    lies between two files, or where without a counter a single row lies between known stamps.

    Parameters
    ----------
    table : Table
        Rows in the order of the file.
    utc_s : array (n,)
        Their instants, after all repairs.
    sound : array (n,)
        False where a row's instant is in doubt.
    interval_s : int
        Logging interval.
    """
    if len(utc_s) < 2:
        return []
    step = np.diff(utc_s)
    candidates = np.flatnonzero((step <= 0) & sound[1:] & sound[:-1]) + 1
    if not len(candidates):
        return []
    even = np.abs(step - interval_s) <= interval_s // _JITTER
    even &= sound[1:] & sound[:-1]
    rows = _Rows(table, utc_s, even, np.maximum.accumulate(np.where(sound, utc_s, utc_s[0])))
    return list(_found(rows, candidates[:MAX_STEPS].tolist()))


@dataclass(frozen=True)
class _Rows:
    """A table with its instants; ``even[k]``: row k + 1 is one interval after row k."""

    table: Table
    utc_s: NDArray[np.int64]
    even: NDArray[np.bool_]
    latest_s: NDArray[np.int64]


def _found(rows: _Rows, candidates: list[int]) -> Iterator[PutBack]:
    counter = rows.table.counter
    for row in candidates:
        stays = rows.utc_s[row] == rows.utc_s[row - 1]
        if stays and not (row > _REGULAR and rows.even[row - 1 - _REGULAR : row - 1].all()):
            continue  # stamps that are finer than they are written, or no regular logging
        counts = None if counter is None else counter[row - 1 : row + 1]
        if counts is None or not np.isfinite(counts).all():
            evidence = _by_values(rows, row)
        else:
            evidence = _by_counter(*counts)
        if evidence:
            yield PutBack(row, evidence)


def _by_counter(before: float, after: float) -> str:
    if after - before != 1:
        return ""
    return f"while the record counter goes on from {before:.0f} to {after:.0f}"


def _by_values(rows: _Rows, row: int) -> str:
    """Say how the rows from a step back on differ from those of the same time before it."""
    latest = rows.utc_s[row - 1]
    if latest < rows.latest_s[row - 1]:
        return ""  # a second step back, before the first was made up for
    uneven = np.flatnonzero(~rows.even[: row - 1])
    first = int(uneven[-1]) + 1 if len(uneven) else 0
    if first == row - 1 or rows.utc_s[first] > rows.utc_s[row]:
        return ""  # the time stepped back to was not logged: rows that were out of order
    stop = row + 1
    while stop < len(rows.utc_s) and rows.even[stop - 1] and rows.utc_s[stop] <= latest:
        stop += 1
    here = rows.utc_s[row:stop]
    place = first + np.searchsorted(rows.utc_s[first:row], here)
    again = rows.utc_s[place] == here
    other = _differ(rows.table, place[again], row + np.flatnonzero(again))
    if not again.any():
        between = len(here)
        return f"to {between} rows that lie between those before" if between > 1 else ""
    if 2 * other <= again.sum():
        return ""
    return f"and {other} of {again.sum()} stamps come again with other values"


def _differ(table: Table, before: NDArray[np.int64], after: NDArray[np.int64]) -> int:
    """Count the rows that differ in a value both have."""
    other = np.zeros(len(before), dtype=np.bool_)
    for values in table.columns.values():
        one, two = values[before], values[after]
        other |= ~np.isnan(one) & ~np.isnan(two) & (one != two)
    return int(other.sum())
