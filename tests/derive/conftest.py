"""A small invented site for the tests of products."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from pipeline.site.models import Contact, Derive, Layer, Site, Source, Tube, Wire

START = datetime(2024, 3, 1, tzinfo=UTC)


def build_site(
    depths_m=(0.1, 0.2, 0.3, 0.4, 0.6, 1.0),
    set_in_m=(("A1", 0.0),),
    layers=(("top", 0.0, 0.3), ("profile", 0.0, 1.0)),
    interval_s=3600,
    without=(),
    **rules,
):
    """Return a site; ``without`` names (tube, depth) pairs that have no sensor."""
    wiring = [
        Wire(
            row=2,
            source="logger",
            channel=f"{tube}_{depth}",
            tube=tube,
            depth_m=depth,
            quantity="voltage",
            unit="mV",
        )
        for tube, _ in set_in_m
        for depth in depths_m
        if (tube, depth) not in without
    ]
    rain = Wire(
        row=99,
        source="logger",
        channel="rain",
        tube="",
        depth_m=None,
        quantity="rain",
        unit="mm",
    )
    return Site(
        folder=Path("site"),
        data=Path("site/data"),
        store="site/store",
        output=Path("site/out"),
        id="orchard",
        title="An orchard",
        summary="Invented.",
        institution="Nowhere Institute",
        creator=Contact(name="A. Body"),
        publisher=Contact(name="A. Body"),
        start=START,
        utc_offset_s=0,
        interval_s=interval_s,
        sources=(
            Source(
                id="logger", kind="table", files="*.csv", layout="l", clock={"utc_offset": "Z"}
            ),
        ),
        layouts={},
        tubes=tuple(
            Tube(
                tube=tube,
                latitude=50.0,
                longitude=8.0,
                elevation_m=200.0,
                installed=START,
                set_in_m=offset,
                soil="loam",
            )
            for tube, offset in set_in_m
        ),
        wiring=(*wiring, rain),
        soils={},
        laws=(),
        derive=Derive(
            layers=tuple(Layer(name=n, top_m=t, bottom_m=b) for n, t, b in layers), **rules
        ),
    )


def build_block(site, theta, quality=None, random=0.0, systematic=0.0):
    """Return a block of the water cube; ``theta`` (time, tube, depth) in m3 m-3."""
    theta = np.asarray(theta, dtype=np.float32)
    dims = ("time", "tube", "depth")
    flags = np.where(np.isnan(theta), 9, 1) if quality is None else quality
    return xr.Dataset(
        {
            "cleaned_water_content": (dims, theta, {"units": "m3 m-3"}),
            "random_error": (dims, np.full(theta.shape, random, np.float32)),
            "systematic_error": (dims, np.full(theta.shape, systematic, np.float32)),
            "quality": (dims, np.broadcast_to(np.asarray(flags, np.uint8), theta.shape)),
        },
        coords={
            "time": site.axis.times(0, theta.shape[0]),
            "tube": [tube.tube for tube in site.tubes],
            "depth": list(site.depths_m),
        },
    )


@pytest.fixture(name="make_site", scope="session")
def make_site_fixture():
    return build_site


@pytest.fixture(name="make_block", scope="session")
def make_block_fixture():
    return build_block
