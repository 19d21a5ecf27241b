"""Which tube stands for the site: temporal stability, and how sure a record makes of it.

A tube's relative difference from the site mean is its place in the site on that day. A tube
whose place hardly moves can stand for all: as it is where its place is near zero, otherwise
less a fixed offset. Days next to each other say the same thing, so a record holds far fewer
independent dates than days; what is said of certainty rests on those.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats
from pipeline.axis import require_days
from pipeline.compiled import kernel
from pipeline.derive.independence import independent_dates
from pipeline.derive.labelled import by_day_and_tube
from pipeline.derive.tube_fit import LEAST_DATES, fit_tubes
from pipeline.units import water_units

RESAMPLES = 500
SEED = 19850822  # any fixed number: the same record always gives the same shares
LEAST_BLOCK_DAYS = 7
LEAST_BLOCKS = 5  # fewer spells of weather cannot be resampled; ours
LEAST_SHARE_OF_DAYS = 0.5  # of the record that a tube must have to stand for the site; ours

# Columns of `stability` and their units; "" is the unit of the values.
COLUMNS = {
    "days": "1",
    "mean_relative_difference": "1",
    "relative_difference_spread": "1",
    "stability_index": "1",
    "offset": "",
    "offset_spread": "",
    "independent_dates": "1",
    "lower": "1",
    "upper": "1",
    "direct_share": "1",
    "offset_share": "1",
}

_LONG_NAMES = {
    "days": "number of days with a value",
    "mean_relative_difference": "mean relative difference from the site mean",
    "relative_difference_spread": "standard deviation of the relative difference",
    "stability_index": "root of the sum of squares of mean and standard deviation",
    "offset": "mean of the tube's value less the site mean",
    "offset_spread": "standard deviation of the tube's value less the site mean",
    "independent_dates": "number of independent dates among the days",
    "lower": "lower bound of 95 % of the mean relative difference",
    "upper": "upper bound of 95 % of the mean relative difference",
    "direct_share": "share of resampled records that name the tube as it is",
    "offset_share": "share of resampled records that name the tube with its offset",
    "direct": "smallest stability index",
    "with_offset": "smallest standard deviation of the offset",
    "first_half": "smallest stability index of the first half of the days",
    "second_half": "smallest stability index of the second half of the days",
}


@dataclass(frozen=True)
class _Blocks:
    """Sums over blocks of days, (block, tube): of ones, of a series, of its squares."""

    counts: Floats
    sums: Floats
    squares: Floats

    def moments(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return means and standard deviations for weights (resample, block)."""
        count, total, square = (_weigh(weights, x) for x in vars(self).values())
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = total / count
            variance = (square - total * mean) / (count - 1.0)
        return mean, np.sqrt(np.maximum(variance, 0.0))


def relative_differences(values: xr.DataArray, least_dates: int = LEAST_DATES) -> xr.DataArray:
    """Relative difference of each tube from the mean of the day, ``(S - mean) / mean``.

    Parameters
    ----------
    values : DataArray, (day, tube), [m3 m-3] or [mm]
        Daily water content or storage; NaN where there is none. May be a Pint quantity.
    least_dates : int
        See `pipeline.derive.tube_fit.fit_tubes`, whose level is the mean of the day: the plain
        mean over tubes where none is missing.

    Returns
    -------
    DataArray, (day, tube), [1]
        NaN where there is no value, for tubes that are no members, and on days without two of
        them.

    Raises
    ------
    UnitsError
        If the unit is neither m3 m-3 nor mm.
    ValueError
        If dimensions are others.

    References
    ----------
    Vachaud, Passerat de Silans, Balabanis & Vauclin (1985), Soil Sci. Soc. Am. J. 49(4),
    822-828, doi:10.2136/sssaj1985.03615995004900040006x.

    Examples
    --------
    >>> import xarray as xr
    >>> values = xr.DataArray([[0.2, 0.25, 0.3]], dims=("day", "tube"))
    >>> relative_differences(values.assign_attrs(units="m3 m-3"), 1).round(9).values.tolist()
    [[-0.2, 0.0, 0.2]]
    """
    ordered = by_day_and_tube(values, water_units(values))
    relative = differences(ordered.values.astype(np.float64), least_dates)[0]
    result = xr.DataArray(relative, ordered.coords, ("day", "tube"))
    return result.assign_attrs(units="1", long_name="relative difference from the site mean")


