"""Hand readings beside the logger's; expected values by hand."""

import numpy as np
import pytest
import xarray as xr
from bare_site import START, make_wire
from hand_site import QUARTER_S, hand_site, table

from pipeline.derive.rounds import hand_readings
from pipeline.derive.rounds_comparison import (
    compare_rounds,
    comparison_rows,
    comparison_summary,
)
from pipeline.site.instruments import Correction, Drift
from pipeline.site.models import Source


def make_water(site, theta, random=0.003, systematic=0.004, first=0):
    """Return a water cube whose sensors all hold ``theta`` (time); NaN is a gap."""

    theta = np.asarray(theta, np.float32)
    tubes, depths = [t.tube for t in site.tubes], list(site.depths_m)
    cells = np.broadcast_to(theta[:, None, None], (len(theta), len(tubes), len(depths)))
    dims = ("time", "tube", "depth")
    values = {
        "cleaned_water_content": cells,
        "random_error": np.full_like(cells, random),
        "systematic_error": np.full_like(cells, systematic),
        "quality": np.where(np.isnan(cells), 9, 3).astype(np.uint8),
    }
    coords = {"time": site.axis.times(first, first + len(theta)), "tube": tubes}
    # The store keeps depths as they were first seen, not in order.
    dataset = xr.Dataset({k: (dims, v) for k, v in values.items()}, coords | {"depth": depths})
    return dataset.isel(depth=slice(None, None, -1))


def compare(*rows, site=None, theta=(0.20, 0.21, 0.22, 0.23), **water):
    site = site or hand_site()
    return compare_rounds(
        site, hand_readings(table(*rows), site), make_water(site, theta, **water)
    )


def test_difference_and_uncertainty_of_one_reading():
    site = hand_site(sensor_noise={"root_permittivity": 0.02})
    reading = {"quantity": "root_permittivity", "value": 3.5, "depth_m": 0.3, "minute": 15}
    row = compare(reading, site=site).iloc[0]
    # hand 0.1 * 3.5 - 0.1 = 0.25, logger 0.21; errors 0.002 and 0.01, 0.003 and 0.004
    assert row["difference"] == pytest.approx(0.04, abs=1e-7)
    combined = np.sqrt(0.002**2 + 0.01**2 + 0.003**2 + 0.004**2)
    assert row["combined_uncertainty"] == pytest.approx(combined, rel=1e-6)
    assert row["normalised_difference"] == pytest.approx(0.04 / combined, rel=1e-5)
    assert row["beyond"]
    assert row["uncertainty_of"] == "hand and logger"
    assert row["logger_quality"] == "suspect"
    assert row["logger_time_s"] == int(START.timestamp()) + QUARTER_S


def test_before_the_first_reading_of_a_logger_there_is_nothing_to_compare_with():
    row = compare({"value": 0.219, "minute": 15}, theta=()).iloc[0]
    assert row["hand_water_content"] == pytest.approx(0.219)
    assert np.isnan(row[["logger_water_content", "difference"]].astype(float)).all()
    assert not row["beyond"]


def test_only_stated_uncertainty_counts_and_it_is_said_whose():
    row = compare({"value": 0.219, "minute": 15}).iloc[0]
    assert row["uncertainty_of"] == "logger"
    assert row["combined_uncertainty"] == pytest.approx(0.005, rel=1e-6)  # 3, 4, 5
    assert not row["beyond"]  # 1.8 times
    none = compare({"value": 0.30, "minute": 15}, random=np.nan, systematic=np.nan).iloc[0]
    assert none["uncertainty_of"] == ""
    assert none["difference"] == pytest.approx(0.09, abs=1e-7)
    assert np.isnan(none["normalised_difference"])
    assert not none["beyond"]


@pytest.mark.parametrize(
    ("minute", "theta", "expected"),
    [
        (7, (0.20, 0.21), 0.20),
        (8, (0.20, 0.21), 0.21),
        (7.5, (0.20, 0.21), 0.21),  # midway: the later
        (7.5, (0.20, np.nan), 0.20),  # half an interval away on either side will do
        (8, (0.20, np.nan), np.nan),  # more than half an interval from any value
        (22, (0.20, 0.21), 0.21),
        (23, (0.20, 0.21), np.nan),
    ],
)
def test_the_nearest_step_within_half_an_interval(minute, theta, expected):
    row = compare({"value": 0.2, "minute": minute}, theta=theta).iloc[0]
    np.testing.assert_allclose(row["logger_water_content"], np.float32(expected))
    assert np.isnan(row["difference"]) == np.isnan(expected)


def test_a_slow_source_is_looked_for_within_half_its_own_interval():
    slow = Source(
        id="logger", kind="table", files="*.csv", layout="plain", interval_s=3600,
        clock={"utc_offset": "Z"},
    )  # fmt: skip
    site, gap = hand_site(sources=(slow,)), np.nan
    theta = (0.20, gap, gap, gap, 0.24)
    minutes = (0, 29, 30, 31, 89, 91)
    rows = compare(*({"value": 0.2, "minute": m} for m in minutes), site=site, theta=theta)
    expected = [0.20, 0.20, 0.24, 0.24, 0.24, np.nan]
    np.testing.assert_allclose(rows["logger_water_content"], np.float32(expected))


