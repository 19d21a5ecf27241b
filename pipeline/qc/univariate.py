"""The quality tests of one sensor's record, each a function of its own.

Definitions are those of the U.S. IOOS QARTOD manuals; flags are True where a reading is
suspect, and no function changes data. A threshold is strict: a reading equal to it passes.
Neighbours are neighbours in time steps: where one is missing a test is not evaluated there.

Water content says in its attribute ``units`` that it is in m3 m-3, or is a Pint quantity of
any fitting unit; so are thresholds, or bare numbers in the units stated. Flags of a lazy array
are lazy.

Run together (`pipeline.qc.step`) the tests follow each other in the order gross range, spike,
flat line, rate of change, and what one test fails is no evidence for the next: the reading
after a spike is not blamed for the way back. Tests that need the noise of the record, other
sensors or other tables are not here; docs/quality.md tells of all.

What a test may say. Water that arrives must never be taken for a fault, so

- *gross range* says bad outside the range that cannot be, suspect outside the one expected;
- *spike* says bad of a single reading that stands out by more than the fail threshold and from
  which the record comes straight back to where it was; suspect of one that stands out by more
  than the suspect threshold, or that does not come back. A step that stays up is no spike, nor
  is the highest reading of a front: drainage slows down as it goes on, so a front never takes
  nine tenths of itself back within one step. Over steps longer than an hour it might, so there
  nothing is bad;
- *rate of change* says suspect, never bad;
- *flat line* says suspect, then bad, of readings that stand still. A plateau that was reached
  by a rise is none, as long as that rise is within its look; nor is soil near saturation ever
  bad for standing still. At coarse resolution a deep, dry sensor can rightly stand still for
  days: the windows are long by default, and a site with such sensors should make them longer.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import utc_times
from pipeline.qc.constants import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    HOUR_S,
    RATE_SHORTEST_H,
    ROUNDING,
)
from pipeline.qc.standing import flat_lines
from pipeline.units import Amount, one_number, plain
from pipeline.variables import require_alike


def flag_missing(water_content: xr.DataArray, outside: xr.DataArray) -> xr.DataArray:
    """Flag cells without a reading; one that its calibration refused is not missing.

    Parameters
    ----------
    water_content : DataArray, any dims, [m3 m-3]
    outside : DataArray of whole numbers, same dims, [1]
        ``outside_calibration``, 0 where nothing was refused.

    Returns
    -------
    DataArray of bool, same dims

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.univariate import flag_missing
    >>> theta = xr.DataArray([0.2, float("nan"), float("nan")], attrs={"units": "m3 m-3"})
    >>> flag_missing(theta, xr.DataArray([0, 0, 2])).values.tolist()
    [False, True, False]
    """
    require_alike(outside, water_content)
    return as_flag(plain(water_content, "m3 m-3").isnull() & (outside == 0), "missing")


def flag_outside_calibration(outside: xr.DataArray) -> xr.DataArray:
    """Flag readings that no calibration law covers.

    Parameters
    ----------
    outside : DataArray of whole numbers, any dims, [1]
        ``outside_calibration``, 0 where nothing was refused.

    Returns
    -------
    DataArray of bool, same dims

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.univariate import flag_outside_calibration
    >>> flag_outside_calibration(xr.DataArray([0, 2])).values.tolist()
    [False, True]
    """
    return as_flag(outside != 0, "outside_calibration")


def flag_gross_range(water_content: xr.DataArray, low: Amount, high: Amount) -> xr.DataArray:
    """Flag readings outside a closed range.

    Parameters
    ----------
    water_content : DataArray, any dims, [m3 m-3]
    low, high : float, [m3 m-3]
        Rounded to the type of the readings, so that one equal to a limit passes.

    Returns
    -------
    DataArray of bool, same dims

    References
    ----------
    QARTOD test 4 (gross range).

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.univariate import flag_gross_range
    >>> theta = xr.DataArray([0.2, 0.7], attrs={"units": "m3 m-3"})
    >>> flag_gross_range(theta, 0.0, 0.6).values.tolist()
    [False, True]
    """
    x = plain(water_content, "m3 m-3")
    kind = x.dtype.type if x.dtype.kind == "f" else np.float64
    least, most = (
        kind(one_number(name, value, "m3 m-3"))
        for name, value in (("low", low), ("high", high))
    )
    flag = (x < least) | (x > most)
    return as_flag(flag, "gross_range")


def flag_rate_of_change(
    water_content: xr.DataArray, per_hour: Amount, shortest_h: Amount = RATE_SHORTEST_H
) -> xr.DataArray:
    """Flag readings that differ from the one before by more than a rate allows.

    Parameters
    ----------
    water_content : DataArray with a regular ``time``, [m3 m-3]
    per_hour : float, [m3 m-3 h-1]
    shortest_h : float, [h]
        The change over a shorter step is taken as one over this time: a front arrives within
        one step, however short. 0 takes every step as it is.

    Returns
    -------
    DataArray of bool, same dims

    References
    ----------
    QARTOD test 8 (rate of change), with a fixed rate instead of standard deviations.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.qc.univariate import flag_rate_of_change
    >>> time = np.datetime64("2025-05-01", "ns") + np.arange(3) * np.timedelta64(1, "h")
    >>> theta = xr.DataArray([0.20, 0.30, 0.31], {"time": time}, "time")
    >>> theta = theta.assign_attrs(units="m3 m-3")
    >>> flag_rate_of_change(theta, 0.05).values.tolist()
    [False, True, False]
    """
    x = over_time(water_content).astype(np.float64)
    shortest = one_number("shortest_h", shortest_h, "h")
    rate = one_number("per_hour", per_hour, "m3 m-3 h-1")
    largest = rate * max(_step_s(x) / HOUR_S, shortest)
    return as_flag(abs(x - x.shift(time=1)) > largest + ROUNDING, "rate_of_change")


def flag_spike(
    water_content: xr.DataArray, size: Amount, return_part: Amount | None = None
) -> xr.DataArray:
    """Flag single readings that stand out from both neighbours by more than ``size``.

    This is the differential form: only a local extreme can be a spike, and it stands out by
    the smaller of its two changes, so the neighbours of a spike are never flagged with it. The
    first and the last reading are not evaluated.

    Parameters
    ----------
    water_content : DataArray with ``time``, [m3 m-3]
    size : float, [m3 m-3]
    return_part : float, optional
        Flag only where the record comes back and lay still before: the two neighbours, and
        the reading before them where there is one, differ by no more than this part of the
        spike. A front that rises over two readings and halves in one is no spike then.

    Returns
    -------
    DataArray of bool, same dims

    References
    ----------
    QARTOD test 7 (spike), differential form; ``return_part`` is ours.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.qc.univariate import flag_spike
    >>> time = np.datetime64("2025-05-01", "ns") + np.arange(4) * np.timedelta64(1, "h")
    >>> theta = xr.DataArray([0.20, 0.30, 0.20, 0.20], {"time": time}, "time")
    >>> theta = theta.assign_attrs(units="m3 m-3")
    >>> flag_spike(theta, 0.05).values.tolist()
    [False, True, False, False]
    """
    x = over_time(water_content).astype(np.float64)
    before, after = x.shift(time=1), x.shift(time=-1)
    rise, fall = x - before, x - after
    least = one_number("size", size, "m3 m-3")
    height = xr.where(rise * fall > 0, np.minimum(abs(rise), abs(fall)), 0.0)
    flag = height > least + ROUNDING
    if return_part is not None:
        level = one_number("return_part", return_part, "1") * height + ROUNDING
        flag &= abs(after - before) <= level
        flag &= ~(abs(before - x.shift(time=2)) > level)
    return as_flag(flag.transpose(*water_content.dims), "spike")


def flag_flat_line(
    water_content: xr.DataArray,
    hours: Amount,
    tolerance: Amount = 0.0,
    visible_h: Amount | None = None,
) -> xr.DataArray:
    """Flag readings that have stood still for some hours, unless a rise brought them there.

    A run of equal readings lasts while all of them lie within ``tolerance`` of each other and
    no gap in it is longer than a day. A run is a plateau, not a flat line, where readings in
    the day before it lay lower by 0.03 m3 m-3 or more; that is looked for as long as its first
    reading lies no further back than ``visible_h``.

    Parameters
    ----------
    water_content : DataArray with a regular ``time``, [m3 m-3]
    hours : float, [h]
        Elapsed time from the first reading of the run: at hourly steps the fourth equal
        reading has stood still for three hours.
    tolerance : float, [m3 m-3]
    visible_h : float, optional, [h]
        A day more than ``hours`` by default; 0 leaves the plateau rule out.

    Returns
    -------
    DataArray of bool, same dims

    References
    ----------
    QARTOD test 9 (flat line); the plateau rule is ours.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.qc.univariate import flag_flat_line
    >>> time = np.datetime64("2025-05-01", "ns") + np.arange(5) * np.timedelta64(1, "h")
    >>> theta = xr.DataArray([0.21, 0.2, 0.2, 0.2, 0.2], {"time": time}, "time")
    >>> theta = theta.assign_attrs(units="m3 m-3")
    >>> flag_flat_line(theta, 3).values.tolist()
    [False, False, False, False, True]
    """
    series = in_one_chunk(over_time(water_content))
    step_s = _step_s(series)
    stand_s = one_number("hours", hours, "h") * HOUR_S
    visible_s = stand_s + FLAT_ENTRY_S
    if visible_h is not None:
        visible_s = one_number("visible_h", visible_h, "h") * HOUR_S
    flag = xr.apply_ufunc(
        _flat_line_along_last,
        series,
        input_core_dims=[["time"]],
        output_core_dims=[["time"]],
        kwargs={
            "tolerance": one_number("tolerance", tolerance, "m3 m-3"),
            "steps": np.array(
                [
                    np.ceil(round(stand_s / step_s, 6)),
                    visible_s // step_s,
                    FLAT_GAP_S // step_s,
                    FLAT_ENTRY_S // step_s,
                ],
                dtype=np.int64,
            ),
        },
        dask="parallelized",
        output_dtypes=[bool],
    )
    return as_flag(flag.transpose(*water_content.dims), "flat_line")


def _flat_line_along_last(
    values: NDArray, tolerance: float, steps: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Flag series laid along the last axis of an array of any shape."""
    series = np.ascontiguousarray(values, dtype=np.float64).reshape(-1, values.shape[-1])
    flag = np.zeros(series.shape, dtype=np.bool_)
    flat_lines(series, tolerance, steps, flag)
    return flag.reshape(values.shape)


