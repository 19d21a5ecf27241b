"""Where soil can be at a reading, told from the readings on its two sides.

Where soil moves, no mean and no curve through both sides holds: at the foot of a front, or its
top, the two sides are of different soil. So a line is laid through the readings of each side
by itself, as many as lie on one, and led on to the reading in the middle. If the two lines
agree there, the reading should lie where they meet. If not, soil can have done anything
between them, and between them and its two neighbours: only what lies outside all of that
stands out. Water that ran to its peak drains fastest at first, so the side after a peak is
led back once more as steeply. A reading after which the record goes on along the line it
followed before stands out whatever comes next.

All of it is ours. Predictions are taken less the reading in the middle, ``x[i]``.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats
from pipeline.compiled import kernel

REACH = 8  # readings on a side that a line may go through
LEAST_LINE = 3
# A line holds while the squares of its rests add up to what noise makes of them and this many
# standard deviations more; from there on its rests count as its noise.
LINE_MISFIT = 1.0
# Variance, in noise squared, of a reading less a line: a worse one gives way to that through
# two readings, whose own is 1 + (4 + 1).
WORST_LINE, OF_TWO = 12.0, 6.0
AGREE = 1.5  # standard deviations by which lines that agree may differ
RECESSION = 1.0  # of the slope after a peak, that much steeper just after it
# A record returns to its line within this many deviations and this part of a spike; the line
# goes through so many readings and is this flat; the reading is so many deviations off.
RETURN_NOISE, RETURN_PART, RETURN_LINE, RETURN_FLAT, RETURN_Z = 2.0, 0.05, 4, 0.125, 5.0

Line = tuple[float, float, float, int]


@kernel
def reading(x: Floats, i: int) -> float:  # pragma: no cover
    """Return a reading; NaN beyond the ends."""
    return x[i] if 0 <= i < x.size else np.nan


@kernel
def side_line(x: Floats, i: int, way: int, noise: float) -> Line:  # pragma: no cover
    """Return where a line through one side leads, how surely, its slope, and its readings.

    ``way`` is the step to the next reading on that side. Of lines through three readings and
    more the one is taken that leads to the middle most surely: sureness is the variance of
    the reading there less the prediction, in noise squared. No line: 0 readings.
    """
    best, variance, fall, many = np.nan, np.inf, 0.0, 0
    count, t1, t2, y1, y2, ty = 0, 0.0, 0.0, 0.0, 0.0, 0.0
    for t in range(1, REACH + 1):
        j = i + way * t
        if j < 0 or j >= x.size:
            break
        y = x[j] - x[i]
        if y != y:
            continue
        count, t1, t2 = count + 1, t1 + t, t2 + t * t
        y1, y2, ty = y1 + y, y2 + y * y, ty + t * y
        if count < LEAST_LINE:
            continue
        middle, spread = t1 / count, t2 - t1 * t1 / count
        slope = (ty - middle * y1) / spread
        rest = max(0.0, y2 - y1 * y1 / count - slope * slope * spread)
        freedom = count - 2
        most = (freedom + LINE_MISFIT * np.sqrt(2.0 * freedom)) * noise * noise
        # Of a reading less a line led on to it, times what its rests are more than noise.
        own = (1.0 + 1.0 / count + middle * middle / spread) * max(1.0, rest / most)
        if own < variance:
            best, variance = y1 / count - slope * middle, own
            fall, many = slope, count
    return best, variance, fall, many


@kernel
def _returned(line: Line, beyond: float, noise: float) -> float:  # pragma: no cover
    """Return z of a reading after which the record is back on the line before it, else 0.

    ``beyond`` is the reading on the other side, where the line is led on to as well.
    """
    off, variance, slope, count = line
    deviation = noise * np.sqrt(variance)
    if count < RETURN_LINE or abs(slope) > RETURN_FLAT * abs(off) + 0.5 * noise:
        return 0.0
    if not abs(beyond - (off - slope)) <= RETURN_NOISE * deviation + RETURN_PART * abs(off):
        return 0.0
    return -off / deviation if abs(off) > RETURN_Z * deviation else 0.0


@kernel
def _outside(
    low: float, of_low: float, high: float, of_high: float, noise: float
) -> float:  # pragma: no cover
    """Return z of the reading against an interval; 0 inside it."""
    if low > 0.0:
        return -low / (noise * np.sqrt(of_low))
    if high < 0.0:
        return -high / (noise * np.sqrt(of_high))
    return 0.0


@kernel
def _between(
    x: Floats, i: int, stride: int, lines: tuple[Line, Line], noise: float
) -> float:  # pragma: no cover
    """Return z against all that lies between the lines of two sides that disagree."""
    chord = 0.5 * (reading(x, i - stride) + reading(x, i + stride)) - x[i]
    low, high, of_low, of_high = np.inf, -np.inf, 1.5, 1.5
    if chord == chord:
        low, high = chord, chord
    for side in range(2):
        off, variance, slope, count = lines[side]
        way = stride if side == 1 else -stride
        if count < LEAST_LINE or variance > WORST_LINE:
            near, next_one = reading(x, i + way) - x[i], reading(x, i + 2 * way) - x[i]
            off, variance, slope = 2.0 * near - next_one, OF_TWO, next_one - near
            if off != off:
                return 0.0
        if off < low:
            low, of_low = off, variance
        if side == 1 and slope < 0.0:
            off -= RECESSION * slope
        if off > high:
            high, of_high = off, variance
    return _outside(low, of_low, high, of_high, noise)


@kernel
def off_the_soil(x: Floats, i: int, stride: int, noise: float) -> float:  # pragma: no cover
    """Return z of a reading, with its sign, against where soil can be; 0 where it can be.

    Two lines agree if they differ by no more than `AGREE` standard deviations where they
    meet. A peak or a foot rounded off there keeps to the side of its two neighbours.
    """
    lines = side_line(x, i, -stride, noise), side_line(x, i, stride, noise)
    before, after = reading(x, i - stride) - x[i], reading(x, i + stride) - x[i]
    z = _returned(lines[0], after, noise)
    if z == 0.0:
        z = _returned(lines[1], before, noise)
    if z != 0.0:
        return z
    left, right = lines[0][1] - 1.0, lines[1][1] - 1.0
    apart, most = lines[0][0] - lines[1][0], AGREE * noise
    if min(lines[0][3], lines[1][3]) < LEAST_LINE or apart * apart > most * most * (
        left + right
    ):
        return _between(x, i, stride, lines, noise)
    own = left * right / (left + right)
    off = (lines[0][0] * right + lines[1][0] * left) / (left + right)
    chord = 0.5 * (before + after)
    if chord != chord or (chord - off) ** 2 <= most * most * (0.5 + own):
        return -off / (noise * np.sqrt(1.0 + own))
    own = 1.0 + max(own, 0.5)
    return _outside(min(off, chord), own, max(off, chord), own, noise)
