"""Whether sensors are where they are said to be: the waves of wetting and of daily warmth.

Both waves come down from the surface, later and weaker with depth. The day-to-day changes of
water content at a sensor are held against those that neighbours show at each depth: they fit
best at the depth where the sensor really is. The daily wave of soil temperature falls off by
its damping depth, which the neighbours tell; a weaker and later wave means a deeper sensor.
Both need neighbours in the same soil.

References
----------
Damped wave of soil temperature: Hillel 1998, Environmental Soil Physics, ch. 12 (from memory).
The comparison with neighbours and its limits are ours.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from pipeline.arrays import Floats
from pipeline.qc.findings import Finding, Verdict, centimetres

LEAST_DAYS = 60  # of changes that both sides know
CLIP = 6.0  # changes count up to so many times their median size, lest one day tells all
LEAST_FIT = 0.6  # correlation at the depth that fits best
# Correlation of each of two swapped sensors at its new place: chance over 60 days gives 0.13
# as a standard deviation. Planted swaps have 0.89 and more.
LEAST_SWAP_FIT = 0.3
SWAP_GAIN = 0.5  # by how much two sensors together fit better the other way round
SHIFTS_M = np.round(np.arange(-0.16, 0.165, 0.02), 2)
LEAST_SHIFT_M = 0.04  # of the wetting wave: between sensors it is known only roughly
LEAST_SHIFT_GAIN = 0.04  # mean gain in correlation over the sensors that tell
LEAST_WARM_SHIFT_M = 0.05
LEAST_WAVE_K = 0.05  # a weaker daily wave is lost in noise
MOST_APART_M = 0.06  # shifts that tell of one and the same move of the tube
AGREE_PART = 2 / 3  # of the sensors that tell must shift the same way
LEAST_SENSORS = 2


def fits(changes: Floats, others: Floats) -> Floats:
    """Return how well the changes at each sensor fit those of the others at each depth.

    Parameters
    ----------
    changes : array (day, depth)
        Of one tube, NaN where unknown.
    others : array (day, place)

    Returns
    -------
    array (depth, place)
        Correlation of changes, each clipped; NaN where fewer than 60 days are known to both.
    """
    a, b = _clipped(changes), _clipped(others)
    known_a, known_b = np.isfinite(a), np.isfinite(b)
    a, b = np.where(known_a, a, 0.0), np.where(known_b, b, 0.0)
    both = known_a.T.astype(np.float64) @ known_b.astype(np.float64)
    size_a = (a**2).T @ known_b.astype(np.float64)
    size_b = known_a.T.astype(np.float64) @ (b**2)
    scale = np.sqrt(size_a * size_b)
    enough = (both >= LEAST_DAYS) & (scale > 0)
    return np.where(enough, (a.T @ b) / np.where(scale > 0, scale, 1.0), np.nan)


def _clipped(changes: Floats) -> Floats:
    """Return changes clipped at a multiple of their median size."""
    known = np.isfinite(changes)
    size = np.where(known, np.abs(changes), np.inf)
    rank = (np.maximum(known.sum(axis=0), 1) - 1) // 2
    middle = np.sort(size, axis=0)[rank, np.arange(size.shape[1])]
    limit = CLIP * np.where(np.isfinite(middle), middle, 0.0)
    return np.clip(changes, -limit, limit)


def swapped_pairs(fit: Floats, depths_m: Floats) -> list[tuple[int, int, float]]:
    """Return pairs of sensors that fit better the other way round, with the gain.

    Both must follow what neighbours show at the other's depth: of two that follow nothing, or
    run against their neighbours, the lesser misfit tells of no place.

    Parameters
    ----------
    fit : array (depth, depth)
        From `fits`, against the neighbours' median at the same depths.
    depths_m : array (depth,)
    """
    found = []
    for i, j in combinations(range(len(depths_m)), 2):
        across, own = (fit[i, j], fit[j, i]), (fit[i, i], fit[j, j])
        gain = float(sum(across) - sum(own))
        follow = max(across) >= LEAST_FIT and min(across) >= LEAST_SWAP_FIT
        if gain >= SWAP_GAIN and follow and min(across) > max(own):
            found.append((i, j, gain))
    found.sort(key=lambda pair: -pair[2])
    taken: set[int] = set()
    result = []
    for i, j, gain in found:
        if not {i, j} & taken:
            result.append((i, j, gain))
            taken |= {i, j}
    return result


def swap_findings(
    tube: str, fit: Floats, depths_m: Floats, span_s: tuple[int, int], days: int
) -> Iterator[Finding]:
    """Yield a finding for each pair of swapped channels."""
    for i, j, gain in swapped_pairs(fit, depths_m):
        first, second = centimetres(depths_m[i]), centimetres(depths_m[j])
        yield Finding(
            tube,
            "swapped channels",
            float(depths_m[i]),
            np.nan,
            *span_s,
            days,
            gain,
            SWAP_GAIN,
            "1",
            Verdict.DO_NOT_USE,
            f"the sensor at {first} cm follows what neighbours show at {second} cm "
            f"(correlation of daily changes {fit[i, j]:.2f}, at its own {fit[i, i]:.2f}) "
            f"and the one at {second} cm what they show at {first} cm ({fit[j, i]:.2f}, "
            f"{fit[j, j]:.2f})",
        )


def wetting_shift(
    changes: Floats, others: Floats, grid_m: Floats, stated_m: Floats
) -> tuple[Floats, Floats]:
    """Return how far below its stated depth each sensor fits the wetting wave best.

    Parameters
    ----------
    changes : array (day, sensor)
        Daily changes of one tube.
    others : array (day, depth)
        Those of the median of its neighbours.
    grid_m : array (depth,), [m], rising
    stated_m : array (sensor,), [m]

    Returns
    -------
    shift : array (sensor,), [m]
        NaN where no depth fits.
    gain : array (sensor,)
        Correlation there above that at the stated depth.
    """
    shift, gain = np.full(len(stated_m), np.nan), np.full(len(stated_m), np.nan)
    for sensor, stated in enumerate(stated_m):
        course = courses(others, grid_m, stated + SHIFTS_M)
        fit = fits(changes[:, [sensor]], course)[0]
        own = fit[int(np.argmin(np.abs(SHIFTS_M)))]
        if not np.isfinite(own) or np.nanmax(fit) < LEAST_FIT:
            continue
        at = int(np.nanargmax(fit))
        shift[sensor], gain[sensor] = SHIFTS_M[at], fit[at] - own
    return shift, gain


def courses(values: Floats, grid_m: Floats, wanted_m: Floats) -> Floats:
    """Return (day, wanted) values between depths, on straight lines; NaN outside them."""
    last = len(grid_m) - 2
    upper = np.clip(np.searchsorted(grid_m, wanted_m + 1e-9, side="right") - 1, 0, last)
    part = (wanted_m - grid_m[upper]) / (grid_m[upper + 1] - grid_m[upper])
    part = np.where(np.abs(part) < 1e-6, 0.0, np.where(np.abs(part - 1.0) < 1e-6, 1.0, part))
    above, below = values[:, upper], values[:, upper + 1]
    between = (1.0 - part) * above + part * below
    result = np.where(part == 0.0, above, np.where(part == 1.0, below, between))
    return np.where((part >= 0.0) & (part <= 1.0), result, np.nan)


def damping_depth(amplitude: Floats, depths_m: Floats) -> float:
    """Return the depth in which the daily wave of the neighbours falls to 1/e [m].

    Parameters
    ----------
    amplitude : array (depth,), [K]
        Waves below 0.05 K are left out; NaN where fewer than two are left.
    """
    told = amplitude >= LEAST_WAVE_K
    if told.sum() < 2:
        return np.nan
    slope = np.polyfit(depths_m[told], np.log(amplitude[told]), 1)[0]
    return float(-1.0 / slope) if slope < 0 else np.nan


def warmth_shift(wave: Floats, others: Floats, depths_m: Floats) -> Floats:
    """Return how far below its stated depth each sensor's daily wave of warmth is.

    Parameters
    ----------
    wave, others : array (2, depth), [K]
        Cosine and sine of the tube, and medians of its neighbours.
    depths_m : array (depth,)

    Returns
    -------
    array (depth,), [m]
        Mean of what amplitude and phase tell, where the neighbours' wave is seen and the two
        do not contradict each other; else NaN.
    """
    own, theirs = wave[0] + 1j * wave[1], others[0] + 1j * others[1]
    depth = damping_depth(np.abs(theirs), depths_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(np.abs(theirs) >= LEAST_WAVE_K, own / theirs, np.nan)
        by_amplitude = -depth * np.log(np.abs(ratio))
        by_phase = depth * np.angle(ratio)
    agree = np.abs(by_amplitude - by_phase) <= np.maximum(
        MOST_APART_M, np.abs(by_amplitude) / 2
    )
    return np.where(agree, 0.5 * (by_amplitude + by_phase), np.nan)


def agreed_shift(shift: Floats, least_m: float) -> tuple[float, int, int]:
    """Return the shift that sensors of a tube agree on, how many say so, how many tell.

    The shift is NaN where fewer than two thirds of those that tell, or fewer than two, shift
    the same way by ``least_m`` or more.
    """
    told = shift[np.isfinite(shift)]
    for side in (1.0, -1.0):
        same = told[side * told >= least_m - 1e-9]
        if same.size >= max(LEAST_SENSORS, AGREE_PART * told.size):
            return float(np.median(same)), int(same.size), int(told.size)
    return np.nan, 0, int(told.size)


def depth_finding(
    tube: str, by: str, shift: tuple[float, int, int], least_m: float, span_s: tuple[int, int]
) -> Finding:
    """Return the finding of a tube whose sensors are not at their stated depths."""
    way = "deeper" if shift[0] > 0 else "shallower"
    wave = {"water": "wetting", "warmth": "temperature"}[by]
    return Finding(
        tube,
        "wrong depth",
        np.nan,
        np.nan,
        *span_s,
        shift[1],
        shift[0],
        least_m,
        "m",
        Verdict.USE_WITH_CARE,
        f"the {wave} wave reaches {shift[1]} of {shift[2]} sensors as neighbours show it "
        f"about {abs(100 * shift[0]):.0f} cm {way} than stated",
    )
