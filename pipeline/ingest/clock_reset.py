"""Stamps after a power failure, when a clock began again at an epoch.

A run of such rows is put right only where something fixes it to a second or an interval:

- a visit that noted how far the clock was off while it was lost;
- the rows before and after, when the run fills the gap between them exactly;
- the logger's record counter, when it goes on without a gap from the run to the row after it,
  which was logged once the clock had been set.

Otherwise the run is set aside. What a run is worth depends on the rows before it and on one
row after it, so that a file that grows ends where the whole file does. They may be rows of the
files around (`pipeline.ingest.clock_around`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.ingest.clock_order import MAX_RUNS
from pipeline.site.clock_checks import ClockCheck

# Rows count as one interval apart when they are so within this part of it.
_JITTER = 10


@dataclass(frozen=True)
class Pinned:
    """Rows ``[start, stop)`` of a table, put right by adding ``shift_s``.

    ``is_true`` tells that the result is true time, not what the clock would have shown.
    """

    start: int
    stop: int
    shift_s: int
    evidence: str
    is_true: bool = False


@dataclass(frozen=True)
class Dial:
    """A table's stamps on the logger's clock brought to UTC, and what is known of the clock.

    ``sound`` marks rows whose stamp can be told; ``origin_s`` is the site's first instant and
    ``epoch_s`` where the clock begins after a failure, if that lies later.
    """

    logged_s: NDArray[np.int64]
    sound: NDArray[np.bool_]
    counter: NDArray[np.float64] | None
    interval_s: int
    origin_s: int
    epoch_s: int | None = None

    def is_interval(self, gap_s: int, intervals: float = 1) -> bool:
        """Tell whether a gap is so many logging intervals."""
        return abs(gap_s - intervals * self.interval_s) <= self.interval_s // _JITTER


def lost_rows(dial: Dial) -> NDArray[np.bool_]:
    """Return which rows were logged by a clock that had begun again at an epoch.

    They are those stamped before the site began, and, where the epoch is known, those from a
    step back to the epoch's day on until the next step of more than a day forward.
    """
    logged = dial.logged_s
    lost = logged < dial.origin_s
    if dial.epoch_s is None or len(logged) < 2:
        return lost
    steps = np.diff(logged)
    at_epoch = (logged >= dial.epoch_s) & (logged < dial.epoch_s + DAY_S)
    change = np.zeros(len(logged), dtype=np.int8)
    change[1:][steps > DAY_S] = -1
    change[1:][(steps < 0) & at_epoch[1:]] = 1
    marks = np.flatnonzero(change)
    last = np.searchsorted(marks, np.arange(len(logged)), side="right") - 1
    after_mark = np.zeros(len(logged), dtype=np.bool_)
    known = last >= 0
    after_mark[known] = change[marks[last[known]]] == 1
    return lost | after_mark


def pin_runs(
    dial: Dial, lost: NDArray[np.bool_], checks: Sequence[ClockCheck]
) -> list[Pinned]:
    """Return the runs of lost rows that can be put right."""
    rows = np.flatnonzero(lost)
    if not len(rows):
        return []
    parted = (np.diff(rows) > 1) | (np.diff(dial.logged_s[rows]) < 0)
    starts = rows[np.concatenate(([0], np.flatnonzero(parted) + 1))][:MAX_RUNS]
    stops = rows[np.concatenate((np.flatnonzero(parted), [len(rows) - 1]))][:MAX_RUNS]
    pinned: list[Pinned] = []
    for start, stop in zip(starts.tolist(), (stops + 1).tolist(), strict=True):
        run = _Run(dial, lost, start, stop)
        found = run.by_check(checks) or run.by_neighbours() or run.by_counter()
        if found is not None:
            pinned.append(found)
    return pinned


@dataclass(frozen=True)
class _Run:
    dial: Dial
    lost: NDArray[np.bool_]
    start: int
    stop: int

    @property
    def rows(self) -> NDArray[np.int64]:
        return self.dial.logged_s[self.start : self.stop]

    @property
    def before(self) -> int | None:
        """Return the stamp of the row before, if it can be relied on."""
        return self._sound(self.start - 1)

    @property
    def after(self) -> int | None:
        """Return the stamp of the row after, if it can be relied on."""
        return self._sound(self.stop)

    def _sound(self, row: int) -> int | None:
        if not 0 <= row < len(self.lost) or self.lost[row] or not self.dial.sound[row]:
            return None
        return int(self.dial.logged_s[row])

    def by_check(self, checks: Sequence[ClockCheck]) -> Pinned | None:
        """Put the run right by a visit that noted how far the clock was off.

        What the clock showed then must lie within the run: a run that ends before may be
        followed by another failure.
        """
        for check in checks:
            if not check.is_gross:
                continue
            shown = check.true_s + round(check.offset_s)
            first = int(self.rows[0]) - round(check.offset_s)
            floor = self.dial.origin_s - 1 if self.before is None else self.before
            reach = int(self.rows[-1]) + 2 * self.dial.interval_s
            if self.rows[0] <= shown <= reach and first > floor:
                evidence = f"a visit at {_clock(check.true_s)} UTC read {_clock(shown)} off it"
                shift = -round(check.offset_s)
                return Pinned(self.start, self.stop, shift, evidence, is_true=True)
        return None

    def by_neighbours(self) -> Pinned | None:
        """Put the run right where it fills the gap between its neighbours exactly."""
        before, after = self.before, self.after
        if before is None or after is None or not self._is_even:
            return None
        length = int(self.rows[-1] - self.rows[0]) + 2 * self.dial.interval_s
        if abs(after - before - length) > self.dial.interval_s // _JITTER:
            return None
        evidence = (
            f"{len(self.rows)} rows from {_clock(self.rows[0])} fill the gap from "
            f"{_clock(before)} to {_clock(after)} at the interval"
        )
        return Pinned(self.start, self.stop, self._shift_to(after), evidence)

    def by_counter(self) -> Pinned | None:
        """Put the run right where the record counter goes on to the row after it."""
        before, after, counter = self.before, self.after, self.dial.counter
        if after is None or counter is None or not self._is_even:
            return None
        records = counter[self.start : self.stop + 1]
        shift = self._shift_to(after)
        too_early = before is not None and int(self.rows[0]) + shift <= before
        if self.dial.is_interval(shift, 0):  # the clock went on: the site began later
            return None
        if too_early or not np.all(np.diff(records) == 1):  # a row without a count fails too
            return None
        evidence = (
            f"records {records[0]:.0f} to {records[-1]:.0f} follow without a gap, the last at "
            f"{_clock(after)} with the clock set: counted back from there, "
            "each time good to one interval"
        )
        return Pinned(self.start, self.stop, shift, evidence)

    @property
    def _is_even(self) -> bool:
        steps = np.diff(self.rows)
        gaps = np.abs(steps - self.dial.interval_s) <= self.dial.interval_s // _JITTER
        return bool(gaps.all())

    def _shift_to(self, after: int) -> int:
        return after - self.dial.interval_s - int(self.rows[-1])


def _clock(second: int) -> str:
    return str(np.datetime64(int(second), "s")).replace("T", " ")
