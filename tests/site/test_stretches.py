"""How often a place should log, over time, and what three who ask make of times unwired."""

import numpy as np
import pytest
from bare_site import HOUR_S, START, at, make_site, make_wire
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.readings_due import day_paces, readings_due, time_stood_for
from pipeline.site.stretches import intervals_at, shortest_within, stretches_of

DAY_S = 24 * HOUR_S
FIRST_S = int(START.timestamp())
EVERY = {"logger": 1, "slow": 3, "slower": 6}  # hours


def make_loggers(*wires):
    """Return a site of three loggers: hourly, every three and every six hours."""
    hourly = make_site().sources[0]
    others = [
        hourly.model_copy(update={"id": name, "interval_s": hours * HOUR_S})
        for name, hours in EVERY.items()
        if name != "logger"
    ]
    return make_site(sources=(hourly, *others), wiring=wires)


def hours(stretches):
    """Return stretches in hours since the 1st of January 2024; None where nothing is wired."""
    return [
        (*((edge - FIRST_S) / HOUR_S for edge in stretch[:2]), stretch[2] / HOUR_S)
        for stretch in stretches
    ]


def test_stretches_cover_all_time_and_the_fastest_of_several_counts():
    """By hand: six hours since ever; hourly on the 2nd; nothing from the 3rd to noon."""
    wires = (
        make_wire(source="slower", until=at(3)),
        make_wire(start=at(2), until=at(3)),
        make_wire(source="slow", start=at(3, 12)),
    )
    found = hours(stretches_of(wires, make_loggers(*wires)))
    expected = [
        (-np.inf, 24, 6),
        (24, 48, 1),
        (48, 60, np.nan),
        (60, np.inf, 3),
    ]
    np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(
        hours(stretches_of((), make_site())), [(-np.inf, np.inf, np.nan)]
    )


def test_neighbours_of_one_pace_are_one_stretch():
    wires = make_wire(until=at(2, 5)), make_wire(start=at(2, 5), probe="P2")
    assert hours(stretches_of(wires, make_loggers(*wires))) == [(-np.inf, np.inf, 1)]


def test_no_more_than_a_reading_a_step_is_due():
    site = make_site()
    minute = site.sources[0].model_copy(update={"interval_s": 60})
    site = site.model_copy(update={"sources": (minute,)})
    assert hours(stretches_of(site.wiring, site)) == [(-np.inf, np.inf, 1)]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(EVERY)), st.integers(0, 70), st.integers(1, 40)),
        max_size=4,
    )
)
def test_every_way_to_ask_agrees_with_a_plain_count(rows):
    """Each hour of three days by itself, from the rows as they stand."""
    wires = tuple(
        make_wire(source=s, start=at(1 + a // 24, a % 24), until=at(1 + b // 24, b % 24))
        for s, a, b in ((s, a, a + n) for s, a, n in rows)
    )
    site = make_loggers(*wires)
    stretches = stretches_of(wires, site)
    own = [
        min((EVERY[s] for s, a, n in rows if a <= hour < a + n), default=np.nan)
        for hour in range(72)
    ]
    at_s = FIRST_S + HOUR_S * np.arange(72)
    np.testing.assert_array_equal(intervals_at(stretches, at_s) / HOUR_S, own)
    by_day = np.fmin.reduce(np.array(own).reshape(3, 24), axis=1)
    within = shortest_within(stretches, at_s[::24], DAY_S) / HOUR_S
    np.testing.assert_array_equal(within, by_day)
    days = at_s[::24].astype("datetime64[s]")
    np.testing.assert_array_equal(
        readings_due(wires, site, days), 24 / np.nan_to_num(by_day, nan=1)
    )
    # Readings of a day stand for no more than it, and for all of it where none is missing.
    due, paces = day_paces([wires], site, days)
    for day, pace in paces.items():
        share = pace.shares(np.ones(24, bool))
        assert share.sum() <= due[day] + 1e-9
        share = pace.shares(np.zeros(24, bool))
        assert 0 < share.min()
        assert share.max() * by_day[day] <= 6
        assert due[day] == 24 / by_day[day]


@pytest.mark.parametrize(
    ("pace", "stands"),
    [
        ([6] * 7 + [1] * 2, [6, 6, 5, 4, 3, 2, 1, 1, 1]),  # to the change at seven
        ([1, 1, 6, 6], [1, 1, 2, 1]),  # to the end at four
        ([3, 3, 3, 3], [3, 3, 2, 1]),
    ],
)
def test_a_reading_stands_until_the_next_the_change_or_the_end(pace, stands):
    at_s = HOUR_S * np.arange(len(pace))
    known = np.array(pace) == 0
    found = time_stood_for(at_s, HOUR_S * np.array(pace, float), known, HOUR_S * len(pace))
    assert (found / HOUR_S).tolist() == stands


def test_a_reading_stands_no_longer_than_until_there_is_another():
    """Hourly to ten and, as of a clock some seconds fast, at ten; then every six hours."""
    pace = np.array([1] * 10 + [6] * 14) * float(HOUR_S)
    known = np.isin(np.arange(24), [*range(11), 12, 18])
    found = time_stood_for(HOUR_S * np.arange(24), pace, known, DAY_S)[known] / HOUR_S
    assert found.tolist() == [1] * 10 + [2, 6, 6]
