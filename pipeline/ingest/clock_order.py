"""A clock that was put back or forward: which of its rules each row was logged under.

Between two rules of a clock (winter and summer time; before and after it was set) lie stamps
that occur twice, where it was put back, or never, where it was put forward. Which rule holds
there is told by the order of the rows in the file, and only where that leaves no choice.

A decision never changes when rows are added at the end of the file: a run of doubtful rows is
settled once the row after it is there, or by a step that no other reading explains. So a file
that grows night by night ends where the whole file does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FIRST, SECOND, UNTOLD = 0, 1, -1
# More doubtful runs than this in one table are no clock's work; the later ones are set aside.
MAX_RUNS = 1000
# Rows count as one interval apart when they are so within this part of it.
_JITTER = 10


@dataclass(frozen=True)
class Borders:
    """Where one rule of a clock gives way to the next.

    Border k lies between rule k and rule k + 1. Stamps of ``[low[k], high[k])`` occur twice
    where ``back[k]``, else never. Both arrays rise.
    """

    low: NDArray[np.int64]
    high: NDArray[np.int64]
    back: NDArray[np.bool_]


@dataclass(frozen=True)
class Found:
    """What was told about the rows ``[start, stop)`` at a border of ``size_s`` seconds.

    ``kind`` is "told" (the order of rows shows which pass they belong to), "late" (stamps that
    never occurred, put right by the step after them) or "no jump" (the clock went on as if
    there were no border: nothing was told).
    """

    kind: str
    start: int
    stop: int
    size_s: int
    evidence: str


@dataclass
class Settled:
    """The rule of each row, the rows whose rule cannot be told, and what was found."""

    rule: NDArray[np.int64]
    ambiguous: NDArray[np.bool_]
    missing: NDArray[np.bool_]
    found: list[Found] = field(default_factory=list)


def settle(
    stamp_s: NDArray[np.int64], borders: Borders, interval_s: int | None, harmless_s: int = 0
) -> Settled:
    """Return under which rule of a clock each row of a table was logged.

    Parameters
    ----------
    stamp_s : array (n,)
        Stamps in the order of the file, on the logger's clock.
    borders : Borders
        Where the rules change.
    interval_s : int or None
        Logging interval; None where the order of rows tells nothing.
    harmless_s : int
        Where a border is smaller than this, rows that cannot be told are read by the rule
        before it: they are wrong by less than that.
    """
    passed = np.searchsorted(borders.high, stamp_s, side="right")
    begun = np.searchsorted(borders.low, stamp_s, side="right")
    none = np.zeros(len(stamp_s), dtype=np.bool_)
    settled = Settled(passed, none, none.copy())
    doubtful = np.flatnonzero(passed != begun)
    if not len(doubtful):
        return settled
    settled.ambiguous[doubtful] = borders.back[passed[doubtful]]
    settled.missing[doubtful] = ~borders.back[passed[doubtful]]
    if interval_s is None:
        return settled
    for start, stop in _runs(doubtful, passed):
        border = int(passed[start])
        size = int(borders.high[border] - borders.low[border])
        run = _Run(stamp_s, start, stop, size, interval_s)
        harmless = size < harmless_s
        if borders.back[border]:
            _settle_back(run, border, settled, harmless)
        else:
            _settle_forward(run, settled, harmless)
    return settled


def _runs(doubtful: NDArray[np.int64], passed: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Yield the runs of consecutive doubtful rows at one border."""
    parted = (np.diff(doubtful) > 1) | (np.diff(passed[doubtful]) != 0)
    starts = np.concatenate(([0], np.flatnonzero(parted) + 1))[:MAX_RUNS]
    stops = np.concatenate((np.flatnonzero(parted), [len(doubtful) - 1]))[:MAX_RUNS]
    for start, stop in zip(doubtful[starts].tolist(), doubtful[stops].tolist(), strict=True):
        yield start, stop + 1


@dataclass(frozen=True)
class _Run:
    """A run of doubtful rows, and how it joins the rows around it."""

    stamp_s: NDArray[np.int64]
    start: int
    stop: int
    size_s: int
    interval_s: int

    @property
    def rows(self) -> NDArray[np.int64]:
        return self.stamp_s[self.start : self.stop]

    @property
    def is_complete(self) -> bool:
        """Tell whether the row after the run is there."""
        return self.stop < len(self.stamp_s)

    def is_interval(self, gap_s: int) -> bool:
        """Tell whether a gap is one logging interval."""
        return abs(gap_s - self.interval_s) <= self.interval_s // _JITTER

    @property
    def joins_before(self) -> bool:
        """Tell whether the run goes on from the row before it, without a step of the clock."""
        before = self.stamp_s[self.start - 1] if self.start else None
        return before is not None and self.is_interval(int(self.rows[0] - before))

    def joins_after(self, step_s: int = 0) -> bool:
        """Tell whether the row after goes on from the run, with a step of the clock."""
        return self.is_complete and self.is_interval(
            int(self.stamp_s[self.stop] - self.rows[-1]) - step_s
        )

    @property
    def is_even(self) -> bool:
        """Tell whether the rows follow each other at the interval, or repeat."""
        steps = np.diff(self.rows)
        even = np.abs(steps - self.interval_s) <= self.interval_s // _JITTER
        return bool(np.all(even | (steps == 0)))

    def found(self, kind: str, evidence: str) -> Found:
        return Found(kind, self.start, self.stop, self.size_s, evidence)

    def clock(self, stamp: int) -> str:
        return str(np.datetime64(int(stamp), "s")).replace("T", " ")

    @property
    def span(self) -> str:
        return f"{self.clock(self.rows.min())} to {self.clock(self.rows.max())}"


