"""What soil loses by night and by day, and how it drains, of arrays with labels.

`pipeline.derive.uptake` and `pipeline.derive.drainage` do the work, on the bare arrays of one
tube; these take what `profile_storage` takes, of any number of tubes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, utc_seconds
from pipeline.derive.drainage import recession, time_to_drained
from pipeline.derive.event_block import tube_blocks
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.uptake import daily_pattern
from pipeline.derive.weights import EndRules
from pipeline.units import Amount, number_between, plain
from pipeline.variables import require_dims

# Variable: its column of `daily_pattern`, units, and what it is.
_PATTERN = {
    "night_water_content": (
        "night_water_content",
        "m3 m-3",
        "water content at the middle of the night before the day",
    ),
    "night_drainage": ("night_drainage_mm_d", "mm d-1", "drainage past the sensor by night"),
    "night_drainage_error": (
        "night_drainage_error",
        "mm d-1",
        "standard uncertainty of drainage by night",
    ),
    "uptake_above": (
        "uptake_above_mm_d",
        "mm d-1",
        "uptake and evaporation between the surface and the sensor",
    ),
    "uptake_above_error": (
        "uptake_above_error",
        "mm d-1",
        "standard uncertainty of uptake between the surface and the sensor",
    ),
    "uptake": (
        "uptake_mm_d",
        "mm d-1",
        "uptake and evaporation between the sensor above and this one",
    ),
    "uptake_error": (
        "uptake_error",
        "mm d-1",
        "standard uncertainty of uptake between the sensor above and this one",
    ),
}
_RECESSION = (
    ("recession_constant", "h", "time constant of the fall"),
    ("drained_water_content", "m3 m-3", "water content that the fall goes to"),
    ("fall", "m3 m-3", "water content above the drained state at the first time"),
    ("residual", "m3 m-3", "root mean square of what the fall leaves"),
    ("determination", "1", "coefficient of determination"),
)


def drainage_and_uptake(
    water_content: xr.DataArray,
    sensor_depth: xr.DataArray,
    latitude: Amount,
    longitude: Amount,
    rain: xr.DataArray | None = None,
    rules: EndRules = EndRules(),  # noqa: B008 (an immutable tuple)
) -> xr.Dataset:
    """Part what roots take up by day from what drains, by the nights between.

    Parameters
    ----------
    water_content : DataArray, (time, tube, depth), [m3 m-3]
        Cleaned; times at one interval that divides a day, days whole from the first time on,
        a day or more; NaN where there is no reading. A last day that is not whole is left
        out. May be a Pint quantity, as all that follow may.
    sensor_depth : DataArray, (depth) or (tube, depth), [m]
        Real depths, downwards; NaN where a tube has no sensor, and one in the air (below 0)
        is none.
    latitude, longitude : float, [degree]
        Of the site, north and east positive; they tell when it is night.
    rain : DataArray, (time), [mm], optional
        On the same times; days and nights with rain have no value.
    rules : EndRules
        What holds above the first sensor.

    Returns
    -------
    Dataset, (day, tube, depth), float64
        ``night_water_content`` [m3 m-3] at each sensor and ``night_drainage`` [mm d-1] past
        it in the night that ends on the day, upwards negative; ``uptake_above`` [mm d-1]
        between the surface and the sensor on the day, and ``uptake`` [mm d-1] between the
        sensor above and this one; each but the first with its standard uncertainty,
        ``..._error``. ``day`` is when it begins, UTC. NaN where nothing can be told.

    Raises
    ------
    TypeError
        If an array is no DataArray.
    UnitsError
        If an array is not in the units above.
    ValueError
        If dimensions are others, depths, tubes or times of the arrays differ, times are not
        at one interval or it does not divide a day, there is less than a day of them, or the
        place is not on Earth.

    References
    ----------
    As of `pipeline.derive.uptake.daily_pattern`; docs/events.md, "Day and night".

    Examples
    --------
    A soil that loses 0.012 a day from 7 to 17 h, and nothing by night:

    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.water_losses import drainage_and_uptake
    >>> hours = np.arange(6 * 24)
    >>> time = np.datetime64("2025-03-20", "ns") + hours * np.timedelta64(1, "h")
    >>> taken = 0.012 * (np.clip(hours % 24 - 7, 0, 10) / 10 + hours // 24)
    >>> places = {"time": time, "tube": ["T1"], "depth": [0.1, 0.3]}
    >>> water = xr.DataArray(0.3 - taken[:, None, None] * np.ones((1, 1, 2)), places)
    >>> depth = xr.DataArray([0.1, 0.3], dims="depth", attrs={"units": "m"})
    >>> losses = drainage_and_uptake(water.assign_attrs(units="m3 m-3"), depth, 50, 0)
    >>> losses["uptake"].sel(day="2025-03-22").values.ravel().round(2).tolist()
    [1.2, 2.4]
    """
    place = (
        number_between("latitude", latitude, "degree", -90, 90),
        number_between("longitude", longitude, "degree", -180, 360),
    )
    array = plain(water_content, "m3 m-3")
    require_dims(array, "time", "tube", "depth")
    array = array.transpose("time", "tube", "depth")
    first_s, days = _whole_days(array["time"])
    fronts = wetting_fronts(array)
    found = {name: np.full((days, *array.shape[1:]), np.nan) for name in _PATTERN}
    names = pd.Index(array["depth"].values.astype(np.float64))
    for tube, profile, whole in tube_blocks(array, sensor_depth, rain, rules):
        steps = days * DAY_S // whole.interval_s
        gauge = None if whole.rain is None else whole.rain[:steps]
        block = whole._replace(water=whole.water[:, :steps], rain=gauge)
        mine = (fronts["tube"] == profile.tube) & (fronts["depth_m"] == profile.nominal_m[0])
        peaks = np.sort(fronts["peak_s"][mine].to_numpy(np.int64))
        table = daily_pattern(profile, block, place, peaks)
        day = (table["day_s"].to_numpy(np.int64) - first_s) // DAY_S
        row = names.get_indexer(pd.Index(table["depth_m"]))
        for name, (column, _, _) in _PATTERN.items():
            found[name][day, tube, row] = table[column]
    return _by_day(found, first_s, array)


def _by_day(found: dict[str, Floats], first_s: int, like: xr.DataArray) -> xr.Dataset:
    """Return arrays (day, tube, depth) with labels and units."""
    days = found["uptake"].shape[0]
    starts = (first_s + DAY_S * np.arange(days)).astype("datetime64[s]")
    told = {
        name: xr.Variable(
            ("day", "tube", "depth"), found[name], {"units": units, "long_name": text}
        )
        for name, (_, units, text) in _PATTERN.items()
    }
    places = {name: like[name] for name in ("tube", "depth") if name in like.coords}
    return xr.Dataset(told, places).assign_coords(day=starts.astype("datetime64[ns]"))


def _whole_days(time: xr.DataArray) -> tuple[int, int]:
    """Return when days begin, UTC seconds, and how many are whole."""
    times = utc_seconds(time)
    if times.size < 2:
        raise ValueError(f"'time': expected a day of times or more, found {times.size}")
    interval = int(times[1] - times[0])
    days = times.size * interval // DAY_S
    if interval > 0 and DAY_S % interval:
        raise ValueError(
            f"'time': expected an interval that divides a day, found {interval} s; resample"
        )
    if interval > 0 and not days:
        raise ValueError(
            f"'time': expected a day of times or more, found {times.size} times at "
            f"{interval} s"
        )
    return int(times[0]), days


def recession_fit(water_content: xr.DataArray) -> xr.Dataset:
    """Fit the fall of water content after a peak by an exponential, series by series.

    Parameters
    ----------
    water_content : DataArray, (time) and any others, [m3 m-3]
        From the peak on: ``water.sel(time=slice(peak, None))``. Times rise, at any
        intervals; NaN where there is no reading. May be a Pint quantity.

    Returns
    -------
    Dataset, the other dimensions, float64
        ``recession_constant`` [h], ``drained_water_content`` [m3 m-3], ``fall`` [m3 m-3],
        ``residual`` [m3 m-3], ``determination`` [1], as of
        `pipeline.derive.drainage.recession`, and ``time_to_drained`` [h], from the first time
        until a twentieth of the fall is left. NaN where the record does not tell it.

    Raises
    ------
    TypeError
        If it is no DataArray.
    UnitsError
        If it is not in m3 m-3.
    ValueError
        If it has no times, or they are no instants or do not rise.

    References
    ----------
    As of `pipeline.derive.drainage.recession`.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.water_losses import recession_fit
    >>> hours = np.arange(96)
    >>> time = np.datetime64("2025-05-01", "ns") + hours * np.timedelta64(1, "h")
    >>> water = xr.DataArray(0.25 + 0.1 * np.exp(-hours / 24), {"time": time}, "time")
    >>> found = recession_fit(water.assign_attrs(units="m3 m-3"))
    >>> round(float(found["recession_constant"]), 2)
    24.0
    >>> round(float(found["drained_water_content"]), 3)
    0.25
    """
    array = plain(water_content, "m3 m-3")
    if "time" not in array.dims:
        raise ValueError(f"{array.name!r}: expected the dimension 'time', found {array.dims}")
    times = utc_seconds(array["time"])
    if (np.diff(times) <= 0).any():
        raise ValueError("'time': expected times that rise; sort, and drop what is twice")
    hours = (times - times[:1]) / 3600.0
    others = [dim for dim in array.dims if dim != "time"]
    whole = array.transpose(*others, "time").values.astype(np.float64)
    fits = np.full((len(_RECESSION), *whole.shape[:-1]), np.nan)
    for place in np.ndindex(whole.shape[:-1]):
        fits[(slice(None), *place)] = recession(hours, whole[place])
    coords = {name: c for name, c in array.coords.items() if "time" not in c.dims}
    found = xr.Dataset(
        {
            name: (others, fit, {"units": units, "long_name": text})
            for (name, units, text), fit in zip(_RECESSION, fits, strict=True)
        },
        coords,
    )
    text = "time from the first until a twentieth of the fall is left"
    until = time_to_drained(fits[0])
    return found.assign(time_to_drained=(others, until, {"units": "h", "long_name": text}))
