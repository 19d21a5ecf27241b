"""Reads a state of the store from end to end and says what cannot be read, and where.

Every chunk carries a checksum, so that reading it is checking it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from pipeline.axis import DAY_S
from pipeline.errors import StoreError
from pipeline.store.cubes import DAY, GROUPS, SPECS, ArraySpec
from pipeline.store.state import Snapshot, icechunk

# What the store raises where bytes are not what was written (measured: flipping bits).
_DAMAGE = (StoreError, ValueError, TypeError, KeyError, RuntimeError, OSError)


@dataclass(frozen=True, order=True)
class DamagedChunk:
    """One chunk that cannot be read: its place in the grid, whose it is and when.

    ``columns`` are tubes, or stations where ``of_station`` says so. ``first_day`` to
    ``stop_day`` are days of the site's axis.
    """

    key: str
    index: tuple[int, ...]
    of_station: bool
    columns: tuple[str, ...]
    first_day: int
    stop_day: int
    first_s: int
    stop_s: int
    error: str


@dataclass
class Findings:
    """What reading everything brought to light.

    ``cells`` counts stored readings by the id of the file they came from.
    """

    chunks: list[DamagedChunk] = field(default_factory=list)
    coordinates: list[str] = field(default_factory=list)
    tables: list[str] = field(default_factory=list)
    cells: Counter[int] = field(default_factory=Counter)
    chunks_read: int = 0


def read_everything(snapshot: Snapshot) -> Findings:
    """Read all arrays, coordinates and tables of a state."""
    findings = Findings()
    for group in GROUPS:
        findings.coordinates += _unreadable_coordinates(snapshot, group)
    for name in snapshot.tables():
        try:
            snapshot.table(name)
        except (*_DAMAGE, icechunk.IcechunkError):
            findings.tables.append(name)
    for key in SPECS:
        if snapshot.holds(key):
            _read_array(snapshot, SPECS[key], findings)
    return findings


def _read_array(snapshot: Snapshot, spec: ArraySpec, findings: Findings) -> None:
    """Read an array, a row of chunks at a time; chunk by chunk only where that fails."""
    array = snapshot.array(spec.key)
    counts = spec.name.endswith("_file")
    long, wide = array.chunks[0], array.chunks[1]
    columns = -(-array.shape[1] // wide)
    for row in range(-(-array.shape[0] // long)):
        findings.chunks_read += columns
        start, stop = row * long, min((row + 1) * long, array.shape[0])
        values = _attempt(snapshot, spec.key, start, stop, slice(None))
        if isinstance(values, str):
            for column in range(columns):
                part = slice(column * wide, (column + 1) * wide)
                told = _attempt(snapshot, spec.key, start, stop, part)
                if isinstance(told, str):
                    findings.chunks += _damaged(snapshot, spec, (row, column), told)
        elif counts:
            files, cells = np.unique(values[values != 0], return_counts=True)
            findings.cells.update(dict(zip(files.tolist(), cells.tolist(), strict=True)))


def _attempt(
    snapshot: Snapshot, key: str, start: int, stop: int, columns: slice
) -> np.ndarray | str:
    try:
        return snapshot.read(key, start, stop, columns)
    except StoreError as error:
        return str(error.__cause__ or error)


def _damaged(
    snapshot: Snapshot, spec: ArraySpec, place: tuple[int, int], error: str
) -> Iterator[DamagedChunk]:
    """Yield the chunk at a place of the grid; dimensions after the second are one chunk."""
    row, column = place
    array = snapshot.array(spec.key)
    per_day = 1 if spec.dims[0] == DAY else snapshot.axis.steps_per_day
    days = range(row * array.chunks[0] // per_day, (row + 1) * array.chunks[0] // per_day)
    first, stop = days.start, min(days.stop, snapshot.days)
    labels = snapshot.labels[spec.dims[1]]
    begin_s = snapshot.axis.origin_s
    inner = [range(-(-n // c)) for n, c in zip(array.shape[2:], array.chunks[2:], strict=True)]
    for rest in product(*inner):
        yield DamagedChunk(
            key=spec.key,
            index=(row, column, *rest),
            of_station=spec.dims[1] == "station",
            columns=tuple(labels[column * array.chunks[1] : (column + 1) * array.chunks[1]]),
            first_day=first,
            stop_day=stop,
            first_s=begin_s + first * DAY_S,
            stop_s=begin_s + stop * DAY_S,
            error=error,
        )


def _unreadable_coordinates(snapshot: Snapshot, group: str) -> list[str]:
    """Return the coordinates of a group that cannot be read or are not what they should be."""
    dims = {
        d for s in SPECS.values() if s.group == group and snapshot.holds(s.key) for d in s.dims
    }
    seconds = snapshot.axis.seconds(0, snapshot.steps)
    expected = {
        **snapshot.labels,
        "time": seconds,
        DAY: seconds[:: snapshot.axis.steps_per_day],
    }
    wrong = []
    for name in sorted(dims):
        key = f"{group}/{name}"
        try:
            same = np.array_equal(snapshot.array(key)[:], np.asarray(expected[name]))
        except (*_DAMAGE, icechunk.IcechunkError):
            same = False
        if not same:
            wrong.append(key)
    return wrong
