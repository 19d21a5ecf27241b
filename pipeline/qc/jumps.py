"""Changes between readings: too fast, there to stay, or against the sensors around."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.qc.constants import ROUNDING
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.noise import chunks_of
from pipeline.qc.verdicts import SUSPECT, Floats, Integers, Marks, evaluated, mark

RATE, STEP = TEST_BITS["rate_of_change"], TEST_BITS["step"]
NEIGHBOUR = TEST_BITS["neighbour_depth"]

# A step is made within one reading, and both sides of it keep their level: of twelve readings
# on either side the four nearest to it tell its height, the four farthest whether they do.
STEP_SIDE, STEP_NEAR = 12, 4
STEP_LEAST = 3  # of each four there must be
STEP_AT_ONCE = 0.7  # part of its height a step has in its one reading
STEP_DRIFT_PART, STEP_DRIFT_NOISE = 0.2, 3.0
# The same water moves the sensor above, or below, by this part of the step and more.
STEP_COMPANY = 0.4
# A sensor feels some centimetres of soil: no front passes it within one such interval and then
# stands still for two hours.
SHARP_S = 1200
DRY, WET, UNKNOWN = 0, 1, 2  # of the rain logged in the day before


@kernel
def rate_of_change(
    x: Floats,
    run: Integers,
    largest: float,
    marking: bool,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect readings more than ``largest`` away from the one before, within one run."""
    if np.isinf(largest):
        return
    marks, column = place
    stride = run[3]
    for i in range(max(run[1], stride), run[2]):
        change = abs(x[i] - x[i - stride])
        if change > largest + ROUNDING:
            mark(marks, i, column, RATE, SUSPECT)
        elif marking and change == change:
            evaluated(marks, i, column)


@kernel
def mean_of(x: Floats, first: int, count: int, stride: int) -> float:  # pragma: no cover
    """Return the mean of readings at a stride; NaN where too few of them are there."""
    total, found = 0.0, 0
    for j in range(count):
        i = first + j * stride
        if 0 <= i < x.size and x[i] == x[i]:
            total += x[i]
            found += 1
    return total / found if found >= STEP_LEAST else np.nan


@kernel
def step_height(
    x: Floats, i: int, stride: int, limit: float, noise: float
) -> float:  # pragma: no cover
    """Return the height of a step whose first reading is ``i``; 0 if there is none."""
    near, far = STEP_NEAR * stride, STEP_SIDE * stride
    before = mean_of(x, i - near, STEP_NEAR, stride)
    after = mean_of(x, i, STEP_NEAR, stride)
    height = after - before
    size = abs(height)
    if not size > limit or STEP_AT_ONCE * size > abs(x[i] - x[i - stride]):
        return 0.0
    start = mean_of(x, i - far, STEP_NEAR, stride)
    end = mean_of(x, i + far - near, STEP_NEAR, stride)
    most = STEP_DRIFT_PART * size + STEP_DRIFT_NOISE * noise
    if abs(before - start) <= most and abs(end - after) <= most:
        return height
    return 0.0


@kernel
def moved(other: Floats, i: int, day: int, stride: int) -> float:  # pragma: no cover
    """Return by how much a sensor rose or fell in a quarter, a half and a whole day; the most.

    Each told by the means of four readings, 0 where too few are there.
    """
    span = (STEP_NEAR - 1) * stride
    now = mean_of(other, i - span, STEP_NEAR, stride)
    most = 0.0
    for part in (1, 2, 4):
        change = abs(now - mean_of(other, i - span - day // part, STEP_NEAR, stride))
        if change > most:
            most = change
    return most


@kernel
def may_be_water(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    i: int,
    rain: tuple[int, int],
    jump: tuple[float, int],
) -> bool:  # pragma: no cover
    """Tell whether a jump up may be a front: it rained, or the same water moved others.

    ``rain`` is what is known of the day before, and its steps; ``jump`` its height and the
    steps between readings.
    """
    known, day = rain
    height, stride = jump
    if known == DRY:
        return False
    _, above, below = around
    for row in (above, below):
        if row >= 0 and moved(series[row], i, day, stride) >= STEP_COMPANY * height:
            return True
    return above < 0 and known == WET


@kernel
def steps_of_run(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    run: Integers,
    first: int,
    thresholds: tuple[float, float],
    noise: Floats,
    wet: tuple[NDArray[np.uint8], int, bool],
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect readings at which the record jumps and stays.

    ``around`` are the rows of this sensor, of the one above and the one below (-1: none).
    A jump up is none if it may have been water (`may_be_water`), except where ``wet`` says
    that readings follow each other so quickly that no water comes within one.
    """
    marks, column = place
    x = series[around[0]]
    stride = run[3]
    rain, day, sharp = wet
    base, count, length = chunks_of(run, first)
    for k in range(count):
        limit = max(thresholds[0], thresholds[1] * noise[k])
        if limit != limit or noise[k] != noise[k]:
            continue
        least = STEP_AT_ONCE * limit
        start = max(run[1], (base + k) * length - first, stride)
        stop = min(run[2], (base + k + 1) * length - first)
        if start >= stop:
            continue
        here, last = x[start:stop], x[start - stride : stop - stride]
        for n in range(here.size):
            if not abs(here[n] - last[n]) > least:
                continue
            i = start + n
            height = step_height(x, i, stride, limit, noise[k])
            if height == 0.0:
                continue
            if (
                height > 0.0
                and not sharp
                and may_be_water(series, around, i, (rain[i], day), (height, stride))
            ):
                continue
            mark(marks, i, column, STEP, SUSPECT)


@kernel
def against_neighbours(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    least: float,
    window: int,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect readings that fell while the sensors above and below rose.

    Only so: water that comes from above leaves the sensor above falling, this one rising and
    the one below still falling, and nothing is wrong with it.
    """
    if np.isinf(least) or around[1] < 0 or around[2] < 0:
        return
    marks, column = place
    x, above, below = series[around[0]], series[around[1]], series[around[2]]
    for i in range(window, x.size):
        if (
            x[i - window] - x[i] > least
            and above[i] - above[i - window] > least
            and below[i] - below[i - window] > least
        ):
            mark(marks, i, column, NEIGHBOUR, SUSPECT)
