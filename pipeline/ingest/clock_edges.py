"""How a file begins and ends: what its neighbours need to know of it to read their clocks.

Kept in the file's account, so that a file can be judged by neighbours that came on another
night or are no longer there. An end is its outermost row and the steps from there inwards, as
runs of equal steps: a day at the interval is one run.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.ingest.clock import ClockRules, in_doubt, lost_alone
from pipeline.ingest.clock_around import Rows
from pipeline.ingest.records import Table

MOST_RUNS = 32  # of equal steps, at each end
MOST_ROWS = 20_000  # an end tells of
_NO_COUNT = -1
_MOST_COUNT = 2**53

Runs = tuple[tuple[int, int, int], ...]  # step of the stamp, of the counter, how often


@dataclass(frozen=True)
class Spine:
    """The rows of a file in order, whichever channels they hold; no count is -1."""

    stamp_s: NDArray[np.int64]
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.stamp_s)


@dataclass(frozen=True)
class End:
    """The outermost row of a file, and the steps between the rows next to it, in order."""

    stamp_s: int
    count: int
    runs: Runs

    def spread(self, is_head: bool) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the stamps and counts of the rows, in file order."""
        times = [run[2] for run in self.runs]
        columns = []
        for place, outermost in ((0, self.stamp_s), (1, self.count)):
            steps = np.array([run[place] for run in self.runs], dtype=np.int64)
            sums = np.concatenate(([0], np.cumsum(np.repeat(steps, times)))).astype(np.int64)
            columns.append(outermost + sums if is_head else outermost - sums[-1] + sums)
        return columns[0], columns[1]


@dataclass(frozen=True)
class Edges:
    """Both ends of a file of ``rows`` rows.

    ``is_open``: the clock of the rows at an end needs a look at the files around.
    ``is_adrift``: no row at all has a time of its own, so that a look goes on beyond it.
    """

    rows: int
    head: End
    tail: End
    is_open: bool = False
    is_adrift: bool = False

    def at_head(self, path: str) -> Rows:
        """Return the first rows."""
        stamp_s, count = (column[:MOST_ROWS] for column in self.head.spread(True))
        return Rows(stamp_s, _counter(count), (path,))

    def at_tail(self, path: str) -> Rows:
        """Return the last rows."""
        stamp_s, count = (column[-MOST_ROWS:] for column in self.tail.spread(False))
        return Rows(stamp_s, _counter(count), (path,))

    @property
    def is_passable(self) -> bool:
        """Tell whether the file may be looked through: adrift, and known row by row."""
        known = 1 + sum(run[2] for run in self.head.runs)
        return self.is_adrift and known == self.rows <= MOST_ROWS

    def to_json(self) -> str:
        """Return the edges as text for the ledger."""
        ends = [[end.stamp_s, end.count, end.runs] for end in (self.head, self.tail)]
        content = [self.rows, *ends, self.is_open, self.is_adrift]
        return json.dumps(content, separators=(",", ":"))

    @staticmethod
    def from_json(text: str) -> Edges | None:
        """Return the edges of a file's account, or None where it has none."""
        if not text:
            return None
        rows, head, tail, is_open, is_adrift = json.loads(text)
        return Edges(rows, _end(head), _end(tail), is_open, is_adrift)


def spine_of(tables: Sequence[Table], is_long: bool) -> Spine:
    """Return the rows of a file in order; of a table with a value a row each stamp once."""
    if not tables:
        return Spine(np.empty(0, np.int64), np.empty(0, np.int64))
    line = np.concatenate([table.line for table in tables])
    stamp_s = np.concatenate([table.stamp_s for table in tables])
    count = np.concatenate([_count(table) for table in tables])
    if len(tables) > 1:
        order = np.argsort(line, kind="stable")
        stamp_s, count = stamp_s[order], count[order]
    if is_long and len(stamp_s):
        fresh = np.concatenate(([True], np.diff(stamp_s) != 0))
        stamp_s, count = stamp_s[fresh], count[fresh]
    return Spine(stamp_s.astype(np.int64, copy=False), count)


