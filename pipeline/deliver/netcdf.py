"""CF NetCDF files of a site: profiles on its own step or by day, and its weather series.

One file holds one kind of feature, as CF asks: profiles of the tubes (``timeSeriesProfile``)
in the file itself, series of a station (``timeSeries``) in a second file beside it whose name
ends in ``_weather``. What both hold is listed in `pipeline.deliver.fields`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.encoding import copy_field, create_field, create_text
from pipeline.deliver.fields import (
    DAILY,
    DAILY_WEATHER,
    NATIVE,
    QUANTIZATION,
    WEATHER,
    Field,
)
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.derive.storage import sensor_depths_m
from pipeline.site.models import Site, Tube

TIME_UNITS = "seconds since 1970-01-01 00:00:00Z"
_COORDINATE = {"coverage_content_type": "coordinate"}
# Fields that the store has room for at every site but that few sites log.
_IF_WIRED = ("soil_temperature", "bulk_conductivity", "rain", "air_temperature")


@dataclass(frozen=True)
class Steps:
    """The times of a file: instants in seconds since 1970, their step, and their cells."""

    seconds: NDArray[np.int64]
    step_s: int
    bounds: NDArray[np.int64] | None = None  # (time, 2)


@dataclass(frozen=True)
class Content:
    """What one file holds: a few words for its title, its times, its fields with values."""

    title: str
    steps: Steps
    arrays: Mapping[Field, xr.DataArray]


def write_native(
    site: Site,
    water: xr.Dataset,
    products: xr.Dataset,
    readings: xr.Dataset,
    provenance: Provenance,
    path: Path,
) -> list[Path]:
    """Write one period on the site's own step.

    Parameters
    ----------
    site : Site
    water : Dataset, (time, tube, depth)
    products : Dataset, (time, tube, layer)
    readings : Dataset, (time, tube, depth) and (time, station)
        The cubes over one and the same window; may be backed by a store, they are read a slab
        at a time. Fields they lack, and those no channel of the site logs, are left out.
    provenance : Provenance
    path : Path
        Replaced in one piece; see `pipeline.deliver.atomic.replacing`.

    Returns
    -------
    list of Path
        The profiles, and the weather file if the site logs any.

    Raises
    ------
    ValueError
        If the window is empty.
    """
    seconds = _seconds(water["time"])
    step = site.interval_s
    found = _arrays(NATIVE, (water, products, readings), site)
    content = Content("soil water", Steps(seconds, step), found)
    paths = [_write_profiles(site, content, water, provenance, path)]
    weather = _arrays(WEATHER, (readings,), site)
    if weather:
        long = _rain_interval_s(site)
        cells = None if long is None else _cells(seconds - long, long)
        content = Content("weather", Steps(seconds, step, cells), weather)
        paths.append(_write_stations(site, content, readings, provenance, path))
    return paths


def write_daily(
    site: Site, daily: xr.Dataset, provenance: Provenance, path: Path
) -> list[Path]:
    """Write the daily values of one period.

    Parameters
    ----------
    site : Site
    daily : Dataset, (day, tube, depth), (day, tube, layer), (day, station)
        See `pipeline.derive.daily.daily_step`; may be backed by a store.
    provenance : Provenance
    path : Path

    Returns
    -------
    list of Path
        The profiles, and the weather file if the site logs rain.

    Raises
    ------
    ValueError
        If there is no day.
    """
    seconds = _seconds(daily["day"])
    steps = Steps(seconds, DAY_S, _cells(seconds, DAY_S))
    content = Content("daily soil water", steps, _arrays(DAILY, (daily,), site))
    paths = [_write_profiles(site, content, daily, provenance, path)]
    weather = _arrays(DAILY_WEATHER, (daily,), site)
    if weather:
        # A total is stamped at its end: those of a day's stamps fell a little earlier.
        earlier = seconds - (_rain_interval_s(site) or 0)
        steps = Steps(seconds, DAY_S, _cells(earlier, DAY_S))
        content = Content("daily weather", steps, weather)
        paths.append(_write_stations(site, content, daily, provenance, path))
    return paths


def _seconds(time: xr.DataArray) -> NDArray[np.int64]:
    """Return instants as whole seconds since 1970."""
    if time.size == 0:
        raise ValueError(f"{time.name!r}: expected at least one time to deliver, found none")
    return time.values.astype("datetime64[s]").astype(np.int64)


def _cells(start_s: NDArray[np.int64], long_s: int) -> NDArray[np.int64]:
    """Return the cells (time, 2) that begin at instants and last ``long_s`` seconds."""
    return np.stack([start_s, start_s + long_s], axis=1)


def _rain_interval_s(site: Site) -> int | None:
    """Return over how long a rain total is summed, None where sources differ in it."""
    logging = {wire.source for wire in site.wiring if wire.quantity == "rain"}
    intervals = {s.interval_s or site.interval_s for s in site.sources if s.id in logging}
    return intervals.pop() if len(intervals) == 1 else None


def _arrays(
    fields: Sequence[Field], cubes: Sequence[xr.Dataset], site: Site
) -> dict[Field, xr.DataArray]:
    """Return the fields that the cubes hold and the site can fill."""
    wired = {wire.quantity for wire in site.wiring}
    found = {}
    for field in fields:
        logged = field.source.removeprefix("daily_")
        if logged in _IF_WIRED and logged not in wired:
            continue
        holders = [cube for cube in cubes if field.source in cube]
        if holders:
            found[field] = _of_site(holders[0][field.source], site)
    return found


def _of_site(array: xr.DataArray, site: Site) -> xr.DataArray:
    """Return the tubes and layers that the site describes; a store may remember others."""
    stored = set(array["tube"].values.tolist()) if "tube" in array.dims else set()
    wanted = {
        "tube": [tube.tube for tube in site.tubes if tube.tube in stored],
        "layer": [layer.name for layer in site.derive.layers],
    }
    other = {
        dim: names
        for dim, names in wanted.items()
        if dim in array.dims and array[dim].values.tolist() != names
    }
    return array.sel(other) if other else array


def _write_profiles(
    site: Site, content: Content, cube: xr.Dataset, provenance: Provenance, path: Path
) -> Path:
    """Write the ``timeSeriesProfile`` file."""
    stored = set(cube["tube"].values.tolist())
    tubes = [tube for tube in site.tubes if tube.tube in stored]
    nominal = cube["depth"].values.astype(np.float64)
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    extent = _extent(content.steps, places, Vertical.below_surface(nominal))
    attributes = global_attributes(
        site, content.title, "timeSeriesProfile", extent, provenance
    )
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        _set(file, attributes)
        _write_places(file, "tube", [tube.tube for tube in tubes], places)
        _write_time(file, content.steps)
        _write_depth(file, site, tubes, nominal)
        _write_layers(file, site)
        _write_quantization(file, provenance)
        _write_fields(file, content, "tube", _PROFILE_COORDINATES)
    return path


def _write_stations(
    site: Site, content: Content, cube: xr.Dataset, provenance: Provenance, path: Path
) -> Path:
    """Write the ``timeSeries`` file beside the profiles."""
    stations = [str(name) for name in cube["station"].values]
    known = np.array([(t.latitude, t.longitude, t.elevation_m) for t in site.tubes])
    centre = np.round(known.mean(axis=0), 6)
    places = [tuple(centre.tolist())] * len(stations)
    extent = _extent(content.steps, places, Vertical.above_sea(centre[2:]))
    attributes = global_attributes(site, content.title, "timeSeries", extent, provenance)
    path = path.with_name(f"{path.stem}_weather{path.suffix}")
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        _set(file, attributes)
        _write_places(file, "station", stations, places)
        for name in ("latitude", "longitude", "altitude"):
            _set(
                file[name],
                {"comment": "mean of the site's tubes; the station states no place"},
            )
        _set(file["altitude"], {"positive": "up"})  # the only vertical coordinate here
        _write_time(file, content.steps)
        _write_fields(file, content, "station", {"": ()})
    return path


def _extent(steps: Steps, places: Sequence[tuple[float, ...]], vertical: Vertical) -> Extent:
    where = np.array(places)
    first, last = int(steps.seconds[0]), int(steps.seconds[-1])
    return Extent(where[:, 0], where[:, 1], vertical, (first, last), steps.step_s)


_PROFILE_COORDINATES = {"depth": ("sensor_depth",), "layer": ("layer_name", "layer_depth")}


def _write_fields(
    file: netCDF4.Dataset,
    content: Content,
    instance: str,
    coordinates: Mapping[str, tuple[str, ...]],
) -> None:
    """Write the fields of a file, each with its attributes and its coordinates' names."""
    present = {field.name for field in content.arrays}
    shared = (f"{instance}_id", "latitude", "longitude", "altitude")
    for field, array in content.arrays.items():
        variable = create_field(file, field.name, field.dims(instance), field.packing)
        names = " ".join((*shared, *coordinates[field.across]))
        _set(variable, field.attributes(present) | {"coordinates": names})
        copy_field(array, variable, field.packing)


