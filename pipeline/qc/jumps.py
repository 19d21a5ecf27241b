"""Changes between readings: too fast, there to stay, or against the sensors around."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.compiled import kernel
from pipeline.qc.arrivals import DRY, Water, water_came
from pipeline.qc.constants import ROUNDING
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.noise import chunks_of
from pipeline.qc.verdicts import SUSPECT, Marks, evaluated, mark, mean_of

RATE, STEP = TEST_BITS["rate_of_change"], TEST_BITS["step"]
FROZEN = TEST_BITS["frozen"]
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
# A jump that nothing leads up to and nothing follows, where one side soon leaves its level: in
# the two readings before it and the three after the record moves no more than this part of it.
SHARP_PART, SHARP_NOISE = 0.1, 3.0
# Upwards less: water that soaks in goes on, or drains from the first reading on.
SHARP_UP_PART, SHARP_UP_NOISE = 0.05, 2.5
SHARP_FOLLOWS = 3  # readings after it
SHARP_BACK = 0.5  # part of it that may come back by then
# Part of a jump up that is above all of so many readings before it: soil that thaws comes back
# to where it was.
SHARP_NEW, SHARP_LATELY = 0.5, 6
# Water comes by the sensor above, or from the one below: that one has risen by this part in
# the hours before.
PASSED_PART, PASSED_NOISE, PASSED_SIDE = 0.2, 4.0, 6
# How far twelve readings after a rise in rain may leave the course of those before it. With
# readings closer than this they tell too little of what water does.
ALONE_PART, ALONE_NOISE, ALONE_S = 0.05, 2.5, 1800


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
def near_levels(x: Floats, i: int, stride: int) -> tuple[float, float]:  # pragma: no cover
    """Return the means of the four readings just before a reading, and from it on."""
    before = mean_of(x, i - STEP_NEAR * stride, STEP_NEAR, stride, STEP_LEAST)
    return before, mean_of(x, i, STEP_NEAR, stride, STEP_LEAST)


@kernel
def far_levels(x: Floats, i: int, stride: int) -> tuple[float, float]:  # pragma: no cover
    """Return the means of the first and the last four of the twelve on either side."""
    far = STEP_SIDE * stride
    start = mean_of(x, i - far, STEP_NEAR, stride, STEP_LEAST)
    return start, mean_of(x, i + far - STEP_NEAR * stride, STEP_NEAR, stride, STEP_LEAST)


@kernel
def step_height(
    x: Floats, i: int, stride: int, limit: float, noise: float
) -> float:  # pragma: no cover
    """Return the height of a step whose first reading is ``i``; 0 if there is none."""
    before, after = near_levels(x, i, stride)
    height = after - before
    size = abs(height)
    if not size > limit or STEP_AT_ONCE * size > abs(x[i] - x[i - stride]):
        return 0.0
    start, end = far_levels(x, i, stride)
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
def _fall_of_two(x: Floats, first: int, stride: int) -> float:  # pragma: no cover
    """Return how far two readings lie above the two after them; NaN where one is missing."""
    return mean_of(x, first, 2, stride, 2) - mean_of(x, first + 2 * stride, 2, stride, 2)


@kernel
def soaks_in(x: Floats, i: int, stride: int, noise: float) -> bool:  # pragma: no cover
    """Tell whether a jump up looks like a storm's water: led up to, going on, or draining.

    A step of the instrument changes neither what the soil did before it nor what it does
    after; water that fills the top soil within an hour runs on, or leaves it at once. Where a
    reading that would tell is missing, it does not.
    """
    most = SHARP_UP_PART * (x[i] - x[i - stride]) + SHARP_UP_NOISE * noise
    leads = x[i - stride] - mean_of(x, i - 3 * stride, 2, stride, 2)
    goes_on = mean_of(x, i + stride, 3, stride, 3) - x[i]
    before = _fall_of_two(x, i - 4 * stride, stride)
    after = _fall_of_two(x, i, stride)
    return leads > most or goes_on > most or after - before > most


@kernel
def sharp_step(
    x: Floats, i: int, stride: int, limit: float, noise: float
) -> float:  # pragma: no cover
    """Return the height of a jump that nothing leads up to and nothing follows; 0: none.

    Only the readings next to it count, so that rain, roots or frost some hours away hide it
    not. Down: drainage and freezing go on, and soil that rose lately falls by no more than it
    rose. Up: to where the record was not in the hours before, as it is when
    soil thaws.
    """
    jump = x[i] - x[i - stride]
    size = abs(jump)
    if not size > limit:
        return 0.0
    way = 1.0 if jump > 0.0 else -1.0
    leads = way * (x[i - stride] - mean_of(x, i - 3 * stride, 2, stride, 2))
    follows = way * (mean_of(x, i + stride, SHARP_FOLLOWS, stride, SHARP_FOLLOWS) - x[i])
    most_led = SHARP_PART * size + SHARP_NOISE * noise
    if way < 0.0:
        most = SHARP_PART * size + SHARP_UP_NOISE * noise
        for j in range(1, min(SHARP_FOLLOWS, i // stride - 1) + 1):
            if x[i - j * stride] - x[i - (j + 1) * stride] > SHARP_BACK * size:
                return 0.0
        sharp = leads <= most_led and -SHARP_BACK * size <= follows <= most
        return jump if sharp else 0.0
    most = SHARP_UP_PART * size + SHARP_UP_NOISE * noise
    least = -SHARP_PART * size - SHARP_UP_NOISE * noise
    if not (leads <= most_led and least <= follows <= most):
        return 0.0
    for j in range(1, min(SHARP_LATELY, i // stride) + 1):
        if x[i] - x[i - j * stride] < SHARP_NEW * size:
            return 0.0
    return jump


@kernel
def rose_beside(
    other: Floats, i: int, stride: int, size: float, noise: float
) -> int:  # pragma: no cover
    """Return 1 if another sensor rose by part of a jump around it, 0 if not, -1: unknown."""
    first, last = i - PASSED_SIDE * stride, i + stride
    if first < 0 or last >= other.size:
        return -1
    lowest, most = np.inf, PASSED_PART * size + PASSED_NOISE * noise
    for j in range(first, last + stride, stride):
        if other[j] != other[j]:
            return -1
        if other[j] - lowest > most:
            return 1
        lowest = min(lowest, other[j])
    return 0


@kernel
def _stands_alone(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    at: tuple[int, int],
    noise: float,
    interval_s: int,
) -> bool:  # pragma: no cover
    """Tell whether a rise in rain is this sensor's alone, and changes nothing but its level.

    Water that a storm brings past the sensor above reaches the one below too, or drains in the
    hours after. Where a reading that would tell is missing, it may have.
    """
    x, i, stride = series[around[0]], at[0], at[1]
    size = x[i] - x[i - stride]
    if stride * interval_s < ALONE_S or around[1] < 0:
        return False
    for row in around[1:]:
        if row >= 0 and rose_beside(series[row], i, stride, size, noise) != 0:
            return False
    (before, after), (start, end) = near_levels(x, i, stride), far_levels(x, i, stride)
    return abs((end - after) - (before - start)) <= ALONE_PART * size + ALONE_NOISE * noise


@kernel
def is_step(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    at: tuple[int, int],
    limit: float,
    noise: float,
    water: Water,
) -> bool:  # pragma: no cover
    """Tell whether the record steps at a reading; ``at`` is its place and the stride."""
    x, i, stride = series[around[0]], at[0], at[1]
    jump, rain = x[i] - x[i - stride], water.rain[i]
    came = water_came(water, i, stride, jump, noise)
    if came and not _stands_alone(series, around, at, noise, water.interval_s):
        return False
    height = step_height(x, i, stride, limit, noise)
    if height == 0.0:
        height = step_on_slope(x, i, stride, limit, noise)
    if height > 0.0 and rain == DRY:
        return True
    if height != 0.0 and abs(jump) >= STEP_CLEAR * abs(height) - STEP_CLEAR_NOISE * noise:
        if height < 0.0 or not soaks_in(x, i, stride, noise):
            return True
    if sharp_step(x, i, stride, limit, noise) == 0.0:
        return False
    if jump < 0.0 or rain == DRY:
        return True
    # Unless it is known to be dry, only where no water is on its way: the sensor above saw
    # none, and the one below, if it tells, does not rise with a water table.
    if around[1] < 0 or rose_beside(series[around[1]], i, stride, jump, noise) != 0:
        return False
    return around[2] < 0 or rose_beside(series[around[2]], i, stride, jump, noise) < 1


@kernel
def is_frost(
    marks: Marks, i: int, column: int, stride: int, falls: bool
) -> bool:  # pragma: no cover
    """Tell whether a fall is soil that begins to freeze, or a rise soil that has thawed.

    In the midst of a frost both are as doubtful as ever.
    """
    here, away = (i, i - STEP_SIDE * stride) if falls else (i - stride, i + STEP_SIDE * stride)
    frozen = marks.tests[here, column] & FROZEN != 0
    outside = away < 0 or away >= marks.tests.shape[0]
    return frozen and (outside or marks.tests[away, column] & FROZEN == 0)


@kernel
def steps_of_run(
    series: NDArray[np.float64],
    around: tuple[int, int, int],
    run: Integers,
    first: int,
    thresholds: tuple[float, float],
    noise: Floats,
    water: Water,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect readings at which the record jumps and stays.

    A jump up may be a front, and is none of these then: it is a step after a dry day, or if
    nearly all of it is in its one reading and it does not soak in. ``around`` are the rows of
    ``series`` of the sensor, the one above and the one below. ``rain`` tells what is known of
    the day before.
    """
    x = series[around[0]]
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
            if not abs(here[n] - last[n]) > least:
                continue
            i = start + n
            if water.thermometer and is_frost(marks, i, column, stride, here[n] < last[n]):
                continue
            if is_step(series, around, (i, stride), limit, noise[k], water):
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