def edges_of(spine: Spine, rules: ClockRules) -> Edges | None:
    """Return how a file begins and ends, judged by itself; None of a file without rows."""
    if not len(spine):
        return None
    ends = spine.stamp_s[[0, -1]]
    doubtful, lost = in_doubt(ends, rules), lost_alone(spine.stamp_s, rules)
    is_open = bool(doubtful.any() or lost[0] or lost[-1])
    adrift = is_open and bool((lost | in_doubt(spine.stamp_s, rules)).all())
    return _edges(spine, is_open, adrift)


def edges_of_grown(known: Edges | None, spine: Spine, is_long: bool) -> Edges | None:
    """Return the edges of a file that has grown by rows whose clock is in no doubt.

    The same as of the whole file: runs of equal steps do not depend on where one begins.
    """
    if known is None or not len(spine):
        return _edges(spine, False, False) if known is None and len(spine) else known
    if is_long and spine.stamp_s[0] == known.tail.stamp_s:
        spine = Spine(spine.stamp_s[1:], spine.count[1:])
    bridge = Spine(
        np.append(known.tail.stamp_s, spine.stamp_s), np.append(known.tail.count, spine.count)
    )
    new = _runs(bridge)
    whole = 1 + sum(run[2] for run in known.head.runs) == known.rows
    head = known.head
    if whole:
        head = End(head.stamp_s, head.count, _merged(head.runs, new)[:MOST_RUNS])
    tail = End(
        int(bridge.stamp_s[-1]),
        int(bridge.count[-1]),
        _merged(known.tail.runs, new)[-MOST_RUNS:],
    )
    return Edges(known.rows + len(spine), head, tail)


def starts_at_epoch(stamp_s: int, epoch_s: int | None) -> bool:
    """Tell whether a stamp lies within a day of where a clock begins anew."""
    return epoch_s is not None and epoch_s <= stamp_s < epoch_s + DAY_S


def _edges(spine: Spine, is_open: bool, is_adrift: bool) -> Edges:
    runs = _runs(spine)
    head = End(int(spine.stamp_s[0]), int(spine.count[0]), runs[:MOST_RUNS])
    tail = End(int(spine.stamp_s[-1]), int(spine.count[-1]), runs[-MOST_RUNS:])
    return Edges(len(spine), head, tail, is_open, is_adrift)


def _runs(spine: Spine) -> Runs:
    """Return the runs of equal steps, of many only those at both ends."""
    step, more = np.diff(spine.stamp_s), np.diff(spine.count)
    if not len(step):
        return ()
    begins = np.flatnonzero((np.diff(step) != 0) | (np.diff(more) != 0)) + 1
    starts = np.concatenate(([0], begins))
    lengths = np.diff(np.append(starts, len(step)))
    if len(starts) > 2 * MOST_RUNS:
        ends = np.r_[:MOST_RUNS, len(starts) - MOST_RUNS : len(starts)]
        starts, lengths = starts[ends], lengths[ends]
    return tuple(
        zip(step[starts].tolist(), more[starts].tolist(), lengths.tolist(), strict=True)
    )


def _merged(known: Runs, new: Runs) -> Runs:
    """Return two sequences of runs as one."""
    if not known or not new or known[-1][:2] != new[0][:2]:
        return known + new
    step, more, times = known[-1]
    return (*known[:-1], (step, more, times + new[0][2]), *new[1:])


def _count(table: Table) -> NDArray[np.int64]:
    """Return the record counts of a table as whole numbers, -1 where there is none."""
    if table.counter is None:
        return np.full(len(table.stamp_s), _NO_COUNT, dtype=np.int64)
    counter = np.where(np.isfinite(table.counter), table.counter, _NO_COUNT)
    sound = (counter >= 0) & (counter < _MOST_COUNT) & (counter == np.floor(counter))
    return np.where(sound, counter, _NO_COUNT).astype(np.int64)


def _counter(count: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.where(count < 0, np.nan, count.astype(np.float64))


def _end(content: list) -> End:
    stamp_s, count, runs = content
    return End(stamp_s, count, tuple(tuple(run) for run in runs))