def stability(values: xr.DataArray, least_dates: int = LEAST_DATES) -> xr.Dataset:
    """Temporal stability of each tube, and which one stands for the site.

    Two tubes may be named. ``direct`` has the smallest stability index: its own value is
    nearest to the site mean. ``with_offset`` has the smallest ``offset_spread``: the site mean
    is its value less its ``offset``, to within that spread on a single day. Only tubes
    measured on half of the days or more are candidates.

    How sure: the record is cut into blocks longer than its memory, which are drawn again with
    replacement; the shares tell in what part of 500 such records each tube would have been
    named. They know nothing of a season that the record has not seen.

    Parameters
    ----------
    values : DataArray, (day, tube), [m3 m-3] or [mm]
        Consecutive days; NaN where there is no value. May be a Pint quantity.
    least_dates : int
        A tube with fewer values is left out.

    Returns
    -------
    Dataset, (tube)
        ``days``, ``mean_relative_difference``, ``relative_difference_spread`` (of a sample)
        and ``stability_index``, the root of the sum of their squares, [1]; ``offset`` and
        ``offset_spread``, mean and standard deviation of the tube's value less the mean, in
        the unit of ``values``; ``independent_dates`` (see `independent_dates`); ``lower`` and
        ``upper``, 95 % interval of the mean relative difference from the resampled records;
        ``direct_share`` and ``offset_share``, NaN with fewer than five blocks; ``direct`` and
        ``with_offset``, bool; ``first_half`` and ``second_half``, bool: named ``direct`` by
        that half of the days alone. Attributes: ``block_days`` and ``blocks``.

    Raises
    ------
    UnitsError
        If the unit is neither m3 m-3 nor mm.
    ValueError
        If dimensions are others, or a day is left out or not in order.

    References
    ----------
    Vachaud et al. (1985), see `relative_differences`; Jacobs, Mohanty, Hsu & Miller (2004),
    Remote Sens. Environ. 92, 436-446, for the index; Grayson & Western (1998), J. Hydrol. 207,
    68-82, for the offset; Carlstein (1986), Ann. Statist. 14, 1171-1179, for blocks (all from
    memory).

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.derive.stability import stability
    >>> table = [[0.20, 0.25, 0.30], [0.22, 0.26, 0.33]] * 6
    >>> values = xr.DataArray(table, dims=("day", "tube"), attrs={"units": "m3 m-3"})
    >>> stability(values)["direct"].values.tolist()
    [False, True, False]
    """
    unit = water_units(values)
    ordered = by_day_and_tube(values, unit)
    require_days(ordered["day"])
    table = ordered.values.astype(np.float64)
    columns, about = stability_columns(*differences(table, least_dates))
    arrays = {
        name: (
            "tube",
            column,
            {
                **({"units": COLUMNS[name] or unit} if name in COLUMNS else {}),
                "long_name": _LONG_NAMES[name],
            },
        )
        for name, column in columns.items()
    }
    return xr.Dataset(arrays, {"tube": ordered["tube"]}, about)


def stability_columns(
    relative: Floats, absolute: Floats
) -> tuple[dict[str, NDArray], dict[str, int]]:
    """Return `stability` of plain arrays: its columns by name (tube,), and its attributes.

    Parameters
    ----------
    relative, absolute : (day, tube)
        From `differences`.
    """
    days, mean, spread = moments(relative)
    _, offset, offset_spread = moments(absolute)
    with np.errstate(invalid="ignore"):
        index = np.hypot(mean, spread)
    told = _told(relative)
    candidates = (days >= max(2.0, LEAST_SHARE_OF_DAYS * told.sum())) & np.isfinite(index)
    independent = independent_dates(relative)
    length = _block_days(days, independent, candidates)
    found = {
        "days": days,
        "mean_relative_difference": mean,
        "relative_difference_spread": spread,
        "stability_index": index,
        "offset": offset,
        "offset_spread": offset_spread,
        "independent_dates": independent,
        **_resampled(relative, absolute, candidates, length),
    }
    named = {
        "direct": _smallest(index, candidates),
        "with_offset": _smallest(offset_spread, candidates),
        **_halves(relative, candidates, told),
    }
    about = {"block_days": length, "blocks": _block_count(told, length)}
    return {**found, **named}, about


def differences(table: Floats, least_dates: int = LEAST_DATES) -> tuple[Floats, Floats]:
    """Return relative [1] and absolute differences from the day's mean, (day, tube).

    See `relative_differences`.
    """
    fit = fit_tubes(table, least_dates)
    level = np.where((fit.counts >= 2) & (fit.level > 0), fit.level, np.nan)
    absolute = np.where(fit.members, table, np.nan) - level[:, np.newaxis]
    return absolute / level[:, np.newaxis], absolute


