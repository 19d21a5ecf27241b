"""How a test puts its verdict on a reading; small kernels the others share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.compiled import kernel
from pipeline.qc.flags import Quality

GOOD, NOT_EVALUATED = int(Quality.GOOD), int(Quality.NOT_EVALUATED)
SUSPECT, BAD = int(Quality.SUSPECT), int(Quality.BAD)
MISSING = int(Quality.MISSING)


class Limits(NamedTuple):
    """Thresholds of every column, each (columns,). A test switched off has infinite ones."""

    fail_low: Floats
    fail_high: Floats
    suspect_low: Floats
    suspect_high: Floats
    gross_on: NDArray[np.bool_]
    noise_floor: Floats
    spike_suspect: Floats
    spike_fail: Floats
    flat_tolerance: Floats
    flat_suspect_steps: Integers
    flat_fail_steps: Integers
    flat_visible_steps: Integers  # how far back the first reading is looked for
    stuck_visible_steps: Integers
    stuck_log_chance: Floats  # natural logarithm; -inf where switched off
    dropout_fall: Floats
    plateau: Floats  # water content from which soil may be saturated
    burst_noise: Floats
    step_suspect: Floats
    step_noise: Floats
    neighbour: Floats


class Windows(NamedTuple):
    """Steps that hold for the whole site."""

    first: int  # of the block, on the site's axis
    gap: int  # a longer gap ends a run of equal readings
    entry: int  # how long before its first reading a run may have been risen to
    quiet_s: int  # seconds in which the quietest noise is sought
    steady_s: int  # and the one that spikes are held against
    memory: int  # for which a spike is remembered
    frost: int  # of a frost so short that a fall in it is ice
    interval_s: int
    neighbour: int  # over which a sensor is held against those above and below


class Marks(NamedTuple):
    """Where verdicts go, (time, column): bits of tests, primary flag, cleaned series."""

    tests: NDArray[np.uint16]
    quality: NDArray[np.uint8]
    cleaned: NDArray[np.float32]


class Doomed(NamedTuple):
    """Readings to be taken out once a test has judged all of them: steps, and how many."""

    step: Integers  # (n,)
    many: Integers  # (1,)


@kernel
def mark(marks: Marks, i: int, column: int, bit: int, level: int) -> None:  # pragma: no cover
    """Note that a test fired, by `PRECEDENCE`; what is bad is not in the cleaned series."""
    marks.tests[i, column] |= bit
    found = marks.quality[i, column]
    if level == BAD:
        if found != MISSING:
            marks.quality[i, column] = BAD
            marks.cleaned[i, column] = np.nan
    elif found == GOOD or found == NOT_EVALUATED:
        marks.quality[i, column] = level


@kernel
def evaluated(marks: Marks, i: int, column: int) -> None:  # pragma: no cover
    """Note that a test looked at a reading and found nothing."""
    if marks.quality[i, column] == NOT_EVALUATED:
        marks.quality[i, column] = GOOD


@kernel
def doom(doomed: Doomed, i: int) -> None:  # pragma: no cover
    """Remember a reading to be taken out."""
    doomed.step[doomed.many[0]] = i
    doomed.many[0] += 1


@kernel
def take_out(x: Floats, doomed: Doomed) -> None:  # pragma: no cover
    """Set the remembered readings to NaN and forget them."""
    for n in range(doomed.many[0]):
        x[doomed.step[n]] = np.nan
    doomed.many[0] = 0


@kernel
def sort_few(values: Floats, count: int) -> None:  # pragma: no cover
    """Sort the first ``count`` values in place, by insertion: they are few."""
    for i in range(1, count):
        value = values[i]
        j = i - 1
        while j >= 0 and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value


@kernel
def median_of_sorted(values: Floats, count: int) -> float:  # pragma: no cover
    """Return the median of sorted values; NaN of none."""
    if count == 0:
        return np.nan
    return 0.5 * (values[(count - 1) // 2] + values[count // 2])


@kernel
def mean_of(
    x: Floats, first: int, count: int, stride: int, least: int
) -> float:  # pragma: no cover
    """Return the mean of readings at a stride; NaN where fewer than ``least`` are there."""
    total, found = 0.0, 0
    for j in range(count):
        i = first + j * stride
        if 0 <= i < x.size and x[i] == x[i]:
            total += x[i]
            found += 1
    return total / found if found >= least else np.nan
