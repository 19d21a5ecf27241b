"""What a trace costs on a ten-year site, against opening its store and reading one chunk.

Fifty tubes at ten minutes, each logger's ten years in one file of a hundred megabytes, which
is the worst case for finding a line. Figures are of one run on one machine, printed as
seconds and as a ratio to the floor. `make bench` runs this; building the site takes minutes
and 3 GB of disk; `PERCOLOG_BENCH_SITE` names a site built before.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import big_field
import numpy as np
import pytest

from pipeline.lineage.trace import Question, trace_cell
from pipeline.nights import night
from pipeline.site.load import load_site
from pipeline.store.site_store import SiteStore

pytestmark = pytest.mark.benchmark
TUBES, DAYS = 50, 3650
START = datetime(2023, 1, 1, tzinfo=UTC)
ROUNDS = 12


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """Return the folder of a stored field of ten years."""
    built = os.environ.get("PERCOLOG_BENCH_SITE")
    if built:
        return Path(built)
    folder = big_field.describe_field(tmp_path_factory.mktemp("ten") / "site", TUBES)
    big_field.write_days(folder, TUBES, 0, DAYS)
    night.store_night(folder, START + timedelta(days=DAYS + 365))
    return folder


def floor(folder: Path, step: int) -> None:
    """Load the description, open the store and read one chunk of one array."""
    site = load_site(folder)
    SiteStore(site.store, site.axis, site.id).read().read(
        "water/cleaned_water_content", step, step + 1, slice(23, 24)
    )


def seconds(function, *arguments) -> float:
    begin = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - begin


PRODUCTS = {
    "water": {"depth_cm": 40.0},
    "storage": {"product": "storage", "layer": "profile"},
    "daily_water_content": {"depth_cm": 40.0, "product": "daily_water_content"},
}


@pytest.mark.parametrize("product", PRODUCTS)
def test_a_trace_in_under_a_second(site, product):
    """Cells all over the ten years, the last lines of the files among them."""
    days = np.linspace(10, DAYS - 10, ROUNDS).astype(int).tolist()
    floors = [seconds(floor, site, day * 144 + 72) for day in days]
    traces = [
        seconds(
            trace_cell,
            site,
            Question("T23", START + timedelta(days=day, hours=12), **PRODUCTS[product]),
        )
        for day in days
    ]
    took, least = float(np.median(traces)), float(np.median(floors))
    print(
        f"\n{product}: median {took:.3f} s, worst {max(traces):.3f} s; floor {least:.3f} s, "
        f"ratio {took / least:.1f}"
    )
    assert took < 1.0


def test_the_command_from_its_start(site):
    """The command as a person waits for it, and how much of that is loading libraries."""
    command = [sys.executable, "-m", "pipeline.cli", "trace", str(site)]
    command += ["--tube", "T23", "--depth", "40", "--time", "2032-08-10T12:00Z"]
    libraries = [
        sys.executable,
        "-c",
        "import pipeline.lineage.trace, pipeline.lineage.text, typer",
    ]
    runs = [(seconds(run, command), seconds(run, libraries)) for _ in range(5)]
    whole, loading = (float(np.median(column)) for column in zip(*runs, strict=True))
    print(f"\ncommand {whole:.2f} s, of which {loading:.2f} s load libraries")
    assert whole / loading < 3


def run(command: list[str]) -> None:
    subprocess.run(command, check=True, capture_output=True)
