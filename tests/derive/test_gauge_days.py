"""A day on which a rain gauge gave way to another: told once, by the one that took over.

Hours are those at whose end a total is stamped: 1 to 24 are the first day, 24 its midnight.
"""

from datetime import timedelta

import numpy as np
import pytest
import xarray as xr
from bare_site import START, make_site, make_wire

from pipeline.derive.daily_rain import daily_rain_step

EVERY = {"old": 1, "new": 1, "slow": 6, "third": 1}  # hours


def hour(number):
    return None if number is None else START + timedelta(hours=number)


def daily_rain(rows, logged, stations=("old", "new", "slow", "third"), offset_s=0):
    """Return the rain of two days by station, of (station, from, until) and (station, hours).

    What is logged in an hour is that hour's number, 100 more at every further station, and so
    many seconds after it.
    """
    logger = make_site().sources[0]
    sources = [
        logger.model_copy(update={"id": name, "interval_s": 3600 * EVERY[name]})
        for name in stations
    ]
    blank = {"tube": "", "depth_m": None, "quantity": "rain", "unit": "mm", "probe": ""}
    wires = [
        make_wire(source=name, channel="r", start=hour(a), until=hour(b), **blank)
        for name, a, b in rows
    ]
    site = make_site(sources=tuple(sources), wiring=tuple(wires))
    values = np.full((72, len(stations)), np.nan, np.float32)
    for name, hours in logged:
        at = list(hours)
        values[at, stations.index(name)] = np.array(at) + 100.0 * stations.index(name)
    coords = {"time": site.axis.times(0, 72), "station": list(stations)}
    dims = ("time", "station")
    offsets = np.full(values.shape, offset_s, np.int32)
    block = xr.Dataset({"rain": (dims, values), "rain_offset_s": (dims, offsets)}, coords)
    found = daily_rain_step(block, site)["daily_rain"].values[:2]
    return {name: found[:, at].tolist() for at, name in enumerate(stations)}


SWAP = [("old", None, 10), ("new", 10, None)]
ALL = 25 * 24 / 2
NONE = pytest.approx(np.nan, nan_ok=True)


def test_the_day_is_the_sum_over_both_and_told_once():
    """By hand: hours 1 to 9 of the old gauge, 10 to 24 of the new one, 100 more each."""
    found = daily_rain(SWAP, [("old", range(10)), ("new", range(10, 49))])
    assert found["new"] == [ALL + 15 * 100, ALL + 24 * 24 + 24 * 100]
    assert found["old"] == [NONE, NONE]


def test_where_both_were_wired_for_a_while_each_hour_counts_once():
    rows = [("old", None, 15), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(15)), ("new", range(10, 25))])
    assert found["new"][0] == ALL + 15 * 100
    assert found["old"] == [NONE, NONE]


@pytest.mark.parametrize(
    ("change", "offset_s", "last", "first"),
    [
        (10, -40, 10, 11),  # the old one's of 9:59:20 stands at ten, the new one's at eleven
        (10, -40, 10, 10),  # the new one's stands there too
        (10.1, 600, 9, 10),  # the new one's of 10:10 stands at ten, before the change
        (24, -40, 24, 25),  # the old one's of 23:59:20 stands at midnight
    ],
)
def test_a_reading_of_either_gauge_goes_by_its_own_time(change, offset_s, last, first):
    """By hand: hours to ``last`` of the old gauge, and from ``first`` of the new, 100 more."""
    rows = [("old", None, change), ("new", change, None)]
    hours = range(last + 1), range(first, 25)
    found = daily_rain(rows, [("old", hours[0]), ("new", hours[1])], offset_s=offset_s)
    told_by = "new" if hours[1] else "old"
    assert found[told_by][0] == sum(map(sum, hours)) + 100 * len(hours[1])


def test_what_the_new_gauge_logs_at_the_midnight_of_its_coming_fell_the_day_before():
    """By hand: 1 to 23 of the old gauge, 24 of the new one, and 25 to 48 of it alone."""
    rows = [("old", None, 24), ("new", 24, None)]
    found = daily_rain(rows, [("old", range(24)), ("new", range(24, 49))])
    assert found["new"] == [ALL + 100, ALL + 24 * 24 + 24 * 100]
    assert found["old"] == [NONE, NONE]


