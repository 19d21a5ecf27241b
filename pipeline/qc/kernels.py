"""The tests as compiled loops: over one column of readings, oldest first, and over a block.

``x`` is float64 (n,), NaN where there is no reading. Verdicts go to ``mask`` (uint16, the bits
of `pipeline.qc.flags.TEST_BITS`) and ``verdict`` (uint8, `Quality`). The tests follow each
other: what one fails is no evidence for the next, which sees NaN there. So a reading is not
blamed for the fault of its neighbour. No test looks further than its window, and none keeps a
running sum, so a verdict does not depend on where the column begins.

All of it is in one file on purpose: the cache of compiled code notices a change of the file a
function is in, but not of what it calls elsewhere.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.qc.constants import PLATEAU_RISE, ROUNDING, SPIKE_RETURN
from pipeline.qc.flags import TEST_BITS, Quality

Floats = NDArray[np.float64]
GOOD, NOT_EVALUATED = int(Quality.GOOD), int(Quality.NOT_EVALUATED)
SUSPECT, BAD = int(Quality.SUSPECT), int(Quality.BAD)
GROSS, RATE = TEST_BITS["gross_range"], TEST_BITS["rate_of_change"]
FLAT, SPIKE = TEST_BITS["flat_line"], TEST_BITS["spike"]
MISSING_BIT, OUTSIDE_BIT = TEST_BITS["missing"], TEST_BITS["outside_calibration"]
MISSING = int(Quality.MISSING)
GROUP = 16  # columns taken together: one cache line of float32


class Limits(NamedTuple):
    """Thresholds of every column, each (columns,). A test switched off has infinite ones."""

    fail_low: Floats
    fail_high: Floats
    suspect_low: Floats
    suspect_high: Floats
    spike_suspect: Floats
    spike_fail: Floats
    flat_tolerance: Floats
    flat_suspect_steps: NDArray[np.int64]
    flat_fail_steps: NDArray[np.int64]
    flat_visible_steps: NDArray[np.int64]  # how far back the first reading is looked for
    plateau: Floats  # water content from which soil may be saturated
    gross_on: NDArray[np.bool_]


class FlatWindows(NamedTuple):
    """Steps of the flat-line test that hold for the whole site."""

    gap: int  # a longer gap ends a run of equal readings
    entry: int  # how long before its first reading a run may have been risen to


@kernel(inline="always")
def worse(verdict: NDArray[np.uint8], i: int, level: int) -> None:  # pragma: no cover
    """Put a verdict where it counts more than the one there, by `PRECEDENCE` of the flags."""
    old = verdict[i]
    if (
        old == NOT_EVALUATED
        or (old == GOOD and level >= SUSPECT)
        or (old == SUSPECT and level == BAD)
    ):
        verdict[i] = level


@kernel
def gross_range(
    x: Floats,
    limits: Limits,
    column: int,
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
) -> None:  # pragma: no cover
    """Judge each reading by itself and take out those that fail."""
    if not limits.gross_on[column]:
        return
    fail_low, fail_high = limits.fail_low[column], limits.fail_high[column]
    low, high = limits.suspect_low[column], limits.suspect_high[column]
    for i in range(x.size):
        if np.isnan(x[i]):
            continue
        if x[i] < fail_low or x[i] > fail_high:
            mask[i] |= GROSS
            worse(verdict, i, BAD)
            x[i] = np.nan
        elif x[i] < low or x[i] > high:
            mask[i] |= GROSS
            worse(verdict, i, SUSPECT)
        else:
            worse(verdict, i, GOOD)


@kernel(inline="always")
def spike_size(before: float, here: float, after: float) -> float:  # pragma: no cover
    """Return the smaller of the two changes at a local extreme, 0 where there is none.

    NaN where a reading is missing.
    """
    rise, fall = here - before, here - after
    if np.isnan(rise) or np.isnan(fall):
        return np.nan
    return min(abs(rise), abs(fall)) if rise * fall > 0.0 else 0.0


@kernel(inline="always")
def returns(before: float, after: float, size: float, part: float) -> bool:  # pragma: no cover
    """Tell whether a spike of some size ends where it began, within a part of its size."""
    return abs(after - before) <= part * size + ROUNDING


@kernel
def spike(
    x: Floats,
    run: NDArray[np.int64],
    thresholds: tuple[float, float],
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
) -> None:  # pragma: no cover
    """Judge single readings that stand out from both neighbours, within one run.

    ``run`` is column, first and end step, steps between readings, and whether they follow
    each other closely enough (1) for anything to be bad; ``thresholds`` are suspect and fail.
    Not evaluated where a neighbour is missing.
    """
    suspect, fail = thresholds
    if np.isinf(suspect) and np.isinf(fail):
        return
    stride, certain = run[3], run[4] == 1
    for i in range(max(run[1], stride), min(run[2], x.size - stride)):
        size = spike_size(x[i - stride], x[i], x[i + stride])
        if np.isnan(size):
            continue
        back = returns(x[i - stride], x[i + stride], size, SPIKE_RETURN)
        if certain and back and size > fail + ROUNDING:
            mask[i] |= SPIKE
            worse(verdict, i, BAD)
        elif size > min(suspect, fail) + ROUNDING:
            mask[i] |= SPIKE
            worse(verdict, i, SUSPECT)
        else:
            worse(verdict, i, GOOD)


@kernel
def take_out_bad(x: Floats, verdict: NDArray[np.uint8]) -> None:  # pragma: no cover
    """Set the readings that failed to NaN, once a test has judged all of them."""
    for i in range(x.size):
        if verdict[i] == BAD:
            x[i] = np.nan


@kernel
def rate_of_change(
    x: Floats,
    run: NDArray[np.int64],
    largest: float,
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
) -> None:  # pragma: no cover
    """Suspect readings more than ``largest`` away from the one before, within one run."""
    if np.isinf(largest):
        return
    stride = run[3]
    for i in range(max(run[1], stride), run[2]):
        change = abs(x[i] - x[i - stride])
        if np.isnan(change):
            continue
        if change > largest + ROUNDING:
            mask[i] |= RATE
            worse(verdict, i, SUSPECT)
        else:
            worse(verdict, i, GOOD)


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
    x: Floats, tolerance: float, gap: int, out: NDArray[np.int64]
) -> None:  # pragma: no cover
    """Fill ``out`` (n,) with where the run of equal readings that ends at each step began.

    A run is the longest stretch back in which all readings lie within ``tolerance`` of each
    other and none is more than ``gap`` steps after the one before; -1 without a reading.
    """
    band = tolerance + ROUNDING if tolerance > 0.0 else 0.0
    start, last, low, high = 0, -1, np.nan, np.nan
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
    column: int,
    limits: Limits,
    windows: FlatWindows,
    room: NDArray[np.int64],
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
) -> None:  # pragma: no cover
    """Judge readings that have not changed for long; see `pipeline.qc.univariate`."""
    suspect, fail = limits.flat_suspect_steps[column], limits.flat_fail_steps[column]
    soonest = min(suspect, fail)
    if soonest > 1 << 40:
        return
    run_starts(x, limits.flat_tolerance[column], windows.gap, room)
    known, risen = -1, False
    for i in range(x.size):
        if np.isnan(x[i]):
            continue
        start = room[i]
        elapsed = i - start
        if elapsed < soonest:
            worse(verdict, i, GOOD)
            continue
        if start != known:
            known, risen = start, entered_by_rise(x, start, windows.entry, PLATEAU_RISE)
        if risen and elapsed <= limits.flat_visible_steps[column]:
            worse(verdict, i, GOOD)
            continue
        mask[i] |= FLAT
        certain = elapsed >= fail and x[i] < limits.plateau[column]
        worse(verdict, i, BAD if certain else SUSPECT)


@kernel
def flat_lines(
    series: NDArray[np.float64],
    tolerance: float,
    steps: NDArray[np.int64],
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


@kernel
def _calibration_verdicts(
    x: Floats, outside: NDArray[np.uint8], mask: NDArray[np.uint16], verdict: NDArray[np.uint8]
) -> None:  # pragma: no cover
    """Start the verdicts: missing, refused by the calibration, or nothing known yet."""
    for i in range(x.size):
        mask[i] = 0
        verdict[i] = NOT_EVALUATED
        if np.isnan(x[i]):
            mask[i] = OUTSIDE_BIT if outside[i] else MISSING_BIT
            verdict[i] = BAD if outside[i] else MISSING


@kernel
def _judge_column(
    x: Floats,
    runs: NDArray[np.int64],
    changes: Floats,
    limits: Limits,
    windows: FlatWindows,
    room: NDArray[np.int64],
    marks: tuple[NDArray[np.uint16], NDArray[np.uint8]],
) -> None:  # pragma: no cover
    """Run all tests over one column, in their order; ``x`` loses what they fail."""
    mask, verdict = marks
    column = runs[0, 0]
    gross_range(x, limits, column, mask, verdict)
    for r in range(runs.shape[0]):
        thresholds = (limits.spike_suspect[column], limits.spike_fail[column])
        spike(x, runs[r], thresholds, mask, verdict)
    take_out_bad(x, verdict)
    for r in range(runs.shape[0]):
        rate_of_change(x, runs[r], changes[r], mask, verdict)
    flat_line(x, column, limits, windows, room, mask, verdict)


@kernel
def run_tests(
    readings: tuple[NDArray[np.float32], NDArray[np.uint8]],
    runs: NDArray[np.int64],
    changes: Floats,
    limits: Limits,
    windows: FlatWindows,
    out: tuple[NDArray[np.uint16], NDArray[np.uint8], NDArray[np.float32]],
) -> None:  # pragma: no cover
    """Fill mask, primary flag and cleaned water content, all (time, column).

    ``readings`` are water content and why there is none; ``runs`` are sorted by column and
    ``changes`` the largest change between readings of each. Columns go by groups as wide as a
    cache line, turned into contiguous series and back.
    """
    theta, outside = readings
    steps, columns = theta.shape
    x = np.empty((GROUP, steps))
    refused = np.empty((GROUP, steps), dtype=np.uint8)
    mask = np.empty((GROUP, steps), dtype=np.uint16)
    verdict = np.empty((GROUP, steps), dtype=np.uint8)
    room = np.empty(steps, dtype=np.int64)
    first = 0
    for group in range(0, columns, GROUP):
        width = min(GROUP, columns - group)
        for i in range(steps):
            for c in range(width):
                x[c, i] = theta[i, group + c]
                refused[c, i] = outside[i, group + c]
        for c in range(width):
            last = first
            while last < runs.shape[0] and runs[last, 0] == group + c:
                last += 1
            _calibration_verdicts(x[c], refused[c], mask[c], verdict[c])
            if last > first:
                marks = (mask[c], verdict[c])
                _judge_column(
                    x[c], runs[first:last], changes[first:last], limits, windows, room, marks
                )
            first = last
        _write_back(theta, group, width, mask, verdict, out)


@kernel
def _write_back(
    theta: NDArray[np.float32],
    group: int,
    width: int,
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
    out: tuple[NDArray[np.uint16], NDArray[np.uint8], NDArray[np.float32]],
) -> None:  # pragma: no cover
    """Write one group of columns to the block; bad readings are not in the cleaned one."""
    tests, quality, cleaned = out
    for i in range(theta.shape[0]):
        for c in range(width):
            flag = verdict[c, i]
            tests[i, group + c] = mask[c, i]
            quality[i, group + c] = flag
            cleaned[i, group + c] = np.nan if flag == BAD else theta[i, group + c]