def _settle_back(run: _Run, border: int, settled: Settled, harmless: bool) -> None:
    """Tell the two passes over stamps that occur twice apart."""
    which, evidence = _passes(run)
    if harmless and run.is_complete:
        which = np.where(which == UNTOLD, FIRST, which)
    rows = slice(run.start, run.stop)
    settled.rule[rows] = border + (which == SECOND)
    settled.ambiguous[rows] = which == UNTOLD
    if evidence:
        told = np.flatnonzero(which != UNTOLD)
        stop = run.start + int(told[-1]) + 1
        settled.found.append(Found("told", run.start, stop, run.size_s, evidence))
    elif run.is_complete and not harmless and run.joins_before and run.joins_after():
        settled.found.append(_no_jump(run))


def _settle_forward(run: _Run, settled: Settled, harmless: bool) -> None:
    """Keep stamps that never occurred where the step after them puts them right."""
    rows = slice(run.start, run.stop)
    if harmless:
        settled.missing[rows] = False
        return
    if not (run.is_complete and run.joins_before and run.is_even):
        return
    if run.joins_after(run.size_s):
        settled.missing[rows] = False
        evidence = (
            f"{run.span} do not occur, but follow the row before at the interval, and the row "
            f"after follows them once {run.size_s} s are added: the clock jumped late"
        )
        settled.found.append(run.found("late", evidence))
    elif run.joins_after():
        settled.found.append(_no_jump(run))


def _no_jump(run: _Run) -> Found:
    evidence = (
        f"the rows go on through {run.span} as if the clock had not been put forward or back; "
        "if it never is, describe it by 'utc_offset': later stamps may be wrong"
    )
    return run.found("no jump", evidence)


def _passes(run: _Run) -> tuple[NDArray[np.int8], str]:
    """Return the pass of each row of a run, `UNTOLD` where the order leaves a choice."""
    which = np.full(len(run.rows), UNTOLD, dtype=np.int8)
    drops = np.flatnonzero(np.diff(run.rows) < 0)
    if len(drops):
        return _passes_at_drop(run, which, drops)
    if not run.is_complete:
        return which, ""
    copies = _copies_before(run)
    is_one_stamp = np.ptp(run.rows) <= run.interval_s // _JITTER
    if is_one_stamp and len(which) == 2 * copies:
        if run.joins_before and run.joins_after():
            which[:copies], which[copies:] = FIRST, SECOND
            evidence = (
                f"{run.clock(run.rows[0])} is logged {len(which)} times, twice as often as "
                "the stamp before: the first pass comes first"
            )
            return which, evidence
        return which, ""
    if run.is_even and run.joins_before != run.joins_after():
        which[:] = FIRST if run.joins_before else SECOND
        side = "before" if run.joins_before else "after"
        evidence = f"{run.span} follow each other and the row {side} at the interval"
        return which, f"{evidence}; on the other side there is a gap"
    return which, ""


def _passes_at_drop(
    run: _Run, which: NDArray[np.int8], drops: NDArray[np.int64]
) -> tuple[NDArray[np.int8], str]:
    """Tell passes by the step back between them.

    A step back that is just the border, less one interval, is the clock's own whatever
    follows; rows after a second step back belong to neither pass. Any other step back must be
    the only one of a whole run, and more than rows that changed places.
    """
    drop = int(drops[0])
    step = int(run.rows[drop + 1] - run.rows[drop])
    rejoins = run.is_interval(step + run.size_s)
    is_single = len(drops) == 1 and run.is_complete
    is_step = rejoins or -step >= run.interval_s // 2
    if not (rejoins and run.interval_s < run.size_s) and not (is_single and is_step):
        return which, ""
    stop = int(drops[1]) + 1 if len(drops) > 1 else len(which)
    which[: drop + 1] = FIRST
    which[drop + 1 : stop] = SECOND
    evidence = (
        f"the rows go back from {run.clock(run.rows[drop])} to "
        f"{run.clock(run.rows[drop + 1])}: up to there is the first pass, then the second"
    )
    return which, evidence


def _copies_before(run: _Run) -> int:
    """Return how often the stamp before the run was logged in a row."""
    if not run.start:
        return 0
    before = run.stamp_s[max(0, run.start - 64) : run.start]
    other = np.flatnonzero(before != before[-1])
    return len(before) - (int(other[-1]) + 1 if len(other) else 0)
