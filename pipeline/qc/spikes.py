"""Single readings that stand out from those around them by more than noise makes likely.

A reading is held against the mean of those around it, in pairs that lie as far before it as
after it, of four pairs up to sixteen as long as all lie as close to a line as noise makes
them. The distance over its own standard deviation, z, is standard normal where nothing is
wrong, so that a threshold is a chance. Where soil moves, z is against curves through what lies
around (`pipeline.qc.curves`) and against where soil can be by `pipeline.qc.sides`. Two
thresholds are in use.
``spike_noise`` is so high that noise alone hardly ever reaches it. A sensor that passed it in
the fortnight before has spikes, and among its readings a smaller z is likelier a spike than
chance: the lower threshold is where chance would make no more than the part ``spike_false`` of
the spikes known (`spike_levels`). In moving soil chance is not all that makes readings stand
out, and the first is higher.

References
----------
Hampel identifier (Pearson et al. 2016, EURASIP J. Adv. Signal Process. 2016:87) for the form
of the test; Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, for the part of false ones that
is put up with. Baseline, gates and the memory for spikes are ours.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from pipeline.arrays import Floats, Integers
from pipeline.compiled import kernel
from pipeline.qc.arrivals import Water, is_arrival
from pipeline.qc.constants import SPIKE_MEMORY_S
from pipeline.qc.curves import SIDE, has_eight, off_the_arc, off_the_cubic, off_the_parabola
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.noise import chunks_of
from pipeline.qc.sides import off_the_soil, reading
from pipeline.qc.verdicts import SUSPECT, Marks, mark

SPIKE, FROZEN = TEST_BITS["spike"], TEST_BITS["frozen"]
WIDE = 16  # readings on either side that a spike is held against, at most
LOOK = SIDE + WIDE  # a stronger spike close by, with all that it is held against
LEAST_PAIRS = 2
MOST_SPIKES = 8  # as many in the memory tell all there is to tell
LEAST_LEVEL = 4.1  # no z below it makes a spike, however many came before
MOVING_FIRST = 1.5  # times the threshold without spikes before, in moving soil
CANDIDATE = 0.82  # of the threshold it has to pass: from there a reading is looked at closely
CHORD = 0.8  # of its distance from the middle of its two neighbours counts for that
# Pairs lie on a line while the squares of their rests add up to what noise makes of them and
# so many standard deviations more; means of more pairs differ by so many from that of four.
LINE_MISFIT, SAME_MEAN = 2.0, 2.0
# Range of the eight readings, in noise, from which the sides are asked as well.
CALM_RANGE = 6.5
# A reading stands out from the parabola through eight by this part of the threshold, and of
# its distance from the mean, at least: the top of a short peak does not.
CURVE_LEAST, CURVE_PART = 0.7, 0.6
SIDES_SURE = 0.9  # what z against the sides counts for: it is the highest of several
# The part of it in a mean with z against the cubic, and what that counts for: where both say
# the same, chance is less likely than either tells.
SIDES_PART, BOTH_SURE = 0.5, 1.05
# In moving soil z against the likeliest curve through sixteen is weighed in with this part,
# from this z on, and adds no more than so much. A curve that must bend so freely that its
# variance, in noise squared, is above this says nothing, and z counts for less.
ARC_PART, ARC_FROM, ARC_MORE = 0.5, 3.0, 1.0
ARC_LOOSE, ARC_NONE = 30.0, 0.85
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
    """Fill ``away`` with how far each reading lies from those around it, roughly.

    That is from the mean of eight or, in moving soil, from the middle of its two neighbours.
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
        from_chord = CHORD * abs(middle[i] - 0.5 * (d[i] + e[i]))
        out[i] = max(abs(middle[i] - 0.125 * around), from_chord)