def test_a_gauge_that_came_at_midnight_and_logged_an_hour_later_tells_no_day_before():
    """By hand: 1 to 23 of the old gauge are its own day; 18 of 24 would be enough."""
    rows = [("old", None, 24), ("new", 24, None)]
    found = daily_rain(rows, [("old", range(24)), ("new", range(25, 49))])
    assert found["new"] == [NONE, ALL + 24 * 24 + 24 * 100]
    assert found["old"] == [ALL - 24, NONE]


@pytest.mark.parametrize(("gap", "total"), [(6, ALL - 75 + 9 * 100), (7, NONE)])
def test_a_gap_between_is_missing_as_any_other(gap, total):
    """By hand: of 24 hours 18 are needed; hours 10 to 15 held 75."""
    rows = [("old", None, 10), ("new", 10 + gap, None)]
    found = daily_rain(rows, [("old", range(10)), ("new", range(10 + gap, 25))])
    assert (found["new"][0], found["old"][0]) == (total, NONE)


@pytest.mark.parametrize(("hours", "is_enough"), [((12, 18, 24), True), ((12, 18), False)])
def test_totals_of_a_slower_gauge_count_for_the_time_before_their_stamp(hours, is_enough):
    """By hand: hourly to five, then six hours each to 12, 18 and 24: 5 + 18 of 24 hours.

    Without the last there are 17, one too few. Forward from its stamp 24 would tell one hour.
    """
    rows = [("old", None, 6), ("slow", 6, None)]
    found = daily_rain(rows, [("old", range(6)), ("slow", hours)])
    assert found["slow"][0] == (15 + sum(hours) + len(hours) * 200 if is_enough else NONE)


def test_a_total_counts_for_no_more_time_than_since_the_change():
    """By hand: hourly to 16, six hours to 18, of which two are new: 18 of 24 are enough."""
    rows = [("old", None, 17), ("slow", 17, None)]
    found = daily_rain(rows, [("old", range(17)), ("slow", (18,))])
    assert found["slow"][0] == 136 + 18 + 200
    lacking = daily_rain(rows, [("old", range(16)), ("slow", (18,))])
    assert lacking["slow"][0] == NONE


def test_a_gauge_that_goes_and_comes_back_is_told_with_the_one_between():
    rows = [("old", None, 8), ("new", 8, 16), ("old", 16, None)]
    logged = [("old", [*range(8), *range(16, 25)]), ("new", range(8, 16))]
    found = daily_rain(rows, logged)
    assert (found["old"][0], found["new"][0]) == (ALL + 800, NONE)


def test_three_on_one_day_are_one_sum():
    rows = [("old", None, 8), ("new", 8, 16), ("third", 16, None)]
    logged = [("old", range(8)), ("new", range(8, 16)), ("third", range(16, 25))]
    assert daily_rain(rows, logged)["third"][0] == ALL + 800 + 9 * 300


def test_a_gauge_that_stays_is_none_that_gave_way():
    """Beside a gauge that goes on, a new one has no whole day yet and takes nothing."""
    rows = [("old", None, None), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(25)), ("new", range(10, 25))])
    assert (found["old"][0], found["new"][0]) == (ALL, NONE)


def test_of_two_that_took_over_at_once_nothing_is_guessed():
    rows = [("old", None, 10), ("new", 10, None), ("third", 10, None)]
    logged = [("old", range(10)), ("new", range(10, 25)), ("third", range(10, 25))]
    assert all(found[0] == NONE for found in daily_rain(rows, logged).values())


def test_where_the_new_gauge_failed_the_old_ones_day_stays():
    """By hand: 20 of 24 hours of the old one are enough; the new one should have told 15."""
    rows = [("old", None, 21), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(21))])
    assert (found["old"][0], found["new"][0]) == (210.0, NONE)
    begun = daily_rain(rows, [("old", range(21)), ("new", (24,))])  # 9 and 1 of 24
    assert (begun["old"][0], begun["new"][0]) == (210.0, NONE)
