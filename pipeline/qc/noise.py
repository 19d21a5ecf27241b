"""The noise of a record around each reading, and what is judged by it.

Noise is told from soil by second differences x[i-1] - 2 x[i] + x[i+1]: water moves smoothly
from reading to reading, noise does not. The record is cut into chunks of `CHUNK` readings at
fixed places of the site's axis, so that no estimate depends on where a block begins. Of each
chunk the mean of the lower three quarters of the absolute second differences is taken, which
a front or a spike in the other quarter does not reach; the noise at a reading is the median of
five chunks, three before its own and one after; for spikes, which need it more exactly, the
mean of the middle half of some two dozen, each over the noise stated for it, because the same
noise of the signal is not as much water content in wet soil as in dry. Three equal readings in
a row tell nothing of noise (the sensor may be stuck, or coarse) and are left out.

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

BURST = TEST_BITS["noise_burst"]
CHUNK = 48  # readings
LEAST = 8  # second differences a chunk must have to tell its noise
BEFORE, AFTER = 3, 1  # chunks around the one a reading is in
LEAST_QUIET, MOST_QUIET = 3, 32  # chunks back in which the quietest noise is sought
# Spikes are held against a steadier estimate, from more chunks: at five times the noise, one
# too low by a tenth makes ten false ones of one. It is never far below the typical one.
LEAST_STEADY, MOST_STEADY = 12, 26  # chunks back
STEADY_CHUNKS = 2  # that tell it at least
STEADY_PART = 0.8
# Mean of the lower three quarters of |z| of a standard normal z, times sqrt(1 + 4 + 1): by it
# the mean of absolute second differences becomes the standard deviation of single readings.
KEPT = 0.75
TO_SIGMA = 1.0 / (0.5149037 * np.sqrt(6.0))

BURST_READINGS = 12  # a quarter of a chunk
BURST_LEAST = 4  # zigzags in so many readings: a single spike makes three at most
TO_ONE = 1.0 / np.sqrt(6.0)  # from the noise of a second difference to that of a reading


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
    reach: tuple[int, int],
    floor: float,
    stated: Floats,
    work: tuple[Floats, Floats],
    out: tuple[Floats, Floats, Floats, Floats],
) -> None:  # pragma: no cover
    """Fill noise, quietest nearby, share of repeats, and steady noise of each chunk of a run.

    ``reach`` is how many chunks back the quietest, and the steady one, are sought. ``stated``
    is the noise the description states for each chunk, NaN for none: below it a record is not
    taken to be, unless it measures less than two thirds of it.
    """
    typical, quiet, repeats, steady = out
    room, few = work
    base, count, length = chunks_of(run, first)
    scales = np.empty(count)
    for k in range(count):
        begin = (base + k) * length - first
        ends = (max(run[1], begin), min(run[2], begin + length))
        scales[k], repeats[k] = chunk_scale(x, begin, ends, run[3], room)
    for k in range(count):
        typical[k] = _middle(scales, k - BEFORE, k + AFTER, few)
        quiet[k] = _low_quarter(scales, k - reach[0], k + AFTER, few)
        steady[k] = _middle_half(scales, stated, k, k - reach[1], few)
        if typical[k] == typical[k]:
            steady[k] = max(steady[k], STEADY_PART * typical[k], floor)
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
def _middle_half(
    scales: Floats, stated: Floats, k: int, first: int, few: Floats
) -> float:  # pragma: no cover
    """Return the mean of the middle half of the scales up to a chunk; NaN of too few.

    Each counts by how the noise stated for it, if any is, compares with that of the chunk.
    """
    count = 0
    here = stated[k]
    for j in range(max(0, first), min(scales.size, k + AFTER + 1)):
        scale = scales[j]
        if here == here:
            scale = scale * here / stated[j] if stated[j] > 0.0 else np.nan
        if scale == scale:
            few[count] = scale
            count += 1
    if count < STEADY_CHUNKS:
        return np.nan
    sort_few(few, count)
    skip = count // 4
    total = 0.0
    for j in range(skip, count - skip):
        total += few[j]
    return total / (count - 2 * skip)


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
