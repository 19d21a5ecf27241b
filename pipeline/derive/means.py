"""Means over tubes: what the site holds, day by day, and how well so few tubes tell it.

Tubes come, go, fail, and are read by hand once a week. The mean of those that happen to be
there jumps whenever their number changes. Here the mean is that of one fixed set of tubes, the
*members*: a day is fitted as the site's level plus each tube's own offset from it (an
unbalanced two-way layout by least squares), so that a tube that comes later moves no level.
Where all members were measured the result is their plain mean.

The interval has the parts that few tubes leave open: the chance of which places were drilled,
with Student's t for the few; what the members not measured that day might have shown; and the
error that all tubes share. Random errors of tubes scatter them and are in the first part.
"""

from __future__ import annotations

import math
from functools import cache
from statistics import NormalDist

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats
from pipeline.calibrate.fit_student import student_quantile
from pipeline.derive.labelled import by_day_and_tube
from pipeline.derive.tube_fit import LEAST_DATES, TubeFit, fit_tubes, mean_over_tubes
from pipeline.units import Amount, one_number, water_units
from pipeline.variables import require_alike

COVERED = 0.95
_EXACT_DEGREES = 100  # beyond them the expansion of `t_quantiles` errs by less than 1e-7
_TWICE = (1.0 + COVERED) / 2
# Columns of `site_mean`: units, "" being those of the values, and what they are.
_ABOUT = {
    "mean": ("", "mean over tubes"),
    "spread": ("", "standard deviation between tubes"),
    "sampling_error": ("", "standard uncertainty, from few tubes, of the mean over tubes"),
    "systematic_error": ("", "standard uncertainty, shared by tubes, of the mean over tubes"),
    "degrees_of_freedom": ("1", "degrees of freedom of the mean over tubes"),
    "lower": ("", "lower bound of 95 % of the mean over tubes"),
    "upper": ("", "upper bound of 95 % of the mean over tubes"),
    "measured": ("1", "number of members measured on the day"),
}


def site_mean(
    values: xr.DataArray,
    systematic_error: xr.DataArray | None = None,
    least_dates: int = LEAST_DATES,
) -> xr.Dataset:
    """Mean over tubes of each day, and its 95 % interval for the area they stand in.

    The tubes count as a random sample of places of an area without end. A day needs two of
    its members, or half of them where there are fewer than four.

    Parameters
    ----------
    values : DataArray, (day, tube), [m3 m-3] or [mm]
        Daily values; NaN where there is none. May be a Pint quantity.
    systematic_error : DataArray, (day, tube), same unit
        Standard uncertainty that tubes share, through one calibration. None: none.
    least_dates : int
        See `pipeline.derive.tube_fit.fit_tubes`.

    Returns
    -------
    Dataset, (day), in the unit of ``values``
        ``mean``; ``sampling_error``, the standard uncertainty from few tubes; its part
        ``spread``, the standard deviation between tubes; ``systematic_error``;
        ``degrees_of_freedom`` [1] of both together; ``lower`` and ``upper``, the 95 %
        interval; ``measured`` [1], how many members were measured. NaN where a day has too few
        tubes; errors and interval are NaN with a single member. Attribute ``members`` lists
        the tubes whose mean it is.

    Raises
    ------
    UnitsError
        If the unit is neither m3 m-3 nor mm, or the error has another.
    ValueError
        If dimensions are others, a tube is there twice, or the error is of other days or
        tubes, or in another order.

    References
    ----------
    JCGM 100:2008, eq. 10, and G.4.1 with eq. G.2b (Welch and Satterthwaite; degrees of freedom
    are cut to a whole number).

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.derive.means import site_mean
    >>> values = xr.DataArray([[0.20, 0.30]] * 10, dims=("day", "tube"))
    >>> found = site_mean(values.assign_attrs(units="m3 m-3"))
    >>> round(float(found["mean"][0]), 9), found["mean"].attrs["units"]
    (0.25, 'm3 m-3')
    """
    unit = water_units(values)
    ordered = by_day_and_tube(values, unit)
    table = ordered.values.astype(np.float64)
    shared = np.zeros(table.shape)
    if systematic_error is not None:
        error = by_day_and_tube(systematic_error, unit)
        require_alike(error, ordered)
        shared = error.values.astype(np.float64)
    columns, members = mean_columns(table, shared, least_dates)
    arrays = {
        name: ("day", column, {"units": _ABOUT[name][0] or unit, "long_name": _ABOUT[name][1]})
        for name, column in columns.items()
    }
    tubes = [str(t) for t in ordered["tube"].values[members]]
    return xr.Dataset(arrays, {"day": ordered["day"]}, {"members": tubes})


def mean_columns(
    table: Floats, shared: Floats, least_dates: int = LEAST_DATES
) -> tuple[dict[str, NDArray], Bools]:
    """Return `site_mean` of plain arrays: its columns by name (day,), and the members.

    Parameters
    ----------
    table, shared : (day, tube)
        Values and the error that tubes share, in one unit.
    least_dates : int
    """
    fit = fit_tubes(table, least_dates)
    return {"mean": _enough(fit), **_mean_errors(table, shared, fit)}, fit.members