def test_a_window_that_begins_later_is_read_at_the_right_place():
    row = compare({"value": 0.2, "minute": 45}, theta=(0.21, 0.22), first=2).iloc[0]
    assert row["logger_water_content"] == np.float32(0.22)
    row = compare({"value": 0.2, "minute": 0}, theta=(0.21, 0.22), first=2).iloc[0]
    assert np.isnan(row["logger_water_content"])


def test_depths_match_within_two_centimetres_and_only_while_wired():
    site = hand_site(
        wiring=(make_wire("T1", 0.1, until=START.replace(hour=1)), make_wire("T1", 0.3))
    )
    rows = compare(
        {"minute": 0, "value": 0.1, "depth_m": 0.12},
        {"minute": 0, "value": 0.2, "depth_m": 0.121},
        {"minute": 0, "value": 0.3, "depth_m": 0.28},
        {"minute": 60, "value": 0.4},
        {"minute": 0, "value": 0.5, "tube": "T2"},
        site=site,
    )
    assert rows["hand_water_content"].tolist() == pytest.approx([0.1, 0.3], abs=1e-7)
    assert rows["sensor_depth_m"].tolist() == [0.1, 0.3]


def test_the_nearer_of_two_sensors_is_taken():
    site = hand_site(wiring=(make_wire("T1", 0.1), make_wire("T1", 0.13)))
    rows = compare(*({"value": 0.2, "minute": m, "depth_m": d} for m, d in
                     enumerate((0.11, 0.115, 0.12))), site=site)  # fmt: skip
    assert rows["sensor_depth_m"].tolist() == [0.1, 0.1, 0.13]  # midway: the upper


def test_summary_by_sensor():
    rows = compare(
        {"minute": 0, "value": 0.208},
        {"minute": 15, "value": 0.224},
        {"minute": 30, "value": 0.22, "depth_m": 0.3},
        {"minute": 600, "value": 0.22, "depth_m": 0.3},  # beyond the record
    )
    upper, lower = comparison_rows(rows)
    assert upper == {
        "tube": "T1",
        "depth_cm": 10.0,
        "count": 2,
        "mean_difference": 0.011,  # 0.008 and 0.014
        "standard_deviation": 0.0042,  # 0.003 * sqrt(2)
        "beyond_count": 1,  # 1.6 and 2.8 times 0.005
        "corrected_count": 0,
    }
    assert lower["count"] == 1
    assert lower["standard_deviation"] is None
    assert len(comparison_summary(rows)) == 2


def corrected_site(form="offset", readers=("Ada",), until_s=None, start_min=120):
    """Return a site whose sensor at 0.1 m is corrected from some minute on."""
    ends = {"first": 0.0, "last": 0.02, "first_error": 0.0, "last_error": 0.002}
    start_s = int(START.timestamp()) + 60 * start_min
    one = Correction(
        **{"tube": "T1", "depth_m": 0.1, "domain": "voltage", "form": form, **ends},
        start_s=start_s,
        until_s=until_s,
    )
    return hand_site(drift=Drift(form=form, readers=readers), corrections=(one,))


def test_readings_that_corrected_the_logger_are_told_and_left_out_of_the_summary():
    """Ada's probe is a reference, within an hour of the correction; Bo's is none."""
    rows = compare(
        {"minute": 0, "value": 0.25},  # two hours before
        {"minute": 60, "value": 0.40},
        {"minute": 180, "value": 0.40},
        {"minute": 180, "value": 0.24, "reader": "Bo"},
        {"minute": 180, "value": 0.40, "depth_m": 0.3},
        site=corrected_site(),
        theta=[0.2] * 20,
    )
    told = rows[["hand_water_content", "sensor_depth_m", "corrected_logger"]]
    assert sorted(map(tuple, told.round(3).to_numpy().tolist())) == [
        (0.24, 0.1, False),
        (0.25, 0.1, False),
        (0.4, 0.1, True),
        (0.4, 0.1, True),
        (0.4, 0.3, False),
    ]
    upper, lower = comparison_rows(rows)
    assert (upper["count"], upper["corrected_count"]) == (2, 2)
    assert upper["mean_difference"] == 0.045  # 0.05 and 0.04
    assert upper["beyond_count"] == 2
    assert (lower["count"], lower["corrected_count"]) == (1, 0)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, True),
        ({"until_s": int(START.timestamp()) + 7200, "start_min": 60}, True),
        ({"until_s": int(START.timestamp()) + 7000, "start_min": 60}, False),
        ({"readers": ()}, False),
        ({"form": "two_point"}, False),  # by bench checks alone
    ],
)
def test_only_references_at_a_corrected_sensor_corrected_it(changes, expected):
    site = corrected_site(**changes)
    (row,) = compare({"minute": 180, "value": 0.2}, site=site, theta=[0.2] * 20).to_dict(
        "records"
    )
    assert row["corrected_logger"] is expected


def test_a_tube_and_depth_the_cube_does_not_hold_has_no_logger_value():
    site = hand_site()
    read = hand_readings(table({"value": 0.2, "minute": 0}), site)
    water = make_water(site, (0.2,)).sel(tube=["T2"])
    row = compare_rounds(site, read, water).iloc[0]
    assert np.isnan(row["logger_water_content"])
    assert row["logger_quality"] == ""


def test_nothing_to_compare_gives_an_empty_table():
    rows = compare({"value": 0.2, "tube": "T2"})
    assert rows.empty
    assert comparison_rows(rows) == []
