"""A day on which a rain gauge gave way to another: told once, by the one that took over."""

from datetime import timedelta

import numpy as np
import pytest
import xarray as xr
from bare_site import START, make_site, make_wire

from pipeline.derive.daily import daily_step

EVERY = {"old": 1, "new": 1, "slow": 6, "third": 1}  # hours


def hour(number):
    return None if number is None else START + timedelta(hours=number)


def daily_rain(rows, logged, stations=("old", "new", "slow", "third"), offset_s=0):
    """Return the daily rain of each station, by (station, from, until) and (station, hours).

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
    values = np.full((48, len(stations)), np.nan, np.float32)
    for name, hours in logged:
        at = list(hours)
        values[at, stations.index(name)] = np.array(at) + 100.0 * stations.index(name)
    coords = {"time": site.axis.times(0, 48), "station": list(stations)}
    dims = ("time", "station")
    offsets = np.full(values.shape, offset_s, np.int32)
    block = xr.Dataset({"rain": (dims, values), "rain_offset_s": (dims, offsets)}, coords)
    found = daily_step(block, site)["daily_rain"].values
    return {name: found[:, at].tolist() for at, name in enumerate(stations)}


SWAP = [("old", None, 10), ("new", 10, None)]
ALL = 24 * 23 / 2
NONE = pytest.approx(np.nan, nan_ok=True)


def test_the_day_is_the_sum_over_both_and_told_once():
    """By hand: hours 0 to 9 of the old gauge, 10 to 23 of the new one, 100 more each."""
    found = daily_rain(SWAP, [("old", range(10)), ("new", range(10, 48))])
    assert found["new"] == [ALL + 14 * 100, ALL + 24 * 24 + 24 * 100]
    assert found["old"] == [NONE, NONE]


def test_where_both_were_wired_for_a_while_each_hour_counts_once():
    rows = [("old", None, 15), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(15)), ("new", range(10, 24))])
    assert found["new"][0] == ALL + 14 * 100
    assert found["old"] == [NONE, NONE]


@pytest.mark.parametrize(
    ("change", "offset_s", "last", "first"),
    [
        (10, -40, 10, 11),  # the old one's of 9:59:20 stands at ten, the new one's at eleven
        (10, -40, 10, 10),  # the new one's stands there too
        (10.1, 600, 9, 10),  # the new one's of 10:10 stands at ten, before the change
    ],
)
def test_a_reading_of_either_gauge_goes_by_its_own_time(change, offset_s, last, first):
    """By hand: hours to ``last`` of the old gauge, and from ``first`` of the new, 100 more."""
    rows = [("old", None, change), ("new", change, None)]
    hours = range(last + 1), range(first, 24)
    found = daily_rain(rows, [("old", hours[0]), ("new", hours[1])], offset_s=offset_s)
    assert found["new"][0] == sum(map(sum, hours)) + 100 * len(hours[1])


@pytest.mark.parametrize(("gap", "total"), [(6, ALL - 75 + 8 * 100), (7, NONE)])
def test_a_gap_between_is_missing_as_any_other(gap, total):
    """By hand: of 24 hours 18 are needed; hours 10 to 15 held 75."""
    rows = [("old", None, 10), ("new", 10 + gap, None)]
    found = daily_rain(rows, [("old", range(10)), ("new", range(10 + gap, 24))])
    assert (found["new"][0], found["old"][0]) == (total, NONE)


def test_readings_of_a_slower_gauge_count_for_their_time():
    """By hand: hourly to six, then 12 and 18: 6 + 6 + 6 of 24 hours are just enough."""
    rows = [("old", None, 6), ("slow", 6, None)]
    found = daily_rain(rows, [("old", range(6)), ("slow", (12, 18))])
    assert found["slow"][0] == 15 + 12 + 18 + 2 * 200
    lacking = daily_rain(rows, [("old", range(5)), ("slow", (12, 18))])
    assert lacking["slow"][0] == NONE


def test_a_gauge_that_goes_and_comes_back_is_told_with_the_one_between():
    rows = [("old", None, 8), ("new", 8, 16), ("old", 16, None)]
    logged = [("old", [*range(8), *range(16, 24)]), ("new", range(8, 16))]
    found = daily_rain(rows, logged)
    assert (found["old"][0], found["new"][0]) == (ALL + 800, NONE)


def test_three_on_one_day_are_one_sum():
    rows = [("old", None, 8), ("new", 8, 16), ("third", 16, None)]
    logged = [("old", range(8)), ("new", range(8, 16)), ("third", range(16, 24))]
    assert daily_rain(rows, logged)["third"][0] == ALL + 800 + 2400


def test_a_gauge_that_stays_is_none_that_gave_way():
    """Beside a gauge that goes on, a new one has no whole day yet and takes nothing."""
    rows = [("old", None, None), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(24)), ("new", range(10, 24))])
    assert (found["old"][0], found["new"][0]) == (ALL, NONE)


def test_of_two_that_took_over_at_once_nothing_is_guessed():
    rows = [("old", None, 10), ("new", 10, None), ("third", 10, None)]
    logged = [("old", range(10)), ("new", range(10, 24)), ("third", range(10, 24))]
    assert all(found[0] == NONE for found in daily_rain(rows, logged).values())


def test_where_the_new_gauge_failed_the_old_ones_day_stays():
    """By hand: 20 of 24 hours of the old one are enough; the new one should have told 14."""
    rows = [("old", None, 20), ("new", 10, None)]
    found = daily_rain(rows, [("old", range(20))])
    assert (found["old"][0], found["new"][0]) == (190.0, NONE)
