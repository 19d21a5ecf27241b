"""Compiled loops of the calibration steps over whole blocks (time, column), time first.

Each result depends on the readings of its own cell alone. Work goes by tiles of some hundred
steps: within one, a run (a column with its laws held still) is gathered into small float64
buffers, worked on there, and written back while the tile's cache lines are still at hand.

All of it is in one file on purpose: the cache of compiled code notices a change of the file a
function is in, but not of what it calls elsewhere.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.reasons import NO_LAW, OUTSIDE_PROBE, OUTSIDE_SOIL
from pipeline.compiled import kernel

TILE = 1024  # steps; longer ones no longer stay in a core's cache, shorter ones cost calls


class Curves(NamedTuple):
    """Several curves packed for the kernels; ``L`` curves with ``P`` pieces in all.

    Curve ``i`` owns rows ``first[i]`` to ``first[i] + pieces[i]`` of ``coefficients`` and the
    ``pieces[i] + 1`` knots from ``first[i] + i``.
    """

    first: NDArray[np.int64]  # (L,)
    pieces: NDArray[np.int64]  # (L,), how many
    knots: Floats  # (P + L,)
    coefficients: Floats  # (P, degree + 1), ascending powers of the distance from the knot
    squared: NDArray[np.bool_]  # (L,)
    low: Floats  # (L,)
    high: Floats  # (L,)
    variance: Floats  # (L, terms), ascending powers


class Signals(NamedTuple):
    """The logged quantities, each (time, column) float32, or (0, 0) where none is logged."""

    voltage: NDArray[np.float32]
    permittivity: NDArray[np.float32]
    root_permittivity: NDArray[np.float32]
    water_content: NDArray[np.float32]


class Noise(NamedTuple):
    """Standard deviation of each logged quantity; NaN where the site does not state it."""

    voltage: float
    permittivity: float
    root_permittivity: float
    water_content: float


class WaterArrays(NamedTuple):
    """The results of `fill_water`, each (time, column)."""

    water_content: NDArray[np.float32]
    random_error: NDArray[np.float32]
    systematic_error: NDArray[np.float32]
    outside: NDArray[np.uint8]


@kernel
def evaluate(
    curves: Curves, which: int, x: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Fill ``value`` and ``slope`` with those of one curve at each ``x``, all (n,).

    Both are NaN outside the curve's range. Every element is worked out by the same operations
    in the same order wherever it stands, so a result never depends on its neighbours.
    """
    squared = curves.squared[which]
    u = x * x if squared else x
    first, count = curves.first[which], curves.pieces[which]
    if count == 1:
        _one_piece(curves.coefficients[first], curves.knots[first + which], u, value, slope)
    else:
        knots = curves.knots[first + which : first + which + count + 1]
        _many_pieces(curves.coefficients[first : first + count], knots, u, value, slope)
    low, high = curves.low[which], curves.high[which]
    for i in range(x.size):
        inside = low <= x[i] <= high
        factor = 2.0 * x[i] if squared else 1.0
        slope[i] = slope[i] * factor if inside else np.nan
        value[i] = value[i] if inside else np.nan


