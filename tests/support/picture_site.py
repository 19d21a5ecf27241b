"""An invented site and cubes for pictures: every number is ours."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.site.models import (
    Contact,
    Derive,
    Horizon,
    Layer,
    Site,
    Soil,
    Source,
    Tube,
    Wire,
)
from pipeline.variables import describe

OFFSET_S = 3600
START = datetime(2025, 2, 28, 23, tzinfo=UTC)  # midnight of 1 March at UTC+01:00
DEPTHS_M = (0.1, 0.2, 0.4, 0.8)
LAYERS = (
    Layer(name="topsoil", top_m=0.0, bottom_m=0.3),
    Layer(name="profile", top_m=0.0, bottom_m=0.8),
)


def build_site(tubes=("A1", "B1"), *, set_in_m=0.0, soil_title="loam over till", **changes):
    wires = [
        Wire(row=2, source="logger", channel=f"{tube}_{depth}", tube=tube, depth_m=depth,
             quantity="permittivity", unit="1")
        for tube in tubes
        for depth in DEPTHS_M
    ]  # fmt: skip
    horizon = Horizon(name="A", top_m=0.0, bottom_m=2.0, calibration="mineral")
    settings = {
        "folder": Path("site"),
        "data": Path("site/data"),
        "store": "site/store",
        "output": Path("site/out"),
        "id": "meadow",
        "title": "Invented meadow",
        "summary": "Soil water below an invented meadow.",
        "institution": "Nowhere Institute",
        "creator": Contact(name="A. Person"),
        "publisher": Contact(name="B. Person"),
        "start": START,
        "utc_offset_s": OFFSET_S,
        "interval_s": 900,
        "sources": (
            Source(id="logger", kind="table", files="*.csv", layout="plain",
                   clock={"utc_offset": "+01:00"}),
        ),
        "layouts": {},
        "tubes": tuple(
            Tube(tube=tube, latitude=50.0, longitude=10.0, elevation_m=300.0, installed=START,
                 set_in_m=set_in_m, soil="meadow")
            for tube in tubes
        ),
        "wiring": tuple(wires),
        "soils": {"meadow": Soil(id="meadow", title=soil_title, horizons=(horizon,))},
        "laws": (),
        "derive": Derive(layers=LAYERS),
    }  # fmt: skip
    return Site(**(settings | changes))


def build_times(site, days):
    return site.axis.times(0, int(days * site.axis.steps_per_day))


def build_water(site, days=4, value=0.3):
    """Return a water cube of one value; tests change cells of it."""
    coords = {
        "time": build_times(site, days),
        "tube": [tube.tube for tube in site.tubes],
        "depth": list(site.depths_m),
    }
    shape = tuple(len(values) for values in coords.values())
    filled = {
        "cleaned_water_content": np.full(shape, value, np.float32),
        "calibrated_water_content": np.full(shape, value, np.float32),
        "quality": np.full(shape, 1, np.uint8),
        "tests": np.zeros(shape, np.uint16),
    }
    return xr.Dataset(
        {n: describe(xr.DataArray(v, coords, tuple(coords)), n) for n, v in filled.items()}
    )


def build_products(site, days=4, storage=(80.0, 240.0)):
    coords = {
        "time": build_times(site, days),
        "tube": [tube.tube for tube in site.tubes],
        "layer": [layer.name for layer in site.derive.layers],
    }
    shape = tuple(len(values) for values in coords.values())
    filled = {
        "storage": np.broadcast_to(np.asarray(storage, np.float32), shape).copy(),
        "storage_random_error": np.full(shape, 3.0, np.float32),
        "storage_systematic_error": np.full(shape, 4.0, np.float32),
        "storage_quality": np.full(shape, 1, np.uint8),
    }
    return xr.Dataset(
        {n: describe(xr.DataArray(v, coords, tuple(coords)), n) for n, v in filled.items()}
    )


def build_rain(site, days=4, value=0.0):
    time = build_times(site, days)
    array = xr.DataArray(np.full(time.size, value, np.float32), {"time": time}, ("time",))
    return describe(array, "rain")


def build_rounds(*rows):
    """Return hand readings from (hours since the start, tube, direction, depth, value)."""
    columns = ["time_s", "tube", "reader", "direction_deg", "depth_m", "quantity", "value"]
    start = int(START.timestamp())
    table = [
        (start + int(timedelta(hours=hours).total_seconds()), tube, "reader", direction, depth,
         "water_content", value)
        for hours, tube, direction, depth, value in rows
    ]  # fmt: skip
    return pd.DataFrame(table, columns=columns)


def find(figure, gid):
    """Return the artists of a figure that carry a name."""
    return figure.findobj(lambda artist: artist.get_gid() == gid)
