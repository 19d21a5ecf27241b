"""The tests as compiled loops over a block: gross range and spike, and all in their order.

``x`` is float64 (n,), one column oldest first, NaN where there is no reading. Verdicts go to a
mask (uint16, the bits of `pipeline.qc.flags.TEST_BITS`) and a flag (uint8, `Quality`). The
tests follow each other: what one fails is no evidence for the next, which sees NaN there. So a
reading is not blamed for the fault of its neighbour. No test looks further than its window,
and none keeps a running sum, so a verdict does not depend on where the column begins.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.qc.arrivals import Water
from pipeline.qc.constants import ROUNDING, SPIKE_RETURN
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.jumps import against_neighbours, rate_of_change, steps_of_run
from pipeline.qc.noise import (
    CHUNK,
    LEAST_QUIET,
    LEAST_STEADY,
    MOST_QUIET,
    MOST_STEADY,
    chunks_of,
    noise_bursts,
    noise_of_run,
)
from pipeline.qc.spikes import noise_spikes
from pipeline.qc.standing import flat_line, stuck
from pipeline.qc.verdicts import (
    BAD,
    GOOD,
    MISSING,
    NOT_EVALUATED,
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
    take_out,
)

GROSS, SPIKE = TEST_BITS["gross_range"], TEST_BITS["spike"]
MISSING_BIT, OUTSIDE_BIT = TEST_BITS["missing"], TEST_BITS["outside_calibration"]
DECISION, FROZEN = TEST_BITS["decision"], TEST_BITS["frozen"]
GROUP = 16  # columns taken together, or as many as a tube has: one cache line of float32


class Readings(NamedTuple):
    """What is judged, (time, column): water content, why there is none, stated noise."""

    theta: NDArray[np.float32]
    outside: NDArray[np.uint8]
    stated: NDArray[np.float32]  # empty where none is stated


class Plan(NamedTuple):
    """What the block kernel needs beside the readings.

    ``runs`` is (R, 5), sorted by column: column, first and end step, steps between readings,
    and whether these are close enough together to tell noise from soil. ``changes`` (R,) is
    the largest change from one to the next that is not suspect; ``levels`` (R, n) tells from
    how many times its deviation on a reading is a spike (`pipeline.qc.spikes.spike_levels`).
    ``spans`` is (S, 5), sorted by
    column: column, first and end step, bit and level of what is known from elsewhere.
    ``around`` (columns, 2) are the columns of the sensors above and below, -1 for none, in
    the same tube; ``thermometer`` (columns,) tells whether that has one. ``rain`` (time,)
    tells whether the day before was dry, ``shower`` (time,) how much fell in the last hours,
    in mm.
    """

    runs: Integers
    changes: Floats
    levels: Floats
    spans: Integers
    around: Integers
    thermometer: NDArray[np.bool_]
    rain: NDArray[np.uint8]
    shower: Floats
    limits: Limits
    noise_on: NDArray[np.bool_]
    windows: Windows
    depths: int


class Work(NamedTuple):
    """Room for one column."""

    filled: Floats
    away: Floats
    starts: Integers
    doomed: Doomed
    repeats: Floats
    steady: Floats
    stated: Floats
    room: Floats
    few: Floats


@kernel
def make_work(steps: int, runs: Integers) -> tuple[Work, int]:  # pragma: no cover
    """Return room for columns of some steps, and the most chunks one can have."""
    longest = 1
    for r in range(runs.shape[0]):
        longest = max(longest, runs[r, 3])
    chunks = steps // CHUNK + 2 * runs.shape[0] + 2
    work = Work(
        np.empty(steps),
        np.empty(steps),
        np.empty(steps, dtype=np.int64),
        # The flat-line tests may both find every reading.
        Doomed(np.empty(2 * steps, dtype=np.int64), np.zeros(1, dtype=np.int64)),
        np.empty(chunks),
        np.empty(chunks),
        np.empty(chunks),
        np.empty(CHUNK * longest),
        np.empty(max(MOST_QUIET, MOST_STEADY) + 2),
    )
    return work, chunks


@kernel
def gross_range(readings: Readings, limits: Limits, marks: Marks) -> None:  # pragma: no cover
    """Begin the verdicts with each reading by itself; what fails is not in the cleaned."""
    theta, outside = readings.theta, readings.outside
    for i in range(theta.shape[0]):
        for c in range(theta.shape[1]):
            value = theta[i, c]
            missing = value != value
            fails = value < limits.fail_low[c] or value > limits.fail_high[c]
            doubt = value < limits.suspect_low[c] or value > limits.suspect_high[c]
            refused = missing and outside[i, c] != 0
            test = GROSS if fails or doubt else 0
            flag = GOOD if limits.gross_on[c] else NOT_EVALUATED
            flag = SUSPECT if doubt else flag
            flag = BAD if fails or refused else flag
            flag = MISSING if missing and not refused else flag
            test = OUTSIDE_BIT if refused else (MISSING_BIT if missing else test)
            marks.tests[i, c] = test
            marks.quality[i, c] = flag
            marks.cleaned[i, c] = np.nan if fails else value


@kernel
def spike(
    x: Floats,
    run: Integers,
    thresholds: tuple[float, float],
    marking: bool,
    doomed: Doomed,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Judge single readings that stand out from both neighbours, within one run.

    ``thresholds`` are suspect and fail. A reading is bad only if the record comes back: its
    two neighbours, and the reading before them, differ by a part of its height at most. Not
    evaluated where one is missing.
    """
    marks, column = place
    suspect, fail = thresholds
    least = min(suspect, fail) + ROUNDING
    if np.isinf(least):
        return
    stride = run[3]
    start, stop = max(run[1], stride), min(run[2], x.size - stride)
    if start >= stop:
        return
    here, before = x[start:stop], x[start - stride : stop - stride]
    after = x[start + stride : stop + stride]
    for n in range(here.size):
        rise, fall = here[n] - before[n], here[n] - after[n]
        i = start + n
        if marking and rise == rise and fall == fall:
            evaluated(marks, i, column)
        if not (abs(rise) > least and abs(fall) > least and rise * fall > 0.0):
            continue
        size = min(abs(rise), abs(fall))
        level = SPIKE_RETURN * size + ROUNDING
        back = abs(after[n] - before[n]) <= level
        # A front that rises over two readings and drains by half in one comes back as well:
        # to be bad the record must have lain still before, where a reading tells.
        if start + n >= run[1] + 2 * stride:
            earlier = x[start + n - 2 * stride]
            back = back and not abs(before[n] - earlier) > level
        if run[4] == 1 and back and size > fail + ROUNDING:
            mark(marks, i, column, SPIKE, BAD)
            doom(doomed, i)
        else:
            mark(marks, i, column, SPIKE, SUSPECT)


