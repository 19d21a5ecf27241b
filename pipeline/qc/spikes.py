"""Single readings that stand out from those around them by more than noise makes likely.

A reading is held against the mean of those around it: sixteen where they lie as close together
as noise alone makes them, else eight without their extremes. The distance over its own
standard deviation, z, is standard normal where nothing is wrong, so that a threshold is a
chance. Two thresholds are in use. ``spike_noise`` is so high that noise alone hardly ever
reaches it. A sensor that passed it in the fortnight before has spikes, and among its readings
a smaller z is likelier a spike than chance: the lower threshold is where chance would make no
more than the part ``spike_false`` of the spikes known (`spike_levels`).

References
----------
Hampel identifier (Pearson et al. 2016, EURASIP J. Adv. Signal Process. 2016:87) for the form
of the test; Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, for the part of false ones that
is put up with. Baseline, gates and the memory for spikes are ours.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from pipeline.compiled import kernel
from pipeline.qc.constants import SPIKE_MEMORY_S
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.noise import chunks_of
from pipeline.qc.verdicts import SUSPECT, Floats, Integers, Marks, mark, sort_few

SPIKE = TEST_BITS["spike"]
SIDE, WIDE = 4, 8  # readings on either side that a spike is held against
LEAST_SIDE = 2
MOST_SPIKES = 8  # as many in the memory tell all there is to tell
LEAST_LEVEL = 3.9  # no z below it makes a spike, however many came before
CANDIDATE = 0.75  # of the lowest threshold: from there a reading is looked at closely
# Range of so many readings, in noise, that noise alone passes once in a hundred or more.
CALM_NEAR, CALM_WIDE = 5.5, 6.0
SAME_MEAN = 1.0  # noise by which the means of eight and of sixteen may differ
# Standard deviation of a reading less the mean of sixteen, of eight, and of the inner six of
# eight, all normal with standard deviation one: sqrt(17/16), sqrt(9/8), the last by draws.
OF_WIDE, OF_NEAR, OF_INNER = 1.030776, 1.060660, 1.0648
# Weights of the readings one to four away in the parabola through eight, at its middle.
PARABOLA = (648.0 / 2064.0, 468.0 / 2064.0, 168.0 / 2064.0, -252.0 / 2064.0)
# A reading stands out from that parabola by this part of the threshold, and of its distance
# from the mean, at least: the top of a short peak does not.
CURVE_LEAST, CURVE_PART = 0.7, 0.6
# What lies on the two sides of a spike may differ by this part of it, and this much noise.
SIDES_PART, SIDES_NOISE = 0.25, 3.0
# So may the readings around it: where all of them move, the soil does.
SPREAD_PART, SPREAD_NOISE = 0.5, 3.0
# In moving soil a reading is held against a cubic through the eight around it, if these lie on
# one: chi squared of four degrees of freedom within noise, or a little of the distance.
CUBIC_MISFIT, CUBIC_PART, CUBIC_SHARP = 13.0, 0.1, 0.3
# Nor do the lines through the three readings on either side lead to it, as at a peak's top.
SIDE_PART = 0.6
OF_CUBIC = 1.158889  # as above, a reading less the cubic: sqrt(1 + sum of squared weights)
# Where the parabola is not to be had, a spike stands out from each neighbour it has by this.
NEAR_PART = 0.35


def spike_levels(spike_noise: float, false_part: float | None, step_s: int) -> Floats:
    """Return the least z of a spike, by how many the memory holds.

    Parameters
    ----------
    spike_noise : float
        The least z where it holds none.
    false_part : float or None
        Of the spikes in the memory, so many may chance make among as many readings.
    step_s : int
        Seconds between readings.

    Returns
    -------
    array (MOST_SPIKES + 1,)
    """
    levels = np.full(MOST_SPIKES + 1, spike_noise)
    readings = SPIKE_MEMORY_S / step_s
    for known in range(1, MOST_SPIKES + 1 if false_part is not None else 0):
        chance = 0.5 * (false_part or 0.0) * known / readings
        level = -NormalDist().inv_cdf(min(chance, 0.25))
        levels[known] = min(spike_noise, max(LEAST_LEVEL, level))
    return levels


@kernel
def distances(
    x: Floats, stride: int, filled: Floats, away: Floats
) -> None:  # pragma: no cover
    """Fill ``away`` with how far each reading lies from the mean of those around it, roughly.

    A missing reading is taken as the last one, if that is near; NaN where none is.
    """
    last, since = np.nan, 0
    near = 2 * SIDE * stride
    for i in range(x.size):
        here = x[i]
        if here == here:
            last, since = here, 0
        else:
            since += 1
        filled[i] = last if since <= near else np.nan
    edge = SIDE * stride
    size = x.size - 2 * edge
    if size <= 0:
        away[:] = np.nan
        return
    away[:edge] = np.nan
    away[edge + size :] = np.nan
    # Views, since an index that may be negative is slow.
    out, middle = away[edge : edge + size], x[edge : edge + size]
    a, b = filled[:size], filled[stride : stride + size]
    c, d = filled[2 * stride : 2 * stride + size], filled[3 * stride : 3 * stride + size]
    e, f = filled[5 * stride : 5 * stride + size], filled[6 * stride : 6 * stride + size]
    g, h = filled[7 * stride : 7 * stride + size], filled[8 * stride : 8 * stride + size]
    for i in range(size):
        around = ((a[i] + b[i]) + (c[i] + d[i])) + ((e[i] + f[i]) + (g[i] + h[i]))
        out[i] = abs(middle[i] - 0.125 * around)


@kernel
def gather(
    x: Floats, i: int, stride: int, ends: tuple[int, int], few: Floats
) -> tuple[int, int]:  # pragma: no cover
    """Fill ``few`` with the readings ``ends`` steps away; return how many before and after."""
    count, before = 0, 0
    for j in range(ends[0], ends[1] + 1):
        k = i - j * stride
        if k >= 0 and x[k] == x[k]:
            few[count] = x[k]
            count += 1
            before += 1
    for j in range(ends[0], ends[1] + 1):
        k = i + j * stride
        if k < x.size and x[k] == x[k]:
            few[count] = x[k]
            count += 1
    return before, count - before


@kernel
def calm_mean(
    x: Floats, i: int, stride: int, noise: float, few: Floats
) -> tuple[float, float]:  # pragma: no cover
    """Return what a reading with all eight neighbours is held against, and the spread of z.

    ``few`` holds the eight, sorted. Further ones are taken where all sixteen lie as close
    together as noise makes them.
    """
    low, high = few[0], few[7]
    inner = ((few[1] + few[2]) + (few[3] + few[4])) + (few[5] + few[6])
    if high - low > CALM_NEAR * noise:
        return inner / 6.0, OF_INNER
    total = inner + (low + high)
    mean = 0.125 * total
    before, after = gather(x, i, stride, (SIDE + 1, WIDE), few)
    if before + after < 8:
        return mean, OF_NEAR
    for j in range(8):
        total += few[j]
        low, high = min(low, few[j]), max(high, few[j])
    wide = 0.0625 * total
    if high - low <= CALM_WIDE * noise and abs(wide - mean) <= SAME_MEAN * noise:
        return wide, OF_WIDE
    return mean, OF_NEAR


@kernel
def _is_sharp(x: Floats, i: int, stride: int, least: float) -> bool:  # pragma: no cover
    """Tell whether a reading is an extreme by ``least``, as far as neighbours are there."""
    rise = x[i] - x[i - stride] if i >= stride else np.nan
    fall = x[i] - x[i + stride] if i + stride < x.size else np.nan
    if rise != rise or fall != fall:
        return not (abs(rise) < least or abs(fall) < least)
    return rise * fall > 0.0 and min(abs(rise), abs(fall)) >= least


@kernel
def _off_the_curve(x: Floats, i: int, stride: int) -> float:  # pragma: no cover
    """Return how far a reading lies from the parabola through its eight neighbours."""
    curve = 0.0
    for j in range(SIDE):
        away = (j + 1) * stride
        curve += PARABOLA[j] * (x[i - away] + x[i + away])
    return x[i] - curve


@kernel
def _off_the_cubic(x: Floats, i: int, stride: int, noise: float) -> float:  # pragma: no cover
    """Return z of a reading against the cubic through its eight neighbours.

    0 where these do not lie on one, or the reading is no extreme. What is even about the
    middle and what is odd are fitted apart, each with two degrees of freedom left.
    """
    even, odd, even2, odd2, square, cube = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(1, SIDE + 1):
        left, right = x[i - j * stride], x[i + j * stride]
        both, half = 0.5 * (left + right) - x[i], 0.5 * (right - left)
        even, even2 = even + both, even2 + both * both
        square += (j * j - 7.5) * both
        odd, odd2 = odd + j * half, odd2 + half * half
        cube += (j * j - 11.8) * j * half
    slope = square / 129.0
    bend = abs(0.25 * even - 7.5 * slope)
    rest = even2 - 0.25 * even * even - square * slope
    rest += odd2 - odd * odd / 30.0 - cube * cube / 712.8
    most = CUBIC_MISFIT * noise * noise + (CUBIC_PART * bend) ** 2
    if not 2.0 * rest <= most or not _is_sharp(x, i, stride, CUBIC_SHARP * bend):
        return 0.0
    left = x[i] - 1.5 * x[i - stride] + 0.5 * x[i - 3 * stride]
    right = x[i] - 1.5 * x[i + stride] + 0.5 * x[i + 3 * stride]
    if left * right < 0.0 or min(abs(left), abs(right)) < SIDE_PART * bend:
        return 0.0
    return bend / (OF_CUBIC * noise)


@kernel
def stand_out(
    x: Floats, i: int, stride: int, noise: float, least: float, few: Floats
) -> float:  # pragma: no cover
    """Return z of a reading; 0 where it or what is around it looks like moving soil.

    ``least`` is the lowest z of interest. Where one side has fewer than two readings, 0.
    """
    left, right = gather(x, i, stride, (1, SIDE), few)
    if left < LEAST_SIDE or right < LEAST_SIDE:
        return 0.0
    count = left + right
    before, after = 0.0, 0.0
    for j in range(left):
        before += few[j]
    for j in range(left, count):
        after += few[j]
    apart = x[i + stride] - x[i - stride]
    if apart != apart:
        apart = after / right - before / left
    sort_few(few, count)
    skip = 1 if count > 4 else 0
    spread = few[count - 1 - skip] - few[skip]
    if count == 2 * SIDE:
        against, deviation = calm_mean(x, i, stride, noise, few)
        size = x[i] - against
        bend = _off_the_curve(x, i, stride)
        away = max(CURVE_LEAST * least * noise, CURVE_PART * abs(size))
        sharp = bend * size > 0.0 and abs(bend) >= away
    else:
        total = 0.0
        for j in range(skip, count - skip):
            total += few[j]
        size = x[i] - total / (count - 2 * skip)
        deviation = np.sqrt(1.0 + 1.0 / (count - 2 * skip))
        sharp = _is_sharp(x, i, stride, NEAR_PART * least * noise)
    size = abs(size)
    if (
        not sharp
        or abs(apart) > SIDES_PART * size + SIDES_NOISE * noise
        or spread > SPREAD_PART * size + SPREAD_NOISE * noise
    ):
        return _off_the_cubic(x, i, stride, noise) if count == 2 * SIDE else 0.0
    return size / (deviation * noise)


@kernel
def remembered(found: Integers, many: int, oldest: int) -> int:  # pragma: no cover
    """Return how many of the steps found last are not older than one."""
    count = 0
    for j in range(max(0, many - MOST_SPIKES), many):
        count += found[j % MOST_SPIKES] >= oldest
    return count


@kernel
def noise_spikes(
    x: Floats,
    run: Integers,
    first: int,
    levels: Floats,
    noise: Floats,
    work: tuple[Floats, Floats, Floats],
    memory: int,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect single readings too far from those around them; see the module.

    ``levels`` are those of `spike_levels`; ``noise`` is that of each chunk; ``memory`` is how
    many steps a spike is remembered for.
    """
    filled, away, few = work
    marks, column = place
    stride = run[3]
    distances(x, stride, filled, away)
    base, count, length = chunks_of(run, first)
    found = np.empty(MOST_SPIKES, dtype=np.int64)
    many = 0
    lowest = levels.min()
    for k in range(count):
        nearly = CANDIDATE * lowest * noise[k]
        if nearly != nearly:
            continue
        start = max(run[1], (base + k) * length - first)
        stop = min(run[2], (base + k + 1) * length - first)
        far = away[start:stop]
        for n in range(far.size):
            if far[n] <= nearly:
                continue
            i = start + n
            if x[i] != x[i]:
                continue
            z = stand_out(x, i, stride, noise[k], lowest, few)
            if z < lowest:
                continue
            if z > levels[remembered(found, many, i - memory)]:
                mark(marks, i, column, SPIKE, SUSPECT)
            if z > levels[0]:
                found[many % MOST_SPIKES] = i
                many += 1
