"""Whole nights on open station records: from the published files to checked NetCDF."""

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pytest

from pipeline.nights import night

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DATA = (ROOT / os.environ.get("PERCOLOG_SHARED_DATA", "../shared/data")).resolve()
NOW = datetime(2030, 1, 1, tzinfo=UTC)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not DATA.is_dir(),
        reason=f"the open records are not at {DATA}; set PERCOLOG_SHARED_DATA to them",
    ),
]


def run_record(name, folder):
    """Run the night of one record's site; return its folder and the summary."""
    site = folder / name
    shutil.copytree(HERE / "sites" / name, site)
    text = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(text.replace('"DATA"', f"'{DATA}'"), encoding="utf-8")
    return site, night.run_night(site, NOW)


def delivered_cell(summary, tube, time, depth):
    """Return the cleaned water content of one cell, from whichever file holds its time."""
    second = int(datetime.fromisoformat(time).timestamp())
    for path in summary["delivered"]:
        if path.endswith(("_daily.nc", "_weather.nc")):
            continue
        with netCDF4.Dataset(path) as file:
            step = np.flatnonzero(file["time"][:] == second)
            if len(step):
                row = list(file["tube_id"][:]).index(tube)
                level = np.flatnonzero(np.isclose(file["depth"][:], depth))
                return float(file["soil_water_content"][row, step[0], level[0]])
    raise LookupError(f"no delivered file holds {time}")


# Printed: the text of the cell in the hourly file, read by eye; stamps there are UTC.
ITHACA = [
    ("2012-01-01T01:00+00:00", 0.05, "0.366"),
    ("2012-01-01T01:00+00:00", 0.10, "0.387"),
    ("2012-01-01T01:00+00:00", 0.20, "0.388"),
    ("2012-01-01T01:00+00:00", 0.50, "0.391"),
    ("2012-01-01T01:00+00:00", 1.00, "0.373"),
    ("2012-01-01T04:00+00:00", 0.05, "0.364"),
    ("2012-01-01T04:00+00:00", 0.10, "0.384"),
    ("2022-01-01T01:00+00:00", 0.05, "0.411"),
    ("2022-01-01T01:00+00:00", 0.50, "0.370"),
    ("2022-01-01T02:00+00:00", 0.20, "0.405"),
    ("2022-01-01T03:00+00:00", 0.05, "0.410"),
    ("2022-01-01T04:00+00:00", 1.00, "0.401"),
]


@pytest.fixture(scope="module")
def ithaca(tmp_path_factory):
    return run_record("ithaca", tmp_path_factory.mktemp("records"))


def test_the_account_of_a_whole_record_closes(ithaca):
    _, summary = ithaca
    assert summary["outcome"] == "done"
    ledger = summary["ledger"]
    assert ledger["open_files"] == []
    assert ledger["values_read"] == ledger["stored"] > 200_000
    # The record is of 2012 and 2022; by local time its first hours are of the year before.
    assert summary["empty_periods"] == [str(year) for year in range(2013, 2021)]


@pytest.mark.parametrize(("time", "depth", "text"), ITHACA)
def test_delivered_cells_equal_the_printed_record(ithaca, time, depth, text):
    _, summary = ithaca
    found = delivered_cell(summary, "plot", time, depth)
    assert f"{found:.3f}" == text  # the record prints three decimals


# Storms by eye, of rain and water content in the hourly file: depths that rose within the hour
# of the rain and stayed up, or peaked in it.
STORMS = [
    ("2012-06-19T13:00+00:00", (0.10, 0.50)),  # 19.1 mm; 0.173 to 0.266, 0.236 to 0.279
    ("2012-07-07T16:00+00:00", (0.05,)),  # 5.3 mm; 0.103 to 0.130
    ("2012-08-15T01:00+00:00", (0.05, 0.10, 0.20, 0.50)),  # 24.8 mm; 0.117 to 0.228
    ("2012-09-08T18:00+00:00", (0.05,)),  # 0.134 to 0.161
    ("2012-10-30T08:00+00:00", (1.00,)),  # 9.2 mm in six hours; 0.312 to 0.337
    ("2022-05-28T01:00+00:00", (1.00,)),  # 15.8 mm in six hours; 0.269 to 0.346
    ("2022-09-05T18:00+00:00", (0.10,)),  # 0.264 to 0.299
]
# No rain for six hours, soil near freezing: 0.325, 0.379, 0.324, 0.379 (5 cm).
JUMPS = "2012-01-26T09:00+00:00"


def fired_at(summary, time):
    """Return which of spike and step fired at a time, by depth."""
    second = int(datetime.fromisoformat(time).timestamp())
    path = next(p for p in summary["delivered"] if p.endswith(f"_{time[:4]}.nc"))
    with netCDF4.Dataset(path) as file:
        tests = file["tests_fired"]
        names = tests.flag_meanings.split()
        masks = dict(zip(names, np.atleast_1d(tests.flag_masks), strict=True))
        row = tests[0, np.flatnonzero(file["time"][:] == second)[0]]
        found = (row & (masks["spike"] | masks["step"])) > 0
        return dict(zip(np.round(file["depth"][:], 2), found, strict=True))


@pytest.mark.parametrize(("time", "depths"), STORMS)
def test_storms_of_a_record_are_neither_spikes_nor_steps(ithaca, time, depths):
    found = fired_at(ithaca[1], time)
    assert [depth for depth in depths if found[depth]] == []


def test_jumps_of_a_record_without_rain_are_suspect(ithaca):
    assert fired_at(ithaca[1], JUMPS)[0.05]


def test_files_of_a_record_pass_the_checker_at_its_strictest(ithaca):
    checkers = pytest.importorskip("checkers")
    _, summary = ithaca
    files = [path for path in summary["delivered"] if "_2012" in path]
    assert len(files) == 4
    for path in files:
        assert checkers.remarks(path, "cf:1.11", above=0) == []


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    return run_record("scan-2198", tmp_path_factory.mktemp("records"))


@pytest.mark.parametrize(
    ("tube", "time", "depth", "text"),
    [
        # Printed: first row of the daily file (stamps are starts), SMS in percent.
        ("profile-1", "2013-07-27T08:00+00:00", 0.0508, "13.0"),
        ("profile-1", "2013-07-27T08:00+00:00", 0.1016, "16.4"),
        ("profile-1", "2013-07-27T08:00+00:00", 1.0160, "41.7"),
    ],
)
def test_units_of_a_record_are_converted_once(scan, tube, time, depth, text):
    _, summary = scan
    found = delivered_cell(summary, tube, time, depth)
    assert f"{100 * found:.1f}" == text


def test_a_record_in_permissive_form_comes_through(tmp_path):
    """A logger workbook of 1999: serial days, a clock that goes back, empty days."""
    _, summary = run_record("cook-farm", tmp_path)
    assert summary["ledger"]["open_files"] == []
    assert summary["ledger"]["stored"] > 1500
    assert any(path.endswith("_daily.nc") for path in summary["delivered"])