def _write_places(
    file: netCDF4.Dataset,
    instance: str,
    names: list[str],
    places: Sequence[tuple[float, ...]],
) -> None:
    """Write who and where the instances of the feature are."""
    file.createDimension(instance, len(names))
    _set(
        create_text(file, f"{instance}_id", instance, names),
        {
            "long_name": f"{instance} identifier",
            "standard_name": "platform_id",
            "cf_role": "timeseries_id",
            "coverage_content_type": "referenceInformation",
        },
    )
    described = (
        ("latitude", "latitude", "degrees_north"),
        ("longitude", "longitude", "degrees_east"),
        ("altitude", "surface_altitude", "m"),
    )
    for column, (name, standard, units) in enumerate(described):
        variable = file.createVariable(name, "f8", (instance,))
        variable[:] = np.array([place[column] for place in places])
        text = {"long_name": f"{name} of the {instance}", "standard_name": standard}
        _set(variable, text | {"units": units} | _COORDINATE)


def _write_time(file: netCDF4.Dataset, steps: Steps) -> None:
    """Write the time coordinate in whole seconds, with its cells if it has any."""
    file.createDimension("time", steps.seconds.size)
    variable = file.createVariable(
        "time", "i8", ("time",), compression="zlib", chunksizes=(steps.seconds.size,)
    )
    attributes: dict[str, Any] = {
        "long_name": "time",
        "standard_name": "time",
        "units": TIME_UNITS,
        "calendar": "standard",
        "units_metadata": "leap_seconds: utc",
        "axis": "T",
    }
    if steps.bounds is not None:
        attributes["bounds"] = "time_bounds"
        _write_bounds(file, "time_bounds", "time", steps.bounds)
    _set(variable, attributes | _COORDINATE)
    variable[:] = steps.seconds


