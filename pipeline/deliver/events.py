"""Wetting events as a CF file of their own, and uptake by day as another.

An event is one pass of a front down one tube: a profile (``featureType`` "profile"), with the
nominal depths of the site as its vertical axis and the real ones beside them. What holds for
all sensors together has the dimension (event), what each sensor did (event, depth). Uptake is
known for each day, whatever the events: it is a ``timeSeriesProfile`` (tube, time, depth), one
kind of feature a file, as CF asks.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import (
    TIME_UNITS,
    Steps,
    set_attributes,
    write_bounds,
    write_depth,
    write_places,
    write_time,
    write_where,
)
from pipeline.deliver.encoding import create_text
from pipeline.deliver.event_fields import (
    BY_DEPTH,
    DOUBTS,
    EVENTS,
    NO_SENSOR,
    UPTAKE,
    WORDS,
    EventField,
)
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site

CAUTION = (
    "Drainage and uptake are estimates with the uncertainty stated. What they mean for "
    "leaching, irrigation or the stability of slopes is for local practice to say."
)
_CLOCK = {
    "units": TIME_UNITS,
    "calendar": "standard",
    "units_metadata": "leap_seconds: utc",
}
_SHARED = "event_id tube_id time latitude longitude altitude"
# Coordinates of the files, written apart.
_PLACED = ("tube_id", "event_id", "time", "depth", "sensor_depth")


def write_events(
    site: Site, events: pd.DataFrame, depths: pd.DataFrame, provenance: Provenance, path: Path
) -> Path:
    """Write events and what each did at every sensor.

    Parameters
    ----------
    site : Site
    events, depths : DataFrame
        Rows of the stored tables ``events``, in order of time, and ``event_depths``; those of
        ``depths`` belong to rows of ``events``.
    provenance : Provenance
    path : Path
        Replaced in one piece.

    Raises
    ------
    ValueError
        If there is no event.
    """
    if events.empty:
        raise ValueError("events: expected at least one event to deliver, found none")
    nominal = np.unique(depths["depth_m"].to_numpy(np.float64))
    made = provenance.remarked(CAUTION)
    extent = _extent(site, events, nominal)
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(
            file, global_attributes(site, "wetting events", "profile", extent, made)
        )
        file.createDimension("event", len(events))
        file.createDimension("depth", nominal.size)
        _write_instances(file, site, events)
        cells = (
            pd.Index(events["event"]).get_indexer(pd.Index(depths["event"])),
            np.searchsorted(nominal, depths["depth_m"].to_numpy(np.float64)),
        )
        shape = len(events), nominal.size
        _write_depths(file, nominal, _grid(depths["real_depth_m"], cells, shape))
        for field in EVENTS:
            if field.name not in _PLACED:
                write_field(file, field, ("event",), events[field.source].to_numpy(), _SHARED)
        for field in BY_DEPTH:
            if field.name in _PLACED:
                continue
            values = _grid(codes(field, depths[field.source]), cells, shape, _none(field))
            shared = f"{_SHARED} sensor_depth"
            write_field(file, field, ("event", "depth"), values, shared, NO_SENSOR)
    return path


def write_uptake(site: Site, uptake: xr.Dataset, provenance: Provenance, path: Path) -> Path:
    """Write uptake and drainage by day and night.

    Parameters
    ----------
    site : Site
    uptake : Dataset, (time, tube, depth)
        From `uptake_cube`; ``time`` is when a day begins.
    provenance : Provenance
    path : Path
    """
    tubes = [site.tube_by_id[name] for name in uptake["tube"].values.tolist()]
    nominal = uptake["depth"].values.astype(np.float64)
    seconds = uptake["time"].values.astype("datetime64[s]").astype(np.int64)
    steps = Steps(seconds, DAY_S, np.stack([seconds, seconds + DAY_S], axis=1))
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    where = np.array(places)
    vertical = Vertical.below_surface(nominal)
    extent = Extent(where[:, 0], where[:, 1], vertical, steps.covered_s, DAY_S)
    made = provenance.remarked(CAUTION)
    title = "uptake and drainage by day"
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, global_attributes(site, title, "timeSeriesProfile", extent, made))
        write_places(file, "tube", [tube.tube for tube in tubes], places)
        write_time(file, steps)
        write_depth(file, site, tubes, nominal)
        shared = "tube_id latitude longitude altitude sensor_depth"
        for field in UPTAKE:
            values = uptake[field.name].transpose("tube", "time", "depth").values
            if field.kind == "time":
                there = ~np.isnat(values)
                whole = values.astype("datetime64[s]").astype(np.int64)
                values = np.where(there, whole, np.nan)
            write_field(file, field, ("tube", "time", "depth"), values, shared)
    return path


def uptake_cube(
    site: Site, rows: pd.DataFrame, days_s: NDArray[np.int64], depths_m: Sequence[float]
) -> xr.Dataset:
    """Return rows of the stored table ``uptake`` as (time, tube, depth), NaN where none is.

    Parameters
    ----------
    site : Site
    rows : DataFrame
        Of tubes that the site describes, on some of the days.
    days_s : int64, (day)
        When the days begin, UTC seconds, in order.
    depths_m : sequence of float
        Nominal depths [m], downwards.
    """
    tubes = [tube.tube for tube in site.tubes if tube.tube in set(rows["tube"])]
    cells = (
        np.searchsorted(days_s, rows["day_s"].to_numpy(np.int64)),
        pd.Index(tubes).get_indexer(pd.Index(rows["tube"])),
        np.searchsorted(np.asarray(depths_m), rows["depth_m"].to_numpy(np.float64)),
    )
    shape = len(days_s), len(tubes), len(depths_m)
    dims = ("time", "tube", "depth")
    arrays = {}
    for field in UPTAKE:
        values: NDArray[np.generic] = _grid(codes(field, rows[field.source]), cells, shape)
        if field.kind == "time":
            none = np.isnan(values)
            values = np.where(none, 0, values).astype(np.int64).astype("datetime64[s]")
            values[none] = np.datetime64("NaT")
        about = {"units": field.units, "long_name": field.long_name}
        about |= {"standard_name": field.standard_name} if field.standard_name else {}
        arrays[field.name] = (dims, values, about)
    coords = {"time": days_s.astype("datetime64[s]"), "tube": tubes, "depth": list(depths_m)}
    return xr.Dataset(arrays, coords)


def _extent(site: Site, events: pd.DataFrame, nominal: NDArray[np.float64]) -> Extent:
    """Return where and when; the resolution is the usual time from one event to the next."""
    tubes = [site.tube_by_id[name] for name in sorted(set(events["tube"]))]
    between = events.groupby("tube")["onset_s"].diff().dropna()
    usual_s = float(between.median()) if len(between) else 0.0
    return Extent(
        np.array([tube.latitude for tube in tubes]),
        np.array([tube.longitude for tube in tubes]),
        Vertical.below_surface(nominal),
        (int(events["onset_s"].min()), int(events["onset_s"].max())),
        round(usual_s / DAY_S) * DAY_S if usual_s >= DAY_S else round(usual_s),
    )


def _write_instances(file: netCDF4.Dataset, site: Site, events: pd.DataFrame) -> None:
    """Write which event and tube each row is, where that stands, and how long it lasted."""
    reference = {"coverage_content_type": "referenceInformation"}
    roles = {"event_id": {"cf_role": "profile_id"}, "tube_id": {}}
    for field in EVENTS[:2]:
        text = create_text(file, field.name, "event", events[field.source].tolist())
        named = {"standard_name": field.standard_name} if field.standard_name else {}
        set_attributes(
            text, {"long_name": field.long_name} | named | roles[field.name] | reference
        )
    tubes = [site.tube_by_id[name] for name in events["tube"]]
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    write_where(file, "event", "tube", places)
    coordinate = {"coverage_content_type": "coordinate"}
    span = np.stack([events["onset_s"], events["end_s"]], axis=1).astype(np.int64)
    write_bounds(file, "time_bounds", "event", span)
    variable = file.createVariable("time", "i8", ("event",))
    variable[:] = span[:, 0]
    about = {"long_name": "first onset of the event", "standard_name": "time"}
    set_attributes(variable, about | _CLOCK | {"bounds": "time_bounds"} | coordinate)


def _write_depths(
    file: netCDF4.Dataset, nominal: NDArray[np.float64], real: NDArray[np.float64]
) -> None:
    """Write nominal depth as the axis, and the real depth of each sensor."""
    down = {"standard_name": "depth", "units": "m", "positive": "down"}
    down |= {"coverage_content_type": "coordinate"}
    variable = file.createVariable("depth", "f8", ("depth",))
    variable[:] = nominal
    text = "nominal sensor depth below the surface"
    set_attributes(variable, {"long_name": text, "axis": "Z"} | down)
    variable = file.createVariable("sensor_depth", "f8", ("event", "depth"), fill_value=np.nan)
    variable[:] = real
    text = "real sensor depth below the surface, with the tube's set-in offset"
    set_attributes(variable, {"long_name": text} | down)


def codes(field: EventField, values: pd.Series) -> NDArray[np.float64]:
    """Return values of a stored column as numbers, NaN for none; words as their places."""
    if field.kind == "origin":
        place = {"": 0} | {word: code for code, word in enumerate(WORDS["origin"])}
        return values.fillna("").map(place).to_numpy().astype(np.float64)
    numbers: NDArray[np.float64] = values.to_numpy(np.float64, na_value=np.nan)
    if field.kind in ("time", "count"):
        numbers = np.where(numbers < 0, np.nan, numbers).astype(np.float64)
    return numbers


def _none(field: EventField) -> float:
    return NO_SENSOR if field.kind in WORDS else np.nan


def _grid(
    values: ArrayLike, cells: tuple[NDArray, ...], shape: tuple[int, ...], none: float = np.nan
) -> NDArray[np.float64]:
    """Return values at their cells, ``none`` elsewhere."""
    grid = np.full(shape, none)
    grid[cells] = values
    return grid


def doubt_bits(text: str) -> int:
    """Return doubts, words of `DOUBTS` with blanks between, as bits of one number."""
    return sum(1 << DOUBTS.index(word) for word in text.split())


def write_field(
    file: netCDF4.Dataset,
    field: EventField,
    dims: tuple[str, ...],
    values: NDArray[np.generic],
    shared: str,
    absent: int | None = None,
) -> None:
    """Write one field; flags as small integers with their meanings, all else as doubles."""
    if field.kind == "doubts":
        values = np.array([doubt_bits(text) for text in values])
    elif len(dims) == 1:
        values = codes(field, pd.Series(values))
    kind = {"doubts": "u2"}.get(field.kind, "u1" if field.kind in WORDS else "f8")
    flag = kind != "f8"
    variable = file.createVariable(
        field.name,
        kind,
        dims,
        compression="zlib",
        complevel=1,
        chunksizes=values.shape,
        fill_value=None if flag else np.nan,
    )
    variable.set_auto_maskandscale(False)
    variable[:] = values.astype(variable.dtype)
    set_attributes(variable, _attributes(field, absent) | {"coordinates": shared})


def _attributes(field: EventField, absent: int | None) -> dict[str, object]:
    found: dict[str, object] = {"long_name": field.long_name, "units": field.units}
    if field.kind == "time":
        found |= _CLOCK
    if field.standard_name:
        found["standard_name"] = field.standard_name
    if field.cell_methods:
        found["cell_methods"] = field.cell_methods
    if field.about:
        found["ancillary_variables"] = " ".join(field.about)
    if field.kind == "doubts":
        found["flag_masks"] = np.array([1 << n for n in range(len(DOUBTS))], np.uint16)
        found["flag_meanings"] = " ".join(DOUBTS)
    elif field.kind in WORDS:
        words = dict(enumerate(WORDS[field.kind]))
        words |= {} if absent is None else {absent: "no_sensor"}
        found["flag_values"] = np.array(list(words), np.uint8)
        found["flag_meanings"] = " ".join(words.values())
    return found | {"coverage_content_type": field.content}
