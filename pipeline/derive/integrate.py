"""The compiled loop behind stored water: values, three kinds of error, and the flag."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats, Integers
from pipeline.compiled import kernel
from pipeline.derive.spacing import Slopes
from pipeline.qc.flags import Quality

MM_PER_M = 1000.0
_MISSING = int(Quality.MISSING)
_SUSPECT = int(Quality.SUSPECT)


class Cells(NamedTuple):
    """What a block holds at its sensors, each (time, tube, depth)."""

    water: NDArray[np.float32]  # [m3 m-3]
    random: NDArray[np.float32]  # [m3 m-3]
    systematic: NDArray[np.float32]  # [m3 m-3]
    quality: NDArray[np.uint8]


class Geometry(NamedTuple):
    """Every set of sensors met in a block (``S`` of them), and which holds when.

    See `pipeline.derive.weights` and `pipeline.derive.spacing`; of the latter only the
    variances are kept.
    """

    which: NDArray[np.int32]  # (time or 1, tube)
    weights: Floats  # (S, layer, depth) [m]
    bridged: Bools  # (S, layer)
    factors: Floats  # (S, depth + 2, layer) [m3]
    following: Integers  # (S, depth)
    distance_m: Floats  # (S, depth)
    far: Bools  # (S, layer), out of the reach of all sensors


class Sharing(NamedTuple):
    """Who shares a calibration with whom (`pipeline.derive.calibrations`), by step."""

    stretch: NDArray[np.int32]  # (time,)
    group: Integers  # (stretch, tube, depth), not below 0
    own_error: Floats  # (stretch, tube, depth) [m3 m-3]


class Stored(NamedTuple):
    """The results, each (time, tube, layer), filled with NaN or 9 beforehand."""

    water: NDArray[np.float32]  # [mm]
    random: NDArray[np.float32]  # [mm]
    systematic: NDArray[np.float32]  # [mm], calibration and spacing
    quality: NDArray[np.uint8]


class Profile(NamedTuple):
    """What one tube holds at one step, each (depth,)."""

    water: NDArray[np.float32]
    random: NDArray[np.float32]
    own: Floats
    shared: Floats
    group: Integers


@kernel
def integrate(
    cells: Cells, geometry: Geometry, sharing: Sharing, slopes: Slopes, out: Stored
) -> None:  # pragma: no cover
    """Fill ``out``, cell by cell in a fixed order."""
    steps, tubes, depths = cells.water.shape
    shared, own = np.empty(depths), np.empty(depths)
    slope, sums = np.empty(depths + 2), np.empty(depths + 1)
    for time in range(steps):
        stretch = sharing.stretch[time]
        for tube in range(tubes):
            which = geometry.which[min(time, geometry.which.shape[0] - 1), tube]
            water, quality = cells.water[time, tube], cells.quality[time, tube]
            own[:] = sharing.own_error[stretch, tube]
            _split(cells.systematic[time, tube], own, shared)
            _slopes(water, geometry, which, slopes, slope)
            group = sharing.group[stretch, tube]
            profile = Profile(water, cells.random[time, tube], own, shared, group)
            for layer in range(out.quality.shape[2]):
                weights = geometry.weights[which, layer]
                flag = _flag(water, quality, weights)
                if flag == _MISSING:
                    continue
                doubtful = geometry.bridged[which, layer]
                stored, variance, scatter = _layer(profile, weights, sums)
                scatter += _spacing(geometry.factors[which, :, layer], slope)
                out.water[time, tube, layer] = stored * MM_PER_M
                out.random[time, tube, layer] = np.sqrt(variance) * MM_PER_M
                out.systematic[time, tube, layer] = np.sqrt(scatter) * MM_PER_M
                # Of a layer that no sensor is near its error alone tells how little is known.
                doubtful = doubtful or (geometry.far[which, layer] and np.isnan(scatter))
                out.quality[time, tube, layer] = max(flag, _SUSPECT) if doubtful else flag


@kernel
def _layer(
    profile: Profile, weights: Floats, sums: Floats
) -> tuple[float, float, float]:  # pragma: no cover
    """Return water [m] and the variances [m2] of noise and of calibration in one layer."""
    water, variance, scatter = 0.0, 0.0, 0.0
    sums[:] = 0.0
    for depth in range(weights.size):
        weight = weights[depth]
        if weight == 0.0:
            continue
        water += weight * np.float64(profile.water[depth])
        variance += (weight * np.float64(profile.random[depth])) ** 2
        scatter += (weight * profile.own[depth]) ** 2
        sums[profile.group[depth]] += weight * profile.shared[depth]
    for number in range(sums.size):
        scatter += sums[number] ** 2
    return water, variance, scatter


@kernel
def _spacing(factors: Floats, slope: Floats) -> float:  # pragma: no cover
    """Return the variance [m2] that the distance between sensors leaves in one layer."""
    variance = 0.0
    for part in range(slope.size):
        if factors[part] > 0.0:
            variance += factors[part] * slope[part]
    return variance


@kernel
def _split(
    systematic: NDArray[np.float32], own: Floats, shared: Floats
) -> None:  # pragma: no cover
    """Part a sensor's systematic error into its own, no larger than all, and the shared."""
    for depth in range(shared.size):
        whole = np.float64(systematic[depth])
        if own[depth] > whole:
            own[depth] = whole
        shared[depth] = np.sqrt(whole * whole - own[depth] * own[depth])


@kernel
def _slopes(
    water: NDArray[np.float32], geometry: Geometry, which: int, slopes: Slopes, out: Floats
) -> None:  # pragma: no cover
    """Fill ``out`` (part,) with the slope of the variogram in each part of the profile."""
    depths = water.size
    for depth in range(depths):
        below = geometry.following[which, depth]
        out[depth] = np.nan
        if below >= 0:
            change = np.float64(water[below]) - np.float64(water[depth])
            length = geometry.distance_m[which, depth]
            out[depth] = slopes.share * change * change / length + slopes.least
    out[depths] = slopes.above
    out[depths + 1] = slopes.below


@kernel
def _flag(
    water: NDArray[np.float32], quality: NDArray[np.uint8], weights: Floats
) -> int:  # pragma: no cover
    """Return the flag of a layer: that of its most doubtful sensor, 9 where one is missing."""
    flag = 0
    for depth in range(weights.size):
        weight = weights[depth]
        if weight == 0.0:
            continue
        if np.isnan(weight) or np.isnan(water[depth]) or quality[depth] == _MISSING:
            return _MISSING
        flag = max(flag, quality[depth])  # the scale rises with doubt below 9
    return flag
