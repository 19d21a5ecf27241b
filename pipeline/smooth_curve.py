"""A curve through readings, as smooth as the readings ask.

The curve is that with the least sum of squared distances, in units of the noise, and of
squared bends, weighed by a strength. The strength is the likeliest of some, decades apart.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats
from pipeline.compiled import kernel

WEAKEST, STRONGEST = -3, 8  # powers of ten of the strength


@kernel
def likeliest_curve(
    weight: Floats, scaled: Floats, guess: int
) -> tuple[Floats, float]:  # pragma: no cover
    """Return the curve through readings in units of their noise, and its strength.

    Parameters
    ----------
    weight : (step,)
        1 where there is a reading, else 0; readings at two steps at least.
    scaled : (step,)
        Readings over their noise; 0 where there is none.
    guess : int
        Power of ten of the strength from which the likeliest is sought, uphill.

    Notes
    -----
    The likelihood is that of a random walk of the slope seen with noise, the first level and
    slope unknown: Wecker & Ansley (1983), J. Am. Stat. Assoc. 78, 81-89 (from memory).
    """
    power = min(max(guess, WEAKEST), STRONGEST)
    best, curve = _trial(weight, scaled, power)
    for way in (1, -1):
        moved = False
        while WEAKEST <= power + way <= STRONGEST:
            likelihood, found = _trial(weight, scaled, power + way)
            if likelihood <= best:
                break
            best, curve, power, moved = likelihood, found, power + way, True
        if moved:
            break
    return curve, 10.0**power


@kernel
def _trial(
    weight: Floats, scaled: Floats, power: int
) -> tuple[float, Floats]:  # pragma: no cover
    """Return the log likelihood of a strength, but for a constant, and its curve."""
    strength = 10.0**power
    parts = factors(weight, strength)
    found = solved(parts, scaled)
    squares = 0.0
    for i in range(weight.size):
        squares += weight[i] * (scaled[i] - found[i]) ** 2
    for i in range(weight.size - 2):
        squares += strength * (found[i] - 2.0 * found[i + 1] + found[i + 2]) ** 2
    determinant = np.log(parts[0]).sum()
    return -0.5 * (squares + determinant - (weight.size - 2) * np.log(strength)), found


@kernel
def factors(weight: Floats, strength: float) -> Floats:  # pragma: no cover
    """Return L and D of weights and squared second differences, a band of five: (3, step)."""
    size = weight.size
    parts = np.zeros((3, size))
    parts[0] = weight
    for i in range(size - 2):
        parts[0, i] += strength
        parts[0, i + 1] += 4.0 * strength
        parts[0, i + 2] += strength
        parts[1, i] -= 2.0 * strength
        parts[1, i + 1] -= 2.0 * strength
        parts[2, i] += strength
    for i in range(size):
        if i > 0:
            parts[0, i] -= parts[0, i - 1] * parts[1, i - 1] ** 2
            parts[1, i] -= parts[0, i - 1] * parts[1, i - 1] * parts[2, i - 1]
        if i > 1:
            parts[0, i] -= parts[0, i - 2] * parts[2, i - 2] ** 2
        parts[1, i] /= parts[0, i]
        parts[2, i] /= parts[0, i]
    return parts


@kernel
def solved(parts: Floats, right: Floats) -> Floats:  # pragma: no cover
    """Return the answer for a right side, by the factors."""
    found = right.copy()
    size = found.size
    for i in range(1, size):
        found[i] -= parts[1, i - 1] * found[i - 1]
        if i > 1:
            found[i] -= parts[2, i - 2] * found[i - 2]
    for i in range(size):
        found[i] /= parts[0, i]
    for i in range(size - 2, -1, -1):
        found[i] -= parts[1, i] * found[i + 1]
        if i < size - 2:
            found[i] -= parts[2, i] * found[i + 2]
    return found


@kernel
def off_the_rest(
    weight: Floats, scaled: Floats, guess: int, at: int
) -> tuple[float, float]:  # pragma: no cover
    """Return z of a reading at 0 against the curve through the others, and its variance.

    z has its sign; the variance is of the curve at the reading, in units of the noise squared.

    Parameters
    ----------
    weight, scaled, guess
        As of `likeliest_curve`; the reading itself has no weight.
    at : int
        Its place.
    """
    curve, strength = likeliest_curve(weight, scaled, guess)
    only = np.zeros(weight.size)
    only[at] = 1.0
    variance = solved(factors(weight, strength), only)[at]
    return -curve[at] / np.sqrt(1.0 + variance), variance
