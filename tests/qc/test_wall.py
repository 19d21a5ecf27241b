"""Water along the wall and voids, from responses made by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.qc.wall import (
    Wired,
    flashes,
    gap_events,
    gap_findings,
    pairs_within,
    shared,
    void_findings,
)

DEPTHS = (0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
DAY_S, HOUR_S = 86_400, 3600
NAMES = ("A", "B", "C", "D")


def wired(names=NAMES):
    return Wired(
        dict.fromkeys(names, DEPTHS),
        dict.fromkeys(names, DEPTHS),
        {name: tuple(n for n in names if n != name) for name in names},
        dict.fromkeys(names, 600),
    )


def storms(tube, lag_s, count=4, depths=DEPTHS, **more):
    """Return responses of a tube to some storms, each depth later than the one above."""
    fixed = {"rise": 0.08, "rise_in_hour": 0.05, "half_h": 8.0, "kept": 0.1, "rain_mm": 6.0}
    rows = [
        {"tube": tube, "depth_m": z, "onset_s": day * 5 * DAY_S + at * lag_s, **fixed, **more}
        for day in range(count)
        for at, z in enumerate(depths)
    ]
    return pd.DataFrame(rows)


def gaps(responses):
    return list(gap_findings(gap_events(responses, wired()), wired()))


def test_all_pairs_in_reach_are_found():
    tube = np.array([0, 0, 0, 1])
    onset = np.array([0, 50, 200, 50])
    i, j = pairs_within(tube, onset, 60, 60)
    assert {*zip(i.tolist(), j.tolist(), strict=True)} == {
        *((0, 0), (0, 1), (1, 0), (1, 1), (2, 2), (3, 3))
    }


def test_all_depths_within_minutes_and_gone_in_a_day_is_water_along_the_wall():
    (found,) = gaps(storms("A", 120))
    assert (found.kind, found.events) == ("bypass", 4)
    assert "100 cm" in found.sentence


def test_a_front_from_depth_to_depth_is_not():
    assert gaps(storms("A", 3 * HOUR_S)) == []


def test_sensors_below_do_not_speak_for_a_gap_above_them():
    """Three of six answer: at 60 cm three of the five down to there, at 40 cm two of four."""
    assert gaps(storms("A", 120, depths=(0.1, 0.4, 0.6))) == []
    (found,) = gaps(storms("A", 120, depths=(0.1, 0.2, 0.4, 0.6)))  # four of the five
    assert found.kind == "bypass"
    assert "down to 60 cm" in found.sentence


def test_a_tube_read_seldom_widens_no_other_tubes_minutes():
    # Half an hour is together; readings six hours apart tell no shorter time.
    often, seldom = storms("A", 3000), storms("B", 3000)
    both = replace(wired(("A", "B")), every_s={"A": 600, "B": 6 * HOUR_S})
    assert set(gap_events(pd.concat([often, seldom]), both)["tube"]) == {"B"}


def test_two_storms_are_too_few():
    assert gaps(storms("A", 120, count=2)) == []


def test_water_that_stays_may_be_preferential_flow():
    (found,) = gaps(storms("A", 120, half_h=np.nan, kept=0.8))
    assert found.kind == "fast flow"
    assert "the water stayed" in found.sentence


def test_what_most_neighbours_show_is_the_soil():
    (found, *others) = gaps(pd.concat([storms(name, 120) for name in NAMES]))
    assert len(others) == 3
    assert found.kind == "fast flow"
    assert "neighbours show the same" in found.sentence


def test_without_rain_nothing_can_run_down_but_unlogged_rain_may():
    assert gaps(storms("A", 120, rain_mm=0.0)) == []
    (found,) = gaps(storms("A", 120, rain_mm=np.nan))
    assert found.kind == "bypass"


def test_a_quick_pair_of_sensors_is_a_void_and_no_gap():
    responses = storms("A", 60, depths=(0.2, 0.3), half_h=1.2)
    assert gaps(responses) == []
    found = list(void_findings(flashes(responses, wired()), wired()))
    assert [f.depth_m for f in found] == [0.2, 0.3]
    assert {f.kind for f in found} == {"void"}
    assert all(f.events == 4 for f in found)


def test_flashes_that_neighbours_share_are_the_soil():
    responses = pd.concat([storms(n, 60, depths=(0.1,), half_h=1.2) for n in NAMES])
    assert flashes(responses, wired()).empty


def test_a_quick_rise_that_stays_longer_in_neighbours_is_heavy_rain_on_quick_soil():
    flash = storms("A", 60, depths=(0.1,), half_h=2.0)
    slower = [storms(n, 60, depths=(0.1,), half_h=9.0) for n in "BCD"]
    assert flashes(pd.concat([flash, *slower]), wired()).empty
    weaker = [rows.assign(rise_in_hour=0.02) for rows in slower]
    assert len(flashes(pd.concat([flash, *weaker]), wired())) == len(flash)


def test_sharing_needs_half_of_the_neighbours():
    events = pd.DataFrame({"tube": ["A", "B", "D"], "onset_s": [0, HOUR_S, 9 * HOUR_S]})
    # By hand: of the three neighbours of A only B answers within two hours: a third.
    assert shared(events, wired()).tolist() == [False, False, False]
    assert shared(events, wired(("A", "B"))).tolist() == [True, True, False]


def test_the_days_of_storms_are_those_of_the_site():
    late = storms("A", 120).assign(onset_s=lambda rows: rows["onset_s"] + 20 * 3600)
    (found,) = gap_findings(gap_events(late, wired()), wired(), 34_200)
    # by hand: 1970-01-01T20:00Z is the 2nd at UTC+09:30; the last storm is 15 days later
    assert "in 4 storms (1970-01-02 to 1970-01-17)" in found.sentence
