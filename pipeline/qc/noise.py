"""The noise of a record around each reading, and what is judged by it.

Noise is told from soil by second differences x[i-1] - 2 x[i] + x[i+1]: water moves smoothly
from reading to reading, noise does not. The record is cut into chunks of `CHUNK` readings at
fixed places of the site's axis, so that no estimate depends on where a block begins. Of each
chunk the mean of the lower three quarters of the absolute second differences is taken, which
a front or a spike in the other quarter does not reach; the noise at a reading is the median of
five chunks, three before its own and one after; for spikes, which need it more exactly, the
mean of the middle half of two to five dozen, each over the noise stated for it, because the
same noise of the signal is not as much water content in wet soil as in dry. Three equal
readings in a row tell nothing of noise (the sensor may be stuck, or coarse) and are left out.

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
# too low by a tenth makes ten false ones of one. It is never far below both the chunk's own
# and the typical one.
LEAST_STEADY, MOST_STEADY = 18, 54  # chunks back
STEADY_CHUNKS = 2  # that tell it at least
STEADY_PART = 0.7
# Mean of the middle half, and of the lower, of chunks' scales where noise is all there is, by
# draws. Where it freezes by night, soil moves in most chunks, and the lower half tells more.
OF_MIDDLE, OF_LOWER = 1.022, 0.869
LOWER_SURE = 1.06  # a middle half higher by no more than chance makes it is taken
# Mean of the lower three quarters of |z| of a standard normal z, times sqrt(1 + 4 + 1): by it
# the mean of absolute second differences becomes the standard deviation of single readings.
KEPT = 0.75
TO_SIGMA = 1.0 / (0.5149037 * np.sqrt(6.0))

BURST_READINGS = 12  # a quarter of a chunk
BURST_LEAST = 4  # zigzags in so many readings: a single spike makes three at most
TO_ONE = 1.0 / np.sqrt(6.0)  # from the noise of a second difference to that of a reading


@kernel
def lower_mean(values: Floats, count: int) -> float:  # pragma: no cover
    """Return the mean of the lower three quarters of values, which it rearranges.

    The highest are held sorted at the front while the others are added up: they are few.
    """
    keep = max(1, int(count * KEPT))
    high = count - keep
    sort_few(values, high)
    total = 0.0
    for i in range(high, count):
        value = values[i]
        if high > 0 and value > values[0]:
            total += values[0]
            j = 1
            while j < high and values[j] < value:
                values[j - 1] = values[j]
                j += 1
            values[j - 1] = value
        else:
            total += value
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
    low, stop, two = max(ends[0], stride), min(ends[1], x.size - stride), 2 * stride
    for way in range(begin, begin + stride):
        start = way + max(0, (low - way + two - 1) // two * two)
        if start >= stop:
            continue
        # Views, since an index that may be negative is slow.
        here, before = x[start:stop:two], x[start - stride : stop - stride : two]
        after = x[start + stride : stop + stride : two]
        for n in range(here.size):
            fall, rise = here[n] - before[n], after[n] - here[n]
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
    _steady(scales, stated, reach[1], few, steady)
    for k in range(count):
        found = _sorted(scales, k - BEFORE, k + AFTER, few)
        typical[k] = median_of_sorted(few, found)
        found = _sorted(scales, k - reach[0], k + AFTER, few)
        quiet[k] = few[(found - 1) // 4] if found else np.nan
        if typical[k] == typical[k]:
            own = scales[k] if scales[k] < typical[k] else typical[k]
            steady[k] = max(steady[k], STEADY_PART * own, floor)
            if stated[k] > typical[k]:
                typical[k] = min(stated[k], 1.5 * typical[k])
            typical[k] = max(typical[k], floor)
            quiet[k] = max(quiet[k], floor)


@kernel
def _sorted(scales: Floats, first: int, last: int, few: Floats) -> int:  # pragma: no cover
    """Sort the scales of some chunks into ``few``; return how many there are."""
    count = 0
    for k in range(max(0, first), min(scales.size, last + 1)):
        if scales[k] == scales[k]:
            few[count] = scales[k]
            count += 1
    sort_few(few, count)
    return count


@kernel
def _steady(
    scales: Floats, stated: Floats, back: int, few: Floats, steady: Floats
) -> None:  # pragma: no cover
    """Fill what the middle and the lower half of scales up to each chunk tell; NaN of few.

    Each counts by how the noise stated for it, if any is, compares with that of the chunk.
    From chunk to chunk ``few`` stays sorted: one scale goes, one comes.
    """
    kept, first, last, by_stated = 0, 0, 0, False
    for k in range(scales.size):
        told = stated[k] == stated[k]
        oldest = max(0, k - back)
        if told != by_stated:
            kept, first, last, by_stated = 0, oldest, oldest, told
        while first < oldest:
            kept = _exchange(few, kept, _scale_of(scales, stated, first, told), False)
            first += 1
        while last < min(scales.size, k + AFTER + 1):
            kept = _exchange(few, kept, _scale_of(scales, stated, last, told), True)
            last += 1
        steady[k] = np.nan
        if kept >= STEADY_CHUNKS:
            middle = _mean_between(few, kept // 4, kept - kept // 4) / OF_MIDDLE
            lower = _mean_between(few, 0, (kept + 1) // 2) / OF_LOWER
            steady[k] = min(middle, LOWER_SURE * lower) * (stated[k] if told else 1.0)


@kernel
def _mean_between(values: Floats, first: int, last: int) -> float:  # pragma: no cover
    """Return the mean of values from one up to another."""
    total = 0.0
    for j in range(first, last):
        total += values[j]
    return total / (last - first)


@kernel
def _scale_of(scales: Floats, stated: Floats, k: int, told: bool) -> float:  # pragma: no cover
    """Return the scale of a chunk, over the noise stated for it if that is ``told``."""
    if not told:
        return scales[k]
    return scales[k] / stated[k] if stated[k] > 0.0 else np.nan


@kernel
def _exchange(few: Floats, count: int, value: float, comes: bool) -> int:  # pragma: no cover
    """Put a value into sorted ones, or take it out; return how many there are then."""
    if value != value:
        return count
    j = count if comes else count - 1
    if comes:
        while j > 0 and few[j - 1] > value:
            few[j] = few[j - 1]
            j -= 1
        few[j] = value
        return count + 1
    moved = few[j]
    while j > 0 and moved != value:
        j -= 1
        few[j], moved = moved, few[j]
    return count - 1


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
