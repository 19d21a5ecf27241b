"""Readings that stand still: for longer than soil does, or longer than the noise allows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.qc.constants import PLATEAU_RISE, ROUNDING
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.noise import chunks_of
from pipeline.qc.verdicts import (
    BAD,
    SUSPECT,
    Doomed,
    Floats,
    Integers,
    Limits,
    Marks,
    Windows,
    doom,
    evaluated,
    mark,
)

FLAT = TEST_BITS["flat_line"]
# A record whose readings repeat by chance with share p shows n equal ones by p ** (n - 1).
HISTORY = 5  # chunks before a run that tell how often readings repeat
LEAST_HISTORY = 2
LEAST_REPEATS = 0.02  # no record is taken to repeat less
LEAST_STUCK, MOST_STUCK = 12, 48  # readings; a record that needs more is judged by hours alone
STUCK_WITHIN = 72  # steps between readings in which they must have come
# A fall into a constant needs fewer: it is odd by itself.
LEAST_DROPOUT, DROPOUT_LOG_CHANCE = 3, float(np.log(1e-4))
DROPOUT_ENTRY = 3  # steps between readings in which it fell


@kernel
def _run_back(
    x: Floats, i: int, oldest: int, band: float, gap: int
) -> tuple[int, float, float]:  # pragma: no cover
    """Return first reading, minimum and maximum of the run of equal readings that ends at i.

    Nothing older than ``oldest`` is looked at.
    """
    start, low, high = i, x[i], x[i]
    for j in range(i - 1, oldest - 1, -1):
        if start - j > gap:
            break
        if np.isnan(x[j]):
            continue
        if max(high, x[j]) - min(low, x[j]) > band:
            break
        start, low, high = j, min(low, x[j]), max(high, x[j])
    return start, low, high


@kernel
def run_starts(
    x: Floats, tolerance: float, gap: int, out: Integers
) -> None:  # pragma: no cover
    """Fill ``out`` (n,) with where the run of equal readings that ends at each step began.

    A run is the longest stretch back in which all readings lie within ``tolerance`` of each
    other and none is more than ``gap`` steps after the one before; -1 without a reading.
    """
    start, last, low, high = 0, -1, np.nan, np.nan
    if tolerance <= 0.0:  # as below, only quicker
        for i in range(x.size):
            here = x[i]
            out[i] = -1
            if here != here:
                continue
            if not (here == low and i - last <= gap):
                start, low = i, here
            last = i
            out[i] = start
        return
    band = tolerance + ROUNDING
    for i in range(x.size):
        out[i] = -1
        if np.isnan(x[i]):
            continue
        if last < 0 or i - last > gap:
            start, low, high = i, x[i], x[i]
        elif max(high, x[i]) - min(low, x[i]) > band:
            # A run can only begin later than the one before it did.
            start, low, high = _run_back(x, i, start, band, gap)
        else:
            low, high = min(low, x[i]), max(high, x[i])
        last = i
        out[i] = start


@kernel
def entered_by_rise(
    x: Floats, start: int, entry: int, rise: float
) -> bool:  # pragma: no cover
    """Tell whether readings shortly before a run lay lower than it by ``rise`` or more."""
    for j in range(max(0, start - entry), start):
        if x[start] - x[j] >= rise - ROUNDING:
            return True
    return False


@kernel
def flat_line(
    x: Floats,
    limits: Limits,
    windows: Windows,
    starts: Integers,
    doomed: Doomed,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Judge readings that have not changed for long; see `pipeline.qc.univariate`."""
    marks, column = place
    suspect, fail = limits.flat_suspect_steps[column], limits.flat_fail_steps[column]
    soonest = min(suspect, fail)
    if soonest > 1 << 40:
        return
    marking = not limits.gross_on[column]
    run_starts(x, limits.flat_tolerance[column], windows.gap, starts)
    known, risen = -1, False
    for i in range(x.size):
        start = starts[i]
        elapsed = i - start
        if start < 0:
            continue
        if elapsed < soonest:
            if marking:
                evaluated(marks, i, column)
            continue
        if start != known:
            known, risen = start, entered_by_rise(x, start, windows.entry, PLATEAU_RISE)
        if risen and elapsed <= limits.flat_visible_steps[column]:
            if marking:
                evaluated(marks, i, column)
            continue
        certain = elapsed >= fail and x[i] < limits.plateau[column]
        mark(marks, i, column, FLAT, BAD if certain else SUSPECT)
        doom(doomed, i)


