"""What a night costs: with a short and a long history, and against floors that do no science.

All figures are of one run on one machine and are printed as ratios, with the seconds behind
them. `make bench` runs this; it needs some minutes and about 2 GB of disk in the temporary
folder.
"""

from __future__ import annotations

import gc
import resource
import time
from datetime import UTC, datetime
from pathlib import Path

import big_field
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pytest

from pipeline.engine.engine import run_steps
from pipeline.ingest.intake import take_in
from pipeline.nights import night
from pipeline.nights.handover import deliver_periods
from pipeline.nights.manifest import Manifest
from pipeline.steps import TUBE_STEPS

pytestmark = pytest.mark.benchmark
NOW = datetime(2030, 1, 1, tzinfo=UTC)
TUBES = 50
MONTH, THREE_YEARS = 30, 3 * 365


def timed(function, *arguments):
    """Return wall seconds and the result."""
    gc.collect()
    begin = time.perf_counter()
    result = function(*arguments)
    return time.perf_counter() - begin, result


def build(folder: Path, days: int) -> Path:
    """Return a field of fifty tubes whose first ``days`` days are stored and delivered."""
    site = big_field.describe_field(folder, TUBES)
    for first in range(0, days, 73):
        big_field.write_days(site, TUBES, first, min(73, days - first))
    seconds, stored = timed(night.store_night, site, NOW)
    print(f"\nhistory of {days} days: stored in {seconds:.1f} s", stored["timings_s"])
    night.deliver_night(site, stored)
    return site


def one_night(site: Path, day: int) -> float:
    """Return the seconds of storing and delivering one more day."""
    big_field.write_days(site, TUBES, day, 1)
    seconds, stored = timed(night.store_night, site, NOW)
    delivered, _ = timed(night.deliver_night, site, stored)
    print(f"day {day}: store {seconds:.2f} s, deliver {delivered:.2f} s", stored["timings_s"])
    return seconds + delivered


@pytest.fixture(scope="module")
def long_site(tmp_path_factory):
    return build(tmp_path_factory.mktemp("long") / "site", THREE_YEARS)


def test_a_night_costs_what_it_brings(tmp_path, long_site):
    """Target 1.2: three years of history behind a night against one month."""
    short_site = build(tmp_path / "site", MONTH)
    # Both nights fall early in a month, so the month's file they rewrite is equally short.
    pairs = [
        (one_night(short_site, MONTH + 2 + k), one_night(long_site, THREE_YEARS + 1 + k))
        for k in range(4)
    ]
    # In some nights of a long record laws are fitted anew (docs/events.md), and where a
    # verdict changes all files are written anew, since each states it: the least of three is a
    # night with neither.
    short, long = (float(np.min(column)) for column in zip(*pairs[1:], strict=True))
    print(f"night: 1 month {short:.2f} s, 3 years {long:.2f} s, ratio {long / short:.2f}")
    assert long / short < 1.6


def test_full_processing_against_reading_and_writing(long_site):
    """Target 2.0: all steps and the delivery against reading and the delivery alone."""
    site = night.open_description(long_site)
    store = night.site_store(site)
    commit = store.history()[0]["commit"]
    snapshot, written = store.read(commit), store.written_at(commit)
    changed = np.ones((TUBES, snapshot.days), dtype=bool)

    def read_readings():
        step = 28 * snapshot.axis.steps_per_day
        for start in range(0, snapshot.steps, step):
            stop = min(start + step, snapshot.steps)
            snapshot.read("readings/voltage", start, stop)

    def write_files():
        for path in (site.output / "netcdf").iterdir():
            path.unlink()
        deliver_periods(site, snapshot, commit, written, Manifest(site))

    def science():
        with store.write() as writer:
            run_steps(writer, site, TUBE_STEPS, changed)

    reading, _ = timed(read_readings)
    writing, _ = timed(write_files)
    computing, _ = timed(science)
    cells = TUBES * 6 * snapshot.steps / 1e6
    ratio = (computing + writing) / (reading + writing)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"\n{cells:.1f} million cells: read {reading:.1f} s, write NetCDF {writing:.1f} s, "
        f"steps with their reading and storing {computing:.1f} s; ratio {ratio:.2f}; "
        f"peak memory of the whole run {peak:.2f} GB"
    )
    assert ratio < 4.0


def test_intake_of_an_export_against_reading_its_bytes(tmp_path):
    """No target: a year of 30 channels from file to cells, against pyarrow parsing it."""
    site_folder = big_field.describe_field(tmp_path / "site", big_field.TUBES_A_LOGGER)
    big_field.write_days(site_folder, big_field.TUBES_A_LOGGER, 0, 365)
    (export,) = (site_folder / "raw").rglob("*.csv")
    site = night.open_description(site_folder)
    store = night.site_store(site)

    def ingest():
        with store.write() as writer:
            return take_in(writer, None, site, int(NOW.timestamp()))

    def floor():
        return pa.csv.read_csv(export)

    ingest()  # compiled code and page cache are warm for both
    floor()
    ours = float(np.median([timed(ingest)[0] for _ in range(3)]))
    plain = float(np.median([timed(floor)[0] for _ in range(5)]))
    size = export.stat().st_size / 1e6
    print(
        f"\n{size:.1f} MB: intake {ours:.2f} s ({size / ours:.0f} MB/s), "
        f"pyarrow {plain:.3f} s; ratio {ours / plain:.1f}"
    )
    assert ours / plain < 100
