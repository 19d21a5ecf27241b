"""Water in the layers of a model as one CF NetCDF file, with bounds and error covariance."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import (
    Steps,
    set_attributes,
    write_places,
    write_quantization,
    write_time,
)
from pipeline.deliver.encoding import PACKINGS, copy_field, create_field
from pipeline.deliver.fields import Field
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site
from pipeline.variables import VARIABLES

_ABOUT = (
    "storage_random_error",
    "storage_systematic_error",
    "storage_error_variance",
    "storage_quality_flag",
)
_COORDINATES = "tube_id latitude longitude altitude"
_COVARIANCE = "storage_error_covariance"


def write_model_layers(
    site: Site, layers: xr.Dataset, provenance: Provenance, path: Path
) -> Path:
    """Write the result of `pipeline.derive.layers.model_layers`.

    Parameters
    ----------
    site : Site
    layers : Dataset, (time, tube, layer)
        Layers downwards; a layer's middle is its place on the depth axis.
    provenance : Provenance
    path : Path
        Replaced in one piece; see `pipeline.deliver.atomic.replacing`.

    Raises
    ------
    ValueError
        If there is no time or no described tube, or layers do not follow each other downwards.
    """
    described = {tube.tube: tube for tube in site.tubes}
    tubes = [described[t] for t in layers["tube"].values.tolist() if t in described]
    middle = layers["layer"].values
    if not tubes or not layers.sizes["time"]:
        raise ValueError("layers: expected at least one time and one tube of the site")
    if (np.diff(middle) <= 0).any():
        raise ValueError(
            f"layers: expected layers that follow each other downwards, found middles "
            f"{middle.tolist()!r} [m]"
        )
    layers = layers.sel(tube=[tube.tube for tube in tubes])
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    steps, edges = _steps(layers, site), layers["layer_bounds"].values
    where = np.array(places)
    vertical = Vertical.below_surface(edges)
    extent = Extent(where[:, 0], where[:, 1], vertical, steps.covered_s, steps.step_s)
    title = "soil water in layers of a model"
    attributes = global_attributes(site, title, "timeSeriesProfile", extent, provenance)
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, attributes)
        write_places(file, "tube", [tube.tube for tube in tubes], places)
        write_time(file, steps)
        _write_depth(file, middle, edges)
        write_quantization(file, provenance)
        _write_fields(file, layers, "point" if steps.bounds is None else "mean")
    return path


def _steps(layers: xr.Dataset, site: Site) -> Steps:
    """Return the times of the file, with their cells where values are means."""

    def seconds(array: xr.DataArray) -> NDArray[np.int64]:
        return array.values.astype("datetime64[s]").astype(np.int64)

    if "time_bounds" not in layers.coords:
        return Steps(seconds(layers["time"]), site.interval_s)
    bounds = seconds(layers["time_bounds"])
    return Steps(seconds(layers["time"]), int(bounds[0, 1] - bounds[0, 0]), bounds)


def _write_depth(
    file: netCDF4.Dataset, middle: NDArray[np.float64], edges: NDArray[np.float64]
) -> None:
    """Write the layers as a depth axis of their middles, with their bounds."""
    file.createDimension("depth", middle.size)
    if "bounds" not in file.dimensions:
        file.createDimension("bounds", 2)
    file.createVariable("depth_bounds", "f8", ("depth", "bounds"))[:] = edges
    variable = file.createVariable("depth", "f8", ("depth",))
    set_attributes(
        variable,
        {
            "long_name": "middle of the layer below the surface",
            "standard_name": "depth",
            "units": "m",
            "positive": "down",
            "axis": "Z",
            "bounds": "depth_bounds",
            "coverage_content_type": "coordinate",
        },
    )
    variable[:] = middle


def _fields(cell: str) -> tuple[Field, ...]:
    """Return the fields of the file; ``cell`` tells what a value stands for in time."""
    summed, mean = f"time: {cell} depth: sum", f"time: {cell} depth: mean"
    return (
        Field("layer_storage", "soil_water_storage", "depth", "layer", summed, _ABOUT),
        Field("layer_water_content", "soil_water_content", "depth", "layer", mean),
        Field("layer_random_error", "storage_random_error", "depth", "error"),
        Field("layer_systematic_error", "storage_systematic_error", "depth", "error"),
        Field("layer_variance", "storage_error_variance", "depth", "error"),
        Field("layer_quality", "storage_quality_flag", "depth", "flag"),
    )


def _write_fields(file: netCDF4.Dataset, layers: xr.Dataset, cell: str) -> None:
    """Write the fields, and the covariance between layers if it was asked for."""
    fields = _fields(cell)
    present = {field.name for field in fields}
    for field in fields:
        array = layers[field.source].rename(layer="depth")
        variable = create_field(file, field.name, field.dims("tube"), field.packing)
        set_attributes(variable, field.attributes(present) | {"coordinates": _COORDINATES})
        copy_field(array, variable, field.packing)
    if "layer_covariance" not in layers:
        return
    file.createDimension("other_depth", layers.sizes["layer"])
    other = file.createVariable("other_depth", "f8", ("other_depth",))
    about = {"long_name": "middle of the other layer below the surface", "units": "m"}
    set_attributes(other, about | {"coverage_content_type": "coordinate"})
    other[:] = layers["layer"].values
    array = layers["layer_covariance"].rename(layer="depth", other_layer="other_depth")
    # In full: rounded, a covariance need no longer be one.
    packing = PACKINGS["layer"]
    # What is no axis of space or time stands left of those that are (CF 2.4).
    dims = ("tube", "other_depth", "time", "depth")
    variable = create_field(file, _COVARIANCE, dims, packing)
    known = VARIABLES["layer_covariance"]
    about = {"long_name": known.long_name, "units": known.units}
    about |= {"coordinates": _COORDINATES, "coverage_content_type": known.content}
    set_attributes(variable, about)
    copy_field(array, variable, packing)
