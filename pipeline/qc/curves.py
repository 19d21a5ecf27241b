"""How far a reading lies from curves through the readings around it.

Three of them, from the stiffest to the one that bends as the readings ask: a parabola through
eight, a cubic through eight, and the likeliest curve through sixteen.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats
from pipeline.compiled import kernel
from pipeline.qc.sides import reading
from pipeline.smooth_curve import off_the_rest

SIDE = 4  # readings on either side that parabola and cubic go through
# Weights of the readings one to four away in the parabola through eight, at its middle.
PARABOLA = (648.0 / 2064.0, 468.0 / 2064.0, 168.0 / 2064.0, -252.0 / 2064.0)
# Chi squared, of four degrees of freedom, of eight readings that lie on a cubic.
CUBIC_MISFIT = 13.0
OF_CUBIC = 1.158889  # deviation of a reading less the cubic: sqrt(1 + sum of squared weights)
# The likeliest curve goes through so many readings on either side, of which so many are there;
# its strength is sought from this power of ten on.
ARC_SIDE, ARC_LEAST, ARC_GUESS = 8, 6, 2


@kernel
def has_eight(x: Floats, i: int, stride: int) -> bool:  # pragma: no cover
    """Tell whether the four readings on either side are all there."""
    for j in range(1, SIDE + 1):
        both = reading(x, i - j * stride) + reading(x, i + j * stride)
        if both != both:
            return False
    return True


@kernel
def off_the_parabola(x: Floats, i: int, stride: int) -> float:  # pragma: no cover
    """Return how far a reading lies from the parabola through its eight neighbours."""
    curve = 0.0
    for j in range(SIDE):
        away = (j + 1) * stride
        curve += PARABOLA[j] * (x[i - away] + x[i + away])
    return x[i] - curve


@kernel
def off_the_cubic(x: Floats, i: int, stride: int, noise: float) -> float:  # pragma: no cover
    """Return z of a reading, with its sign, against the cubic through its eight neighbours.

    0 where these do not lie on one. What is even about the middle and what is odd are fitted
    apart, each with two degrees of freedom left.
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
    rest = even2 - 0.25 * even * even - square * slope
    rest += odd2 - odd * odd / 30.0 - cube * cube / 712.8
    if not 2.0 * rest <= CUBIC_MISFIT * noise * noise:
        return 0.0
    return (7.5 * slope - 0.25 * even) / (OF_CUBIC * noise)


@kernel
def off_the_arc(
    x: Floats, i: int, stride: int, noise: float
) -> tuple[float, float]:  # pragma: no cover
    """Return z of a reading against the likeliest curve around, and the curve's variance.

    z has its sign; the variance is in noise squared, and infinite where the readings are too
    few to tell how smooth the curve is.
    """
    weight, scaled = np.zeros(2 * ARC_SIDE + 1), np.zeros(2 * ARC_SIDE + 1)
    for j in range(weight.size):
        off = reading(x, i + (j - ARC_SIDE) * stride) - x[i]
        if off == off and j != ARC_SIDE:
            weight[j], scaled[j] = 1.0, off / noise
    if weight.sum() < ARC_LEAST:
        return 0.0, np.inf
    return off_the_rest(weight, scaled, ARC_GUESS, ARC_SIDE)