@kernel
def take_spans(
    x: Floats,
    theta: NDArray[np.float32],
    spans: Integers,
    early: int,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Put what is known from elsewhere on the readings of one column.

    With ``early`` above 0 only what the tests are to know: what a person rejected, which is
    then no evidence for any of them, and frost of fewer steps than that. Else all, a person's
    word last.
    """
    marks, column = place
    for s in range(spans.shape[0]):
        bit, level = spans[s, 3], spans[s, 4]
        rejected = early > 0 and bit == DECISION and level == BAD
        short = bit == FROZEN and spans[s, 2] - spans[s, 1] < early
        if early > 0 and not (rejected or short):
            continue
        for i in range(spans[s, 1], spans[s, 2]):
            if theta[i, column] != theta[i, column]:
                continue
            mark(marks, i, column, bit, level)
            if level == GOOD:
                marks.quality[i, column] = GOOD
                marks.cleaned[i, column] = theta[i, column]
            if rejected:
                x[i] = np.nan


@kernel
def stated_noise(
    stated: NDArray[np.float32], column: int, run: Integers, first: int, out: Floats
) -> None:  # pragma: no cover
    """Fill the noise that the description states in each chunk: that of its first reading."""
    base, count, length = chunks_of(run, first)
    for k in range(count):
        out[k] = np.nan
        if stated.shape[0] == 0:
            continue
        start = max(run[1], (base + k) * length - first)
        for i in range(start, min(run[2], (base + k + 1) * length - first)):
            value = stated[i, column]
            if value == value:
                out[k] = value
                break


@kernel
def chunks_back(run: Integers, windows: Windows) -> tuple[int, int]:  # pragma: no cover
    """Return in how many chunks back the quietest noise is sought, and the steady one."""
    seconds = CHUNK * run[3] * windows.interval_s
    quiet = min(MOST_QUIET, max(LEAST_QUIET, windows.quiet_s // seconds))
    return quiet, min(MOST_STEADY, max(LEAST_STEADY, windows.steady_s // seconds))


@kernel
def judge_column(
    x: Floats,
    water: Water,
    stated: NDArray[np.float32],
    own: tuple[Integers, Floats, Floats],
    plan: Plan,
    work: Work,
    noise: tuple[Floats, Floats],
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Run the tests that need one column alone, in their order; ``x`` loses what they fail.

    ``own`` are the runs of the column, their largest changes and their levels of spikes.
    ``noise``, typical and quiet by chunk, run after run, is left for the tests that follow.
    """
    runs, changes, levels_of = own
    column, limits, windows = place[1], plan.limits, plan.windows
    marking = not limits.gross_on[column]
    at = 0
    for r in range(runs.shape[0]):
        run = runs[r]
        last = at + chunks_of(run, windows.first)[1]
        steady = work.steady[at:last]
        found = (noise[0][at:last], noise[1][at:last], work.repeats[at:last], steady)
        if run[4] == 1 and plan.noise_on[column]:
            stated_noise(stated, column, run, windows.first, work.stated[at:last])
            noise_of_run(
                x,
                run,
                windows.first,
                chunks_back(run, windows),
                limits.noise_floor[column],
                work.stated[at:last],
                (work.room, work.few),
                found,
            )
        else:
            for values in found:
                values[:] = np.nan
        thresholds = (limits.spike_suspect[column], limits.spike_fail[column])
        spike(x, run, thresholds, marking, work.doomed, place)
        levels = levels_of[r]
        if run[4] == 1 and levels[0] < np.inf:
            room = (work.filled, work.away)
            noise_spikes(
                x, run, windows.first, levels, steady, room, windows.memory, water, place
            )
        at = last
    take_out(x, work.doomed)
    flat_line(x, limits, windows, work.starts, work.doomed, place)
    at = 0
    for r in range(runs.shape[0]):
        last = at + chunks_of(runs[r], windows.first)[1]
        stuck(x, runs[r], limits, windows, work.repeats[at:last], work.doomed, place)
        at = last
    take_out(x, work.doomed)
    for r in range(runs.shape[0]):
        rate_of_change(x, runs[r], changes[r], marking, place)


@kernel
def judge_together(
    series: NDArray[np.float64],
    row: int,
    runs: Integers,
    plan: Plan,
    water: Water,
    noise: tuple[Floats, Floats],
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Run the tests that need noise, rain, or the sensors above and below.

    ``row`` is that of the column in ``series``.
    """
    column, limits, windows = place[1], plan.limits, plan.windows
    above, below, group = plan.around[column, 0], plan.around[column, 1], column - row
    around = (row, above - group if above >= 0 else -1, below - group if below >= 0 else -1)
    factor, least = limits.burst_noise[column], limits.step_suspect[column]
    at = 0
    for r in range(runs.shape[0]):
        run = runs[r]
        last = at + chunks_of(run, windows.first)[1]
        if factor < np.inf:
            noise_bursts(series[row], run, windows.first, factor, noise[1][at:last], place)
        if least < np.inf:
            sizes = (least, limits.step_noise[column])
            found = noise[0][at:last]
            steps_of_run(series, around, run, windows.first, sizes, found, water, place)
        at = last
    against_neighbours(series, around, limits.neighbour[column], windows.neighbour, place)


@kernel
def known_of_water(readings: Readings, plan: Plan, column: int) -> Water:  # pragma: no cover
    """Return what tells of water and frost at one column."""
    above, thermometer = plan.around[column, 0], plan.thermometer[column]
    interval_s = plan.windows.interval_s
    return Water(plan.rain, plan.shower, readings.theta, above, thermometer, interval_s)


@kernel
def run_tests(readings: Readings, plan: Plan, marks: Marks) -> None:  # pragma: no cover
    """Fill mask, primary flag and cleaned water content, all (time, column).

    Columns go by whole tubes, about as many as fill a cache line, as contiguous series.
    """
    steps, columns = readings.theta.shape
    runs, spans = plan.runs, plan.spans
    gross_range(readings, plan.limits, marks)
    wide = plan.depths * max(1, GROUP // plan.depths)
    work, chunks = make_work(steps, runs)
    x = np.empty((wide, steps))
    typical, quiet = np.empty((wide, chunks)), np.empty((wide, chunks))
    run_of = np.searchsorted(runs[:, 0], np.arange(columns + 1))
    span_of = np.searchsorted(spans[:, 0], np.arange(columns + 1))
    for group in range(0, columns, wide):
        width = min(wide, columns - group)
        for i in range(steps):
            for c in range(width):
                x[c, i] = marks.cleaned[i, group + c]
        for c in range(width):
            column = group + c
            first, last = run_of[column], run_of[column + 1]
            own = (runs[first:last], plan.changes[first:last], plan.levels[first:last])
            known = spans[span_of[column] : span_of[column + 1]]
            place = (marks, column)
            take_spans(x[c], readings.theta, known, plan.windows.frost, place)
            water = known_of_water(readings, plan, column)
            noise = (typical[c], quiet[c])
            judge_column(x[c], water, readings.stated, own, plan, work, noise, place)
        for c in range(width):
            column = group + c
            known = spans[span_of[column] : span_of[column + 1]]
            place = (marks, column)
            # All frost now, and a person's word last.
            take_spans(x[c], readings.theta, known, steps + 1, place)
            mine = runs[run_of[column] : run_of[column + 1]]
            water = known_of_water(readings, plan, column)
            judge_together(x, c, mine, plan, water, (typical[c], quiet[c]), place)
            take_spans(x[c], readings.theta, known, 0, place)