def _mean_errors(table: Floats, shared: Floats, fit: TubeFit) -> dict[str, NDArray]:
    """Return the columns of `site_mean` beside the mean, each (day,)."""
    number = int(fit.members.sum())
    count = fit.counts.astype(np.float64)
    inside = table[:, fit.members]
    expected = fit.level[:, np.newaxis] + fit.offset[fit.members]
    whole = np.where(np.isfinite(inside), inside, expected)
    variance = np.full(len(table), np.nan)
    if number > 1:
        away = whole - np.mean(whole, axis=1, keepdims=True)
        # A value that is only expected lacks the scatter it would have had.
        lacking = np.where(count < number, fit.rest_variance * (number - count) / number, 0.0)
        variance = np.sum(away**2, axis=1) / (number - 1) + lacking
    spare = np.divide(1.0, count, out=np.full(count.size, np.nan), where=count > 0)
    absent = np.where(count < number, fit.rest_variance * (spare - 1.0 / max(number, 1)), 0.0)
    sampling = variance / max(number, 1) + absent
    known = np.isfinite(inside) & np.isfinite(shared[:, fit.members])
    systematic = mean_over_tubes(
        np.where(known, shared[:, fit.members], np.nan), known.sum(axis=1)
    )
    told = np.isfinite(_enough(fit))
    degrees, half = _half_width(sampling, systematic, number)
    middle = fit.level
    found = {
        "spread": np.sqrt(variance),
        "sampling_error": np.sqrt(sampling),
        "systematic_error": systematic,
        "degrees_of_freedom": degrees,
        "lower": middle - half,
        "upper": middle + half,
    }
    columns = {name: np.where(told, column, np.nan) for name, column in found.items()}
    return {**columns, "measured": fit.counts}


def tubes_needed(spread: Amount, precision: Amount, expected: int | None = None) -> int:
    """Return how many tubes would tell the mean to within a precision, 95 % of the time.

    ``n = (t s / d)**2``, with Student's t of n - 1 degrees of freedom, so that n is found by
    trying; tubes are taken as independent and errors that all share are not in it.

    Parameters
    ----------
    spread, precision : float or Pint quantity, [one unit, any if bare]
        Standard deviation between tubes, s; half the width of the interval wanted, d.
    expected : int
        Degrees of freedom of ``spread`` where t should be theirs, as when the next tubes are
        planned from few; None takes t of the number sought.

    Returns
    -------
    int, two or more

    Raises
    ------
    UnitsError, ValueError
        If one is a length and the other is not; if ``precision`` is not above zero,
        ``spread`` is negative, or one no number.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 4.6 (from memory); Stein (1945), Ann.
    Math. Statist. 16, 243-258, for t of the first sample (from memory).

    Examples
    --------
    >>> tubes_needed(0.03, 0.02)
    12
    """
    unit = water_units(spread)
    scatter, width = (one_number("spread or precision", x, unit) for x in (spread, precision))
    if not width > 0 or not scatter >= 0:
        raise ValueError(f"expected spread >= 0, precision above 0, found {scatter}, {width}")
    ratio = scatter / width
    if expected is not None:
        return max(2, math.ceil((student_quantile(_TWICE, expected) * ratio) ** 2))
    number = 2
    while (t_quantiles(np.array([number - 1.0]))[0] * ratio) ** 2 > number:
        # Never past the answer: t of more tubes is smaller still.
        step = (t_quantiles(np.array([2.0 * number]))[0] * ratio) ** 2
        number = max(number + 1, min(int(step), 2 * number))
    return number


def t_quantiles(degrees: Floats) -> Floats:
    """Return the 97.5 % quantiles of Student's t; degrees are cut to whole ones, at least 1.

    NaN gives NaN.

    References
    ----------
    Abramowitz & Stegun (1964), Handbook of Mathematical Functions, 26.7.5, beyond a hundred
    degrees of freedom.
    """
    table = np.array([np.nan, *(_quantile(k) for k in range(1, _EXACT_DEGREES + 1))])
    exact = np.isfinite(degrees) & (degrees < _EXACT_DEGREES + 1)
    whole = np.where(exact, np.maximum(np.where(exact, degrees, 1.0), 1.0), 0.0)
    many = np.where(degrees > _EXACT_DEGREES, np.floor(degrees), np.inf)
    z = NormalDist().inv_cdf(_TWICE)
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    expanded = z + first / many + second / many**2 + third / many**3
    return np.where(degrees > _EXACT_DEGREES, expanded, table[whole.astype(np.int64)])


@cache
def _quantile(degrees: int) -> float:
    return student_quantile(_TWICE, degrees)


def _half_width(sampling: Floats, systematic: Floats, number: int) -> tuple[Floats, Floats]:
    """Return degrees of freedom and half the 95 % interval of a mean (variance, error)."""
    shared = np.nan_to_num(systematic, nan=0.0) ** 2
    total = sampling + shared
    # The shared error is known as stated: its degrees of freedom are without end.
    ratio = np.divide(total, sampling, out=np.full(total.size, np.inf), where=sampling > 0)
    degrees = np.where(
        np.isfinite(sampling), np.floor(max(number - 1, 1) * ratio**2 + 1e-9), np.nan
    )
    return degrees, t_quantiles(degrees) * np.sqrt(total)


def _enough(fit: TubeFit) -> Floats:
    """Return the level on days with enough members, else NaN."""
    number = int(fit.members.sum())
    need = min(2, max(1, -(-number // 2)))
    return np.where(fit.counts >= need, fit.level, np.nan)
