"""Student's t distribution for whole degrees of freedom, in closed form."""

from __future__ import annotations

import math

_HALVINGS = 64  # of the interval that holds the quantile: all the digits a float has


def student_quantile(probability: float, degrees: int) -> float:
    """Return the value that Student's t does not exceed with a probability.

    Parameters
    ----------
    probability : float
        Between 0 and 1, both excluded.
    degrees : int
        Degrees of freedom, at least 1.

    Raises
    ------
    ValueError
        If either lies outside.

    References
    ----------
    Abramowitz & Stegun (1964), Handbook of Mathematical Functions, 26.7.3 and 26.7.4; the
    finite series are inverted by halving the angle whose tangent is t / sqrt(degrees).
    """
    if not 0.0 < probability < 1.0 or degrees < 1:
        raise ValueError(
            f"expected a probability between 0 and 1 and degrees of freedom of at least 1, "
            f"found {probability!r} and {degrees!r}"
        )
    if probability < 0.5:
        return -student_quantile(1.0 - probability, degrees)
    inside = 2.0 * probability - 1.0  # of the values from -t to t
    low, high = 0.0, math.pi / 2
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if _inside(middle, degrees) < inside:
            low = middle
        else:
            high = middle
    return math.sqrt(degrees) * math.tan(0.5 * (low + high))


def _inside(angle: float, degrees: int) -> float:
    """Return the probability of values from -t to t, with t = sqrt(degrees) tan(angle)."""
    cosine = math.cos(angle)
    odd = degrees % 2
    term = cosine if odd else 1.0
    total = term if degrees > 1 else 0.0
    for number in range(2 + odd, degrees - 1, 2):
        term *= cosine * cosine * (number - 1) / number
        total += term
    if odd:
        return 2.0 / math.pi * (angle + math.sin(angle) * total)
    return math.sin(angle) * total
