"""Hydraulic conductivity in the field as a CF file of its own, a row a class of water content.

A class of water content at one sensor is no station and no instant: the file has no
``featureType``. It speaks of the whole record, whose first and last day are in its attributes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import set_attributes, write_where
from pipeline.deliver.encoding import create_text
from pipeline.deliver.event_fields import EventField
from pipeline.deliver.events import write_field
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.site.models import Site

CAUTION = (
    "Conductivity is that of a unit gradient, from nights of internal drainage, with the "
    "uncertainty stated, and known only for the water contents listed. What it means for "
    "leaching, irrigation or the stability of slopes is for local practice to say."
)
_PLACES = ("tube_id", "depth", "sensor_depth")
_SHARED = "tube_id latitude longitude altitude depth sensor_depth"


def write_conductivity(
    site: Site,
    rows: pd.DataFrame,
    fields: Sequence[EventField],
    period_s: tuple[int, int],
    provenance: Provenance,
    path: Path,
) -> Path:
    """Write conductivity by tube, sensor and class of water content.

    Parameters
    ----------
    site : Site
    rows : DataFrame
        Of the stored table ``conductivity`` with ``real_depth_m``, of tubes that the site
        describes.
    fields : sequence of EventField
        `pipeline.deliver.row_fields.CONDUCTIVITY`.
    period_s : (int, int)
        UTC seconds: the record that the nights are of.
    provenance : Provenance
    path : Path
        Replaced in one piece.

    Raises
    ------
    ValueError
        If there is no row.
    """
    if rows.empty:
        raise ValueError("conductivity: expected at least one class to deliver, found none")
    tubes = [site.tube_by_id[name] for name in rows["tube"]]
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    where = np.array(places)
    below = Vertical.below_surface(rows["depth_m"].to_numpy(np.float64))
    extent = Extent(where[:, 0], where[:, 1], below, period_s, DAY_S)
    made = provenance.remarked(CAUTION)
    title = "hydraulic conductivity in the field"
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, global_attributes(site, title, "", extent, made))
        file.createDimension("row", len(rows))
        named = create_text(file, "tube_id", "row", rows["tube"].tolist())
        told = {"long_name": "tube identifier", "standard_name": "platform_id"}
        set_attributes(named, told | {"coverage_content_type": "referenceInformation"})
        write_where(file, "row", "tube", places)
        for field in fields:
            if field.name in _PLACES[1:]:
                told = {"long_name": field.long_name, "standard_name": field.standard_name}
                told |= {"units": field.units, "positive": "down"}
                _coordinate(file, field.name, rows[field.source].tolist(), told)
            elif field.name not in _PLACES:
                write_field(file, field, ("row",), rows[field.source].to_numpy(), _SHARED)
    return path


def _coordinate(
    file: netCDF4.Dataset, name: str, numbers: Sequence[float], attributes: dict[str, Any]
) -> None:
    variable = file.createVariable(name, "f8", ("row",))
    variable[:] = np.array(numbers, np.float64)
    set_attributes(variable, attributes | {"coverage_content_type": "coordinate"})
