"""Whole nights with hand rounds: the same files however they arrive, written only when due."""

import csv
import itertools
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from pipeline.nights import night
from pipeline.nights.handover import rounds_rows
from pipeline.nights.summary import tube_rows

NOW = datetime(2023, 4, 1, tzinfo=UTC)
LOGGER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n" + "".join(
    f"10.03.2023 {h:02d}:{m:02d};{300 + h},5;{400 + m};0,2\n"
    for h in range(24)
    for m in (0, 15, 30, 45)
)
HEADER = "time;tube;direction;10;30;50\n"
# A round in three directions, one reading twice, one tube on a logger and one not wired at 50.
FIRST = HEADER + (
    "2023-03-10 09:00;T1;1;20.1;25.2;28.0\n"
    "2023-03-10 09:02;T1;2;20.2;25.1;28.0\n"
    "2023-03-10 09:02;T1;2;20.2;25.1;28.0\n"
    "2023-03-10 09:04;T1;3;20.0;14.0;28.0\n"
    "2023-03-10 09:20;T2;;18.0;;\n"
)
SECOND = HEADER + "2023-03-10 15:00;T1;1;21.1;25.9;28.1\n"
FILES = {
    "logger-a/a.csv": LOGGER,
    "rounds/first.csv": FIRST,
    "rounds/second.csv": SECOND,
    # the second again with the end of the first, as a tablet sends its whole memory
    "rounds/third.csv": FIRST + SECOND.removeprefix(HEADER),
}


def put(folder, name, content=None):
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content or FILES[name], encoding="utf-8", newline="")


def run(folder):
    """Run a night up to its delivery; return the names of the rounds' files written."""
    result = night.store_night(folder, NOW)
    assert result["ledger"]["open_files"] == []
    delivered = night.deliver_night(folder, result)["delivered"]
    names = [Path(path).name for path in delivered]
    return [name for name in names if "_rounds" in name]


def delivered(folder):
    """Return the dataset and the table delivered, without what names the store's state."""
    output = folder / "out"
    with xr.open_dataset(output / "netcdf" / "north-slope_rounds.nc") as file:
        dataset = file.load().drop_attrs(deep=False)
    return dataset, (output / "tables" / "north-slope_rounds_comparison.csv").read_bytes()


@pytest.fixture(scope="module")
def first_night(make_shared_site):
    """Return a site after its first night, made once and then copied."""
    folder = make_shared_site()
    for name in FILES:
        put(folder, name)
    written = run(folder)
    assert written == ["north-slope_rounds.nc", "north-slope_rounds_comparison.csv"]
    return folder


@pytest.fixture
def whole(first_night, tmp_path):
    return shutil.copytree(first_night, tmp_path / "whole")


def test_rounds_stand_beside_the_logger(whole):
    dataset, table = delivered(whole)
    # 5 rows of 3 values less 2 empty ones, and 3 of the second round: no copy counts
    assert dataset.sizes["reading"] == 16
    assert dataset.sizes["profile"] == 6  # directions 1, 2 twice and 3; T2; the second round
    rows = list(csv.DictReader(table.decode().splitlines()))
    assert (
        len(rows) == 11
    )  # T1 at 10 and 30 cm, five times; T2 at 10 cm, wired to a silent bus
    nine = next(r for r in rows if r["time [UTC]"] == "2023-03-10T08:00:00Z")
    assert nine["logger time [UTC]"] == "2023-03-10T08:00:00Z"
    # 309.5 mV by the probe's table is 1 + 4 * 0.3095, by the soil's line 0.119 * 2.238 - 0.19
    assert float(nine["logger water content [m3 m-3]"]) == pytest.approx(0.07632, abs=1e-5)
    assert float(nine["hand minus logger [m3 m-3]"]) == pytest.approx(0.12468, abs=2e-5)
    odd = dataset["odd_direction"].values[dataset["nominal_depth"].values == 0.3]
    assert set(odd[np.isfinite(odd)]) == {240.0}  # 25.2, 25.1 and 14.0
    upper, lower, hand_only = rounds_rows(night.open_description(whole))
    assert (upper["tube"], upper["depth_cm"], upper["count"]) == ("T1", 10.0, 5)
    assert (lower["depth_cm"], lower["count"]) == (30.0, 5)
    assert (hand_only["tube"], hand_only["count"]) == ("T2", 0)
    assert hand_only["mean_difference"] is None


def test_a_tube_read_only_by_hand_has_its_own_figures_and_no_shares_of_nothing(whole):
    site = night.open_description(whole)
    by_logger, by_hand = tube_rows(site, night.site_store(site).read())
    # by hand: T1 has 96 readings at each of two sensors, and of 16 hand readings all but one
    assert (by_logger["due"], by_logger["good_pct"], by_logger["hand_readings"]) == (
        192,
        100,
        15,
    )
    # 09:20 at an offset of one hour
    assert (by_hand["hand_readings"], by_hand["last_reading"]) == (1, "2023-03-10T08:20:00Z")
    assert by_hand["due"] == 0
    assert {by_hand[f"{k}_pct"] for k in ("good", "suspect", "bad", "missing")} == {None}


def test_a_round_that_is_in_before_its_loggers_file_is_told_in_the_summary(
    make_site,
):
    folder = make_site()
    put(folder, "logger-a/a.csv", LOGGER.replace("10.03.", "01.03."))
    put(folder, "rounds/first.csv")
    result = night.store_night(folder, NOW)
    summary = night.close_night(folder, result, night.deliver_night(folder, result))
    assert summary["rounds"][0]["count"] == 0
    text = (folder / "out" / "summary.txt").read_text()
    assert "- T1 10 cm: no logged value at the time of any hand reading" in text


@pytest.mark.slow
@pytest.mark.parametrize("order", list(itertools.permutations(FILES))[5::9])
def test_nights_in_any_order_deliver_what_one_night_does(whole, make_site, order):
    folder = make_site()
    for name in order:
        put(folder, name)
        run(folder)
    expected, table = delivered(whole)
    found, other = delivered(folder)
    assert found.identical(expected)
    assert other == table
    books = [
        night.site_store(night.open_description(f)).read().table("rounds")
        for f in (folder, whole)
    ]
    assert books[0].equals(books[1])


def test_files_are_written_again_only_when_due(whole):
    assert run(whole) == []
    table = whole / "out" / "tables" / "north-slope_rounds_comparison.csv"
    table.unlink()
    assert run(whole) == [table.name]
    put(whole, "logger-a/b.csv", LOGGER.replace("10.03.", "20.03."))
    assert run(whole) == []  # days without rounds change nothing
    put(whole, "logger-a/c.csv", LOGGER.replace("10.03.", "11.03."))
    assert run(whole) == [table.name]  # the day after one; the book is the same
    put(whole, "rounds/d.csv", SECOND.replace("2023-03-10", "2023-03-24"))
    assert run(whole) == ["north-slope_rounds.nc", table.name]


def test_a_site_without_loggers_delivers_its_rounds_alone(make_site):
    folder = make_site()
    put(folder, "rounds/first.csv")
    assert run(folder)[:1] == ["north-slope_rounds.nc"]
