"""Laws of the flux past each sensor by its water content and that of the sensor below.

Soil drains under its own weight and along the gradient of its wetness (Darcy and Buckingham):
``q = K(wetness) + D(wetness) * gradient``. A law of unit gradient, ``K`` alone, misses that
soil below a front draws water down and dry soil above draws it up. Both ``K`` and ``D`` are
exponentials in water content, one pair a sensor, fitted to all nights of a tube at once. What
tells them is mostly the layers between sensors: what a layer loses in a night is the flux out
of it less the flux into it, whatever the soil above the first sensor does unseen.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.arrays import Floats
from pipeline.compiled import kernel

# What is known before the nights at a sensor's mean water content: ln K [mm d-1] and its slope
# in water content, ln D [mm d-1 m] and its slope, what the sensor's water content is off from
# rest against the next one's [m3 m-3], and how much the next one's counts. Mean and standard
# deviation; those of loams, found on test fields kept for tuning (docs/truth.md).
BEFORE = np.array([[0.0, 44.5, 3.6, 20.0, 0.0, 1.0], [1.1, 12.5, 1.1, 6.5, 0.03, 0.2]])
OFFSET_MM_D = (0.16, 0.02)  # of what all sensors lose in common, in nights of no use by day
OFFSET_OF_USED = 0.07  # and so much of what is used by day besides
# Standard deviation of a layer's loss in a night about the laws, besides noise, and of the
# loss above the anchor. Layers are off by the same in many nights, since sensors are apart; so
# one night tells far less than by its own scatter. The anchor is the less sure the more roots
# and air take by day (by so much of it), since the dry top draws that up by night. Found on
# test fields kept for tuning (docs/truth.md).
LAYER_MM_D, LAYER_SHARE = 2.7, 1.0
ANCHOR_MM_D, ANCHOR_OF_USED, ANCHOR_SHARE = 0.5, 0.6, 0.06
ANCHOR = 2  # the third sensor: below sharp fronts, and few layers from all others
LEAST_FIT = 8  # nights
STEEPEST_LN, TURNS, ENOUGH = 7.0, 200, 1e-7
# Damping times five each: from the least damping there is until a step cannot but help.
TRIES = 20
PARTS = 6  # parameters a sensor
# What parameters are held against: water content off its mean, (depth, night), and the way to
# the next sensor; what must be met and its spread, (depth, night); and what is known before,
# its standard deviations and the parameters themselves.
_Data = tuple[Floats, Floats, Floats, Floats, Floats, Floats]


class FluxLaws(NamedTuple):
    """Parameters of `BEFORE` by sensor, (depth, 6); NaN for a sensor without nights.

    ``middle`` (depth,) [m3 m-3] is what their water content counts from; ``apart_m`` (depth,)
    the way to the next sensor with a law, 1 where there is none. ``offset`` [mm d-1] is what
    nights lose besides, one number for all sensors.
    """

    parameters: Floats
    middle: Floats
    apart_m: Floats
    offset: float


def flux_laws(
    depth_m: Floats, rate: Floats, noise: Floats, water: Floats, used: Floats
) -> FluxLaws | None:
    """Fit the laws of all sensors of a tube to its nights.

    Parameters
    ----------
    depth_m : (depth,), [m]
        Downwards.
    rate, noise : (depth, night), [mm d-1]
        What is lost above each sensor, and its noise; NaN where a night tells nothing.
    water : (depth, night), [m3 m-3]
    used : (night,), [mm d-1]
        What roots and air usually take by day about then.

    Returns
    -------
    FluxLaws or None
        None where fewer than two sensors have eight nights. Least squares about what is known
        before, far nights weighing less, by steps of Levenberg and Marquardt.

    References
    ----------
    Buckingham (1907), USDA Bureau of Soils Bulletin 38; diffusivity: Klute (1952), Soil Sci.
    73, 105-116; both from memory. The exponentials are those of Gardner (1958), ibid. 85,
    228-232 (from memory), in water content.
    """
    known = np.isfinite(rate) & np.isfinite(water)
    there = np.flatnonzero(known.sum(axis=1) >= LEAST_FIT)
    if len(there) < 2:
        return None
    middle = np.array([water[k, known[k]].mean() for k in there])
    away = np.ascontiguousarray(water[there] - middle[:, None])
    apart = np.append(np.diff(depth_m[there]), 1.0)
    nights = _nights(rate[there], noise[there], used)
    start = np.append(np.tile(BEFORE[0], len(there)), OFFSET_MM_D[0])
    found = _fit(start, away, apart, *nights)
    laws = FluxLaws(
        np.full((len(rate), PARTS), np.nan),
        np.full(len(rate), np.nan),
        np.ones(len(rate)),
        float(found[-1]),
    )
    laws.parameters[there] = found[:-1].reshape(-1, PARTS)
    laws.middle[there], laws.apart_m[there] = middle, apart
    return laws


def flux_rates(laws: FluxLaws, water: Floats) -> Floats:
    """Return the flux past each sensor, (depth, night), [mm d-1], upwards negative.

    ``water`` (depth, night) [m3 m-3]. NaN for a sensor without a law, and in nights without
    the water content that its law needs.
    """
    rates = np.full(water.shape, np.nan)
    used = np.flatnonzero(np.isfinite(laws.middle))
    away = np.ascontiguousarray(water[used] - laws.middle[used, None])
    slopes = np.empty((*away.shape, PARTS))
    found = np.empty(away.shape)
    _fluxes(laws.parameters[used], away, laws.apart_m[used], found, slopes)
    rates[used] = found
    return rates


def _nights(rate: Floats, noise: Floats, used: Floats) -> tuple[Floats, Floats]:
    """Return what the laws must meet, and its standard deviation, (depth, night).

    Rows are the losses of the layers between sensors, downwards; the last is the loss above
    the anchor.
    """
    anchor = min(ANCHOR, len(rate) - 1)
    layer = rate[:-1] - rate[1:]
    random = np.maximum(noise[1:] ** 2 - noise[:-1] ** 2, 0.0)
    spread = random + LAYER_MM_D**2 + (LAYER_SHARE * layer) ** 2
    top = ANCHOR_MM_D + ANCHOR_OF_USED * used
    above = top**2 + (ANCHOR_SHARE * rate[anchor]) ** 2
    told = rate[anchor] - OFFSET_OF_USED * used
    return np.vstack([layer, told]), np.sqrt(np.vstack([spread, above]))


def _fit(start: Floats, away: Floats, apart: Floats, wanted: Floats, spread: Floats) -> Floats:
    """Return the parameters that meet the nights best, by steps of Levenberg and Marquardt."""
    data = (away, apart, wanted, spread, np.append(BEFORE[1], OFFSET_MM_D[1]), start)
    found, damping = start, 1e-2
    cost, fall, bend = _misfit(found, data)
    for _ in range(TURNS):
        for _ in range(TRIES):
            trial = found + _step(bend, fall, damping)
            new = _misfit(trial, data)
            if new[0] < cost:
                break
            damping *= 5.0
        else:
            break
        done = cost - new[0] < ENOUGH * cost
        found, damping = trial, max(damping / 5.0, 1e-7)
        cost, fall, bend = new
        if done:
            break
    return found


@kernel
def _fluxes(
    parameters: Floats, away: Floats, apart: Floats, rates: Floats, slopes: Floats
) -> None:  # pragma: no cover
    """Fill the flux past each sensor and its slopes in the six parameters of its law.

    ``slopes`` is (depth, night, 6): what is added up for a night lies side by side.
    """
    last = parameters.shape[0] - 1
    for k in range(last + 1):
        a, b, c, d, off, share = parameters[k]
        for n in range(away.shape[1]):
            here = away[k, n]
            by_weight = np.exp(min(a + b * here, STEEPEST_LN))
            rates[k, n] = by_weight
            slopes[k, n, 0], slopes[k, n, 1] = by_weight, by_weight * here
            slopes[k, n, 2:] = 0.0
            if k == last:
                continue
            spread = np.exp(min(c + d * here, STEEPEST_LN)) / apart[k]
            wetter = here - share * away[k + 1, n] + off
            rates[k, n] += spread * wetter
            slopes[k, n, 2], slopes[k, n, 3] = spread * wetter, spread * wetter * here
            slopes[k, n, 4], slopes[k, n, 5] = spread, -spread * away[k + 1, n]


@kernel
def _misfit(found: Floats, data: _Data) -> tuple[float, Floats, Floats]:  # pragma: no cover
    """Return the misfit of parameters, the way it falls, and how it bends (Gauss and Newton).

    Parameters are those of each sensor in turn, and the offset. Far nights weigh less, as
    in a misfit of 4 (sqrt(1 + r^2 / 4) - 1).
    """
    away, apart, wanted, spread, room, start = data
    sensors, count = away.shape[0], found.size
    rates, slopes = np.empty(away.shape), np.empty((*away.shape, PARTS))
    _fluxes(found[:-1].reshape(sensors, PARTS), away, apart, rates, slopes)
    cost, fall, bend = 0.0, np.zeros(count), np.zeros((count, count))
    for i in range(count):
        width = room[PARTS] if i == count - 1 else room[i % PARTS]
        off = (found[i] - start[i]) / width
        cost += 0.5 * off * off
        fall[i] -= off / width
        bend[i, i] += 1.0 / width**2
    row, pulls, bends = (
        np.empty(2 * PARTS),
        np.empty(2 * PARTS),
        np.empty((2 * PARTS, 2 * PARTS)),
    )
    anchor = min(ANCHOR, sensors - 1)
    for k in range(sensors):
        first = k if k < sensors - 1 else anchor
        pulls[:], bends[:], row[:] = 0.0, 0.0, 0.0
        for n in range(away.shape[1]):
            row[:PARTS] = slopes[first, n]
            if k < sensors - 1:
                told = rates[k, n] - rates[k + 1, n]
                row[PARTS:] = -slopes[k + 1, n]
            else:
                told, row[PARTS] = rates[anchor, n] + found[-1], 1.0
            off = (told - wanted[k, n]) / spread[k, n]
            if off == off:
                cost += _add(off, spread[k, n], row, pulls, bends)
        _put(PARTS * first, k < sensors - 1, (pulls, bends), fall, bend)
    return cost, fall, bend


@kernel
def _add(
    off: float, spread: float, row: Floats, pulls: Floats, bends: Floats
) -> float:  # pragma: no cover
    """Add what one night tells to the fall and the bend of its parameters; return its misfit.

    Whole rows of the bend, though half would do: a processor adds up several numbers that lie
    side by side at once.
    """
    root = np.sqrt(1.0 + 0.25 * off * off)
    pull = 1.0 / (root * spread)
    weight = pull / spread
    for i in range(2 * PARTS):
        pulls[i] -= pull * off * row[i]
        part = weight * row[i]
        for j in range(2 * PARTS):
            bends[i, j] += part * row[j]
    return 4.0 * (root - 1.0)


@kernel
def _put(
    start: int, layer: bool, told: tuple[Floats, Floats], fall: Floats, bend: Floats
) -> None:  # pragma: no cover
    """Add what all nights tell of two sensors, or of one and the offset, to the whole."""
    pulls, bends = told
    place = np.arange(start, start + 2 * PARTS)
    if not layer:
        place = np.append(place[:PARTS], fall.size - 1)
    for i in range(place.size):
        fall[place[i]] += pulls[i]
        for j in range(place.size):
            bend[place[i], place[j]] += bends[i, j]


@kernel
def _step(bend: Floats, fall: Floats, damping: float) -> Floats:  # pragma: no cover
    """Return the damped step, from the lower half of the bend (Cholesky)."""
    count = fall.size
    lower, step = bend.copy(), fall.copy()
    for i in range(count):
        lower[i, i] *= 1.0 + damping
        for j in range(i + 1):
            total = lower[i, j]
            for m in range(j):
                total -= lower[i, m] * lower[j, m]
            lower[i, j] = np.sqrt(total) if i == j else total / lower[j, j]
    for i in range(count):
        for m in range(i):
            step[i] -= lower[i, m] * step[m]
        step[i] /= lower[i, i]
    for i in range(count - 1, -1, -1):
        for m in range(i + 1, count):
            step[i] -= lower[m, i] * step[m]
        step[i] /= lower[i, i]
    return step
