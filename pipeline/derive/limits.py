"""Limits of a soil's water from its own record, and how long it takes to drain.

After a thorough wetting a sensor falls quickly while the soil drains and then slowly while
plants take up water. Daily means of such a spell are fitted by

    water(t) = peak - scale * ln(1 + t / time) - uptake * t

so that drainage and uptake are told apart by their shape. The logarithm is what soil does
whose conductivity is exponential in water content and which drains by gravity alone (Sisson,
Ferguson & van Genuchten 1980). Soil counts as drained on the day on which drainage alone falls
below a stated rate; the water content then, without the uptake since the wetting, is one
estimate of the drained upper limit, and the time until then one of the time to drain. No time
is laid down beforehand. The lower limit is the lowest plateau of dry spells, or only a bound
where the record shows none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import require_days
from pipeline.units import Amount, numbers

if TYPE_CHECKING:  # a trace loads this module, and no xarray
    import xarray as xr

Curve = tuple[Floats, Floats, Floats, Floats]  # start, scale, time, misfit, each (spell,)

LONGEST_SPELL_D = 30
WEEK_D = 7
# Times tried [d]; daily means tell no shorter ones, spells no longer ones.
TIMES_D = np.geomspace(0.25, 8.0, 11)  # each 2^0.5 times the one before
FINER = ((2**-0.25, 2**0.25), (2**-0.125, 2**0.125), (2**-0.0625, 2**0.0625))
# A median of n values has pi / 2 times the variance of their mean (normal, many values).
MEDIAN_FACTOR = np.pi / 2
MAD_TO_SD = 1.4826


@dataclass(frozen=True)
class LimitRules:
    """Stated thresholds behind limits from a record; all ours but the rate.

    ``drained_rate`` is the decline by drainage at which soil counts as drained: 0.1 to 0.2 %
    of volume a day by Ratliff, Ritchie & Cassel (1983), from memory.
    """

    drained_rate: float = 0.002  # m3 m-3 d-1
    rise: float = 0.003  # m3 m-3 d-1, ends a spell
    gain: float = 0.01  # m3 m-3, a wetting within three days before the peak
    drainable: float = 0.003  # m3 m-3, least scale of drainage that is believed
    reach: float = 1.5  # how far beyond a spell's end its curve is followed, in its lengths
    shortest_spell_d: int = 6
    thorough: float = 0.5  # share of the spells, the wettest, that count as thoroughly wetted
    plateau_range: float = 0.004  # m3 m-3, within which a dry plateau stays
    plateau_d: int = 14
    drying_rate: float = 0.003  # m3 m-3 d-1, of the drying that a plateau ends
    drying_d: int = 60  # how long before a plateau that drying is looked for


class Spells(NamedTuple):
    """Spells without wetting at one sensor, each (spell,); see `drainage_spells`."""

    first: Integers  # day of the peak
    days: Integers  # that are used
    peak: Floats  # [m3 m-3]
    drained: Floats  # [m3 m-3], NaN where not reached
    days_to_drain: Floats  # [d]
    misfit: Floats  # [m3 m-3], root mean square


class Estimate(NamedTuple):
    """A limit, its standard uncertainty (NaN from a single spell), and what it rests on."""

    value: float
    error: float
    spells: int


@dataclass(frozen=True)
class SensorLimits:
    """What the record of one sensor tells of its soil, [m3 m-3] and [d].

    ``lower_is_bound`` tells that no plateau was seen: the lower limit lies at or below.
    """

    upper: Estimate
    days_to_drain: Estimate
    lower: Estimate
    lower_is_bound: bool
    highest: float


def sensor_limits(daily: Amount, rules: LimitRules = LimitRules()) -> SensorLimits:
    """Limits of the soil at one sensor.

    Parameters
    ----------
    daily : (day,), [m3 m-3]
        Daily means of consecutive days, in order; NaN where there is none. An array with
        units is checked, a Pint quantity converted.
    rules : LimitRules

    Returns
    -------
    SensorLimits
        NaN, and 0 spells, for what the record does not show.

    Raises
    ------
    UnitsError
        If a quantity or an array with units is not of water content.
    ValueError
        If it is not of one sensor, or days of an array leave one out or are not in order.

    References
    ----------
    Ratliff, Ritchie & Cassel (1983), Soil Sci. Soc. Am. J. 47, 770-775, for both limits as
    field measurements (definitions from memory). The fit is ours.

    Examples
    --------
    Soil that drains by gravity from 0.36 on, wetted six times (0.02 / 0.002 - 1 days):

    >>> import numpy as np
    >>> from pipeline.derive.limits import sensor_limits
    >>> spell = 0.36 - 0.02 * np.log1p(np.arange(20))
    >>> found = sensor_limits(np.tile(spell, 6))
    >>> round(found.upper.value, 3), round(found.days_to_drain.value, 1), found.upper.spells
    (0.314, 9.0, 3)
    """
    series = np.asarray(numbers(daily, "m3 m-3"), dtype=np.float64)
    if series.ndim != 1:
        raise ValueError(
            f"daily: expected values of one sensor, (day,), found {series.ndim} dimensions; "
            f"select one"
        )
    if hasattr(daily, "dims"):
        require_days(cast("xr.DataArray", daily)[daily.dims[0]])
    return tube_limits(series[:, np.newaxis], rules)[0]


def tube_limits(daily: Floats, rules: LimitRules = LimitRules()) -> list[SensorLimits]:
    """Limits of the soil at each sensor of a tube, as `sensor_limits` tells them.

    Parameters
    ----------
    daily : (day, depth), [m3 m-3]
    rules : LimitRules
    """
    sensors = np.ascontiguousarray(daily.T)
    if not len(sensors):
        return []
    found = _spells_of(list(sensors), rules)
    return [_limits(*sensor, rules) for sensor in zip(sensors, found, strict=True)]


def _limits(daily: Floats, spells: Spells, rules: LimitRules) -> SensorLimits:
    """Return the limits at one sensor from its spells."""
    used = spells_used(spells, rules)
    known = daily[~np.isnan(daily)]
    lower, is_bound = _lower(daily, rules)
    return SensorLimits(
        _median(spells.drained[used]),
        _median(spells.days_to_drain[used]),
        lower,
        is_bound,
        float(known.max()) if known.size else np.nan,
    )


def spells_used(spells: Spells, rules: LimitRules = LimitRules()) -> Integers:
    """Return which spells, in order, the drained upper limit is the median of.

    Those in which soil was drained, of them the wetter half.
    """
    reached = np.flatnonzero(~np.isnan(spells.drained))
    return np.asarray(reached[_wettest(spells.peak[reached], rules.thorough)])


def drainage_spells(daily: Floats, rules: LimitRules = LimitRules()) -> Spells:
    """Find the spells that follow a wetting, and where each was drained.

    Parameters
    ----------
    daily : (day,), [m3 m-3]
    rules : LimitRules
    """
    return _spells_of([daily], rules)[0]


def _spells_of(sensors: list[Floats], rules: LimitRules) -> list[Spells]:
    """Return the spells of sensors (day,), all fitted at once: each fit is of its own."""
    spans = [_spans(daily, rules) for daily in sensors]
    counts = [len(first) for first, _ in spans]
    days = np.concatenate([days for _, days in spans])
    step = np.arange(LONGEST_SPELL_D)
    inside = step < days[:, None]
    water = np.zeros(inside.shape)
    stop = np.cumsum(counts)
    for daily, (first, _), end in zip(sensors, spans, stop.tolist(), strict=True):
        if len(first):
            at = np.minimum(first[:, None] + step, daily.size - 1)
            water[end - len(first) : end] = daily[at]
    water = np.where(inside, water, 0.0)
    start, scale, time, misfit = _fit(water, inside)
    wait = scale / rules.drained_rate - time
    seen = (scale >= rules.drainable) & (wait > 0) & (wait <= rules.reach * (days - 1))
    fallen = scale * np.log1p(np.maximum(wait, 0.0) / time)
    drained = np.where(seen, start - fallen, np.nan)
    each = (drained, np.where(seen, wait, np.nan), misfit)
    told = zip(*(np.split(values, stop[:-1]) for values in each), strict=True)
    return [
        Spells(first, length, daily[first] if first.size else np.empty(0), *rest)
        for daily, (first, length), rest in zip(sensors, spans, told, strict=True)
    ]


def _spans(daily: Floats, rules: LimitRules) -> tuple[Integers, Integers]:
    """Return the first day and the length of each spell that is long enough."""
    if daily.size < 2:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    change = np.diff(daily)
    falls = ~np.isnan(change) & (change <= rules.rise)
    edge = np.diff(np.concatenate([[0], falls.astype(np.int8), [0]]))
    first, stop = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) + 1
    days = np.minimum(stop - first, LONGEST_SPELL_D)
    padded = np.concatenate([np.full(3, np.nan), daily])
    lowest = np.fmin(np.fmin(padded[first], padded[first + 1]), padded[first + 2])
    wetted = daily[first] - lowest >= rules.gain
    keep = wetted & (days >= rules.shortest_spell_d)
    return first[keep], days[keep]


def _fit(water: Floats, inside: Bools) -> Curve:
    """Fit all spells (spell, day) by least squares; the best of the times tried counts.

    Returns
    -------
    start, scale [m3 m-3], time [d], misfit [m3 m-3], each (spell,)
        Without uptake where the fit would have it negative.
    """
    spells = _centred(water, inside)
    best = _curve(spells, np.full(len(water), TIMES_D[0]))
    for time in TIMES_D[1:]:
        best = _better(best, _curve(spells, np.full(len(water), time)))
    for finer in FINER:  # around the best so far
        middle = best[2]
        for factor in finer:
            best = _better(best, _curve(spells, factor * middle))
    return best[0], best[1], best[2], best[3]


def _better(one: Curve, other: Curve) -> Curve:
    """Return, spell by spell, the curve with the smaller misfit, the first of equal ones."""
    take = other[3] < one[3]
    start, scale, time, misfit = (
        np.where(take, b, a) for a, b in zip(one, other, strict=True)
    )
    return start, scale, time, misfit


class _Centred(NamedTuple):
    """What fits of the same spells (spell, day) share; ``water`` and ``day`` less their means.

    Days outside a spell are 0 in both, and so count in no sum.
    """

    water: Floats
    day: Floats
    inside: Bools
    level: Floats  # means of water and day, (spell,)
    middle: Floats
    length: Floats  # days, (spell,)
    water_day: Floats  # sums of products, (spell,)
    day_day: Floats
    water_water: Floats


def _centred(water: Floats, inside: Bools) -> _Centred:
    length = np.maximum(inside.sum(axis=1), 1).astype(np.float64)
    day = np.where(inside, np.arange(water.shape[1], dtype=np.float64), 0.0)
    level, middle = water.sum(axis=1) / length, day.sum(axis=1) / length
    water = np.where(inside, water - level[:, None], 0.0)
    day = np.where(inside, day - middle[:, None], 0.0)
    products = ((water * day).sum(axis=1), (day**2).sum(axis=1), (water**2).sum(axis=1))
    return _Centred(water, day, inside, level, middle, length, *products)


def _curve(spells: _Centred, time: Floats) -> Curve:
    """Return the best curve (spell,) for a time that is given for each spell.

    With means taken off, two terms are left, and their normal equations are solved by hand.
    """
    days = np.arange(spells.day.shape[1], dtype=np.float64)
    log = np.where(spells.inside, np.log1p(days / time[:, None]), 0.0)
    mean = log.sum(axis=1) / spells.length
    log = np.where(spells.inside, log - mean[:, None], 0.0)
    log_log, log_day = (log**2).sum(axis=1), (log * spells.day).sum(axis=1)
    water_log = (log * spells.water).sum(axis=1)
    free = log_log * spells.day_day - log_day**2
    uptake = (log_day * water_log - log_log * spells.water_day) / free
    scale = (log_day * spells.water_day - spells.day_day * water_log) / free
    scale = np.where(uptake >= 0, scale, -water_log / log_log)
    uptake = np.maximum(uptake, 0.0)
    left = spells.water_water + scale * water_log + uptake * spells.water_day
    misfit = np.sqrt(np.maximum(left, 0.0) / spells.length)
    start = spells.level + scale * mean + uptake * spells.middle
    return start, scale, time, misfit


def _wettest(peak: Floats, share: float) -> Integers:
    """Return the places of the wettest spells, in order; at least one if there is any."""
    count = int(np.ceil(np.round(share * peak.size, 6)))
    order = np.argsort(-peak, kind="stable")
    return np.sort(order[:count])


def _median(values: Floats) -> Estimate:
    """Return the median with the standard uncertainty that its scatter gives it."""
    if not values.size:
        return Estimate(np.nan, np.nan, 0)
    middle = float(np.median(values))
    if values.size == 1:
        return Estimate(middle, np.nan, 1)
    spread = MAD_TO_SD * float(np.median(np.abs(values - middle)))
    return Estimate(middle, float(np.sqrt(MEDIAN_FACTOR / values.size) * spread), values.size)


def _lower(daily: Floats, rules: LimitRules) -> tuple[Estimate, bool]:
    """Return the lowest plateau that the record shows, or the lowest value as a bound."""
    known = daily[~np.isnan(daily)]
    if not known.size:
        return Estimate(np.nan, np.nan, 0), True
    found = dry_plateaus(daily, rules)
    if not found:
        return Estimate(float(known.min()), np.nan, 0), True
    return _median(np.array([plateau.level for plateau in found])), False


class Plateau(NamedTuple):
    """A dry spell in which water content stayed: first and last day, mean level [m3 m-3]."""

    first: int
    last: int
    level: float


def dry_plateaus(daily: Floats, rules: LimitRules = LimitRules()) -> list[Plateau]:
    """Return the plateaus at the dry end of a record, in order of time.

    Parameters
    ----------
    daily : (day,), [m3 m-3]
    rules : LimitRules
    """
    known = daily[~np.isnan(daily)]
    long = rules.plateau_d
    if not known.size or daily.size < long:
        return []
    window = np.lib.stride_tricks.sliding_window_view(daily, long).T  # days run along rows
    flat = np.ptp(window, axis=0) <= rules.plateau_range  # not where a day has no value
    level = window.mean(axis=0)
    lowest, middle = float(known.min()), float(np.median(known))
    # Dry: in the lowest tenth of the way from the lowest to the usual; and the end of a drying
    # that was fast: deep soil that hardly changes shows no limit.
    dry = flat & (level <= lowest + 0.1 * (middle - lowest))
    dry &= _dried_before(daily, rules)[: dry.size]
    starts = np.flatnonzero(dry)
    if not starts.size:
        return []
    parts = np.split(starts, np.flatnonzero(np.diff(starts) > long) + 1)
    return [
        Plateau(int(part[0]), int(part[-1]) + long - 1, float(level[part].mean()))
        for part in parts
    ]


def _dried_before(daily: Floats, rules: LimitRules) -> Bools:
    """Tell for each day whether a week that began within some days before it dried fast."""
    fall = (daily[:-WEEK_D] - daily[WEEK_D:]) / WEEK_D
    fast = np.concatenate([np.zeros(rules.drying_d, dtype=bool), fall >= rules.drying_rate])
    before = np.lib.stride_tricks.sliding_window_view(fast, rules.drying_d)[: fall.size]
    return np.asarray(before.T.any(axis=0))