def _step_s(array: xr.DataArray) -> float:
    """Return the one interval of a regular time axis, in seconds.

    Raises
    ------
    ValueError
        If the axis has fewer than two steps or they are not equal.
    """
    instants = utc_times(array["time"]).astype("datetime64[ns]")
    steps = np.unique(np.diff(instants.astype(np.int64)))
    if steps.size != 1 or steps[0] <= 0:
        spans = f"{steps[0] / 1e9:g} to {steps[-1] / 1e9:g} s" if steps.size else "none"
        raise ValueError(
            f"{array.name!r}: expected rising times, two or more, at one interval, found "
            f"{steps.size} different steps ({spans}); reindex to a regular axis, with NaN in "
            f"the gaps"
        )
    return float(steps[0]) / 1e9


def over_time(water_content: xr.DataArray) -> xr.DataArray:
    """Return plain numbers in m3 m-3 whose neighbours along ``time`` are so in time."""
    x = plain(water_content, "m3 m-3")
    if "time" not in x.dims:
        raise ValueError(f"{x.name!r}: expected the dimension 'time' among {x.dims}")
    if "time" in x.coords and (np.diff(utc_times(x["time"])) <= np.timedelta64(0)).any():
        raise ValueError(f"{x.name!r}: expected times that rise; sort by time")
    return x


def in_one_chunk(array: xr.DataArray) -> xr.DataArray:
    """Return a series of which one piece of dask holds all times; others as they are."""
    return array if array.chunks is None else array.chunk(time=-1)


def as_flag(flag: xr.DataArray, name: str) -> xr.DataArray:
    """Return booleans under a test's name, without the attributes of the readings."""
    result = flag.rename(name)
    result.attrs = {}
    return result
