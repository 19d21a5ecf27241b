"""Readings into cells: which reading a cell keeps when several claim it.

The rule is a total order, so that files may arrive in any order and give the same cube. Of the
readings that fall on one step, the one nearest to the step wins; of equally near ones that of
the file whose path sorts last; within a file that of the later line. A reading equal to the
winner in value and time is an identical duplicate; any other is superseded and kept in a table
beside the cube, so that nothing is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Integers
from pipeline.compiled import kernel

STORED, DUPLICATE, SUPERSEDED = 0, 1, 2


@dataclass(frozen=True)
class Readings:
    """Readings bound for cells, one a row; every array has the same length.

    ``step`` is the index on the time axis and ``column`` that of the cell within a step (for a
    tube quantity ``tube * depths + depth``). ``offset_s`` is how far the reading lies from its
    step. ``file`` is the file's id.
    """

    step: Integers
    column: Integers
    value: NDArray[np.float32]
    file: Integers
    line: NDArray[np.int32]
    offset_s: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.step)

    def take(self, index: NDArray) -> Readings:
        """Return the rows at ``index`` (positions or a mask)."""
        return Readings(*(getattr(self, name)[index] for name in _FIELDS))

    @staticmethod
    def concatenate(parts: list[Readings]) -> Readings:
        """Return the rows of all parts, in order."""
        columns: list[NDArray[Any]] = [
            np.concatenate([np.empty(0, dtype), *(getattr(part, name) for part in parts)])
            for name, dtype in zip(_FIELDS, _TYPES, strict=True)
        ]
        return Readings(*columns)


_FIELDS = ("step", "column", "value", "file", "line", "offset_s")
_TYPES = (np.int64, np.int64, np.float32, np.int64, np.int32, np.int32)
# The same in that order, as the kernel takes them; of the displaced also `displaced_same`.
_Columns = tuple[
    Integers, Integers, NDArray[np.float32], Integers, NDArray[np.int32], NDArray[np.int32]
]
_Lost = tuple[*_Columns, Bools]


@dataclass(frozen=True)
class Window:
    """The stored cells of steps ``start`` on, as (steps, columns) arrays that merging changes.

    ``file`` is 0 where the cell is empty.
    """

    start: int
    value: NDArray[np.float32]
    file: Integers
    line: NDArray[np.int32]
    offset_s: NDArray[np.int32]


# The same in that order.
_Cells = tuple[int, NDArray[np.float32], Integers, NDArray[np.int32], NDArray[np.int32]]


@dataclass(frozen=True)
class Ranks:
    """Rank of each file id, for the order between files: ids sorted, ranks beside them."""

    ids: Integers
    rank: Integers

    @staticmethod
    def of(paths: dict[int, tuple[str, ...]]) -> Ranks:
        """Rank files by a sort key each (path, source, revision)."""
        ordered = sorted(paths, key=lambda file: paths[file])
        ids = np.array(sorted(paths), dtype=np.int64)
        rank_of = {file: position for position, file in enumerate(ordered)}
        return Ranks(ids, np.array([rank_of[int(i)] for i in ids], dtype=np.int64))


_Order = tuple[Integers, Integers]  # ids and ranks


@dataclass(frozen=True)
class Outcome:
    """What became of readings: one code for each new one, and those that lost their cell.

    ``displaced_same`` is True where the displaced reading equals the one that took its cell.
    """

    code: NDArray[np.uint8]
    displaced: Readings
    displaced_same: Bools


def merge(window: Window, new: Readings, ranks: Ranks) -> Outcome:
    """Merge readings into a window of cells, in place.

    Returns
    -------
    Outcome
        `STORED`, `DUPLICATE` or `SUPERSEDED` for each new reading, and the displaced ones.
    """
    code = np.empty(len(new), dtype=np.uint8)
    same = np.empty(len(new), dtype=np.bool_)
    room: list[NDArray[Any]] = [np.empty(len(new), dtype) for dtype in _TYPES]
    lost = Readings(*room)
    count = _merge(
        (window.start, window.value, window.file, window.line, window.offset_s),
        (new.step, new.column, new.value, new.file, new.line, new.offset_s),
        (ranks.ids, ranks.rank),
        code,
        (lost.step, lost.column, lost.value, lost.file, lost.line, lost.offset_s, same),
    )
    return Outcome(code, lost.take(np.arange(count)), same[:count])


@kernel
def _wins(
    offset: int, rank: int, line: int, cell_offset: int, cell_rank: int, cell_line: int
) -> bool:
    """Tell whether a reading goes before the one in the cell."""
    if abs(offset) != abs(cell_offset):
        return abs(offset) < abs(cell_offset)
    if offset != cell_offset:
        return offset < cell_offset
    if rank != cell_rank:
        return rank > cell_rank
    return line > cell_line


@kernel
def _merge(
    cells: _Cells, new: _Columns, ranks: _Order, outcome: NDArray[np.uint8], lost: _Lost
) -> int:
    """Walk the new readings once; see `merge`. Returns how many were displaced."""
    start, value, file, line, offset = cells
    step, column, new_value, new_file, new_line, new_offset = new
    lost_step, lost_column, lost_value, lost_file, lost_line, lost_offset, lost_same = lost
    ids, rank = ranks
    displaced = 0
    for i in range(step.size):
        t, c = step[i] - start, column[i]
        if file[t, c] != 0:
            if file[t, c] == new_file[i] and line[t, c] == new_line[i]:
                value[t, c], offset[t, c] = new_value[i], new_offset[i]
                outcome[i] = STORED  # the same line read again
                continue
            same = value[t, c] == new_value[i] and offset[t, c] == new_offset[i]
            wins = _wins(
                new_offset[i],
                rank[np.searchsorted(ids, new_file[i])],
                new_line[i],
                offset[t, c],
                rank[np.searchsorted(ids, file[t, c])],
                line[t, c],
            )
            if not wins:
                outcome[i] = DUPLICATE if same else SUPERSEDED
                continue
            lost_step[displaced], lost_column[displaced] = step[i], c
            lost_value[displaced], lost_offset[displaced] = value[t, c], offset[t, c]
            lost_file[displaced], lost_line[displaced] = file[t, c], line[t, c]
            lost_same[displaced] = same
            displaced += 1
        value[t, c], file[t, c] = new_value[i], new_file[i]
        line[t, c], offset[t, c] = new_line[i], new_offset[i]
        outcome[i] = STORED
    return displaced
