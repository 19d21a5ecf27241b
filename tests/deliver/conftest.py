"""An invented site and its cubes, small enough to write in a blink."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from pipeline.deliver.metadata import Provenance
from pipeline.qc.flags import TEST_BITS
from pipeline.site.models import (
    Contact,
    Delivery,
    Derive,
    Layer,
    Site,
    Source,
    Tube,
    Wire,
)

START = datetime(2024, 3, 1, tzinfo=UTC)
DEPTHS_M = (0.1, 0.2, 0.4, 0.8)
LOGGED = ("voltage", "soil_temperature")


def build_wiring(tubes, station):
    """Return wires of all sensors but the deepest of the last tube, and of the station."""
    wires = [
        Wire(
            row=2,
            source="logger",
            channel=f"{tube}_{depth}_{quantity}",
            tube=tube,
            depth_m=depth,
            quantity=quantity,
            unit="1",
        )
        for tube in tubes
        for depth in DEPTHS_M
        for quantity in LOGGED
        if (tube, depth) != (tubes[-1], DEPTHS_M[-1])
    ]
    return (
        *wires,
        *(
            Wire(
                row=90,
                source="logger",
                channel=quantity,
                tube="",
                depth_m=None,
                quantity=quantity,
                unit="1",
            )
            for quantity in station
        ),
    )


def build_site(tubes=("A1", "B1-long", "C1"), station=("rain", "air_temperature"), **changes):
    settings = {
        "folder": Path("site"),
        "data": Path("site/data"),
        "store": "site/store",
        "output": Path("site/out"),
        "id": "hillside",
        "title": "Hillside orchard",
        "summary": "Soil water below an invented orchard on a slope.",
        "institution": "Institut für erfundene Böden",
        "creator": Contact(name="A. Müller", email="a@example.org", url="https://example.org"),
        "publisher": Contact(
            name="The Institute",
            email="p@example.org",
            url="https://example.org",
            type="institution",
        ),
        "start": START,
        "utc_offset_s": 0,
        "interval_s": 3600,
        "sources": (
            Source(
                id="logger", kind="table", files="*.csv", layout="l", clock={"utc_offset": "Z"}
            ),
        ),
        "layouts": {},
        "tubes": tuple(
            Tube(
                tube=tube,
                latitude=50.001 + 0.0003 * i,
                longitude=8.002 + 0.0002 * i,
                elevation_m=210.0 - i,
                installed=START,
                set_in_m=0.05 * (i == 1),
                soil="loam",
            )
            for i, tube in enumerate(tubes)
        ),
        "wiring": build_wiring(tubes, station),
        "soils": {},
        "laws": (),
        "derive": Derive(
            layers=(
                Layer(name="topsoil", top_m=0.0, bottom_m=0.3),
                Layer(name="subsoil", top_m=0.3, bottom_m=0.8),
                Layer(name="profile", top_m=0.0, bottom_m=0.8),
            )
        ),
        "delivery": Delivery(
            license="CC-BY-4.0",
            keywords="soil water, orchard",
            acknowledgement="Nobody paid for this.",
            project="Invented orchards",
            naming_authority="org.example",
            references="https://example.org/orchard",
            comment="Invented numbers.",
        ),
    }
    return Site(**(settings | changes))


def noisy(random, shape, low, high, missing=0.05):
    values = random.uniform(low, high, shape).astype(np.float32)
    values[random.random(shape) < missing] = np.nan
    return values


def build_cubes(site, steps=72, seed=3):
    """Return the water, products and readings cubes of a window of ``steps`` steps."""
    random = np.random.default_rng(seed)
    tubes, layers = [t.tube for t in site.tubes], [la.name for la in site.derive.layers]
    time = site.axis.times(0, steps)
    cells = (steps, len(tubes), len(DEPTHS_M))
    stored = (steps, len(tubes), len(layers))
    tube_dims, layer_dims = ("time", "tube", "depth"), ("time", "tube", "layer")
    theta = noisy(random, cells, 0.05, 0.45)
    coords = {"time": time, "tube": tubes}
    water = xr.Dataset(
        {
            "calibrated_water_content": (tube_dims, theta + np.float32(0.001)),
            "cleaned_water_content": (tube_dims, theta),
            "random_error": (tube_dims, noisy(random, cells, 0.002, 0.004)),
            "systematic_error": (tube_dims, noisy(random, cells, 0.01, 0.02)),
            "correction": (tube_dims, noisy(random, cells, -0.02, 0.02)),
            "temperature_correction": (tube_dims, noisy(random, cells, -0.01, 0.01)),
            "quality": (tube_dims, random.choice([1, 2, 3, 4, 9], cells).astype(np.uint8)),
            "tests": (tube_dims, random.integers(0, 64, cells).astype(np.uint16)),
        },
        coords | {"depth": list(DEPTHS_M)},
    )
    products = xr.Dataset(
        {
            "storage": (layer_dims, noisy(random, stored, 20, 300)),
            "storage_random_error": (layer_dims, noisy(random, stored, 0.5, 2)),
            "storage_systematic_error": (layer_dims, noisy(random, stored, 2, 9)),
            "storage_quality": (
                layer_dims,
                random.choice([1, 3, 9], stored).astype(np.uint8),
            ),
        },
        coords | {"layer": layers},
    )
    readings = xr.Dataset(
        {
            "soil_temperature": (tube_dims, noisy(random, cells, 2, 20)),
            "bulk_conductivity": (tube_dims, np.full(cells, np.nan, np.float32)),
            "rain": (("time", "station"), noisy(random, (steps, 1), 0, 3)),
            "air_temperature": (("time", "station"), noisy(random, (steps, 1), -5, 25)),
        },
        coords | {"depth": list(DEPTHS_M), "station": ["logger"]},
    )
    return water, products, readings


def build_daily(site, days=5, seed=4):
    random = np.random.default_rng(seed)
    tubes, layers = [t.tube for t in site.tubes], [la.name for la in site.derive.layers]
    cells = (days, len(tubes), len(DEPTHS_M))
    return xr.Dataset(
        {
            "daily_water_content": (("day", "tube", "depth"), noisy(random, cells, 0.1, 0.4)),
            "daily_count": (
                ("day", "tube", "depth"),
                random.integers(0, 25, cells).astype(np.uint16),
            ),
            "daily_tests": (
                ("day", "tube", "depth"),
                random.choice([0, TEST_BITS["neighbour_tube"]], cells).astype(np.uint16),
            ),
            "daily_storage": (
                ("day", "tube", "layer"),
                noisy(random, (days, len(tubes), len(layers)), 20, 300),
            ),
            "daily_random_error": (("day", "tube", "depth"), noisy(random, cells, 0, 0.02)),
            "daily_systematic_error": (
                ("day", "tube", "depth"),
                noisy(random, cells, 0, 0.02),
            ),
            "daily_storage_random_error": (
                ("day", "tube", "layer"),
                noisy(random, (days, len(tubes), len(layers)), 0, 9),
            ),
            "daily_storage_systematic_error": (
                ("day", "tube", "layer"),
                noisy(random, (days, len(tubes), len(layers)), 0, 9),
            ),
            "daily_rain": (("day", "station"), noisy(random, (days, 1), 0, 40)),
        },
        {
            "day": site.axis.times(0, days * 24)[::24],
            "tube": tubes,
            "depth": list(DEPTHS_M),
            "layer": layers,
            "station": ["logger"],
        },
    )


PROVENANCE = Provenance(
    commit="ABCDEFGH12345",
    code_version="0.1.0",
    site_hash="0" * 64,
    steps=("calibrate", "quality", "storage"),
    created="2024-03-31T23:00:00Z",
    inputs=12,
    verdicts=(("A1", 0), ("B1-long", 2)),
)


@pytest.fixture(name="make_site", scope="session")
def make_site_fixture():
    return build_site


@pytest.fixture(name="make_cubes", scope="session")
def make_cubes_fixture():
    return build_cubes


@pytest.fixture(name="make_daily", scope="session")
def make_daily_fixture():
    return build_daily


@pytest.fixture(name="provenance", scope="session")
def provenance_fixture():
    return PROVENANCE
