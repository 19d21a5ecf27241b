"""Layers of a model as a CF file: profiles whose vertical axis has the layers as its cells.

Layers that lie edge to edge and do not overlap are an axis of depth, unlike the layers of a
site's own products; the file is a ``timeSeriesProfile`` whose depths are the layers' middles.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import (
    Steps,
    set_attributes,
    write_bounds,
    write_places,
    write_quantization,
    write_time,
)
from pipeline.deliver.encoding import copy_field, create_field
from pipeline.deliver.fields import Field
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site

_ABOUT = ("random_error", "systematic_error", "error_variance", "quality_flag")
LAYERS: tuple[Field, ...] = (
    Field("layer_storage", "soil_water_storage", "depth", "storage", "depth: sum", _ABOUT),
    Field(
        "layer_water_content", "soil_water_content", "depth", "water_content", "depth: mean"
    ),
    Field("layer_random_error", "random_error", "depth", "error"),
    Field("layer_systematic_error", "systematic_error", "depth", "error"),
    Field("layer_variance", "error_variance", "depth", "error"),
    Field("layer_quality", "quality_flag", "depth", "flag"),
)
_COVARIANCE = Field("layer_covariance", "error_covariance", "depth", "error")
_STEP_S = {"hourly": 3600, "daily": DAY_S}


def write_layers_file(
    site: Site, layers: xr.Dataset, step: str, provenance: Provenance, path: Path
) -> Path:
    """Write water in the layers of a model.

    Parameters
    ----------
    site : Site
    layers : Dataset, (time, tube, layer)
        From `pipeline.derive.layers.model_layers`.
    step : "native", "hourly" or "daily"
    provenance : Provenance
    path : Path
        Appears whole or not at all.

    Returns
    -------
    Path
    """
    tubes = [site.tube_by_id[name] for name in layers["tube"].values.tolist()]
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    seconds = layers["time"].values.astype("datetime64[s]").astype(np.int64)
    length = _STEP_S.get(step)
    cells = None if length is None else np.stack([seconds, seconds + length], axis=1)
    edges = layers["layer_bounds"].values
    where = np.array(places)
    extent = Extent(
        where[:, 0],
        where[:, 1],
        Vertical.below_surface(edges),
        (int(seconds[0]), int(seconds[-1])),
        length or site.interval_s,
    )
    attributes = global_attributes(
        site, f"{step} water in model layers", "timeSeriesProfile", extent, provenance
    )
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, attributes)
        write_places(file, "tube", [tube.tube for tube in tubes], places)
        write_time(file, Steps(seconds, length or site.interval_s, cells))
        _write_axis(file, edges)
        write_quantization(file, provenance)
        _write_fields(file, layers, "point" if length is None else "mean")
    return path


def _write_axis(file: netCDF4.Dataset, edges: Any) -> None:
    """Write the layers as cells of the axis of depth."""
    file.createDimension("depth", len(edges))
    write_bounds(file, "depth_bounds", "depth", edges)
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
    variable[:] = edges.mean(axis=1)


def _write_fields(file: netCDF4.Dataset, layers: xr.Dataset, cell: str) -> None:
    renamed = layers.rename(layer="depth")
    present = {field.name for field in LAYERS}
    for field in LAYERS:
        methods = f"time: {cell} {field.cell_methods}" if field.cell_methods else ""
        described = replace(field, cell_methods=methods)
        variable = create_field(file, field.name, ("tube", "time", "depth"), field.packing)
        attributes = described.attributes(present) | {"coordinates": _LABELS}
        set_attributes(variable, attributes)
        copy_field(renamed[field.source], variable, field.packing)
    if "layer_covariance" in layers:
        _write_covariance(file, renamed)


def _write_covariance(file: netCDF4.Dataset, layers: xr.Dataset) -> None:
    """Write the covariance of errors between layers, the second told by its middle."""
    file.createDimension("other_layer", layers.sizes["other_layer"])
    other = file.createVariable("other_layer", "f8", ("other_layer",))
    set_attributes(
        other,
        {
            "long_name": "middle of the other layer below the surface",
            "units": "m",
            "coverage_content_type": "coordinate",
        },
    )
    other[:] = layers["other_layer"].values
    dims = ("tube", "time", "depth", "other_layer")
    variable = create_field(file, _COVARIANCE.name, dims, _COVARIANCE.packing)
    set_attributes(variable, _COVARIANCE.attributes(set()) | {"coordinates": _LABELS})
    copy_field(layers[_COVARIANCE.source], variable, _COVARIANCE.packing)


_LABELS = "tube_id latitude longitude altitude"
