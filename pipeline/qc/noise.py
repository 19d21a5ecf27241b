"""The noise of a record around each reading, and what is judged by it.

Noise is told from soil by second differences x[i-1] - 2 x[i] + x[i+1]: water moves smoothly
from reading to reading, noise does not. The record is cut into chunks of `CHUNK` readings at
fixed places of the site's axis, so that no estimate depends on where a block begins. Of each
chunk the mean of the lower three quarters of the absolute second differences is taken, which
a front or a spike in the other quarter does not reach; the noise at a reading is the median of
five chunks, three before its own and one after. Three equal readings in a row tell nothing of
noise (the sensor may be stuck, or coarse) and are left out.

References
----------
Robust scale by median absolute deviation and its use for spikes: Hampel identifier, as in
Pearson et al. 2016, EURASIP J. Adv. Signal Process. 2016:87. Second differences, trimming and
chunks are ours.
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.verdicts import (
    SUSPECT,
    Floats,
    Integers,
    Marks,
    mark,
    median_of_sorted,
    sort_few,
)

SPIKE, BURST = TEST_BITS["spike"], TEST_BITS["noise_burst"]
CHUNK = 48  # readings
LEAST = 8  # second differences a chunk must have to tell its noise
BEFORE, AFTER = 3, 1  # chunks around the one a reading is in
LEAST_QUIET, MOST_QUIET = 3, 32  # chunks back in which the quietest noise is sought
# Mean of the lower three quarters of |z| of a standard normal z, times sqrt(1 + 4 + 1): by it
# the mean of absolute second differences becomes the standard deviation of single readings.
KEPT = 0.75
TO_SIGMA = 1.0 / (0.5149037 * np.sqrt(6.0))

SIDE = 4  # readings on either side that a spike is held against
LEAST_SIDE = 2
CANDIDATE = 0.6  # of the threshold: from there a reading is looked at closely
# What lies on the two sides of a spike may differ by this part of it, and this much noise.
SIDES_PART, SIDES_NOISE = 0.25, 3.0
# So may the readings around it: where all of them move, the soil does.
SPREAD_PART, SPREAD_NOISE = 0.5, 3.0

BURST_READINGS = 12  # a quarter of a chunk
BURST_LEAST = 4  # zigzags in so many readings: a single spike makes three at most
TO_ONE = 1.0 / np.sqrt(6.0)  # from the noise of a second difference to that of a reading
# A spike stands out from each of its two neighbours by this part of the threshold at least;
# the rounded top of a slow front does not.
NEAR_PART = 0.35


@kernel
def lower_mean(values: Floats, count: int) -> float:  # pragma: no cover
    """Return the mean of the lower three quarters of values, which it rearranges."""
    keep = max(1, int(count * KEPT))
    low, high = 0, count - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if keep - 1 <= j:
            high = j
        elif keep - 1 >= i:
            low = i
        else:
            break
    total = 0.0
    for i in range(keep):
        total += values[i]
    return total / keep


@kernel
def chunk_scale(
    x: Floats, begin: int, ends: tuple[int, int], stride: int, room: Floats
) -> tuple[float, float]:  # pragma: no cover
    """Return the noise of a chunk, and the share of readings that repeat the last.

    Of the chunk that begins at ``begin`` the steps from ``ends[0]`` to ``ends[1]`` are there.
    Every second reading will do: second differences that overlap tell little more. Both are
    NaN where too few readings tell.
    """
    count, pairs, equal = 0, 0, 0
    for at in range(begin, ends[1], 2 * stride):
        for i in range(max(at, ends[0], stride), min(at + stride, ends[1], x.size - stride)):
            here = x[i]
            fall, rise = here - x[i - stride], x[i + stride] - here
            bend = rise - fall
            known = bend == bend
            still = fall == 0.0
            pairs += known
            equal += known and still
            room[count] = abs(bend)
            count += known and not (still and rise == 0.0)
    scale = lower_mean(room, count) * TO_SIGMA if count >= LEAST else np.nan
    return scale, (equal / pairs if pairs >= LEAST else np.nan)


@kernel
def chunks_of(run: Integers, first: int) -> tuple[int, int, int]:  # pragma: no cover
    """Return number of the first chunk of a run, how many it touches, and steps in each."""
    length = CHUNK * run[3]
    base = (first + run[1]) // length
    return base, (first + run[2] - 1) // length - base + 1, length


@kernel
def noise_of_run(
    x: Floats,
    run: Integers,
    first: int,
    quiet_chunks: int,
    floor: float,
    stated: Floats,
    work: tuple[Floats, Floats],
    out: tuple[Floats, Floats, Floats],
) -> None:  # pragma: no cover
    """Fill noise, quietest noise nearby, and share of repeats of every chunk of a run.

    ``stated`` is the noise the description states for each chunk, NaN for none: below it a
    record is not taken to be, unless it measures less than two thirds of it.
    """
    typical, quiet, repeats = out
    room, few = work
    base, count, length = chunks_of(run, first)
    scales = np.empty(count)
    for k in range(count):
        begin = (base + k) * length - first
        ends = (max(run[1], begin), min(run[2], begin + length))
        scales[k], repeats[k] = chunk_scale(x, begin, ends, run[3], room)
    for k in range(count):
        typical[k] = _middle(scales, k - BEFORE, k + AFTER, few)
        quiet[k] = _low_quarter(scales, k - quiet_chunks, k + AFTER, few)
        if typical[k] == typical[k]:
            if stated[k] > typical[k]:
                typical[k] = min(stated[k], 1.5 * typical[k])
            typical[k] = max(typical[k], floor)
            quiet[k] = max(quiet[k], floor)


@kernel
def _middle(scales: Floats, first: int, last: int, few: Floats) -> float:  # pragma: no cover
    count = 0
    for k in range(max(0, first), min(scales.size, last + 1)):
        if scales[k] == scales[k]:
            few[count] = scales[k]
            count += 1
    sort_few(few, count)
    return median_of_sorted(few, count)


@kernel
def _low_quarter(
    scales: Floats, first: int, last: int, few: Floats
) -> float:  # pragma: no cover
    """Return the scale a quarter up from the lowest of some; NaN of none."""
    count = 0
    for k in range(max(0, first), min(scales.size, last + 1)):
        if scales[k] == scales[k]:
            few[count] = scales[k]
            count += 1
    sort_few(few, count)
    return few[(count - 1) // 4] if count else np.nan


@kernel
def stand_out(
    x: Floats, i: int, stride: int, few: Floats
) -> tuple[float, float, float]:  # pragma: no cover
    """Return how far a reading lies from those around it, how far its sides differ, and those.

    The sides are its two neighbours, or where one is missing all there are on either side. The
    last is the range of the readings around it.
    Of the readings around it the lowest and the highest do not count where there are five or
    more. NaN where either side has fewer than two.
    """
    count, left, right, n_left, n_right = 0, 0.0, 0.0, 0, 0
    for j in range(1, SIDE + 1):
        before, after = i - j * stride, i + j * stride
        if before >= 0 and x[before] == x[before]:
            left += x[before]
            n_left += 1
            few[count] = x[before]
            count += 1
        if after < x.size and x[after] == x[after]:
            right += x[after]
            n_right += 1
            few[count] = x[after]
            count += 1
    if n_left < LEAST_SIDE or n_right < LEAST_SIDE:
        return np.nan, np.nan, np.nan
    sort_few(few, count)
    skip = 1 if count > 4 else 0
    total = 0.0
    for j in range(skip, count - skip):
        total += few[j]
    size = x[i] - total / (count - 2 * skip)
    nearest = x[i + stride] - x[i - stride]
    if nearest != nearest:
        nearest = right / n_right - left / n_left
    return size, abs(nearest), few[count - 1 - skip] - few[skip]


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
def _is_sharp(x: Floats, i: int, stride: int, least: float) -> bool:  # pragma: no cover
    """Tell whether a reading is an extreme by ``least``, as far as neighbours are there."""
    rise = x[i] - x[i - stride] if i >= stride else np.nan
    fall = x[i] - x[i + stride] if i + stride < x.size else np.nan
    if rise != rise or fall != fall:
        return not (abs(rise) < least or abs(fall) < least)
    return rise * fall > 0.0 and min(abs(rise), abs(fall)) >= least


@kernel
def noise_spikes(
    x: Floats,
    run: Integers,
    first: int,
    factor: float,
    noise: Floats,
    work: tuple[Floats, Floats, Floats],
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect single readings ``factor`` times the noise away from those around them."""
    filled, away, few = work
    marks, column = place
    stride = run[3]
    distances(x, stride, filled, away)
    base, count, length = chunks_of(run, first)
    for k in range(count):
        limit = factor * noise[k]
        if limit != limit:
            continue
        nearly = CANDIDATE * limit
        start = max(run[1], (base + k) * length - first)
        stop = min(run[2], (base + k + 1) * length - first)
        far = away[start:stop]
        for n in range(far.size):
            if far[n] <= nearly:
                continue
            i = start + n
            if x[i] != x[i]:
                continue
            size, sides, spread = stand_out(x, i, stride, few)
            size = abs(size)
            if (
                size > limit
                and sides <= SIDES_PART * size + SIDES_NOISE * noise[k]
                and spread <= SPREAD_PART * size + SPREAD_NOISE * noise[k]
                and _is_sharp(x, i, stride, NEAR_PART * limit)
            ):
                mark(marks, i, column, SPIKE, SUSPECT)


