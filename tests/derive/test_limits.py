"""Limits from a record: made spells with known limits, and what must not be taken for one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.limits import LimitRules, drainage_spells, sensor_limits, tube_limits

RULES = LimitRules()


def drain(start=0.36, scale=0.02, time=1.0, uptake=0.0, days=20):
    """Return a spell that drains as soil with exponential conductivity does."""
    day = np.arange(days)
    return start - scale * np.log1p(day / time) - uptake * day


def test_redistribution_by_gravity_drains_when_its_solution_says():
    # Sisson, Ferguson & van Genuchten (1980), Soil Sci. Soc. Am. J. 44, 1147-1153 (from
    # memory), with K = Ks exp(a (theta - theta_s)), a 60, Ks 10 cm/d, theta_s 0.45, depth
    # 100 cm: theta = 0.45 - ln(600 t / 100) / 60, so .42014, .40858, .39331, .38176 after
    # 1, 2, 5 and 10 days (worked by hand). Its decline is 1 / (60 t) a day: with 0.004 a day
    # drained after 1 / (60 * 0.004) = 4.1667 days, at 0.45 - ln(25) / 60 = 0.396352.
    day = np.arange(1, 21)
    theta = 0.45 - np.log(6.0 * day) / 60
    assert theta[[0, 1, 4, 9]] == pytest.approx([0.42014, 0.40858, 0.39331, 0.38176], abs=5e-6)
    rules = LimitRules(drained_rate=0.004)
    found = drainage_spells(np.tile(theta, 3), rules)
    assert found.days.tolist() == [20, 20]  # the first has no wetting before it
    assert found.drained == pytest.approx([0.396352] * 2, abs=2e-4)
    # The record begins a day after the wetting, and so does the time.
    assert found.days_to_drain == pytest.approx([3.1667] * 2, abs=0.05)


@pytest.mark.parametrize("uptake", [0.0, 0.001, 0.003])
def test_uptake_is_told_from_drainage(uptake):
    # by hand: 0.02 / 0.002 - 1 = 9 days, 0.36 - 0.02 ln(10) = 0.31395, whatever is taken up
    found = sensor_limits(np.tile(drain(uptake=uptake), 8))
    assert found.upper.value == pytest.approx(0.31395, abs=1e-3)
    assert found.days_to_drain.value == pytest.approx(9.0, abs=0.3)
    assert found.upper.spells == 4  # the wetter half of seven


def least_misfit(spell):
    """Return the root mean square misfit of the best curve, by NumPy's least squares."""
    day, found = np.arange(spell.size), []
    for time in np.geomspace(0.2, 10.0, 400):
        terms = np.stack([np.ones(day.size), -np.log1p(day / time), -day], axis=1)
        with_uptake = np.linalg.lstsq(terms, spell, rcond=None)[0]
        used = terms if with_uptake[2] >= 0 else terms[:, :2]
        left = spell - used @ np.linalg.lstsq(used, spell, rcond=None)[0]
        found.append(np.sqrt(np.mean(left**2)))
    return min(found)


def test_the_curve_is_that_of_least_squares():
    rng = np.random.default_rng(5)
    draws = zip(rng.uniform(0.3, 6.0, 12), rng.uniform(-0.001, 0.002, 12), strict=True)
    spells = [drain(time=t, uptake=u, days=7 + k) for k, (t, u) in enumerate(draws)]
    spells = [spell + rng.normal(0.0, 0.0003, spell.size) for spell in spells]
    found = drainage_spells(np.concatenate([[0.3], *spells]), LimitRules(rise=0.008))
    assert found.days.tolist() == [spell.size for spell in spells]
    best = np.array([least_misfit(spell) for spell in spells])
    assert found.misfit == pytest.approx(best, rel=0.01)


def test_no_time_is_laid_down_beforehand():
    slow, fast = (
        sensor_limits(np.tile(drain(scale=scale, days=28), 6)).days_to_drain.value
        for scale in (0.05, 0.008)
    )
    # by hand: 0.05 / 0.002 - 1 and 0.008 / 0.002 - 1
    assert (slow, fast) == (pytest.approx(24.0, abs=0.5), pytest.approx(3.0, abs=0.2))


