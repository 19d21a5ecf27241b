"""Drift between checks: the published formulas, the criterion, cleanings and rests."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from pipeline.calibrate.drift import (
    Check,
    Cleaning,
    Rule,
    calibration_error,
    follow,
    fouling_error,
    prorated,
    rating,
    stretches,
)

DAY = 86_400
RULE = Rule()


def check(day, error, error_u=0.001, standing_u=0.01, kind="reference", slope=0.1):
    return Check(round(day * DAY), kind, error, error_u, standing_u, slope)


def ramps(*checks, cleanings=(), until=None, rule=RULE):
    return follow(0, until, checks, cleanings, rule)[0]


def test_fouling_by_the_formula_of_wagner_2006():
    # Provenance: formula from memory, numbers by hand. (0.250 - 0.238) - (0.245 - 0.243).
    error = fouling_error(0.250, 0.238, 0.245, 0.243)
    assert error == pytest.approx(0.010, abs=1e-12)
    assert 100 * error / 0.238 == pytest.approx(4.20, abs=0.005)
    assert calibration_error(20.0, 20.4) == pytest.approx(-0.4)


@pytest.mark.parametrize(
    ("days", "expected"), [(0, 0), (7.5, 0.0025), (15, 0.005), (30, 0.01)]
)
def test_a_correction_is_prorated_over_thirty_days(days, expected):
    # Provenance: by hand, linear from 0 to 0.010 over 30 days.
    assert prorated(0.0, 0.010, days / 30) == pytest.approx(expected, abs=1e-12)


def test_an_error_within_its_uncertainty_is_let_be():
    # By hand: the limit is 3 sqrt(0.001^2 + 0.01^2) = 0.03015.
    found, (verdict,) = follow(0, None, [check(30, 0.030)], [], RULE)
    assert found == []
    assert (verdict.verdict, verdict.correction) == ("within", 0.0)
    assert verdict.limit == pytest.approx(0.0301496, rel=1e-5)


def test_drift_is_corrected_from_the_check_before_and_stands_after():
    found = ramps(check(30, 0.0), check(60, 0.06))
    assert [(r.start_s // DAY, r.until_s and r.until_s // DAY) for r in found] == [
        (30, 60),
        (60, None),
    ]
    # By hand: a first check of weight 1e6 beside a law of weight 1e4 leaves a standing
    # difference of 0 with variance 1 / 1.01e6.
    assert (found[0].first, found[0].last) == (0.0, pytest.approx(0.06))
    assert found[0].last_error == pytest.approx((1e-6 + 1 / 1.01e6) ** 0.5, rel=1e-9)
    assert found[1].first == found[1].last == found[0].last
    assert found[1].growth == pytest.approx(0.06 / (30 * DAY))


def test_a_standing_difference_is_no_drift():
    quiet = [check(30 * n, 0.008) for n in range(1, 6)]
    found, verdicts = follow(0, None, quiet, [], RULE)
    assert found == []
    assert {verdict.verdict for verdict in verdicts} == {"within"}
    (first, _held) = ramps(*quiet, check(180, 0.028))
    # By hand: five checks of weight 1e6 and the law's 1e4 at zero: 0.008 * 5e6 / 5.01e6.
    assert first.last == pytest.approx(0.028 - 0.008 * 5e6 / 5.01e6, rel=1e-9)


def test_a_slow_drift_is_told_from_the_standing_difference_it_began_at():
    # Two quiet checks, then 0.004 a month beside an uncertainty of 0.002: by the sixth month
    # the onset is known, and what was missed before it showed is not part of the difference.
    errors = [0.005, 0.005, *(0.005 + 0.004 * n for n in range(1, 9))]
    checks = [check(30 * (n + 1), e, 0.002) for n, e in enumerate(errors)]
    found, verdicts = follow(0, None, checks, [], RULE)
    assert verdicts[-1].correction == pytest.approx(0.032, abs=0.001)
    assert found[0].start_s <= 150 * DAY


def test_what_comes_back_by_itself_ends_the_correction():
    errors = [0.0, 0.0, 0.02, 0.04, 0.06, 0.0, 0.0]
    checks = [check(30 * (n + 1), e) for n, e in enumerate(errors)]
    verdicts = follow(0, None, checks, [], RULE)[1]
    assert [v.verdict for v in verdicts[4:]] == ["corrected", "within", "within"]


def words(*errors, error_u=0.001):
    checks = [check(30 * (n + 1), error, error_u) for n, error in enumerate(errors)]
    found, verdicts = follow(0, None, checks, [], RULE)
    return found, [verdict.verdict for verdict in verdicts]


def test_what_has_passed_by_the_next_check_is_no_drift():
    # A sensor that was stuck at the second visit, or a reference of another tube.
    assert words(0.002, 0.03)[1] == ["within", "corrected"]
    found, verdicts = words(0.002, 0.03, 0.001)
    assert found == []
    assert verdicts == ["within", "passed", "within"]
    found, verdicts = words(0.002, 0.03, 0.001, 0.0, 0.002, 0.04, 0.001)
    assert found == []
    assert verdicts.count("passed") == 2


def test_a_first_check_far_from_all_later_ones_and_from_the_law_is_no_drift():
    # Standing differences have an uncertainty of 0.01 (`check`).
    assert words(0.02, 0.0)[1] == ["within", "corrected"]
    found, verdicts = words(0.02, 0.0, 0.001)
    assert found == []
    assert verdicts == ["passed", "within", "within"]


def test_a_jump_that_lasts_is_corrected():
    found, verdicts = words(0.0, 0.02, 0.02, 0.021)
    assert verdicts == ["within", "corrected", "corrected", "corrected"]
    assert found[-1].first == pytest.approx(0.02, abs=0.002)


def test_drift_that_was_cleaned_away_unnoted_stays_corrected():
    found, verdicts = words(0.0, 0.0, 0.01, 0.02, 0.03, 0.0)
    assert verdicts == ["within", "within", *["corrected"] * 3, "within"]
    assert (found[-1].first, found[-1].last) == (pytest.approx(0.03, abs=0.001), 0.0)


def test_a_later_check_changes_nothing_before_the_one_before_it():
    checks = [check(30, 0.0), check(60, 0.04), check(90, 0.05), check(120, 0.07)]
    whole = ramps(*checks)
    for known in (2, 3):
        part = ramps(*checks[:known])
        assert part[:-1] == whole[: len(part) - 1]
        assert part[-1].until_s is None
        assert part[-1].start_s == checks[known - 1].time_s


def test_a_cleaning_settles_the_time_since_the_sensor_was_clean():
    # Readings uncertain by 0.02 beside a drift of 0.06 from day 60 to day 150: one by one they
    # show little, but the cleaning tells where the line ends.
    errors = [0.01, -0.012, 0.03, 0.028]
    checks = [check(30 * (n + 1), e, 0.02) for n, e in enumerate(errors)]
    wash = Cleaning(150 * DAY, 0.06, 0.001, 0.1)
    found = ramps(*checks, check(180, 0.0, 0.02), cleanings=[wash])
    assert at_day(found, 105) == pytest.approx(0.03, abs=0.01)
    assert found[0].first == 0.0
    assert (found[-1].until_s, found[-1].last) == (150 * DAY, 0.06)
    assert all(a.until_s == b.start_s and a.last == b.first for a, b in pairwise(found))
    assert max(ramp.last_error for ramp in found) > 3 * found[-1].last_error


def at_day(found, day):
    """Return a correction by its ramps."""
    times = [found[0].start_s, *(ramp.until_s for ramp in found)]
    return np.interp(day * DAY, times, [found[0].first, *(ramp.last for ramp in found)])


def test_a_settled_course_is_the_mean_of_lines_from_every_onset():
    # A check that tells nothing leaves all onsets o from 0 to T alike; by hand, the mean of
    # (t - o) / (T - o) over those before t is (t + (T - t) ln((T - t) / T)) / T, of its square
    # ((2 T - t) t / T + 2 (T - t) ln((T - t) / T)) / T.
    wash = Cleaning(100 * DAY, 0.06, 1e-6, 0.1)
    found = ramps(check(50, 0.0, 50.0), cleanings=[wash])
    inner = [ramp for ramp in found if 0.02 < ramp.start_s / (100 * DAY) < 0.95]
    assert len(inner) > 4
    for ramp in inner:  # near the ends, 256 onsets tell the integrals less exactly
        t = ramp.start_s / (100 * DAY)
        mean = t + (1 - t) * np.log(1 - t)
        square = (2 - t) * t + 2 * (1 - t) * np.log(1 - t)
        assert ramp.first == pytest.approx(0.06 * mean, abs=2e-4)
        spread = (square - mean**2) ** 0.5
        assert ramp.first_error == pytest.approx(0.06 * spread, rel=0.03)


def test_readings_just_before_and_after_a_cleaning_are_two_checks():
    # A check probe read before and after the contacts were cleaned, an hour apart.
    wash = Cleaning(150 * DAY, 0.06, 0.001, 0.1)
    hour = 1 / 24
    before = [check(30, 0.0, 0.02), check(90, 0.02, 0.02), check(150 - hour, 0.055, 0.02)]
    found = ramps(*before, check(150 + hour, 0.0, 0.02), cleanings=[wash])
    alone = ramps(*before, cleanings=[wash])
    assert found == alone
    assert (found[-1].until_s, found[-1].last) == (150 * DAY, 0.06)
    # At the instant of the cleaning itself a reading counts as after it.
    assert ramps(*before, check(150, 0.0, 0.02), cleanings=[wash]) == alone


def test_cleaning_takes_the_drift_away_in_one_step():
    wash = Cleaning(75 * DAY, 0.07, 0.001, 0.1)
    found = ramps(check(30, 0.0), check(60, 0.062), check(90, 0.0), cleanings=[wash])
    whole = ramps(check(30, 0.0), check(60, 0.0467), cleanings=[wash])
    # By hand: a line from day 30 to 0.07 passes day 60 at 0.0467; 0.062 is far off that and
    # any other line, so that the checks stand as they were found.
    assert (whole[-1].until_s, whole[-1].last) == (75 * DAY, 0.07)
    assert at_day(whole, 30) == pytest.approx(0.0, abs=0.001)
    assert at_day(whole, 60) == pytest.approx(0.0467, abs=0.001)
    assert [(r.start_s // DAY, r.until_s // DAY, r.first, r.last) for r in found] == [
        (30, 60, 0.0, pytest.approx(0.062, abs=1e-4)),
        (60, 75, pytest.approx(0.062, abs=1e-4), 0.07),
    ]


def test_what_did_not_go_with_the_dirt_stays():
    wash = Cleaning(75 * DAY, 0.03, 0.001, 0.1)
    found = ramps(check(30, 0.0), check(60, 0.08), cleanings=[wash])
    assert found[1].last == pytest.approx(0.08)
    assert (found[2].first, found[2].until_s) == (pytest.approx(0.05), None)


def test_a_cleaning_that_changed_nothing_is_no_step():
    found, verdicts = follow(0, None, [], [Cleaning(DAY, 0.002, 0.001, 0.1)], RULE)
    assert found == []
    assert verdicts[0].verdict == "no step"


def test_an_error_too_large_is_no_drift():
    found, verdicts = follow(0, None, [check(30, 0.0), check(60, 1.6)], [], RULE)
    assert found == []  # 1.6 times 0.1 is 0.16 m3 m-3
    assert verdicts[1].verdict == "too large"


def test_a_standard_has_no_standing_difference():
    # By hand: 0.02 is beyond 3 * 0.005, which it would not be beside a law's 0.01.
    bench = check(60, 0.02, 0.005, 0.0, "bench")
    assert ramps(bench)[0].last == pytest.approx(0.02)
    assert ramps(check(60, 0.02, 0.005)) == []


def test_checks_of_one_visit_are_one_weighted_mean():
    # By hand: 0.06 of weight 1 / (1e-4 + 1e-4) and 0.09 of weight 1 / (4e-4 + 1e-4).
    both = [check(60, 0.06, 0.01), Check(60 * DAY + 600, "hand", 0.09, 0.02, 0.01, 0.1)]
    (first, _held) = ramps(*both)
    assert first.last == pytest.approx((0.06 * 5000 + 0.09 * 2000) / 7000, rel=1e-9)
    assert ramps(*reversed(both)) == ramps(*both)


def test_a_new_probe_begins_anew():
    assert stretches(0, [5, 9, 5, -1]) == [(0, 5), (5, 9), (9, None)]
    found = ramps(check(30, 0.0), check(60, 0.06), until=70 * DAY)
    assert found[-1].until_s == 70 * DAY


@pytest.mark.parametrize(
    ("correction", "word"),
    [
        (0.0, "excellent"),
        (-0.01, "excellent"),
        (0.015, "good"),
        (-0.04, "fair"),
        (0.05, "poor"),
    ],
)
def test_the_rating_is_our_own(correction, word):
    assert rating(correction) == word