def _write_depth(
    file: netCDF4.Dataset, site: Site, tubes: Sequence[Tube], nominal: NDArray[np.float64]
) -> None:
    """Write nominal depth, and the real depth of each sensor."""
    file.createDimension("depth", nominal.size)
    down = {"standard_name": "depth", "units": "m", "positive": "down"} | _COORDINATE
    variable = file.createVariable("depth", "f8", ("depth",))
    _set(variable, {"long_name": "nominal sensor depth below the surface", "axis": "Z"} | down)
    variable[:] = nominal
    real = sensor_depths_m(site, [tube.tube for tube in tubes], nominal.tolist())
    variable = file.createVariable("sensor_depth", "f8", ("tube", "depth"), fill_value=np.nan)
    text = "real sensor depth below the surface, with the tube's set-in offset"
    _set(variable, {"long_name": text} | down)
    variable[:] = real


def _write_layers(file: netCDF4.Dataset, site: Site) -> None:
    """Write the layers whose storage is delivered, with their bounds."""
    layers = site.derive.layers
    file.createDimension("layer", len(layers))
    _set(
        create_text(file, "layer_name", "layer", [layer.name for layer in layers]),
        {"long_name": "name of the layer", "coverage_content_type": "referenceInformation"},
    )
    edges = np.array([(layer.top_m, layer.bottom_m) for layer in layers])
    _write_bounds(file, "layer_depth_bounds", "layer", edges)
    variable = file.createVariable("layer_depth", "f8", ("layer",))
    _set(
        variable,
        {
            "long_name": "middle of the layer",
            "standard_name": "depth",
            "units": "m",
            "positive": "down",
            "bounds": "layer_depth_bounds",
        }
        | _COORDINATE,
    )
    variable[:] = edges.mean(axis=1)


def _write_quantization(file: netCDF4.Dataset, provenance: Provenance) -> None:
    """Write how values were rounded; fields name this variable and state their bits."""
    variable = file.createVariable(QUANTIZATION, "i4", ())
    variable[...] = 0  # only the attributes count
    _set(
        variable,
        {
            "long_name": "rounding of the fields that name this variable",
            "algorithm": "bitround",
            "implementation": f"percolog version {provenance.code_version}",
        },
    )


def _write_bounds(file: netCDF4.Dataset, name: str, dim: str, values: NDArray[Any]) -> None:
    """Write cell bounds; they carry no attributes of their own, as CF asks.

    Always doubles, in which seconds are exact: before version 1.9 CF knew no 64-bit integers.
    """
    if "bounds" not in file.dimensions:
        file.createDimension("bounds", 2)
    file.createVariable(name, "f8", (dim, "bounds"))[:] = values


def _set(target: netCDF4.Dataset | netCDF4.Variable, attributes: Mapping[str, Any]) -> None:
    """Set attributes; text as characters in UTF-8, which every reader knows."""
    for name, value in attributes.items():
        target.setncattr(name, value.encode("utf-8") if isinstance(value, str) else value)
