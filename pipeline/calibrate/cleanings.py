"""What a cleaning changed of a sensor, and how much of that may be the soil's doing.

Hands change a reading at once: it steps between two readings near the time that is noted, and
lies on the level of its side before and after. A wetting front rises over several readings.
What the readings about a cleaning show beside one step counts as doubt of that step. The rule
is ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.arrays import Floats, Integers
from pipeline.calibrate.compare import LEAST_U, MAD_TO_SIGMA, Seen
from pipeline.calibrate.drift import Cleaning, fouling_error

# Readings so long before and after a cleaning tell what it changed.
ABOUT_S = 3 * 3600
# A cleaning may be noted so much too early or too late.
NOTED_S = 1800
# Readings so near to it lie on the level of their side, where only hands changed anything.
NEAR_S = 5400
# Readings so far apart may have a whole front between them, which then looks like a step.
APART_S = 1800
# Soil that changes by more than this over the readings beside a cleaning [m3 m-3], and by so
# many times the uncertainty of that, goes on changing while the sensor is cleaned.
_SOIL_MOVES, SURE = 0.002, 3.0
# By how much the soil's water may change while a sensor is cleaned, as a standard uncertainty.
SOIL_CHANGE = 0.001
_LEAST_CURVED = 5  # readings on a side that tell noise by how they differ from those around


@dataclass(frozen=True)
class Beside:
    """What a sensor showed beside a cleaning, or beside some that count as one.

    ``before`` and ``after`` are told from readings over ``spans_s`` each, ``close`` from those
    of both, one by one. The first hand was on it at ``first_s``, the last at ``last_s``.
    """

    before: Seen
    after: Seen
    close: Seen
    first_s: int
    last_s: int
    spans_s: tuple[int, int] = (ABOUT_S, ABOUT_S)


class Soil(NamedTuple):
    """What is known of the soil over a cleaning, m3 m-3.

    ``rise`` of its water and the uncertainty of that; ``is_told``, whether references tell
    it; ``rain``, by how much what fell shortly before may have wetted it.
    """

    rise: float = 0.0
    error: float = SOIL_CHANGE
    is_told: bool = False
    rain: float = 0.0


def make_cleaning(beside: Beside, soil: Soil, slope: float) -> Cleaning | None:
    """Return by how much a sensor's signal rose at a cleaning, None without readings.

    Where the readings themselves rise or fall with the soil, they are led on to the cleaning,
    so that what is known of the soil counts for next to nothing.

    Parameters
    ----------
    beside : Beside
    soil : Soil
    slope : float, [m3 m-3 per unit of the signal]
    """
    before, after = beside.before, beside.after
    if not before.count or not after.count or before.domain != after.domain or not slope > 0:
        return None
    parts: tuple[float, ...] = before.error, after.error, soil.error / slope
    change = soil.rise / slope
    is_led = any(_rises(shown, slope) for shown in (before, after))
    if is_led:
        change = 0.5 * (before.rise + after.rise)
        # When between the last reading and the next the one rise became the other.
        turn = 0.25 * (after.rise - before.rise)
        ends = 0.5 * before.rise_u, 0.5 * after.rise_u
        parts = before.about_u, after.about_u, *ends, turn, soil.error / slope
    step = fouling_error(after.median, before.median, change)
    doubt = 0.0
    if not soil.is_told:
        doubt, apart_s = _off_their_levels(beside, step, is_led)
        if step > 0.0 and apart_s >= APART_S:
            doubt = float(np.hypot(doubt, min(step, soil.rain / slope)))
    step_u = max(float(np.linalg.norm((*parts, doubt))), LEAST_U)
    return Cleaning(beside.first_s, step, step_u, slope, doubt)


def _rises(shown: Seen, slope: float) -> bool:
    """Tell whether readings rise or fall by more than soil at rest and noise do."""
    return abs(shown.rise) > max(_SOIL_MOVES / slope, SURE * shown.rise_u)


def _off_their_levels(beside: Beside, step: float, is_led: bool) -> tuple[float, int]:
    """Return by how much readings near a cleaning lie off the level of their side.

    It is the most before the step and the most after it together, each less what noise makes
    likely. The step stands between the two readings, within `NOTED_S` of the noted time, where
    that is least. Of a rise, a reading below the level before it is of a sensor in hands or in
    air, and no soil.

    Returns
    -------
    float, int
        In the signal's unit, and how far apart the two readings are [s]. Nothing where the
        readings are not known one by one.
    """
    time_s, above = _above_before(beside, step, is_led)
    near = _near(beside, time_s)
    time_s, above = time_s[near], above[near]
    early = time_s < beside.first_s
    if early.all() or not early.any():
        return 0.0, 0
    off_before = np.maximum(above, 0.0) if step > 0.0 else np.abs(above)
    noise = SURE * _noise(above[early], above[~early])
    so_far = _beyond(np.maximum.accumulate(off_before)[:-1], noise)
    from_there = _beyond(np.maximum.accumulate(np.abs(step - above)[::-1])[::-1][1:], noise)
    off = so_far + from_there
    off[time_s[1:] < beside.first_s - NOTED_S] = np.inf
    off[time_s[:-1] > beside.last_s + NOTED_S] = np.inf
    place = int(np.argmin(off))
    return float(off[place]), int(time_s[place + 1] - time_s[place])


def _beyond(off: Floats, noise: float) -> Floats:
    """Return what of some distances noise does not explain."""
    return np.sqrt(np.maximum(off**2 - noise**2, 0.0))


def _above_before(beside: Beside, step: float, is_led: bool) -> tuple[Integers, Floats]:
    """Return times [UTC s], and by how much readings lie above the level before the step.

    Each side tells that level by its own readings, those after it less the step. Between the
    first hand on the sensor and the last nothing counts.
    """
    before, after, close = beside.before, beside.after, beside.close
    known = close.near if close.domain == before.domain else ()
    time_s = np.array([at for at, _ in known], dtype=np.int64)
    above = np.array([value for _, value in known], dtype=np.float64)
    sides = time_s < beside.first_s, time_s >= beside.last_s
    levels = before.median, after.median - step
    for own, level, rise, span_s in zip(
        sides, levels, (before.rise, after.rise), beside.spans_s, strict=True
    ):
        if own.any():
            above[own] -= level
            if is_led:  # a median lies in the middle of its readings
                above[own] -= rise * (time_s[own] - np.median(time_s[own])) / span_s
    free = sides[0] | sides[1]
    return time_s[free], above[free]


def _near(beside: Beside, time_s: Integers) -> slice:
    """Return which times lie near a cleaning, the nearest on each side at least."""
    middle = int(np.searchsorted(time_s, beside.first_s))
    first = int(np.searchsorted(time_s, beside.first_s - NEAR_S))
    stop = int(np.searchsorted(time_s, beside.last_s + NEAR_S, side="right"))
    return slice(max(0, min(first, middle - 1)), max(stop, middle + 1))


def _noise(*sides: Floats) -> float:
    """Return the noise of readings by their second differences, 0 of too few (JCGM 5.1.2)."""
    bends = [np.diff(side, 2) for side in sides if side.size >= _LEAST_CURVED]
    if not bends:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(np.concatenate(bends)))) / 6.0**0.5
