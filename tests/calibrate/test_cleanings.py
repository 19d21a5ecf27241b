"""What a cleaning changed, in soil at rest and in soil that moves: by hand throughout.

Water content is 0.12 of root permittivity; 36 readings every ten minutes or six every hour,
half of them before the noted time.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibrate.cleanings import ABOUT_S, Beside, Soil, make_cleaning
from pipeline.calibrate.compare import seen
from pipeline.calibrate.drift import Cleaning, Rule, follow

SLOPE, NOISE = 0.12, 0.002
REST = Soil()


def beside_of(root, interval_s=600):
    """Return what a sensor showed from three hours before a cleaning to three after."""
    time_s = np.arange(-ABOUT_S, ABOUT_S, interval_s)
    parts = (slice(0, time_s.size // 2), slice(time_s.size // 2, None), slice(None))
    before, after, close = (
        seen("root_permittivity", root[p], taken_s=time_s[p]) for p in parts
    )
    return Beside(before, after, close, 0, 0)


def hours(interval_s=600):
    return np.arange(-ABOUT_S, ABOUT_S, interval_s) / 3600


def found(course, step=0.1, at_h=0.0, soil=REST, interval_s=600):
    """Return a cleaning that raises a sensor by ``step`` while the soil takes its course."""
    noise = NOISE * np.random.default_rng(4).standard_normal(len(hours(interval_s)))
    root = 4.0 + course - step * (hours(interval_s) < at_h) + noise
    return make_cleaning(beside_of(root, interval_s), soil, SLOPE)


def front(size, at_h, lasts_h, interval_s=600):
    """Return a rise that begins so many hours from the cleaning, evenly for some time."""
    return size * np.clip((hours(interval_s) - at_h) / lasts_h, 0.0, 1.0)


def is_applied(cleaning):
    return abs(cleaning.step) > Rule().coverage * cleaning.step_u


def test_soil_at_rest():
    still = found(0.0)
    assert still.step == pytest.approx(0.1, abs=0.002)
    # 0.001 m3 m-3 of soil water is 0.0083; noise adds little.
    assert still.step_u == pytest.approx(0.0084, abs=0.0003)


@pytest.mark.parametrize("hourly", [0.1, -0.05])
def test_a_front_or_drainage_under_way_is_no_part_of_the_step(hourly):
    # Medians of three hours each lie three hours apart.
    moving = found(hourly * hours())
    assert moving.step == pytest.approx(0.1, abs=0.004)
    assert moving.step_u < 0.01


def test_a_front_that_begins_at_the_cleaning_leaves_more_doubt():
    begun = found(0.1 * np.maximum(hours(), 0.0))
    assert abs(begun.step - 0.1) < 0.02
    assert begun.step_u > 0.05


def test_three_readings_tell_a_rise_that_no_noise_makes():
    # Hourly permittivities in rain, of the test field: the step is 0.33 by its truth.
    root = np.array([13.45, 14.28, 15.10, 18.86, 19.60, 20.70]) ** 0.5
    cleaned = make_cleaning(beside_of(root, 3600), REST, SLOPE)
    assert cleaned.step == pytest.approx(0.326, abs=0.02)
    assert cleaned.step_u < 0.05
    alone = seen("permittivity", np.array([14.28]))
    assert (alone.median, alone.rise) == (pytest.approx(14.28**0.5), 0.0)


def test_a_line_is_led_over_gaps_and_spikes():
    root = 4.0 + 0.02 * np.arange(18.0)
    root[[3, 4, 5, 11]] = np.nan
    root[8] = 6.0
    shown = seen("permittivity", root**2)
    assert shown.rise == pytest.approx(0.02 * 18, rel=0.05)


@pytest.mark.parametrize("lasts_h", [0.4, 0.8, 1.5])
@pytest.mark.parametrize("middle_h", [-0.7, -0.4, -0.2, 0.0, 0.3, 0.5])
@pytest.mark.parametrize("step", [0.0, 0.1])
def test_a_front_that_passes_is_not_taken_for_dirt(middle_h, lasts_h, step):
    """0.06 m3 m-3 of water within 24 to 90 minutes, on a clean sensor and a dirty one."""
    cleaning = found(front(0.5, middle_h - 0.5 * lasts_h, lasts_h), step)
    wrong = abs(cleaning.step - step)
    assert not is_applied(cleaning) or wrong < 3 * cleaning.step_u
    assert step or not is_applied(cleaning)


def test_a_front_beside_dirt_that_raises_a_reading_is_not_taken_for_less_dirt():
    for at_h in (-1.0, -0.5, 0.2, 0.6):
        cleaning = found(front(0.15, at_h, 0.3), step=-0.3)
        assert abs(cleaning.step + 0.3) < 3 * cleaning.step_u


@pytest.mark.parametrize("at_h", [-0.5, -0.3, -0.1, 0.05, 0.2, 0.45])
@pytest.mark.parametrize("step", [0.1, -0.1])
def test_a_cleaning_noted_half_an_hour_off_keeps_its_step(at_h, step):
    rounded = found(0.0, step, at_h)
    assert rounded.step == pytest.approx(step, abs=0.003)
    assert is_applied(rounded)
    assert rounded.doubt < 0.005


def test_a_step_elsewhere_than_at_the_cleaning_is_not_the_cleanings():
    assert not is_applied(found(0.0, 0.1, at_h=-0.9))


def test_a_sensor_in_hands_as_it_is_cleaned_does_not_hide_its_step():
    """It is held into the air for two readings: a root of 1."""
    course = np.where((hours() > -0.1) & (hours() < 0.2), -3.0, 0.0)
    held = found(course)
    assert held.step == pytest.approx(0.1, abs=0.003)
    assert is_applied(held)


def test_a_jump_between_hourly_readings_is_doubted_by_the_rain_that_may_have_made_it():
    """10 mm wet ten centimetres of soil by 0.1 m3 m-3; the step of 0.4 is 0.048."""
    still = np.zeros(6)
    dry, wet, drizzle = (
        found(still, 0.4, soil=Soil(rain=rain), interval_s=3600) for rain in (0.0, 0.1, 0.004)
    )
    assert is_applied(dry)
    assert is_applied(drizzle)
    assert not is_applied(wet)
    assert wet.doubt == pytest.approx(0.4, rel=0.02)  # no more than the step
    assert drizzle.doubt == pytest.approx(0.004 / SLOPE, rel=0.1)


def test_rain_lets_be_a_fall_and_a_jump_between_readings_close_in_time():
    rain = Soil(rain=0.1)
    assert is_applied(found(np.zeros(6), -0.4, soil=rain, interval_s=3600))
    assert is_applied(found(0.0, 0.1, soil=rain))


def test_where_readings_are_missing_around_the_cleaning_rain_counts_as_well():
    away = np.where(np.abs(hours()) < 0.5, np.nan, 0.0)
    assert is_applied(found(away, 0.4))
    assert not is_applied(found(away, 0.4, soil=Soil(rain=0.1)))


def test_references_on_both_sides_tell_the_soil_and_leave_no_doubt():
    """A front of 0.25 (0.03 m3 m-3) between the two, half an hour before the cleaning."""
    told = Soil(0.03, 0.004, is_told=True, rain=0.1)
    cleaning = found(front(0.25, -0.6, 0.2), 0.1, soil=told)
    assert cleaning.step == pytest.approx(0.1, abs=0.01)
    assert cleaning.doubt == 0.0


def test_readings_not_known_one_by_one_leave_no_doubt():
    root = 4.0 + front(0.5, -0.4, 0.4)
    shown = beside_of(root)
    bare = Beside(shown.before, shown.after, seen("root_permittivity", root), 0, 0)
    assert make_cleaning(bare, REST, SLOPE).doubt == 0.0


def test_noise_is_no_movement_of_the_soil():
    """Readings that scatter by 0.02: doubt stays far below the largest of 18."""
    noise = 0.02 * np.random.default_rng(5).standard_normal(36)
    assert found(noise, 0.3).doubt < 0.02


def test_a_step_that_the_soil_may_have_made_is_told_so_and_ends_nothing():
    for doubt, word in ((0.03, "soil moved"), (0.0, "no step")):
        washed = Cleaning(86_400, 0.06, 0.031, 0.12, doubt)
        ramps, (verdict,) = follow(0, None, [], [washed], Rule())
        assert (ramps, verdict.verdict) == ([], word)
