"""What the depths between sensors leave open: the uncertainty of interpolation.

A straight line between sensors, and a constant beyond them, are what kriging with a linear
variogram gives in one dimension: water content is thought to wander with depth so that the
variance of its difference grows with distance by a slope. Between two sensors the error of the
line is then a Brownian bridge, beyond the last one a free walk. Both have closed covariances,
so the error of any layer, and between any two layers, follows from geometry and slopes alone.
The slope between two sensors is taken from how much they differ at that very time.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.weights import THINNEST_M, EndRules
from pipeline.site.checks_layers import REACH_M


class Slopes(NamedTuple):
    """Slope of the variogram of water content with depth, [m6 m-6 m-1]."""

    share: float  # of the slope that the two sensors around a part show [1]
    least: float  # added to it, for sensors that happen to agree
    above: float  # beyond the first sensor
    below: float  # beyond the last


# Ours. Tuned on the tuning seeds of docs/truth.md, so that intervals hold what they state. A
# change that all lies at one depth, anywhere between two sensors, would have a share of 1.
VARIOGRAM = Slopes(share=0.5, least=0.0002, above=0.004, below=0.004)


class Spacing(NamedTuple):
    """The parts of a profile that lie between and beyond its sensors.

    ``D`` sensors make ``D + 2`` parts: part ``i`` below sensor ``i`` down to the next one
    there is, part ``D`` above the first, part ``D + 1`` below the last.
    """

    factors: Floats  # (part, layer, layer), [m3]: covariance [m2] for a slope of 1 per metre
    following: NDArray[np.int64]  # (D,), the next sensor there is below each; -1 for none
    distance_m: Floats  # (D,), how far below it lies; NaN for none


def spacing_factors(
    depths_m: Floats, layers_m: Sequence[tuple[float, float]], rules: EndRules
) -> Spacing:
    """Covariance of the interpolation errors of layers, for a slope of one.

    Parameters
    ----------
    depths_m : (depth,), [m]
        Real sensor depths, downwards; NaN where there is none.
    layers_m : sequence of (top, bottom), [m]
    rules : EndRules
        An end whose rule is "none" has no part: what reaches there has no storage.

    Returns
    -------
    Spacing

    References
    ----------
    Journel & Huijbregts (1978), Mining Geostatistics, chapter V (from memory). The covariance
    of the Brownian bridge, min(u, v) - u v / h, integrated over layers: ours, by hand.
    """
    depths = np.asarray(depths_m, dtype=np.float64)
    present = np.flatnonzero(~np.isnan(depths))
    count, layers = depths.size, np.array(layers_m, dtype=np.float64).reshape(-1, 2)
    factors = np.zeros((count + 2, len(layers), len(layers)))
    following = np.full(count, -1, dtype=np.int64)
    distance = np.full(count, np.nan)
    for upper, lower in pairwise(present):
        start, length = depths[upper], depths[lower] - depths[upper]
        inside = _thick(np.clip(layers - start, 0.0, length))
        middles = np.diff(inside**2, axis=1)[:, 0] / 2  # the integral of u over each layer
        factors[upper] = _walk(inside) - np.outer(middles, middles) / length
        following[upper], distance[upper] = lower, length
    if present.size:
        first, last = depths[present[0]], depths[present[-1]]
        if rules.above != "none":
            factors[count] = _walk(_thick(np.clip(first - layers[:, ::-1], 0.0, first)))
        if rules.below != "none":
            factors[count + 1] = _walk(_thick(np.maximum(layers - last, 0.0)))
    return Spacing(factors, following, distance)


def out_of_reach(
    depths_m: Floats, layers_m: Sequence[tuple[float, float]]
) -> NDArray[np.bool_]:
    """Tell which layers (layer,) lie wholly above or below all sensors and far from them.

    Parameters are those of `spacing_factors`; far is farther than ``REACH_M``.
    """
    depths = np.asarray(depths_m, dtype=np.float64)
    layers = np.array(layers_m, dtype=np.float64).reshape(-1, 2)
    if np.isnan(depths).all():
        return np.zeros(len(layers), dtype=np.bool_)
    above, below = np.nanmin(depths) - layers[:, 1], layers[:, 0] - np.nanmax(depths)
    far: NDArray[np.bool_] = np.maximum(above, below) > REACH_M + THINNEST_M
    return far


def _thick(spans: Floats) -> Floats:
    """Return spans (layer, 2) with none of rounding's thickness: such need no sensor."""
    thin = spans[:, 1] - spans[:, 0] <= THINNEST_M
    return np.where(thin[:, None], 0.0, spans)


def _walk(spans: Floats) -> Floats:
    """Return the integral of min(u, v) over every pair of spans (layer, 2) from a sensor."""
    low, high = spans[:, 0], spans[:, 1]
    return (
        _to_corner(high[:, None], high[None, :])
        - _to_corner(low[:, None], high[None, :])
        - _to_corner(high[:, None], low[None, :])
        + _to_corner(low[:, None], low[None, :])
    )


def _to_corner(x: Floats, y: Floats) -> Floats:
    """Return the integral of min(u, v) over u from 0 to x and v from 0 to y."""
    small, large = np.minimum(x, y), np.maximum(x, y)
    return small**2 * large / 2 - small**3 / 6
