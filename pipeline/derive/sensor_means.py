"""What sensors hold by the steps of a model: a dataset checked, and averaged by hour or day.

The rule for what is complete enough is that of daily values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, utc_seconds, utc_times
from pipeline.derive.binning import Bins, Sensors, bin_means, bins_of, changing_pace, pace_of
from pipeline.derive.calibrations import Calibrations
from pipeline.derive.weights import EndRules
from pipeline.qc.flags import Quality, describe_quality
from pipeline.units import Amount, numbers, plain
from pipeline.variables import describe, require_dims, require_once

_MISSING = int(Quality.MISSING)
_ORDER = ("time", "tube", "depth")
_WATER = ("cleaned_water_content", "random_error", "systematic_error")


@dataclass(frozen=True)
class LayerRules:
    """What holds where sensors do not say.

    ``ends`` is for above the first and below the last sensor, ``missing_sensor`` ("none",
    "bridge") for one between two others without a reading. ``completeness`` is the share of
    the readings due that an hour or a day needs, ``interval_s`` [s] how often sensors should
    log, (tube, depth) or one for all (None: at the one step of the dataset's times); where it
    changed it is (stretch, tube, depth), and ``interval_from_s`` (stretch,) tells from when
    each stretch lasts, UTC seconds, in order. NaN while nothing is wired: that part of a day
    goes by the day's fastest, a whole day by the fastest ever. In a day in which it changes a
    reading counts for the time it stands for, as in daily values. ``utc_offset_s`` [s] tells
    where days begin. ``calibrations`` tells which sensors share one (None: they all do).

    Raises
    ------
    ValueError
        If ``missing_sensor`` or ``completeness`` is none of these.
    """

    ends: EndRules = EndRules()  # noqa: RUF009 (an immutable tuple)
    missing_sensor: Literal["none", "bridge"] = "none"
    completeness: float = 0.75
    interval_s: Amount | None = None
    interval_from_s: NDArray[np.int64] | None = None
    utc_offset_s: int = 0
    calibrations: Calibrations | None = None

    def __post_init__(self) -> None:
        """Refuse what would be taken for another rule."""
        if self.missing_sensor not in ("none", "bridge"):
            raise ValueError(
                f"missing_sensor: expected 'none' or 'bridge', found {self.missing_sensor!r}"
            )
        if not 0 <= self.completeness <= 1:
            raise ValueError(
                f"completeness: expected a share from 0 to 1, found {self.completeness!r}"
            )


def sensor_means(
    dataset: xr.Dataset,
    step: str = "daily",
    rules: LayerRules = LayerRules(),
) -> xr.Dataset:
    """Means of sensors over hours or days, with their errors.

    Random errors of readings average out, systematic ones do not; a mean is as doubtful as the
    most doubtful of its readings.

    Parameters
    ----------
    dataset : Dataset, (time, tube, depth)
        As of `pipeline.derive.layers.model_layers`: ``cleaned_water_content``,
        ``random_error``, ``systematic_error`` [m3 m-3], ``quality`` and ``sensor_depth``
        (tube, depth) or (depth) [m]. Each may be a Pint quantity. It is read whole.
    step : "hourly" or "daily"
        "native" gives readings as they are.
    rules : LayerRules
        Of these ``completeness``, intervals and ``utc_offset_s`` count.

    Returns
    -------
    Dataset, (time, tube, depth), float64
        The same variables, ``time`` being when each step begins [UTC], with ``time_bounds``.
        NaN and 9 where a sensor has too few readings in a step.

    Raises
    ------
    TypeError, UnitsError, ValueError
        As of `pipeline.derive.layers.model_layers`.

    References
    ----------
    JCGM 100:2008 (GUM), equation 10, for the error of a mean.

    Examples
    --------
    Hourly readings of two days, of the second half a day:

    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.sensor_means import sensor_means
    >>> dims, units = ("time", "tube", "depth"), {"units": "m3 m-3"}
    >>> time = np.datetime64("2025-05-01", "ns") + np.arange(36) * np.timedelta64(1, "h")
    >>> theta = np.linspace(0.20, 0.23, 36).reshape(36, 1, 1)
    >>> data = xr.Dataset(
    ...     {
    ...         "cleaned_water_content": (dims, theta, units),
    ...         "random_error": (dims, np.full(theta.shape, 0.002), units),
    ...         "systematic_error": (dims, np.full(theta.shape, 0.01), units),
    ...         "quality": (dims, np.ones(theta.shape, np.uint8)),
    ...         "sensor_depth": ("depth", [0.1], {"units": "m"}),
    ...     },
    ...     {"time": time, "tube": ["T1"], "depth": [0.1]},
    ... )
    >>> means = sensor_means(data)
    >>> means["cleaned_water_content"].values.ravel().round(4).tolist()
    [0.2099, nan]
    """
    sensors, depths, bins = sensors_by_step(dataset, step, rules)
    arrays = dict(
        zip(_WATER, (sensors.water, sensors.random, sensors.systematic), strict=True)
    )
    found = {
        name: describe(xr.DataArray(values, dims=_ORDER), name)
        for name, values in arrays.items()
    }
    found["quality"] = describe_quality(xr.DataArray(sensors.quality, dims=_ORDER))
    depth = xr.DataArray(
        depths, dims=_ORDER[1:], attrs={"units": "m", "standard_name": "depth"}
    )
    result = xr.Dataset({**found, "sensor_depth": depth}).assign_coords(
        time=times_of(dataset["time"], bins),
        tube=dataset["tube"].values,
        depth=dataset["depth"].values,
    )
    if bins is None:
        return result
    for name in _WATER:
        result[name].attrs["cell_methods"] = "time: mean"
    return with_time_bounds(result, bins)


def sensors_by_step(
    dataset: xr.Dataset, step: str, rules: LayerRules
) -> tuple[Sensors, Floats, Bins | None]:
    """Return sensors' values by step, their depths (tube, depth) [m], and the steps.

    Arguments and errors as of `model_layers`.
    """
    sensors, depths = _sensors(dataset)
    bins = bins_of(dataset["time"], step, rules.utc_offset_s)
    if bins is None:
        return sensors, depths, None
    interval = _intervals(dataset["time"], rules, depths.shape)
    if rules.interval_from_s is None:
        pace = pace_of(interval)
    else:
        at_s = utc_seconds(dataset["time"])
        pace = changing_pace(sensors, bins, at_s, rules.interval_from_s, interval)
    return bin_means(sensors, bins, pace, rules.completeness), depths, bins


def _sensors(dataset: xr.Dataset) -> tuple[Sensors, Floats]:
    """Return the sensors' values in float64, and their depths; a sensor in the air is none."""
    if not isinstance(dataset, xr.Dataset):
        raise TypeError(f"dataset: expected a Dataset, found {type(dataset).__name__}")
    lacking = sorted({*_WATER, "quality", "sensor_depth"} - {*dataset.variables})
    if lacking:
        raise ValueError(
            f"dataset: expected variables {[*_WATER, 'quality', 'sensor_depth']}, found no "
            f"{', '.join(lacking)}"
        )

    def values(name: str) -> Floats:
        array = plain(dataset[name], "m3 m-3")
        require_dims(array, *_ORDER)
        return np.ascontiguousarray(array.transpose(*_ORDER).values, dtype=np.float64)

    require_once(dataset["cleaned_water_content"], "tube")
    flags = dataset["quality"].fillna(_MISSING)
    require_dims(flags, *_ORDER)
    quality = flags.transpose(*_ORDER).values.astype(np.uint8)
    depth = plain(dataset["sensor_depth"], "m")
    if "tube" not in depth.dims:
        depth = depth.expand_dims(tube=dataset["tube"])
    require_dims(depth, "tube", "depth")
    depths = np.array(depth.transpose("tube", "depth").values, dtype=np.float64)
    depths[depths < 0] = np.nan
    water, random, systematic = (values(name) for name in _WATER)
    return Sensors(water, random, systematic, quality), depths


def _intervals(time: xr.DataArray, rules: LayerRules, shape: tuple[int, ...]) -> Floats:
    """Return how often each sensor should log, (tube, depth) or (stretch, tube, depth) [s]."""
    if rules.interval_s is not None and rules.interval_from_s is not None:
        return np.asarray(numbers(rules.interval_s, "s"))
    if rules.interval_s is not None:
        return np.broadcast_to(numbers(rules.interval_s, "s"), shape)
    second = utc_seconds(time)
    if not second.size:
        return np.full(shape, float(DAY_S))
    if second.size < 2:
        raise ValueError(
            f"{time.name!r}: one time does not show how often sensors log; "
            f"state interval_s in the rules"
        )
    steps = np.diff(second)
    usual = int(np.median(steps))
    if (steps % max(usual, 1) != 0).any():  # neither one interval nor one with gaps
        raise ValueError(
            f"{time.name!r}: steps of {steps.min()} to {steps.max()} s, most of them {usual}, "
            f"do not show how often sensors log; state interval_s in the rules"
        )
    return np.full(shape, float(usual))


def times_of(time: xr.DataArray, bins: Bins | None) -> NDArray[np.datetime64]:
    """Return the times of the result: the readings' own, or where each step begins."""
    if bins is None:
        return utc_times(time).astype("datetime64[ns]")
    return bins.start_s.astype("datetime64[s]").astype("datetime64[ns]")


def with_time_bounds(result: xr.Dataset, bins: Bins) -> xr.Dataset:
    """Return means with the bounds of the steps they are of, as CF has them."""
    second = np.stack([bins.start_s, bins.start_s + bins.length_s], axis=1)
    ends = second.astype("datetime64[s]").astype("datetime64[ns]")
    found = result.assign_coords(time_bounds=(("time", "bounds"), ends))
    found["time"].attrs["bounds"] = "time_bounds"
    return found
