"""Variance and covariance of the errors of layers that rest on the same sensors.

With W the weights of sensors in layers, the noise and what is each sensor's own give
W diag(r^2 + o^2) W', each calibration that sensors share gives the outer product of W s with
itself, and the distance between sensors gives its geometry times the variogram's slope.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.binning import Sensors
from pipeline.derive.integrate import MM_PER_M
from pipeline.derive.spacing import VARIOGRAM, Spacing

# The group (depth,) each sensor's calibration belongs to, and its own error (depth,) [m3 m-3].
Who = tuple[NDArray[np.int64], Floats]


def layer_variances(
    held: Sensors, weights: Floats, who: Who, spacing: Spacing, layers: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Return the variances (time, layer) [mm2] of what averages out and of what does not.

    Parameters
    ----------
    held : Sensors, (time, depth), [m3 m-3]
    weights : (layer, depth), [m]
    who : Who
    spacing : Spacing
    layers : (layer,)
        The rows of ``spacing`` that ``weights`` are for.
    """
    own, shared = _split(held.systematic, who[1])
    random = _quadrature(held.random, weights)
    systematic = _quadrature(own, weights)
    for sums in _shared_sums(shared, weights, who[0]):
        systematic += sums**2
    systematic += spacing_variances(held.water, spacing)[:, layers]
    return MM_PER_M**2 * random, MM_PER_M**2 * systematic


def spacing_variances(water: Floats, spacing: Spacing) -> Floats:
    """Return the variance of layers by the distance between sensors, (time, layer) [m2].

    Parameters
    ----------
    water : (time, depth), [m3 m-3]
    spacing : Spacing
    """
    total = np.zeros((len(water), spacing.factors.shape[1]))
    for part, slope in enumerate(part_slopes(water, spacing).T):
        factor = np.diagonal(spacing.factors[part])
        total += np.where(factor > 0, slope[:, None] * factor, 0.0)
    return total


def layer_covariance(
    held: Sensors, weights: Floats, who: Who, spacing: Spacing, layers: NDArray[np.int64]
) -> Floats:
    """Return the covariance of all errors between layers, (time, layer, layer) [mm2].

    Parameters are those of `layer_variances`; its two parts together are the diagonal.
    """
    own, shared = _split(held.systematic, who[1])
    total = np.zeros((len(held.water), len(layers), len(layers)))
    pairs = weights[:, None] * weights[None, :]
    for depth in range(weights.shape[1]):
        needed = pairs[:, :, depth] != 0
        variance = held.random[:, depth] ** 2 + own[:, depth] ** 2
        total += np.where(needed, variance[:, None, None] * pairs[:, :, depth], 0.0)
    for sums in _shared_sums(shared, weights, who[0]):
        total += sums[:, :, None] * sums[:, None, :]
    for part, slope in enumerate(part_slopes(held.water, spacing).T):
        factor = spacing.factors[part][np.ix_(layers, layers)]
        total += np.where(factor != 0, slope[:, None, None] * factor, 0.0)
    covariance: Floats = MM_PER_M**2 * total
    return covariance


def part_slopes(water: Floats, spacing: Spacing) -> Floats:
    """Return the slope of the variogram in each part of the profile, (time, part).

    Parameters
    ----------
    water : (time, depth), [m3 m-3]
    spacing : Spacing
    """
    depths = spacing.following.size
    slopes = np.full((len(water), depths + 2), np.nan)
    for depth, below in enumerate(spacing.following.tolist()):
        if below >= 0:
            change = water[:, below] - water[:, depth]
            steep = VARIOGRAM.share * change * change / spacing.distance_m[depth]
            slopes[:, depth] = steep + VARIOGRAM.least
    slopes[:, depths], slopes[:, depths + 1] = VARIOGRAM.above, VARIOGRAM.below
    return slopes


def _split(systematic: Floats, own_error: Floats) -> tuple[Floats, Floats]:
    """Part systematic errors into what is each sensor's own and what it shares."""
    own = np.where(own_error > systematic, systematic, own_error)
    return own, np.sqrt(systematic * systematic - own * own)


def _quadrature(errors: Floats, weights: Floats) -> Floats:
    """Return the variance (time, layer) of errors (time, depth) that are independent."""
    total = np.zeros((len(errors), len(weights)))
    for depth in range(weights.shape[1]):
        weight = weights[:, depth]
        total += np.where(weight != 0, (errors[:, depth, None] * weight) ** 2, 0.0)
    return total


def _shared_sums(shared: Floats, weights: Floats, group: NDArray[np.int64]) -> list[Floats]:
    """Return, for each calibration, the error (time, layer) that its sensors share."""
    found: dict[int, Floats] = {}
    for depth, number in enumerate(group.tolist()):
        weight = weights[:, depth]
        part = np.where(weight != 0, shared[:, depth, None] * weight, 0.0)
        found[number] = found[number] + part if number in found else part
    return [found[number] for number in sorted(found)]
