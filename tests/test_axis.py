"""The axis of a site: an instant is a step by arithmetic, in UTC whatever its zone."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from pipeline.axis import (
    TimeAxis,
    iso_minute,
    iso_utc,
    require_days,
    second_of,
    utc_seconds,
    utc_times,
    with_instants,
)

# Half-hourly from midnight of 2024-01-01 in a zone two hours ahead of UTC. By POSIX
# (IEEE Std 1003.1, 4.16): 19722 days from 1970-01-01 to 2023-12-31, then 22 hours.
AXIS = TimeAxis(19_722 * 86_400 + 22 * 3600, 1800)


def test_a_step_stands_for_the_half_interval_around_it():
    """To the second: 899 s after a step it is the nearest, 900 s after it the next one is."""
    away = np.array([0, 899, 900, 1799, 1800, -1, -900, -901])
    index, offset = AXIS.nearest(AXIS.origin_s + away)
    np.testing.assert_array_equal(index, [0, 0, 1, 1, 1, 0, 0, -1])
    np.testing.assert_array_equal(offset, [0, 899, -900, -1, 0, -1, -900, 899])


def test_the_first_step_at_or_after_an_instant():
    away = (-1801, -1800, -1, 0, 1, 1800, 1801)
    assert [AXIS.ceil(AXIS.origin_s + s) for s in away] == [-1, -1, 0, 0, 1, 1, 2]


def test_steps_are_instants_in_utc():
    assert AXIS.steps_per_day == 48
    expected = pd.date_range("2023-12-31T22:00", periods=3, freq="30min").values
    np.testing.assert_array_equal(AXIS.times(0, 3), expected)
    np.testing.assert_array_equal(AXIS.times(-1, 1), expected[:2] - np.timedelta64(30, "m"))
    assert AXIS.times(0, 0).size == 0
    assert AXIS.times(0, 1).dtype == "datetime64[ns]"


def coordinate(values):
    return xr.DataArray(values, dims="time", name="time")


def test_instants_of_a_zone_become_those_of_utc():
    """Summer time of Berlin is two hours ahead of UTC, winter time one (IANA tz database)."""
    local = pd.DatetimeIndex(["2024-01-15T12:00", "2024-07-15T12:00"])
    zoned = xr.Dataset(coords={"time": local.tz_localize("Europe/Berlin")})["time"]
    expected = np.array(["2024-01-15T11:00", "2024-07-15T10:00"], "datetime64[ns]")
    np.testing.assert_array_equal(utc_times(zoned), expected)
    np.testing.assert_array_equal(utc_times(coordinate(expected)), expected)
    # 2024-01-15 is 19737 days after 1970-01-01, 2024-07-15 is 182 days later.
    hours = np.array([19_737 * 24 + 11, 19_919 * 24 + 10])
    np.testing.assert_array_equal(utc_seconds(zoned), hours * 3600)


def test_what_is_no_instant_or_missing_is_refused():
    with pytest.raises(ValueError, match="found float64; convert it"):
        utc_times(coordinate([1.0, 2.0]))
    times = np.array(["2024-01-01", "NaT", "NaT"], "datetime64[ns]")
    with pytest.raises(ValueError, match=r"found 2 without \(NaT\)"):
        utc_times(coordinate(times))


def test_days_follow_each_other():
    days = np.arange(3).astype("datetime64[D]").astype("datetime64[ns]")
    require_days(coordinate(days))
    require_days(coordinate([5, 1, 3]))  # labels that are no instants count as in order
    for wrong, told in ((days[[0, 2]], "steps of 2 to 2"), (days[[1, 0]], "of -1 to -1")):
        with pytest.raises(ValueError, match=told):
            require_days(coordinate(wrong))


def test_instants_are_told_as_iso_8601():
    assert iso_utc(86_399.0) == "1970-01-01T23:59:59Z"
    assert iso_minute(86_399.0) == "1970-01-01T23:59Z"
    row = {"tube": "T1", "onset_s": 86_400, "end_s": -1, "peak_s": None}
    told = {"onset": "1970-01-02T00:00:00Z", "end": None, "peak": None}
    assert with_instants(row) == {**row, "end_s": None, **told}


def test_an_open_end_is_what_it_is_told_to_be():
    assert second_of(None, float("inf")) == float("inf")
    assert second_of(datetime(1970, 1, 2, tzinfo=UTC), 0.0) == 86_400.0