def _told(series: Floats) -> Bools:
    """Return the days on which any tube has a value."""
    return np.asarray(np.isfinite(series).any(axis=1))


def moments(series: Floats) -> tuple[Floats, Floats, Floats]:
    """Return number, mean and standard deviation of a sample of each column."""
    known = np.isfinite(series)
    count = known.sum(axis=0).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(known, series, 0.0).sum(axis=0) / count
        squares = (np.where(known, series - mean, 0.0) ** 2).sum(axis=0)
        spread = np.where(count > 1, np.sqrt(squares / (count - 1)), np.nan)
    return count, np.where(count > 0, mean, np.nan), spread


def _smallest(measure: Floats, candidates: Bools) -> Bools:
    """Return which candidate has the smallest measure; of equals the first."""
    named = np.zeros(measure.size, dtype=bool)
    kept = np.where(candidates & np.isfinite(measure), measure, np.inf)
    if np.isfinite(kept).any():
        named[int(np.argmin(kept))] = True
    return named


def _halves(relative: Floats, candidates: Bools, told: Bools) -> dict[str, Bools]:
    """Return which tube each half of the days would have named by itself."""
    days = np.flatnonzero(told)
    middle = days[days.size // 2] if days.size else 0
    halves = {"first_half": relative[:middle], "second_half": relative[middle:]}
    found = {}
    for name, half in halves.items():
        _, mean, spread = moments(half)
        with np.errstate(invalid="ignore"):
            found[name] = _smallest(np.hypot(mean, spread), candidates)
    return found


def _block_days(days: Floats, independent: Floats, candidates: Bools) -> int:
    """Return the length of blocks: the memory of half of the candidates is shorter."""
    memory = days[candidates] / independent[candidates]
    usual = float(np.median(memory)) if memory.size else 1.0
    return max(LEAST_BLOCK_DAYS, int(np.ceil(usual)))


def _block_count(told: Bools, length: int) -> int:
    """Return how many blocks hold any value."""
    return int(np.unique(np.flatnonzero(told) // length).size)


def _resampled(
    relative: Floats, absolute: Floats, candidates: Bools, length: int
) -> dict[str, Floats]:
    """Return intervals and shares from records made of blocks drawn again."""
    size = relative.shape[1]
    names = ("lower", "upper", "direct_share", "offset_share")
    result = {name: np.full(size, np.nan) for name in names}
    told = _told(relative)
    blocks = _block_count(told, length)
    if blocks < LEAST_BLOCKS or not candidates.any():
        return result
    drawn = np.random.default_rng(SEED).integers(0, blocks, (RESAMPLES, blocks))
    weights = np.zeros((RESAMPLES, blocks))
    np.add.at(weights, (np.arange(RESAMPLES)[:, np.newaxis], drawn), 1.0)
    mean, spread = _blocks(relative, told, length).moments(weights)
    known = np.isfinite(mean).all(axis=0)
    result["lower"][known], result["upper"][known] = np.percentile(
        mean[:, known], [2.5, 97.5], axis=0
    )
    offset_spread = _blocks(absolute, told, length).moments(weights)[1]
    for name, measure in (
        ("direct_share", np.hypot(mean, spread)),
        ("offset_share", offset_spread),
    ):
        kept = np.where(candidates & np.isfinite(measure), measure, np.inf)
        share = np.bincount(kept.argmin(axis=1), minlength=size) / RESAMPLES
        result[name][candidates] = share[candidates]
    return result


def _blocks(series: Floats, told: Bools, length: int) -> _Blocks:
    """Return sums over the blocks of days that hold any value, in order of time."""
    _, block = np.unique(np.flatnonzero(told) // length, return_inverse=True)
    rows = series[told]
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    known = np.isfinite(rows)
    filled = np.where(known, rows, 0.0)
    return _Blocks(
        *(np.add.reduceat(x, starts, axis=0) for x in (known * 1.0, filled, filled**2))
    )


def _weigh(weights: Floats, sums: Floats) -> Floats:
    """Return weights (resample, block) times sums (block, tube)."""
    total = np.zeros((len(weights), sums.shape[1]))
    _add_weighted(weights, np.ascontiguousarray(sums), total)
    return total


@kernel
def _add_weighted(weights: Floats, sums: Floats, total: Floats) -> None:
    """Add the blocks of each resampled record, one after the other."""
    for resample in range(weights.shape[0]):
        for block in range(weights.shape[1]):
            weight = weights[resample, block]
            if weight == 0.0:
                continue
            for tube in range(sums.shape[1]):
                total[resample, tube] += weight * sums[block, tube]
