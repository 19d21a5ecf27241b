"""Samples and the readings beside them: which sensor, over what time, how sure.

A sample is matched to the sensor of its tube that really lies nearest to its middle, within a
tolerance and in the same horizon, and to the mean of that sensor's readings around its time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.arrays import Floats
from pipeline.axis import second_of
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.plan import Period, seconds, sensor_periods
from pipeline.calibrate.samples import SamplePoint, When
from pipeline.site.models import Horizon, Law, Site
from pipeline.variables import SIGNALS

# Root permittivity of one sensor (tube, nominal depth) at steps start to stop, NaN where there
# is none or where it is certainly not of the soil.
ReadRoots = Callable[[str, float, int, int], Floats]
_SLOPE_GRID = 2001


@dataclass(frozen=True)
class Rules:
    """How near a reading must be, in space and time.

    ``window_s`` is the whole width around a sample whose hour is known; of one whose day alone
    is known every reading of that day counts.
    """

    depth_tolerance_m: float = 0.05
    window_s: int = 7200


@dataclass(frozen=True)
class Pair:
    """A sample point and the mean reading beside it.

    ``root_error`` is the standard uncertainty of the mean reading; ``probe_error`` that of the
    probe's own law there, which all readings of one probe share. Either is NaN if not known.
    """

    point: SamplePoint
    nominal_m: float
    sensor_m: float
    horizon: Horizon
    law: Law | None
    root_permittivity: float
    root_error: float
    probe_error: float
    readings: int


@dataclass(frozen=True)
class Unmatched:
    """A sample point that cannot be used, and why."""

    point: SamplePoint
    reason: str


def match(
    points: Iterable[SamplePoint], site: Site, read: ReadRoots, rules: Rules | None = None
) -> tuple[list[Pair], list[Unmatched]]:
    """Match sample points to readings.

    Parameters
    ----------
    points : iterable of SamplePoint
    site : Site
        Tells sensors, their real depths, horizons and probe laws.
    read : callable
        Gives the readings of a sensor; see `ReadRoots`.
    rules : Rules, optional

    Returns
    -------
    list of Pair, list of Unmatched
        In the order of the points; every point is in one of them.
    """
    pairs: list[Pair] = []
    unmatched: list[Unmatched] = []
    for point in points:
        found = _match_one(point, site, read, rules or Rules())
        if isinstance(found, Pair):
            pairs.append(found)
        else:
            unmatched.append(Unmatched(point, found))
    return pairs, unmatched


def _match_one(point: SamplePoint, site: Site, read: ReadRoots, rules: Rules) -> Pair | str:
    """Return the pair, or the reason why there is none."""
    nominal_m = nearest_sensor(site, point)
    if nominal_m is None:
        return f"tube {point.tube!r} has no wired sensor"
    sensor_m = site.sensor_depth_m(point.tube, nominal_m)
    if round(abs(sensor_m - point.depth_m), 4) > rules.depth_tolerance_m:
        return (
            f"the nearest sensor really lies at {sensor_m * 100:g} cm, farther than "
            f"{rules.depth_tolerance_m * 100:g} cm from the sample"
        )
    soil = site.soils[site.tube_by_id[point.tube].soil]
    horizon = soil.horizon_at(sensor_m)
    if horizon is None or horizon != soil.horizon_at(point.depth_m):
        return f"the sensor at {sensor_m * 100:g} cm lies in another horizon, or in none"
    start, stop = _steps(site, point.when, rules)
    roots = read(point.tube, nominal_m, start, stop)
    roots = roots[np.isfinite(roots)]
    if not len(roots):
        return "no reading of root permittivity in its time"
    return _pair(point, nominal_m, horizon, site, roots)


def nearest_sensor(site: Site, point: SamplePoint) -> float | None:
    """Return the nominal depth of the sensor that really lies nearest, the upper of two.

    A thermometer is none. Those wired at the sample's time go before others of the tube.
    """
    wires = [w for w in site.wiring if w.tube == point.tube and w.quantity in SIGNALS]
    last_s = point.when.start_s + max(point.when.length_s, 1)
    wired = [
        w
        for w in wires
        if second_of(w.start, -math.inf) < last_s
        and point.when.start_s < second_of(w.until, math.inf)
    ]
    depths = {w.depth_m for w in wired or wires if w.depth_m is not None}

    def distance_m(nominal_m: float) -> float:
        return round(abs(site.sensor_depth_m(point.tube, nominal_m) - point.depth_m), 4)

    return min(sorted(depths), key=distance_m, default=None)


def _steps(site: Site, when: When, rules: Rules) -> tuple[int, int]:
    """Return the steps whose readings count, the second excluded; at least the nearest."""
    if when.length_s:
        return site.axis.ceil(when.start_s), site.axis.ceil(when.start_s + when.length_s)
    half = rules.window_s // 2
    start, stop = site.axis.ceil(when.start_s - half), site.axis.ceil(when.start_s + half + 1)
    nearest = int(site.axis.nearest(np.array([when.start_s]))[0][0])
    return min(start, nearest), max(stop, nearest + 1)


def _pair(
    point: SamplePoint, nominal_m: float, horizon: Horizon, site: Site, roots: Floats
) -> Pair:
    mean = float(np.mean(roots))
    spread = float(np.std(roots, ddof=1)) if len(roots) > 1 else math.nan
    period = _period(site, point, nominal_m)
    noise, probe_error = _noise_and_probe(site, point, nominal_m, period, mean)
    # A reading that stands still by its resolution is not without noise.
    single = float(np.fmax(spread, noise))
    # Of a whole day the hour is not known: any of its readings may be the one.
    root_error = single if point.when.length_s else single / math.sqrt(len(roots))
    return Pair(
        point,
        nominal_m,
        site.sensor_depth_m(point.tube, nominal_m),
        horizon,
        period.soil,
        mean,
        root_error,
        probe_error,
        len(roots),
    )


def _period(site: Site, point: SamplePoint, nominal_m: float) -> Period:
    """Return which laws hold at a sample's time."""
    middle_s = point.when.start_s + point.when.length_s // 2
    periods = sensor_periods(site, point.tube, nominal_m)
    begun = [p for p in periods if p.start_s is None or p.start_s <= middle_s]
    return begun[-1]


def _noise_and_probe(
    site: Site, point: SamplePoint, nominal_m: float, period: Period, root: float
) -> tuple[float, float]:
    """Return one reading's stated noise and the probe law's error, in root permittivity."""
    noise = site.sensor_noise
    quantities = {
        wire.quantity
        for wire in site.wiring
        if wire.tube == point.tube
        and wire.depth_m == nominal_m
        and (wire.start is None or seconds(wire.start) <= point.when.start_s)
        and (wire.until is None or seconds(wire.until) > point.when.start_s)
    }
    if "root_permittivity" in quantities:
        return noise.get("root_permittivity", math.nan), 0.0
    if "permittivity" in quantities:
        return noise.get("permittivity", math.nan) / (2.0 * root), 0.0
    if period.probe is None:
        return math.nan, math.nan
    curve = make_curve(period.probe)
    volts = np.linspace(curve.low, curve.high, _SLOPE_GRID)
    at = np.interp(root, curve.value(volts), volts)
    slope = float(curve.slope(np.array([at]))[0])
    variance = float(np.polynomial.polynomial.polyval(at, curve.variance))
    return noise.get("voltage", math.nan) * slope, math.sqrt(max(0.0, variance))