@kernel
def mean_of_pairs(
    x: Floats, i: int, stride: int, noise: float
) -> tuple[float, float, int]:  # pragma: no cover
    """Return how far a reading lies from a mean of pairs, with its deviation and their number.

    Half the sum of a pair tells of the level, half its difference of the slope; both have half
    the variance of a reading. The most pairs that lie on a line are taken; 0 if four do not.
    """
    found, first, off, deviation, many, stop = 0, 0, 0.0, 0.0, 0, SIDE
    level, level2, slope, slope2, squares, least = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    j = 0
    while stop <= WIDE:
        while j < stop:
            j += 1
            left, right = reading(x, i - j * stride), reading(x, i + j * stride)
            both, half = 0.5 * (left + right) - x[i], 0.5 * (right - left)
            if both == both:
                level, level2 = level + both, level2 + both * both
                slope, slope2 = slope + j * half, slope2 + half * half
                found, squares = found + 1, squares + j * j
        if found < LEAST_PAIRS:
            break
        mean, freedom = level / found, 2.0 * (found - 1)
        rest = 2.0 * ((level2 - level * mean) + (slope2 - slope * slope / squares))
        if not rest <= (freedom + LINE_MISFIT * np.sqrt(2.0 * freedom)) * noise * noise:
            break
        if many == 0:
            first, least = found, mean
        elif abs(mean - least) > SAME_MEAN * noise * np.sqrt(0.5 / first - 0.5 / found):
            break
        off, deviation, many = -mean, np.sqrt(1.0 + 0.5 / found), found
        stop = 2 * stop
    return off, deviation, many


@kernel
def _range_around(x: Floats, i: int, stride: int) -> float:  # pragma: no cover
    """Return the range of the readings up to four away."""
    low, high = np.inf, -np.inf
    for j in range(-SIDE, SIDE + 1):
        value = reading(x, i + j * stride)
        if j != 0 and value == value:
            low, high = min(low, value), max(high, value)
    return high - low


@kernel
def _is_sharp(x: Floats, i: int, stride: int, least: float) -> bool:  # pragma: no cover
    """Tell whether a reading is an extreme by ``least``, as far as neighbours are there."""
    rise = x[i] - x[i - stride] if i >= stride else np.nan
    fall = x[i] - x[i + stride] if i + stride < x.size else np.nan
    if rise != rise or fall != fall:
        return not (abs(rise) < least or abs(fall) < least)
    return rise * fall > 0.0 and min(abs(rise), abs(fall)) >= least


@kernel
def _sticks_out(
    x: Floats, i: int, stride: int, off: float, least: float
) -> bool:  # pragma: no cover
    """Tell whether a reading ``off`` the mean around it is no part of a peak there."""
    if not has_eight(x, i, stride):
        return _is_sharp(x, i, stride, NEAR_PART * least)
    bend = off_the_parabola(x, i, stride)
    return bend * off > 0.0 and abs(bend) >= max(CURVE_LEAST * least, CURVE_PART * abs(off))


@kernel
def _with_the_arc(
    x: Floats, i: int, stride: int, noise: float, z: float
) -> float:  # pragma: no cover
    """Return z of a reading in moving soil, with its sign, the likeliest curve weighed in."""
    if abs(z) < ARC_FROM:
        return z
    arc, variance = off_the_arc(x, i, stride, noise)
    if variance > ARC_LOOSE:
        return ARC_NONE * z
    agreed = abs(arc) if arc * z > 0.0 else 0.0
    weighed = (1.0 - ARC_PART) * abs(z) + ARC_PART * min(agreed, abs(z) + ARC_MORE)
    return np.copysign(weighed, z)


