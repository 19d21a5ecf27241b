"""The trace of an uncertainty: which parts the systematic error of one cell is made of."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import xarray as xr

from pipeline.calibrate.depth_error import depth_error
from pipeline.lineage_view import Moment, Rules, Sensor, View, number
from pipeline.site.models import Site


def systematic_parts(
    view: View, rules: Rules, sensor: Sensor, moment: Moment
) -> dict[str, Any] | None:
    """Return the parts of a cell's systematic error, JSON-ready; None where none is stated.

    Returns
    -------
    dict
        ``laws`` and ``depth`` [m3 m-3], which add up in quadrature, and
        ``depth_uncertainty_m``, from which the latter comes. The depth's part is worked out
        again from the stored water content of the tube's sensors at the step; that of the
        laws is what it leaves.
    """
    whole = number(view.cell("water/systematic_error", moment.step, sensor.row, sensor.column))
    if whole is None:
        return None
    state = rules.at("calibrate", moment.at_s) or {}
    doubt_m = state.get("depth_uncertainty_m", view.site.depth_uncertainty_m(sensor.tube.tube))
    depth = _depth_part(view, sensor, moment, doubt_m)
    return {
        "laws": math.sqrt(max(0.0, whole**2 - depth**2)),
        "depth": depth,
        "depth_uncertainty_m": doubt_m,
        "units": "m3 m-3",
    }


def _depth_part(view: View, sensor: Sensor, moment: Moment, doubt_m: float) -> float:
    labels = view.snapshot.labels["depth"]
    key = "water/calibrated_water_content"
    found = [view.cell(key, moment.step, sensor.row, column) for column in range(len(labels))]
    content = xr.DataArray(
        np.array(found, dtype=np.float32)[None, None, :],
        {"tube": [sensor.tube.tube], "depth": labels},
        ("time", "tube", "depth"),
    )
    part = depth_error(content, _with_doubt(view.site, sensor.tube.tube, doubt_m))
    return float(part[0, 0, sensor.column])


def _with_doubt(site: Site, tube: str, doubt_m: float) -> Site:
    """Return the site with the uncertainty of depth that a state was computed with."""
    own = site.tube_by_id[tube].model_copy(update={"depth_uncertainty_m": doubt_m})
    return site.model_copy(update={"tubes": (own,)})