@kernel
def noise_bursts(
    x: Floats,
    run: Integers,
    first: int,
    factor: float,
    quiet: Floats,
    place: tuple[Marks, int],
) -> None:  # pragma: no cover
    """Suspect windows in which readings jump to and fro by ``factor`` times the quiet noise.

    Counted are readings higher, or lower, than both their neighbours by a second difference
    that much larger than noise makes it. Along a front, however steep, there are none.
    """
    marks, column = place
    stride = run[3]
    width = BURST_READINGS * stride
    base, count, length = chunks_of(run, first)
    for k in range(count):
        least = factor * quiet[k] / TO_ONE
        if least != least:
            continue
        for part in range(length // width):
            begin = (base + k) * length + part * width - first
            start, stop = max(run[1], begin), min(run[2], begin + width)
            inner = max(start, stride), min(stop, x.size - stride)
            if _zigzags(x, inner[0], inner[1], stride, least) >= BURST_LEAST:
                for i in range(start, stop):
                    if x[i] == x[i]:
                        mark(marks, i, column, BURST, SUSPECT)


@kernel
def _zigzags(
    x: Floats, start: int, stop: int, stride: int, least: float
) -> int:  # pragma: no cover
    """Count readings that stand out from both neighbours by a bend of ``least`` or more."""
    if stop <= start:
        return 0
    here, before = x[start:stop], x[start - stride : stop - stride]
    after = x[start + stride : stop + stride]
    count = 0
    for i in range(here.size):
        rise, fall = here[i] - before[i], here[i] - after[i]
        count += rise * fall > 0.0 and abs(rise + fall) > least
    return count
