"""Drift corrected between checks in a low and a high standard."""

import numpy as np
import pytest

from pipeline.calibrate.course import course
from pipeline.calibrate.drift import Check, Cleaning, Rule
from pipeline.calibrate.two_points import HIGH, LOW, follow_two
from pipeline.site.instruments import Correction

DAY = 86_400
RULE = Rule(largest=100.0)


def pair(day, low, high, standards=(1.0, 80.1), error_u=0.01):
    """Return what a sensor showed in two standards at one visit."""
    at = zip(standards, (low, high), strict=True)
    return [Check(day * DAY, "bench", s - m, error_u, 0.0, 0.01, s) for s, m in at]


def corrections(found):
    return [
        Correction(
            tube="T1",
            depth_m=0.1,
            domain="water_content",
            form="two_point",
            low=found.ends[0],
            high=found.ends[1],
            **vars(low),
            **{f"high_{k}": v for k, v in vars(high).items() if not k.endswith("_s")},
        )
        for low, high in found.ramps
    ]


def at(found, day, signal):
    """Return the corrected signal and the correction's uncertainty."""
    seconds = np.array([day * DAY])
    for one in corrections(found):
        if one.start_s <= seconds[0] and (one.until_s is None or seconds[0] < one.until_s):
            value, error = course(one, seconds, np.array([float(signal)]))
            return signal + value[0], error[0]
    return signal, 0.0


@pytest.mark.parametrize(
    ("part", "measured", "expected"),
    [(0.0, 20.0, 20.0), (0.5, 20.0, 20.42807), (1.0, 20.0, 20.88075)],
)
def test_air_and_water_of_the_published_form(part, measured, expected):
    """Hasenmueller (2011), doi 10.7936/K7N014KS: L 1 read as 1.2, H 80.1 read as 76.

    The form of the correction as cited; the three values are computed from it.
    """
    found = follow_two(0, None, pair(30, 1.2, 76.0), [], RULE)
    day = 30 * part if part < 1 else 30
    assert at(found, day, measured)[0] == pytest.approx(expected, abs=1e-5)


def test_each_standard_is_read_as_itself_at_the_check():
    found = follow_two(0, None, pair(30, 1.2, 76.0), [], RULE)
    assert at(found, 30, 1.2)[0] == pytest.approx(1.0)
    assert at(found, 30, 76.0)[0] == pytest.approx(80.1)


def test_within_its_uncertainty_nothing_is_applied():
    found = follow_two(0, None, pair(30, 1.02, 80.08), [], RULE)
    assert found.ramps == []
    assert {v.verdict for v in found.verdicts} == {"within"}


def test_only_the_standard_that_moved_is_corrected():
    found = follow_two(0, None, pair(30, 1.0, 76.0), [], RULE)
    assert at(found, 30, 1.0)[0] == pytest.approx(1.0)
    assert at(found, 30, 76.0)[0] == pytest.approx(80.1)
    assert {v.kind: v.verdict for v in found.verdicts} == {LOW: "within", HIGH: "corrected"}


def test_other_standards_at_a_later_visit_count_along_their_own_line():
    """A sensor that reads 2 % low everywhere does so in whatever standards."""
    sure = {"error_u": 1e-4}
    checks = [*pair(30, 1.0, 80.1), *pair(60, 9.8, 39.2, standards=(10.0, 40.0), **sure)]
    found = follow_two(0, None, checks, [], RULE)
    assert at(found, 60, 19.6)[0] == pytest.approx(20.0, abs=1e-4)
    assert at(found, 60, 78.498)[0] == pytest.approx(80.1, abs=2e-3)
    # Taken far outside of its standards, a line is less sure.
    assert at(found, 60, 78.498)[1] > 2 * at(found, 60, 19.6)[1]


def test_a_single_standard_and_a_reference_in_the_soil_are_told_and_not_used():
    soil = Check(10 * DAY, "reference", 0.05, 0.01, 0.02, 1.0)
    found = follow_two(0, None, [soil, pair(20, 1.2, 76.0)[0]], [], RULE)
    assert found.ramps == []
    assert [(v.kind, v.verdict) for v in found.verdicts] == [
        ("reference", "not used"),
        ("bench", "not used"),
    ]


def test_a_later_visit_changes_only_the_time_since_the_one_before():
    first, second = pair(30, 1.2, 76.0), pair(60, 1.4, 71.9)
    before = follow_two(0, None, first, [], RULE)
    after = follow_two(0, None, [*first, *second], [], RULE)
    for day in (3, 15, 29):
        assert at(after, day, 20.0) == at(before, day, 20.0)
    assert at(after, 60, 71.9)[0] == pytest.approx(80.1)


def test_a_cleaning_moves_both_alike():
    washed = [Cleaning(40 * DAY, 2.0, 0.05, 0.01)]
    found = follow_two(0, None, pair(30, 1.0, 80.1), washed, RULE)
    assert at(found, 39.9999, 10.0)[0] == pytest.approx(12.0, abs=0.01)
    assert at(found, 39.9999, 60.0)[0] == pytest.approx(62.0, abs=0.01)
    assert at(found, 41, 10.0)[0] == 10.0
    assert sum(v.kind == "cleaning" for v in found.verdicts) == 1
