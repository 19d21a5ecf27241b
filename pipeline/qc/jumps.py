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
# With this part of it, less this much noise, there is no doubt: at the steps between readings
# that are judged here no front is over within one of them and then stands still.
STEP_CLEAR, STEP_CLEAR_NOISE = 0.93, 2.5
STEP_DRIFT_PART, STEP_DRIFT_NOISE = 0.2, 3.0
# In moving soil lines through so many readings on either side take the place of levels. They
# keep their slope to this part and so much noise a reading, and readings lie on them.
SLOPE_SIDE, SLOPE_PART, SLOPE_NOISE = 6, 0.6, 1.0
SLOPE_AT_ONCE, SLOPE_AT_ONCE_NOISE = 0.05, 2.5
SLOPE_REST_PART, SLOPE_REST_NOISE = 0.05, 2.0
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
def line_of(
    x: Floats, first: int, stride: int
) -> tuple[float, float, float]:  # pragma: no cover
    """Return mean, slope a reading and mean square rest of a line through some readings."""
    middle = 0.5 * (SLOPE_SIDE - 1)
    squares = SLOPE_SIDE * (SLOPE_SIDE * SLOPE_SIDE - 1) / 12.0
    mean, slope, rest = 0.0, 0.0, 0.0
    for j in range(SLOPE_SIDE):
        mean += x[first + j * stride] / SLOPE_SIDE
        slope += (j - middle) * x[first + j * stride] / squares
    for j in range(SLOPE_SIDE):
        away = x[first + j * stride] - mean - slope * (j - middle)
        rest += away * away / SLOPE_SIDE
    return mean, slope, rest


@kernel
def step_on_slope(
    x: Floats, i: int, stride: int, limit: float, noise: float
) -> float:  # pragma: no cover
    """Return the height of a step in soil that drains or dries steadily; 0 if there is none.

    A rise counts only where soil drained before, and after it drains no faster: soil that
    new water reached would.
    """
    side = SLOPE_SIDE * stride
    if i < side or i + side > x.size:
        return 0.0
    mean, slope, rest = line_of(x, i - side, stride)
    mean_after, slope_after, rest_after = line_of(x, i, stride)
    half = 0.5 * SLOPE_SIDE
    height = (mean_after - half * slope_after) - (mean + half * slope)
    size, bend = abs(height), slope_after - slope
    goes_on = x[i + stride] - x[i] > SLOPE_AT_ONCE_NOISE * noise
    wets = goes_on or slope > -SLOPE_NOISE * noise or bend < -0.5 * SLOPE_NOISE * noise
    if not size > limit or (height > 0.0 and wets):
        return 0.0
    missing = abs(x[i] - x[i - stride] - height)
    most = (SLOPE_REST_PART * size + SLOPE_REST_NOISE * noise) ** 2
    if (
        abs(bend) <= SLOPE_PART * abs(slope) + SLOPE_NOISE * noise
        and missing <= SLOPE_AT_ONCE * size + SLOPE_AT_ONCE_NOISE * noise
        and max(rest, rest_after) <= most
    ):
        return height
    return 0.0


@kernel
def steps_of_run(
    x: Floats,
    run: Integers,
    first: int,
    thresholds: tuple[float, float],
    noise: Floats,
    rain: NDArray[np.uint8],
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect readings at which the record jumps and stays.

    A jump up may be a front, and is none of these then: it is a step after a dry day, or if
    nearly all of it is in its one reading. ``rain`` tells what is known of the day before.
    """
    marks, column = place
    stride = run[3]
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
            at_once = abs(here[n] - last[n])
            if not at_once > least:
                continue
            height = step_height(x, start + n, stride, limit, noise[k])
            if height == 0.0:
                height = step_on_slope(x, start + n, stride, limit, noise[k])
            clear = at_once >= STEP_CLEAR * abs(height) - STEP_CLEAR_NOISE * noise[k]
            if height < 0.0 or (height > 0.0 and (clear or rain[start + n] == DRY)):
                mark(marks, start + n, column, STEP, SUSPECT)


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