def test_scatter_of_spells_is_the_uncertainty():
    random = np.random.default_rng(4)
    starts = 0.36 + 0.01 * random.standard_normal(400)
    series = np.concatenate([drain(start=start) for start in starts])
    found = sensor_limits(series, LimitRules(thorough=1.0)).upper
    # by hand: a median of n normal values has pi / 2 times the variance of the mean
    assert found.error == pytest.approx(0.01 * np.sqrt(np.pi / 2 / found.spells), rel=0.15)
    assert abs(found.value - 0.31395) < 3 * found.error


def test_noise_of_daily_means_does_not_move_the_limit():
    random = np.random.default_rng(5)
    series = np.tile(drain(), 40)
    found = sensor_limits(series + 0.0005 * random.standard_normal(series.size))
    assert found.upper.value == pytest.approx(0.314, abs=0.004)


@pytest.mark.parametrize(
    "series",
    [
        np.empty(0),
        np.full(400, np.nan),
        np.full(400, 0.3),
        np.linspace(0.3, 0.1, 400),  # dries without a wetting
        np.linspace(0.1, 0.3, 400),
        np.tile(0.3 - 0.003 * np.arange(20), 10),  # uptake alone
        np.tile(drain(days=5), 40),  # too short to judge
    ],
)
def test_what_shows_no_drainage_has_no_upper_limit(series):
    found = sensor_limits(series)
    assert np.isnan(found.upper.value)
    assert found.upper.spells == 0
    assert np.isnan(found.days_to_drain.value)


def test_a_gap_ends_a_spell():
    series = np.tile(drain(), 3)
    series[24] = np.nan  # five days into the second spell
    found = drainage_spells(series, RULES)
    assert found.first.tolist() == [40]


def test_a_plateau_after_fast_drying_is_a_lower_limit():
    drying = np.concatenate([np.linspace(0.30, 0.10, 40), np.full(20, 0.10)])
    found = sensor_limits(np.concatenate([drying, np.full(200, 0.3), drying]))
    assert found.lower.value == pytest.approx(0.10, abs=2e-3)
    assert (found.lower.spells, found.lower_is_bound) == (2, False)


@pytest.mark.parametrize(
    "series",
    [
        np.linspace(0.30, 0.15, 100),  # still drying when it ends
        np.concatenate([np.linspace(0.30, 0.28, 200), np.full(100, 0.28)]),  # hardly dries
        np.concatenate([np.linspace(0.30, 0.10, 40), np.full(4, 0.10), np.full(50, 0.3)]),
    ],
)
def test_without_a_plateau_the_lowest_value_is_a_bound(series):
    found = sensor_limits(series)
    assert found.lower_is_bound
    assert found.lower.value == series.min()
    assert found.lower.spells == 0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), gap=st.floats(0, 0.3))
def test_any_record_gives_limits_within_its_values_or_none(seed, gap):
    random = np.random.default_rng(seed)
    series = np.clip(0.25 + np.cumsum(0.01 * random.standard_normal(300)), 0.02, 0.5)
    series[random.random(300) < gap] = np.nan
    found = sensor_limits(series)
    assert found.upper.spells >= 0
    if found.upper.spells:
        assert 0.0 <= found.upper.value <= found.highest
    assert found.lower.value >= np.nanmin(series) - 1e-12
    later = sensor_limits(np.concatenate([series, np.full(30, np.nan)]))
    assert repr(later) == repr(found)  # days without a value change nothing


def test_sensors_of_a_tube_together_tell_what_each_tells_alone():
    sensors = [
        np.tile(drain(scale=0.02), 6),
        np.full(120, 0.2),  # no spell at all
        np.append(np.tile(drain(start=0.4, scale=0.03, days=29), 4), np.full(4, np.nan)),
        np.tile(drain(scale=0.015, uptake=0.001, days=15), 8),
    ]
    found = tube_limits(np.stack(sensors, axis=1))
    assert [repr(limits) for limits in found] == [repr(sensor_limits(s)) for s in sensors]
    assert [limits.upper.spells for limits in found] == [3, 0, 2, 4]
    assert tube_limits(np.empty((40, 0))) == []
