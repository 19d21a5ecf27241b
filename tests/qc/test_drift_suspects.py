"""Suspected drift: drained states, trends against neighbours, and what is not told."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.qc.drift_suspects import (
    Suspect,
    drained_states,
    neighbour_suspect,
    sentence,
    wet_end_suspect,
)

FIRST = np.datetime64("2020-10-01")


def days_of(years):
    return FIRST + np.arange(round(years * 365.25))


def months(days):
    return days.astype("datetime64[M]").astype(np.int64) % 12 + 1


def field(years, seed=0):
    """Return daily water content: storms in winter drain to 0.30, summers dry out."""
    days = days_of(years)
    random = np.random.default_rng(seed)
    season = np.cos(2 * np.pi * (np.arange(days.size) - 110) / 365.25)
    base = 0.30 - 0.10 * np.clip(-season, 0, None)
    storms = np.flatnonzero(random.random(days.size) < 0.05)
    extra = np.zeros(days.size)
    for storm in storms:
        after = np.arange(min(12, days.size - storm))
        extra[storm + after] += 0.05 * np.exp(-after / 0.8)
    return days, base + extra + random.normal(0, 0.0005, days.size)


def test_drained_states_by_hand():
    daily = np.array([0.3] * 5 + [0.33, 0.315, 0.306, 0.304, 0.303] + [0.302] * 5)
    january = np.full(daily.size, 1)
    np.testing.assert_array_equal(drained_states(daily, january, southern=False), [8])
    july = np.full(daily.size, 7)
    assert drained_states(daily, july, southern=False).size == 0
    np.testing.assert_array_equal(drained_states(daily, july, southern=True), [8])
    assert drained_states(daily[:4], january[:4], southern=False).size == 0


def test_after_a_second_wetting_the_days_count_from_its_own_peak():
    # By hand: two days after the peak of day 5 it rises again; day 10 is three after day 7.
    daily = np.array([0.3] * 5 + [0.33, 0.312, 0.316, 0.314, 0.313, 0.312] + [0.312] * 4)
    states = drained_states(daily, np.full(daily.size, 1), southern=False)
    np.testing.assert_array_equal(states, [10])


def test_soil_that_begins_to_dry_without_a_wetting_is_no_drained_state():
    daily = np.array([0.33] * 5 + [0.326, 0.324, 0.322, 0.321] + [0.32] * 4)
    assert drained_states(daily, np.full(daily.size, 1), southern=False).size == 0


@pytest.mark.parametrize("per_year", [0.015, -0.02])
def test_a_creeping_wet_end_is_told_with_its_slope(per_year):
    days, water = field(4)
    drifting = water + per_year * np.arange(days.size) / 365.25
    found = wet_end_suspect(drifting, months(days))
    assert found.kind == "wet end"
    assert found.slope == pytest.approx(per_year, abs=0.004)
    assert found.p < 0.01


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_sensor_is_not_suspected(seed):
    days, water = field(4, seed)
    assert wet_end_suspect(water, months(days)) is None
    assert neighbour_suspect(water + 0.03, water) is None
    # A drier soil of other texture: it differs more when dry, and that is no drift.
    assert neighbour_suspect(0.7 * water, water) is None


def test_drift_against_neighbours_is_told():
    days, water = field(2)
    found = neighbour_suspect(water + 0.02 * np.arange(days.size) / 365.25, water)
    assert found.kind == "neighbours"
    assert found.slope == pytest.approx(0.02, abs=0.004)


@pytest.mark.parametrize(("part", "slope"), [(0.9, None), (0.7, -0.018)])
def test_what_goes_with_wetness_is_no_drift_up_to_a_part(part, slope):
    """Neighbours grow wetter by 0.12 m3 m-3 a year; this sensor shows a part of what they do.

    By hand: a tenth less goes with wetness altogether. Of three tenths 0.15 do
    (docs/drift.md); the other 0.15 look like drift of -0.15 * 0.12 m3 m-3 a year.
    """
    others = 0.10 + 0.12 * np.arange(730) / 365.25
    found = neighbour_suspect(part * others, others)
    assert (found and found.slope) == (slope and pytest.approx(slope, rel=1e-6))


def test_too_few_values_tell_nothing():
    days, water = field(0.4)
    assert neighbour_suspect(water + 0.1 * np.arange(days.size) / 365.25, water) is None
    assert wet_end_suspect(np.full(days.size, np.nan), months(days)) is None


def test_the_sentence_says_what_how_much_and_what_to_do():
    said = sentence(Suspect("wet end", -0.0213, 0.0004, 17, 0, 700), 1_601_510_400)
    assert said == (
        "the drained state after winter wettings creeps down by 0.021 m3 m-3 a year, "
        "2020-10-01 to 2022-09-01 (17 values, p = 0.0004): drift is suspected; read a "
        "reference"
    )
