"""What differs between two states of a store, in numbers, a bounded part at a time.

Cells are compared where the states can differ at all: on the days computed, or, between two
kept states, on the days that were last computed in different nights. NaN equals NaN. Sums run
over time first and then over parts in order, so that the figures are repeatable.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

from pipeline.engine.engine import BLOCK_TUBES, SLAB_DAYS
from pipeline.store.cubes import DAY, SPECS, ArraySpec
from pipeline.store.state import Snapshot

WATER = "water/cleaned_water_content"
STORAGE = "products/storage"
# Where a reading came from is no part of the result; a value that moved shows in the values.
_ORIGIN = ("_file", "_line", "_offset_s")


@dataclass(frozen=True)
class Part:
    """A run of days of a run of tubes (or stations) that is compared at once."""

    start_day: int
    stop_day: int
    columns: slice


class Difference(TypedDict):
    """How one column and level of an array differs, JSON-ready."""

    cells: int  # that differ
    appeared: int  # values
    vanished: int
    mean: float | None  # in the unit of the values; None where no cell has both
    largest: float | None
    first: str  # instants, ISO 8601, UTC
    last: str


class Tally:
    """The differences of one array, summed over time: one figure a column and level.

    ``cells`` differ; of these ``appeared`` had no value before and ``vanished`` have none
    now. ``total`` and ``largest`` (signed, of the greatest magnitude) are of cells with a
    value in both; ``first`` and ``last`` are positions on the time axis, -1 where none.
    """

    def __init__(self, columns: int, levels: int) -> None:
        shape = (columns, levels)
        self.cells, self.appeared, self.vanished, self.both = (
            np.zeros(shape, dtype=np.int64) for _ in range(4)
        )
        self.total, self.largest = np.zeros(shape), np.zeros(shape)
        self.first, self.last = np.full(shape, -1), np.full(shape, -1)

    def add(self, at: int, columns: slice, old: NDArray, new: NDArray) -> None:
        """Add a part, (time, column, level), whose first position is ``at``."""
        gone, come = np.isnan(old), np.isnan(new)
        differs = (old != new) & ~(gone & come)
        if not differs.any():
            return
        both = differs & ~gone & ~come
        change = np.where(both, new.astype(np.float64) - old.astype(np.float64), 0.0)
        self.cells[columns] += differs.sum(axis=0)
        self.appeared[columns] += (differs & gone).sum(axis=0)
        self.vanished[columns] += (differs & come).sum(axis=0)
        self.both[columns] += both.sum(axis=0)
        self.total[columns] += change.sum(axis=0)
        low, high = change.min(axis=0), change.max(axis=0)
        self._widen_largest(columns, np.where(-low > high, low, high))
        self._widen_span(at, columns, differs)

    def _widen_largest(self, columns: slice, largest: NDArray[np.float64]) -> None:
        known = self.largest[columns]
        self.largest[columns] = np.where(np.abs(largest) > np.abs(known), largest, known)

    def _widen_span(self, at: int, columns: slice, differs: NDArray[np.bool_]) -> None:
        some = differs.any(axis=0)
        first = at + differs.argmax(axis=0)
        last = at + len(differs) - 1 - differs[::-1].argmax(axis=0)
        known = self.first[columns]
        self.first[columns] = np.where(some & (known < 0), first, known)
        self.last[columns] = np.where(some, last, self.last[columns])

    def rows(
        self, names: Sequence[str], levels: Sequence[Any], instant: Callable[[int], str]
    ) -> Iterator[tuple[str, Any, Difference]]:
        """Return the name, the level and the difference where there is one.

        ``instant`` tells when a position on the time axis is.
        """
        for i, j in zip(*np.nonzero(self.cells), strict=True):
            both = int(self.both[i, j])
            difference: Difference = {
                "cells": int(self.cells[i, j]),
                "appeared": int(self.appeared[i, j]),
                "vanished": int(self.vanished[i, j]),
                "mean": float(self.total[i, j] / both) if both else None,
                "largest": float(self.largest[i, j]) if both else None,
                "first": instant(int(self.first[i, j])),
                "last": instant(int(self.last[i, j])),
            }
            yield names[i], levels[j], difference


def differing_days(old: Snapshot, new: Snapshot) -> NDArray[np.bool_]:
    """Return the days that two states did not compute in the same night."""
    days = max(old.days, new.days)
    nights = []
    for state in (old, new):
        table = state.table("day_nights")
        night = np.zeros(days, dtype=np.int64)
        if table is not None:
            found = table["night"].to_numpy()
            night[: len(found)] = found
        nights.append(night)
    unknown = (nights[0] == 0) & (nights[1] == 0)
    differing: NDArray[np.bool_] = (nights[0] != nights[1]) | unknown
    return differing


def tally(
    key: str, old: Snapshot, new: Snapshot, marked: NDArray[np.bool_], names: Names
) -> Tally:
    """Compare one array of two states.

    Parameters
    ----------
    key : str
        ``group/name``.
    old, new : Snapshot
    marked : array (tubes or 1, days), bool
        Where to look; one row stands for all columns.
    names : Names
        The labels of the result.
    """
    spec = SPECS[key]
    columns, levels = names.of(spec)
    result = Tally(len(columns), len(levels))
    per_day = 1 if spec.dims[0] == DAY else new.axis.steps_per_day
    for part in _parts(marked, len(columns)):
        span = part.start_day * per_day, part.stop_day * per_day
        before = _read(old, spec, span, part.columns, names)
        after = _read(new, spec, span, part.columns, names)
        result.add(span[0], part.columns, before, after)
    return result


class Names:
    """The labels both states have between them, in the order of the axes of the longer one."""

    def __init__(self, old: Snapshot, new: Snapshot) -> None:
        self.labels: dict[str, list[Any]] = {}
        for dim, known in old.labels.items():
            more = [label for label in new.labels[dim] if label not in known]
            self.labels[dim] = [*known, *more]

    def of(self, spec: ArraySpec) -> tuple[list[str], list[Any]]:
        """Return the labels of an array's columns and levels; one level where it has none."""
        levels = self.labels[spec.dims[2]] if len(spec.dims) > 2 else [None]
        return self.labels[spec.dims[1]], levels