@kernel
def _one_piece(
    coefficients: Floats, knot: float, u: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Fill value and slope of one polynomial in ``u``, a power at a time over all elements."""
    value[:] = coefficients[-1]
    slope[:] = 0.0
    for k in range(coefficients.size - 2, -1, -1):
        coefficient = coefficients[k]
        for i in range(u.size):
            slope[i] = slope[i] * (u[i] - knot) + value[i]
            value[i] = value[i] * (u[i] - knot) + coefficient


@kernel
def _many_pieces(
    coefficients: Floats, knots: Floats, u: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Do as `_one_piece`, the piece looked up for each element; a knot starts its piece."""
    last = coefficients.shape[1] - 1
    for i in range(value.size):
        low, high = 0, coefficients.shape[0] - 1
        while low < high:
            middle = (low + high + 1) // 2
            if knots[middle] <= u[i]:
                low = middle
            else:
                high = middle - 1
        d, total, change = u[i] - knots[low], coefficients[low, last], 0.0
        for k in range(last - 1, -1, -1):
            change = change * d + total
            total = total * d + coefficients[low, k]
        value[i], slope[i] = total, change


@kernel
def evaluate_variance(
    curves: Curves, which: int, x: Floats, out: Floats
) -> None:  # pragma: no cover
    """Fill ``out`` (n,) with the variance of one curve's value at each ``x``."""
    squared, terms = curves.squared[which], curves.variance[which]
    u = x * x if squared else x
    out[:] = terms[-1]
    for k in range(terms.size - 2, -1, -1):
        term = terms[k]
        for i in range(u.size):
            out[i] = out[i] * u[i] + term
    for i in range(u.size):
        # Rounding may leave a covariance form a hair below zero. NaN stays NaN.
        out[i] = 0.0 if out[i] < 0.0 else out[i]


class Work(NamedTuple):
    """Room for one run of one tile, each (n,).

    Before `_through_soil` ``random`` and ``systematic`` belong to root permittivity, and the
    latter is a variance; after it they belong to water content.
    """

    reading: Floats
    root: Floats
    random: Floats
    systematic: Floats
    water: Floats
    slope: Floats
    variance: Floats
    failed: NDArray[np.uint8]


@kernel
def _room(buffers: Floats, flags: NDArray[np.uint8], n: int) -> Work:  # pragma: no cover
    """Return the first ``n`` places of seven buffers (7, TILE); rows must stay contiguous."""
    return Work(
        buffers[0][:n],
        buffers[1][:n],
        buffers[2][:n],
        buffers[3][:n],
        buffers[4][:n],
        buffers[5][:n],
        buffers[6][:n],
        flags[:n],
    )


@kernel
def _gather(
    array: NDArray[np.float32], start: int, column: int, out: Floats
) -> None:  # pragma: no cover
    """Copy a stretch of one column into ``out``."""
    for i in range(out.size):
        out[i] = array[start + i, column]


@kernel
def _from_voltage(
    curves: Curves, probe: int, noise: float, work: Work
) -> None:  # pragma: no cover
    """Turn voltage readings into root permittivity, its random error and systematic variance.

    Everything is NaN where there is no reading, no law or a voltage outside its range.
    """
    x, root, random, failed = work.reading, work.root, work.random, work.failed
    if probe < 0:
        root[:] = np.nan
        random[:] = np.nan
        work.systematic[:] = np.nan
    else:
        evaluate(curves, probe, x, root, random)
        evaluate_variance(curves, probe, x, work.systematic)
    reason = NO_LAW if probe < 0 else OUTSIDE_PROBE
    for i in range(x.size):
        random[i] = abs(random[i]) * noise
        failed[i] = reason if np.isnan(root[i]) and not np.isnan(x[i]) else 0


@kernel
def _over_permittivity(noise: float, work: Work) -> None:  # pragma: no cover
    """Put the square root of logged permittivity over what was found before."""
    x, root, random = work.reading, work.root, work.random
    for i in range(x.size):
        if not np.isnan(x[i]):
            positive = x[i] > 0.0
            root[i] = np.sqrt(x[i]) if positive else np.nan
            random[i] = noise / (2.0 * root[i])
            work.systematic[i] = 0.0
            work.failed[i] = 0 if positive else OUTSIDE_PROBE


@kernel
def _over_root(noise: float, work: Work) -> None:  # pragma: no cover
    """Put logged root permittivity over what was found before."""
    x = work.reading
    for i in range(x.size):
        if not np.isnan(x[i]):
            work.root[i], work.random[i], work.systematic[i] = x[i], noise, 0.0
            work.failed[i] = 0


@kernel
def _find_root(
    signals: Signals, noise: Noise, curves: Curves, run: NDArray[np.int64], work: Work
) -> None:  # pragma: no cover
    """Fill root permittivity and its errors from the signals.

    ``run`` is column, first step, end step, probe curve, ... The least preferred signal is
    taken first and the better ones are laid over it.
    """
    column, start, probe = run[0], run[1], run[3]
    if signals.voltage.shape[0]:
        _gather(signals.voltage, start, column, work.reading)
    else:
        work.reading[:] = np.nan
        probe = -1
    _from_voltage(curves, probe, noise.voltage, work)
    if signals.permittivity.shape[0]:
        _gather(signals.permittivity, start, column, work.reading)
        _over_permittivity(noise.permittivity, work)
    if signals.root_permittivity.shape[0]:
        _gather(signals.root_permittivity, start, column, work.reading)
        _over_root(noise.root_permittivity, work)


@kernel
def _clip_run(
    run: NDArray[np.int64], tile: int, out: NDArray[np.int64]
) -> int:  # pragma: no cover
    """Copy a run into ``out`` with its steps limited to one tile; return how many they are."""
    out[:] = run
    out[1] = max(tile, run[1])
    out[2] = min(tile + TILE, run[2])
    return max(0, out[2] - out[1])


@kernel
def fill_root(
    signals: Signals,
    noise: Noise,
    runs: NDArray[np.int64],
    curves: Curves,
    out: NDArray[np.float32],
) -> None:  # pragma: no cover
    """Fill ``out`` (time, column) with root permittivity where it can be known."""
    buffers, flags = np.empty((7, TILE)), np.empty(TILE, dtype=np.uint8)
    run = np.empty(runs.shape[1], dtype=np.int64)
    for tile in range(0, out.shape[0], TILE):
        for index in range(runs.shape[0]):
            n = _clip_run(runs[index], tile, run)
            if n > 0:
                work = _room(buffers, flags, n)
                _find_root(signals, noise, curves, run, work)
                _scatter_one(work.root, run, out)


@kernel
def _through_soil(curves: Curves, soil: int, work: Work) -> None:  # pragma: no cover
    """Turn root permittivity and its errors into water content and its errors."""
    root, water, slope, random = work.root, work.water, work.slope, work.random
    systematic, own = work.systematic, work.variance
    if soil < 0:
        water[:] = np.nan
        slope[:] = np.nan
        own[:] = np.nan
    else:
        evaluate(curves, soil, root, water, slope)
        evaluate_variance(curves, soil, root, own)
    reason = NO_LAW if soil < 0 else OUTSIDE_SOIL
    for i in range(root.size):
        random[i] = abs(slope[i]) * random[i]
        # Where water content is NaN the slope is, and with it both errors.
        systematic[i] = np.sqrt(own[i] + slope[i] * slope[i] * systematic[i])
        if np.isnan(water[i]) and not np.isnan(root[i]):
            work.failed[i] = reason


@kernel
def _over_logged(
    curves: Curves, law: int, noise: float, work: Work
) -> None:  # pragma: no cover
    """Put logged water content, in ``reading``, over what was calibrated."""
    x, kept, variance = work.reading, work.root, work.variance
    if law < 0:
        kept[:] = x
        variance[:] = np.nan
    else:
        evaluate(curves, law, x, kept, work.slope)
        evaluate_variance(curves, law, x, variance)
    for i in range(x.size):
        if not np.isnan(x[i]):
            refused = np.isnan(kept[i])
            work.water[i] = kept[i]
            work.random[i] = np.nan if refused else noise
            work.systematic[i] = np.nan if refused else np.sqrt(variance[i])
            work.failed[i] = OUTSIDE_SOIL if refused else 0


@kernel
def fill_water(
    signals: Signals,
    noise: Noise,
    runs: NDArray[np.int64],
    curves: Curves,
    out: WaterArrays,
) -> None:  # pragma: no cover
    """Fill the four arrays of ``out`` from the signals; see `WaterArrays`."""
    buffers, flags = np.empty((7, TILE)), np.empty(TILE, dtype=np.uint8)
    run = np.empty(runs.shape[1], dtype=np.int64)
    for tile in range(0, out.outside.shape[0], TILE):
        for index in range(runs.shape[0]):
            n = _clip_run(runs[index], tile, run)
            if n > 0:
                work = _room(buffers, flags, n)
                _find_root(signals, noise, curves, run, work)
                _through_soil(curves, run[4], work)
                if signals.water_content.shape[0]:
                    _gather(signals.water_content, run[1], run[0], work.reading)
                    _over_logged(curves, run[5], noise.water_content, work)
                _scatter_one(work.water, run, out.water_content)
                _scatter_one(work.random, run, out.random_error)
                _scatter_one(work.systematic, run, out.systematic_error)
                _scatter_one(work.failed, run, out.outside)


@kernel
def _scatter_one(
    values: NDArray, run: NDArray[np.int64], out: NDArray
) -> None:  # pragma: no cover
    """Write one run of one tile back into its column."""
    column, start = run[0], run[1]
    for i in range(values.size):
        out[start + i, column] = values[i]
