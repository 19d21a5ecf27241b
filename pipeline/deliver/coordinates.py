"""What a delivered file says beside its fields: who, where, when, how deep, how rounded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import netCDF4
import numpy as np
from numpy.typing import NDArray

from pipeline.deliver.encoding import create_text
from pipeline.deliver.fields import QUANTIZATION
from pipeline.deliver.metadata import Provenance
from pipeline.derive.storage import sensor_depths_m
from pipeline.qc.findings import Verdict
from pipeline.site.models import Site, Tube

DATUM = "WGS 84"  # as docs/site-description.md asks of tubes.csv
TIME_UNITS = "seconds since 1970-01-01 00:00:00Z"
NOT_JUDGED = 9  # of a tube's health, where the flag of a value says "missing"
HEALTH = "tube_health_flag"
_COORDINATE = {"coverage_content_type": "coordinate"}


@dataclass(frozen=True)
class Steps:
    """The times of a file: instants in seconds since 1970, their step, and their cells."""

    seconds: NDArray[np.int64]
    step_s: int
    bounds: NDArray[np.int64] | None = None  # (time, 2)

    @property
    def covered_s(self) -> tuple[int, int]:
        """Return from when until when the file tells: to the end of the last cell."""
        if self.bounds is None:
            return int(self.seconds[0]), int(self.seconds[-1])
        return int(self.bounds.min()), int(self.bounds.max())


def write_places(
    file: netCDF4.Dataset,
    instance: str,
    names: list[str],
    places: Sequence[tuple[float, ...]],
) -> None:
    """Write who and where the instances of the feature are."""
    file.createDimension(instance, len(names))
    set_attributes(
        create_text(file, f"{instance}_id", instance, names),
        {
            "long_name": f"{instance} identifier",
            "standard_name": "platform_id",
            "cf_role": "timeseries_id",
            "coverage_content_type": "referenceInformation",
        },
    )
    write_where(file, instance, instance, places)


def write_where(
    file: netCDF4.Dataset, dim: str, whose: str, places: Sequence[tuple[float, ...]]
) -> None:
    """Write latitude, longitude and altitude along a dimension."""
    described = (
        ("latitude", "latitude", "degrees_north"),
        ("longitude", "longitude", "degrees_east"),
        ("altitude", "surface_altitude", "m"),
    )
    for column, (name, standard, units) in enumerate(described):
        variable = file.createVariable(name, "f8", (dim,))
        variable[:] = np.array([place[column] for place in places])
        datum = "" if name == "altitude" else f", {DATUM}"
        text = {"long_name": f"{name} of the {whose}{datum}", "standard_name": standard}
        set_attributes(variable, text | {"units": units} | _COORDINATE)


def write_verdicts(
    file: netCDF4.Dataset, tubes: Sequence[Tube], verdicts: Mapping[str, int]
) -> None:
    """Write what each tube is good for, on the state of the store that the file is made from.

    A file without any verdict has no such variable.
    """
    if not verdicts:
        return
    meanings = {verdict.name.lower(): int(verdict) for verdict in Verdict}
    meanings["not_judged"] = NOT_JUDGED
    variable = file.createVariable(HEALTH, "u1", ("tube",))
    set_attributes(
        variable,
        {
            "long_name": "health of the tube: whether its water content can be trusted",
            "standard_name": "quality_flag",
            "units": "1",
            "flag_values": np.array(list(meanings.values()), dtype=np.uint8),
            "flag_meanings": " ".join(meanings),
            "coordinates": "latitude longitude altitude tube_id",
            "coverage_content_type": "qualityInformation",
        },
    )
    variable[:] = _flags([tube.tube for tube in tubes], verdicts)


def change_verdicts(file: netCDF4.Dataset, verdicts: Mapping[str, int]) -> None:
    """Write other verdicts into a file that has some; leave one alone that has none."""
    if HEALTH in file.variables:
        file[HEALTH][:] = _flags(texts(file, "tube_id"), verdicts)


def _flags(tubes: Sequence[str], verdicts: Mapping[str, int]) -> NDArray[np.uint8]:
    return np.array([verdicts.get(tube, NOT_JUDGED) for tube in tubes], dtype=np.uint8)


def write_time(file: netCDF4.Dataset, steps: Steps) -> None:
    """Write the time coordinate in whole seconds, with its cells if it has any."""
    file.createDimension("time", steps.seconds.size)
    variable = file.createVariable(
        "time", "i8", ("time",), compression="zlib", chunksizes=(steps.seconds.size,)
    )
    attributes: dict[str, object] = {
        "long_name": "time",
        "standard_name": "time",
        "units": TIME_UNITS,
        "calendar": "standard",
        "units_metadata": "leap_seconds: utc",
        "axis": "T",
    }
    if steps.bounds is not None:
        attributes["bounds"] = "time_bounds"
        write_bounds(file, "time_bounds", "time", steps.bounds)
    set_attributes(variable, attributes | _COORDINATE)
    variable[:] = steps.seconds


def write_depth(
    file: netCDF4.Dataset, site: Site, tubes: Sequence[Tube], nominal: NDArray[np.float64]
) -> None:
    """Write nominal depth, and the real depth of each sensor."""
    file.createDimension("depth", nominal.size)
    down = {"standard_name": "depth", "units": "m", "positive": "down"} | _COORDINATE
    variable = file.createVariable("depth", "f8", ("depth",))
    set_attributes(
        variable, {"long_name": "nominal sensor depth below the surface", "axis": "Z"} | down
    )
    variable[:] = nominal
    real = sensor_depths_m(site, [tube.tube for tube in tubes], nominal.tolist())
    variable = file.createVariable("sensor_depth", "f8", ("tube", "depth"), fill_value=np.nan)
    text = "real sensor depth below the surface, with the tube's set-in offset"
    set_attributes(variable, {"long_name": text} | down)
    variable[:] = real


def write_layers(file: netCDF4.Dataset, site: Site) -> None:
    """Write the layers whose storage is delivered, with their bounds."""
    layers = site.derive.layers
    file.createDimension("layer", len(layers))
    set_attributes(
        create_text(file, "layer_name", "layer", [layer.name for layer in layers]),
        {"long_name": "name of the layer", "coverage_content_type": "referenceInformation"},
    )
    edges = np.array([(layer.top_m, layer.bottom_m) for layer in layers])
    write_bounds(file, "layer_depth_bounds", "layer", edges)
    variable = file.createVariable("layer_depth", "f8", ("layer",))
    set_attributes(
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


def write_quantization(file: netCDF4.Dataset, provenance: Provenance) -> None:
    """Write how values were rounded; fields name this variable and state their bits."""
    variable = file.createVariable(QUANTIZATION, "i4", ())
    variable[...] = 0  # only the attributes count
    set_attributes(
        variable,
        {
            "long_name": "rounding of the fields that name this variable",
            "algorithm": "bitround",
            "implementation": f"percolog version {provenance.code_version}",
        },
    )


def write_bounds(
    file: netCDF4.Dataset, name: str, dim: str, values: NDArray[np.generic]
) -> None:
    """Write cell bounds; they carry no attributes of their own, as CF asks.

    Always doubles, in which seconds are exact: before version 1.9 CF knew no 64-bit integers.
    """
    if "bounds" not in file.dimensions:
        file.createDimension("bounds", 2)
    file.createVariable(name, "f8", (dim, "bounds"))[:] = values


def set_attributes(
    target: netCDF4.Dataset | netCDF4.Variable, attributes: Mapping[str, object]
) -> None:
    """Set attributes; text as characters in UTF-8, which every reader knows."""
    for name, value in attributes.items():
        target.setncattr(name, value.encode("utf-8") if isinstance(value, str) else value)


def texts(file: netCDF4.Dataset, name: str) -> list[str]:
    """Return the texts of a character array."""
    variable = file[name]
    variable.set_auto_chartostring(False)
    rows = np.asarray(variable[:])
    return [b"".join(row.tolist()).rstrip(b"\0").decode("utf-8", "replace") for row in rows]