def compared_keys(old: Snapshot, new: Snapshot) -> list[str]:
    """Return the arrays that either state holds, without the origin of readings."""
    return [
        key
        for key, spec in SPECS.items()
        if (old.holds(key) or new.holds(key))
        and not (spec.group == "readings" and spec.name.endswith(_ORIGIN))
    ]


def _parts(marked: NDArray[np.bool_], columns: int) -> Iterator[Part]:
    """Cut what is marked into parts of bounded size that share no chunk of the store."""
    days = marked.shape[1]
    shared = len(marked) == 1
    for first in range(0, columns, BLOCK_TUBES):
        last = min(columns, first + BLOCK_TUBES)
        rows = marked if shared else marked[first:last]
        for start in range(0, days, SLAB_DAYS):
            slab = rows[:, start : start + SLAB_DAYS]
            at = np.flatnonzero(slab.any(axis=0))
            if not len(at):
                continue
            tubes = np.flatnonzero(slab.any(axis=1))
            wide = slice(first + int(tubes[0]), first + int(tubes[-1]) + 1)
            span = start + int(at[0]), start + int(at[-1]) + 1
            yield Part(*span, slice(first, last) if shared else wide)


def _read(
    state: Snapshot, spec: ArraySpec, span: tuple[int, int], columns: slice, names: Names
) -> NDArray:
    """Return a part of an array, (time, column, level), on the labels of both states.

    Times, columns and levels that the state does not have are empty. Tubes and depths are
    only ever appended; layers may be other ones.
    """
    wide, levels = names.of(spec)
    result = spec.empty((span[1] - span[0], len(wide[columns]), len(levels)))
    if not state.holds(spec.key):
        return result
    found = state.read(spec.key, *span, columns)
    found = found.reshape(*found.shape[:2], -1)
    own = state.labels[spec.dims[2]] if len(spec.dims) > 2 else [None]
    at = [levels.index(label) for label in own]
    result[: found.shape[0], : found.shape[1], at] = found
    return result
