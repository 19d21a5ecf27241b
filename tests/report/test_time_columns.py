"""Columns and ticks of time. Expected numbers are worked by hand."""

import locale

import numpy as np
import pytest
from picture_site import build_times

from pipeline.report.time_columns import (
    MOST_COLUMNS,
    MOST_TICKS,
    make_columns,
    period_text,
    time_label,
    time_ticks,
)

DAY_0 = 20148  # 1 March 2025


@pytest.mark.parametrize(
    ("days", "width", "count"),
    [
        (1, 1, 96),
        (10, 1, 960),
        (11, 2, 528),
        (120, 12, 960),
        (1000, 96, 1000),
        (1001, 192, 501),
    ],
)
def test_columns_are_no_more_than_can_be_seen(site, days, width, count):
    columns = make_columns(site, build_times(site, days))
    assert (columns.width, columns.count) == (width, count)
    assert columns.count <= MOST_COLUMNS


def test_columns_begin_at_whole_days_and_hours_wherever_the_record_starts(site):
    times = site.axis.times(101, 101 + 96 * 120)
    columns = make_columns(site, times)
    assert columns.first % columns.width == 0
    values = np.arange(times.size, dtype=float)
    means = columns.means(times, values)
    # By hand: steps 101..107 are left of the first column's twelve, then 108..119, counted
    # from step 101.
    assert means[:2].tolist() == [3.0, 12.5]


def test_means_leave_out_what_is_missing_and_are_missing_where_all_is(site):
    times = build_times(site, 20)  # two steps for each column
    values = np.full(times.size, 2.0)
    values[0], values[2:4] = np.nan, np.nan
    means = make_columns(site, times).means(times, values)
    assert means[0] == 2.0
    assert np.flatnonzero(np.isnan(means)).tolist() == [1]


def test_period_is_named_by_local_days(site):
    assert period_text(make_columns(site, build_times(site, 1))) == "1 Mar 2025"
    assert period_text(make_columns(site, build_times(site, 31))) == "1 Mar to 31 Mar 2025"
    text = period_text(make_columns(site, build_times(site, 366)))
    assert text == "1 Mar 2025 to 1 Mar 2026"


@pytest.mark.parametrize(
    ("seconds", "text"), [(3600, "UTC+01:00"), (-12600, "UTC-03:30"), (0, "UTC+00:00")]
)
def test_standard_time_is_written_out(seconds, text):
    assert time_label(seconds) == f"date in the site's standard time ({text})"


@pytest.mark.parametrize(
    ("days", "labels"),
    [
        (1, ["00:00\n1 Mar", "06:00", "12:00", "18:00", "00:00\n2 Mar"]),
        (4, ["1 Mar\n2025", "2 Mar", "3 Mar", "4 Mar", "5 Mar"]),
        (120, ["1 Mar\n2025", "1 Apr", "1 May", "1 Jun"]),
        (400, ["1 Mar\n2025", "1 May", "1 Jul", "1 Sep", "1 Nov", "1 Jan\n2026", "1 Mar"]),
        (2000, ["2026", "2027", "2028", "2029", "2030"]),
    ],
)
def test_ticks_fall_on_round_dates(days, labels):
    places, found, minor = time_ticks(DAY_0, DAY_0 + days)
    assert found == labels
    assert places.size <= MOST_TICKS
    assert set(places) <= {*minor, *places}
    assert DAY_0 <= places.min() <= places.max() <= DAY_0 + days


def test_names_of_months_do_not_follow_the_machines_language(monkeypatch):
    monkeypatch.setattr(locale, "nl_langinfo", lambda _: "Brumaire", raising=False)
    assert time_ticks(DAY_0, DAY_0 + 120)[1][0] == "1 Mar\n2025"