@kernel
def repeats_before(repeats: Floats, chunk: int) -> float:  # pragma: no cover
    """Return the highest share of repeats in the chunks before one; NaN of too few."""
    highest, count = LEAST_REPEATS, 0
    for k in range(max(0, chunk - HISTORY), chunk):
        if repeats[k] == repeats[k]:
            highest = max(highest, repeats[k])
            count += 1
    return highest if count >= LEAST_HISTORY else np.nan


@kernel
def stuck(
    x: Floats,
    run: Integers,
    limits: Limits,
    windows: Windows,
    repeats: Floats,
    doomed: Doomed,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect runs of equal readings that the noise before them all but rules out.

    A run is suspect from its first reading on, for as long as that is in sight. One into which
    the record fell is bad.
    """
    if limits.stuck_log_chance[place[1]] == -np.inf:
        return
    within = STUCK_WITHIN * run[3]
    before, start, last, reached = -1, -1, -1, 0
    level = np.nan
    for i in range(run[1], run[2]):
        here = x[i]
        if here == level and i - last <= windows.gap:
            if i - start <= within:
                reached += 1
        elif here == here:
            if reached >= LEAST_DROPOUT:
                found = (before, start, last, reached)
                _judge_run(x, found, run, limits, windows, repeats, doomed, place)
            before, start, reached = last, i, 1
            level = here
        else:
            continue
        last = i
    if reached >= LEAST_DROPOUT:
        found = (before, start, last, reached)
        _judge_run(x, found, run, limits, windows, repeats, doomed, place)


@kernel
def _judge_run(
    x: Floats,
    found: tuple[int, int, int, int],
    run: Integers,
    limits: Limits,
    windows: Windows,
    repeats: Floats,
    doomed: Doomed,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Judge one run: reading before it, its first and last, and how many came soon."""
    marks, column = place
    before, start, last, reached = found
    base, _, length = chunks_of(run, windows.first)
    share = repeats_before(repeats, (windows.first + start) // length - base)
    if not share < 1.0:
        return
    log_share = np.log(share)
    need = max(float(LEAST_STUCK), np.ceil(1.0 + limits.stuck_log_chance[column] / log_share))
    level = SUSPECT
    if (
        before >= 0
        and start - before <= DROPOUT_ENTRY * run[3]
        and x[before] - x[start] > limits.dropout_fall[column]
    ):
        level = BAD if reached >= need else SUSPECT
        soon = np.ceil(1.0 + DROPOUT_LOG_CHANCE / log_share)
        need = min(need, max(float(LEAST_DROPOUT), soon))
    elif x[start] >= limits.plateau[column] and entered_by_rise(
        x, start, windows.entry, PLATEAU_RISE
    ):
        return
    if need > MOST_STUCK or reached < need:
        return
    for i in range(start, min(last, start + limits.stuck_visible_steps[column]) + 1):
        if x[i] == x[i]:
            mark(marks, i, column, FLAT, level)
            doom(doomed, i)


@kernel
def flat_lines(
    series: NDArray[np.float64],
    tolerance: float,
    steps: Integers,
    flag: NDArray[np.bool_],
) -> None:  # pragma: no cover
    """Fill ``flag`` for each row; ``steps`` are window, visible part, gap and entry."""
    window, visible, gap, entry = steps
    starts = np.empty(series.shape[1], dtype=np.int64)
    for row in range(series.shape[0]):
        run_starts(series[row], tolerance, gap, starts)
        for i in range(starts.size):
            elapsed = i - starts[i]
            if starts[i] < 0 or elapsed < window:
                continue
            flag[row, i] = elapsed > visible or not entered_by_rise(
                series[row], starts[i], entry, PLATEAU_RISE
            )
