"""Site descriptions made in memory, as small as a test of the science needs them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from pipeline.site.models import (
    Clock,
    Contact,
    Derive,
    Horizon,
    Law,
    Site,
    Soil,
    Source,
    Tube,
    Wire,
)

START = datetime(2024, 1, 1, tzinfo=UTC)
HOUR_S = 3600


def at(day: int, hour: int = 0) -> datetime:
    """Return an instant of January 2024, UTC."""
    return datetime(2024, 1, day, hour, tzinfo=UTC)


def make_law(**changes: Any) -> Law:
    """Return a soil law by Topp's equation, with some fields changed."""
    fields: dict[str, Any] = {
        "id": "soil-law",
        "version": 1,
        "kind": "soil",
        "form": "topp_1980",
        "standard_error": 0.02,
        "origin": "invented for a test",
    }
    return Law(**{**fields, **changes})


def make_probe_law(**changes: Any) -> Law:
    """Return a probe law, root permittivity = 1 + 8 V over 0 to 1 V, with changes."""
    fields: dict[str, Any] = {
        "id": "probe-law",
        "kind": "probe",
        "probes": ("P1",),
        "form": "polynomial",
        "coefficients": {"c0": 1.0, "c1": 8.0},
        "valid_from": 0.0,
        "valid_to": 1.0,
        "standard_error": None,
    }
    return make_law(**{**fields, **changes})


def make_wire(tube: str = "T1", depth_m: float = 0.1, **changes: Any) -> Wire:
    """Return the wiring of one sensor that logs millivolts through probe P1."""
    fields: dict[str, Any] = {
        "row": 2,
        "source": "logger",
        "channel": f"{tube} {depth_m}",
        "tube": tube,
        "depth_m": depth_m,
        "quantity": "voltage",
        "unit": "mV",
        "probe": "P1",
    }
    return Wire(**{**fields, **changes})


def make_tube(name: str = "T1", **changes: Any) -> Tube:
    """Return a tube in the soil "loam"."""
    fields: dict[str, Any] = {
        "tube": name,
        "latitude": 50.0,
        "longitude": 10.0,
        "elevation_m": 200.0,
        "installed": START,
        "soil": "loam",
    }
    return Tube(**{**fields, **changes})


def make_horizon(**changes: Any) -> Horizon:
    """Return a horizon from the surface to 2 m that uses "soil-law"."""
    fields: dict[str, Any] = {
        "name": "A",
        "top_m": 0.0,
        "bottom_m": 2.0,
        "calibration": "soil-law",
    }
    return Horizon(**{**fields, **changes})


def make_site(**changes: Any) -> Site:
    """Return a site of one tube with one sensor at 0.1 m, hourly, with some fields changed."""
    contact = Contact(name="A. Person")
    logger = Source(
        id="logger", kind="table", files="*.csv", layout="plain", clock=Clock(utc_offset="Z")
    )
    fields: dict[str, Any] = {
        **dict.fromkeys(("folder", "data", "output"), Path()),
        "store": "store",
        "id": "bare",
        "title": "A bare site",
        "summary": "Invented.",
        "institution": "None",
        "creator": contact,
        "publisher": contact,
        "start": START,
        "utc_offset_s": 0,
        "interval_s": HOUR_S,
        "sources": (logger,),
        "layouts": {},
        "tubes": (make_tube(),),
        "wiring": (make_wire(),),
        "soils": {"loam": Soil(id="loam", horizons=(make_horizon(),))},
        "laws": (make_law(), make_probe_law()),
        "derive": Derive(layers=()),
    }
    return Site(**{**fields, **changes})


def make_block(
    site: Site, first: int = 0, dtype: Any = np.float32, **readings: Any
) -> xr.Dataset:
    """Return a block of readings; each is (time,) for one sensor or (time, tube, depth).

    ``first`` is the step of the site's axis at which the block begins.
    """
    tubes = [tube.tube for tube in site.tubes]
    depths = list(site.depths_m)
    arrays = {}
    for name, values in readings.items():
        array = np.asarray(values, dtype=np.uint8 if name.startswith("outside") else dtype)
        arrays[name] = array.reshape(-1, len(tubes), len(depths))
    count = len(next(iter(arrays.values())))
    return xr.Dataset(
        {name: (("time", "tube", "depth"), values) for name, values in arrays.items()},
        coords={"time": site.axis.times(first, first + count), "tube": tubes, "depth": depths},
    )
