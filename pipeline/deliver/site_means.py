"""Means of the site and of its groups of tubes, day by day, as a CF file of their own.

A group is the instance (``timeSeriesProfile``): its place is the middle of its tubes. The
whole site is a group under the site's own id.
"""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import (
    Steps,
    set_attributes,
    write_layers,
    write_places,
    write_time,
)
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site
from pipeline.variables import LAYER_STORAGE_NAME, WATER_CONTENT_NAME

_SHARED = "group_id latitude longitude altitude"
_COMMENT = (
    "Means over tubes, freed of which tubes were measured on a day; bounds are those of 95 % "
    "and hold the few tubes and what all tubes are wrong by together."
)
# Column of the store: suffix of the name on disk, what it is, and whether in the unit of the
# quantity (else 1). The first is the mean itself, of which the others speak.
_ABOUT: dict[str, tuple[str, str, bool]] = {
    "mean": ("", "mean over the tubes of {}", True),
    "lower": ("_lower", "lower bound of 95 % of the mean over the tubes of {}", True),
    "upper": ("_upper", "upper bound of 95 % of the mean over the tubes of {}", True),
    "sampling_error": (
        "_sampling_error",
        "standard uncertainty, from few tubes, of the mean over the tubes of {}",
        True,
    ),
    "systematic_error": (
        "_systematic_error",
        "standard uncertainty, shared by tubes, of the mean over the tubes of {}",
        True,
    ),
    "spread": ("_spread", "standard deviation between the tubes of {}", True),
    "degrees_of_freedom": (
        "_degrees_of_freedom",
        "degrees of freedom of the mean over the tubes of {}",
        False,
    ),
    "measured": ("_tubes_measured", "number of tubes measured on the day, of {}", False),
    "members": ("_tubes_counted", "number of tubes that the mean is of, of {}", False),
}
# Quantity of the store: name on disk, text, units, standard name, what it is across.
_QUANTITIES = {
    "water_content": (
        "soil_water_content",
        "daily volumetric soil water content",
        "m3 m-3",
        WATER_CONTENT_NAME,
        "depth",
    ),
    "storage": (
        "soil_water_storage",
        "daily soil water stored in the layer",
        "mm",
        LAYER_STORAGE_NAME,
        "layer",
    ),
}


def write_site_means(
    site: Site,
    rows: pd.DataFrame,
    members: dict[str, list[str]],
    provenance: Provenance,
    path: Path,
) -> Path:
    """Write the means of a site.

    Parameters
    ----------
    site : Site
    rows : DataFrame
        Of the stored table ``site_means``, of layers that the site describes.
    members : dict
        The tubes of each group, see `pipeline.products.space.groups`.
    provenance : Provenance
    path : Path
        Replaced in one piece.

    Raises
    ------
    ValueError
        If there is no mean.
    """
    if rows.empty:
        raise ValueError("site means: expected at least one mean to deliver, found none")
    first, last = int(rows["day_s"].min()), int(rows["day_s"].max())
    seconds = np.arange(first, last + 1, DAY_S)
    steps = Steps(seconds, DAY_S, np.stack([seconds, seconds + DAY_S], axis=1))
    groups = [group for group in members if (rows["group"] == group).any()]
    places = [_middle(site, members[group]) for group in groups]
    depths = np.unique(rows["depth_m"].dropna().to_numpy(np.float64))
    where = np.array(places)
    bounds = depths if depths.size else np.array([la.bottom_m for la in site.derive.layers])
    extent = Extent(
        where[:, 0], where[:, 1], Vertical.below_surface(bounds), steps.covered_s, DAY_S
    )
    made = provenance.remarked(_COMMENT)
    title = "daily means over tubes"
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, global_attributes(site, title, "timeSeriesProfile", extent, made))
        write_places(file, "group", [group or site.id for group in groups], places)
        write_time(file, steps)
        _write_depth(file, depths)
        write_layers(file, site)
        for quantity, part in rows.groupby("quantity", sort=True):
            _write_quantity(file, str(quantity), part, (groups, seconds, depths), site)
    return path


def mean_variable(quantity: str, column: str) -> str:
    """Return the name in a file of a column of the means of a quantity."""
    return f"{_QUANTITIES[quantity][0]}{_ABOUT[column][0]}"


def _middle(site: Site, tubes: list[str]) -> tuple[float, ...]:
    """Return the middle of some tubes: latitude, longitude, elevation."""
    known = np.array(
        [
            (tube.latitude, tube.longitude, tube.elevation_m)
            for tube in (site.tube_by_id[name] for name in tubes)
        ]
    )
    return tuple(np.round(known.mean(axis=0), 6).tolist())


def _write_depth(file: netCDF4.Dataset, depths: NDArray[np.float64]) -> None:
    file.createDimension("depth", depths.size)
    variable = file.createVariable("depth", "f8", ("depth",))
    variable[:] = depths
    set_attributes(
        variable,
        {
            "long_name": "nominal sensor depth below the surface",
            "axis": "Z",
            "standard_name": "depth",
            "units": "m",
            "positive": "down",
            "coverage_content_type": "coordinate",
        },
    )


def _write_quantity(
    file: netCDF4.Dataset,
    quantity: str,
    rows: pd.DataFrame,
    axes: tuple[list[str], NDArray[np.int64], NDArray[np.float64]],
    site: Site,
) -> None:
    """Write the mean of a quantity and what is known of it."""
    across = _QUANTITIES[quantity][-1]
    groups, seconds, depths = axes
    layers = [layer.name for layer in site.derive.layers]
    group = pd.Index(groups).get_indexer(pd.Index(rows["group"]))
    day = (rows["day_s"].to_numpy(np.int64) - seconds[0]) // DAY_S
    if across == "depth":
        level = np.searchsorted(depths, rows["depth_m"].to_numpy(np.float64))
        dims, shape = ("group", "time", "depth"), (len(groups), seconds.size, depths.size)
        cells = (group, day, level)
    else:
        level = pd.Index(layers).get_indexer(pd.Index(rows["layer"]))
        dims, shape = ("group", "layer", "time"), (len(groups), len(layers), seconds.size)
        cells = (group, level, day)
    for column in _ABOUT:
        values = np.full(shape, np.nan, np.float32)
        values[cells] = rows[column].to_numpy(np.float32)
        variable = file.createVariable(
            mean_variable(quantity, column),
            "f4",
            dims,
            compression="zlib",
            complevel=1,
            chunksizes=(1, *shape[1:]),
            fill_value=np.float32(np.nan),
        )
        set_attributes(variable, _attributes(quantity, column))
        variable.set_auto_maskandscale(False)
        variable[:] = values


def _attributes(quantity: str, column: str) -> dict[str, object]:
    """Return the attributes of the mean of a quantity, or of something known of it."""
    name, text, units, standard, across = _QUANTITIES[quantity]
    _, meaning, same_unit = _ABOUT[column]
    found: dict[str, object] = {
        "long_name": meaning.format(text),
        "units": units if same_unit else "1",
    }
    if column == "mean":
        vertical = "depth: point" if across == "depth" else "layer: sum"
        about = (suffix for suffix, *_ in list(_ABOUT.values())[1:])
        found |= {
            "standard_name": standard,
            "ancillary_variables": " ".join(f"{name}{suffix}" for suffix in about),
            "cell_methods": f"time: mean {vertical} area: mean",
        }
    named = _SHARED if across == "depth" else f"{_SHARED} layer_name layer_depth"
    content = "physicalMeasurement" if column == "mean" else "qualityInformation"
    return found | {"coordinates": named, "coverage_content_type": content}