@kernel
def stand_out(
    x: Floats, i: int, stride: int, noise: float, least: float
) -> tuple[float, bool]:  # pragma: no cover
    """Return z of a reading, with its sign, and whether the soil around it moves.

    z is 0 where the reading may be soil. ``least`` is the lowest size of z of interest.
    """
    off, deviation, pairs = mean_of_pairs(x, i, stride, noise)
    calm = pairs > 0 and _sticks_out(x, i, stride, off, least * noise)
    if calm and _range_around(x, i, stride) <= CALM_RANGE * noise:
        return off / (deviation * noise), False
    sides = off_the_soil(x, i, stride, noise)
    if calm and sides * off > 0.0:
        return _with_the_arc(x, i, stride, noise, off / (deviation * noise)), True
    z = SIDES_SURE * sides
    if sides != 0.0 and has_eight(x, i, stride):
        cubic = off_the_cubic(x, i, stride, noise)
        both = BOTH_SURE * (SIDES_PART * sides + (1.0 - SIDES_PART) * cubic)
        if cubic * sides > 0.0 and abs(both) > abs(z):
            z = both
    return _with_the_arc(x, i, stride, noise, z), True


@kernel
def alone(
    x: Floats, i: int, stride: int, noise: float, levels: Floats
) -> tuple[float, bool]:  # pragma: no cover
    """Return what `stand_out` does, once stronger spikes close by are out of the way.

    Those are of a sensor without spikes before, so that this looks no further back than they.
    """
    least = levels[-1]
    z, moves = stand_out(x, i, stride, noise, least)
    if abs(z) < 0.5 * least:
        return z, moves
    held = np.full(2 * SIDE + 1, np.nan)
    hidden = 0
    for j in range(-SIDE, SIDE + 1):
        k = i + j * stride
        if j == 0 or not _may_stand_out(x, k, stride, max(levels[0], abs(z)) * noise):
            continue
        other, there = stand_out(x, k, stride, noise, least)
        stronger = max(abs(z), levels[0] * (MOVING_FIRST if there else 1.0))
        if abs(other) > stronger:
            held[j + SIDE] = x[k]
            hidden += 1
    if hidden == 0:
        return z, moves
    for j in range(2 * SIDE + 1):
        if held[j] == held[j]:
            x[i + (j - SIDE) * stride] = np.nan
    z, moves = stand_out(x, i, stride, noise, least)
    for j in range(2 * SIDE + 1):
        if held[j] == held[j]:
            x[i + (j - SIDE) * stride] = held[j]
    return z, moves


@kernel
def _may_stand_out(x: Floats, i: int, stride: int, least: float) -> bool:  # pragma: no cover
    """Tell whether a reading is far from the middle of its two neighbours, if it has both."""
    here = reading(x, i)
    chord = 0.5 * (reading(x, i - stride) + reading(x, i + stride))
    return here == here and not abs(here - chord) < CANDIDATE * least


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
    work: tuple[Floats, Floats],
    memory: int,
    water: Water,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect single readings too far from those around them; see the module.

    ``levels`` are those of `spike_levels`; ``noise`` is that of each chunk; ``memory`` is how
    many steps a spike is remembered for.
    """
    filled, away = work
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
            if x[i] != x[i] or _is_ice(x, i, stride, place):
                continue
            z, moves = alone(x, i, stride, noise[k], levels)
            if abs(z) < lowest or (z > 0.0 and is_arrival(x, i, stride, noise[k], water)):
                continue
            known = remembered(found, many, i - memory)
            if abs(z) > levels[known] * _more(moves, known):
                mark(marks, i, column, SPIKE, SUSPECT)
            if abs(z) > levels[0] * _more(moves, 0):
                found[many % MOST_SPIKES] = i
                many += 1


@kernel
def _is_ice(
    x: Floats, i: int, stride: int, place: tuple[Marks, int]
) -> bool:  # pragma: no cover
    """Tell whether a reading lies below its neighbours in what is known by now to be frost."""
    if not place[0].tests[i, place[1]] & FROZEN:
        return False
    return x[i] < 0.5 * (reading(x, i - stride) + reading(x, i + stride))


@kernel
def _more(moves: bool, known: int) -> float:  # pragma: no cover
    """Return how many times the threshold a spike takes: more in moving soil, without any."""
    return MOVING_FIRST if moves and known == 0 else 1.0
