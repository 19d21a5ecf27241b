"""CF NetCDF files of a site: profiles on its own step or by day, and its weather series.

One file holds one kind of feature, as CF asks: profiles of the tubes (``timeSeriesProfile``)
in the file itself, series of a station (``timeSeries``) in a second file beside it whose name
ends in ``_weather``. What both hold is listed in `pipeline.deliver.fields`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import netCDF4
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import (
    Steps,
    set_attributes,
    write_depth,
    write_layers,
    write_places,
    write_quantization,
    write_time,
    write_verdicts,
)
from pipeline.deliver.encoding import copy_field, create_field
from pipeline.deliver.fields import (
    DAILY,
    DAILY_WEATHER,
    KINDS,
    NATIVE,
    OF_TUBES,
    OF_WEATHER,
    WEATHER,
    Field,
)
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site

# Fields that the store has room for at every site but that few sites log.
_IF_WIRED = ("soil_temperature", "bulk_conductivity", "rain", "air_temperature")


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
    kinds: Collection[str] = KINDS,
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
    kinds : collection of str
        Which files are wanted, of `pipeline.deliver.fields.KINDS`.

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
    paths = []
    if OF_TUBES in kinds:
        found = _arrays(NATIVE, (water, products, readings), site)
        content = Content("soil water", Steps(seconds, step), found)
        paths.append(_write_profiles(site, content, water, provenance, path))
    weather = _arrays(WEATHER, (readings,), site) if OF_WEATHER in kinds else {}
    if weather:
        long = _rain_interval_s(site)
        cells = None if long is None else _cells(seconds - long, long)
        content = Content("weather", Steps(seconds, step, cells), weather)
        paths.append(_write_stations(site, content, readings, provenance, path))
    return paths


def write_daily(
    site: Site,
    daily: xr.Dataset,
    provenance: Provenance,
    path: Path,
    kinds: Collection[str] = KINDS,
) -> list[Path]:
    """Write the daily values of one period.

    Parameters
    ----------
    site : Site
    daily : Dataset, (day, tube, depth), (day, tube, layer), (day, station)
        See `daily_step` and `daily_rain_step` in `pipeline.derive`; may be backed by a store.
    provenance : Provenance
    path : Path
    kinds : collection of str
        As of `write_native`.

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
    paths = []
    if OF_TUBES in kinds:
        content = Content("daily soil water", steps, _arrays(DAILY, (daily,), site))
        paths.append(_write_profiles(site, content, daily, provenance, path))
    weather = _arrays(DAILY_WEATHER, (daily,), site) if OF_WEATHER in kinds else {}
    if weather:
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
        set_attributes(file, attributes)
        write_places(file, "tube", [tube.tube for tube in tubes], places)
        write_time(file, content.steps)
        write_depth(file, site, tubes, nominal)
        write_layers(file, site)
        write_quantization(file, provenance)
        write_verdicts(file, tubes, dict(provenance.verdicts))
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
    attributes |= _weather_attributes(content)
    path = path.with_name(f"{path.stem}_weather{path.suffix}")
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, attributes)
        write_places(file, "station", stations, places)
        for name in ("latitude", "longitude", "altitude"):
            set_attributes(
                file[name],
                {"comment": "mean of the site's tubes; the station states no place"},
            )
        set_attributes(
            file["altitude"], {"positive": "up"}
        )  # the only vertical coordinate here
        write_time(file, content.steps)
        _write_fields(file, content, "station", {"": ()})
    return path


_INSTRUMENTS = {"rain": "rain gauge", "air_temperature": "air thermometer"}


def _weather_attributes(content: Content) -> dict[str, str | float]:
    """Return what sets a weather file apart: no quality test looks at what stations log."""
    instruments = ", ".join(_INSTRUMENTS[field.name] for field in content.arrays)
    return {
        "source": f"in-situ weather instruments: {instruments}",
        "platform": "weather instruments at the loggers of the site",
        "instrument": instruments,
        "processing_level": "as logged, not quality-controlled",
    }


def _extent(steps: Steps, places: Sequence[tuple[float, ...]], vertical: Vertical) -> Extent:
    where = np.array(places)
    return Extent(where[:, 0], where[:, 1], vertical, steps.covered_s, steps.step_s)


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
        set_attributes(variable, field.attributes(present) | {"coordinates": names})
        copy_field(array, variable, field.packing)
