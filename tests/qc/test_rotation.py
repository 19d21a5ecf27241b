"""The rotation check, by the examples of the trade: 20, 21, 20 is sound; 20, 21, 8 is not."""

import numpy as np
import pandas as pd
import pytest

from pipeline.derive.rounds import rotation_spread
from pipeline.products.tube_health import rotation_rows
from pipeline.qc.rotation import LEAST_LIMIT, reader_limit, rotation_findings

DIRECTIONS = (0.0, 120.0, 240.0)


def rounds_of(*rounds, tube="T1", depth=0.2, directions=DIRECTIONS):
    """Return hand readings of some rounds [%], as `hand_readings` gives them."""
    rows = [
        {
            "round": f"r{number}",
            "time_s": 86_400 * number + at,
            "tube": tube,
            "depth_m": depth,
            "direction_deg": direction,
            "calibrated_water_content": value / 100,
            "random_error": 0.002,
        }
        for number, values in enumerate(rounds)
        for at, (direction, value) in enumerate(zip(directions, values, strict=True))
    ]
    readings = pd.DataFrame(rows)
    return readings.merge(rotation_spread(readings), on=["round", "tube", "depth_m"])


def findings(*rounds, **more):
    spread, _ = rotation_rows(rounds_of(*rounds, **more))
    return list(rotation_findings(spread, LEAST_LIMIT))


def test_directions_that_agree_are_sound():
    assert findings((20, 21, 20)) == []


def test_a_low_direction_is_named_with_its_likely_cause():
    (found,) = findings((20, 21, 8))
    assert (found.kind, found.direction_deg, found.depth_m) == ("void or stone", 240.0, 0.2)
    assert found.measure == pytest.approx(-0.12)  # by hand: 8 is 12 below the median, 20
    assert "reads 8.0 %" in found.sentence
    assert "one round only" in found.sentence
    assert "turn the probe" in found.action


def test_a_high_direction_is_another_cause():
    (found,) = findings((20, 35, 21), (20, 33, 20))
    assert (found.kind, found.direction_deg) == ("wet side", 120.0)
    assert "one round only" not in found.sentence


def test_directions_that_all_differ_name_none():
    (found,) = findings((14, 20, 26))
    assert found.kind == "directions differ"
    assert np.isnan(found.direction_deg)


def test_two_directions_cannot_name_one():
    assert findings((20, 8), directions=DIRECTIONS[:2]) == []


def test_a_stone_that_shows_only_when_the_soil_is_wet_is_named():
    dry = [(9, 9, 9)] * 6
    (found,) = findings((30, 31, 22), (28, 28, 21), (27, 28, 21), *dry)
    assert (found.direction_deg, found.events) == (240.0, 3)


def test_a_misreading_among_many_sound_rounds_is_forgiven():
    assert findings((20, 21, 8), *[(20, 21, 20)] * 5) == []


def test_the_limit_follows_the_reader():
    spread, error = rotation_rows(rounds_of((20, 21, 20), (30, 31, 30)))
    assert error == pytest.approx(0.002)
    assert reader_limit(spread, error) == LEAST_LIMIT
    # By hand: three standard uncertainties of a difference, 3 x sqrt(2) x 0.01.
    assert reader_limit(spread, 0.01) == pytest.approx(0.0424, abs=1e-4)


def test_the_day_of_a_round_is_that_of_the_site():
    spread, _ = rotation_rows(rounds_of((20, 21, 8)))
    late = spread.assign(time_s=1_710_200_000)  # by hand: 2024-03-11T23:33:20Z
    days = [
        next(iter(rotation_findings(late, LEAST_LIMIT, offset_s))).sentence.count(day)
        for offset_s, day in ((0, "2024-03-11"), (34_200, "2024-03-12"))
    ]
    assert days == [1, 1]
