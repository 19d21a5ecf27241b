"""Rates of nights freed of what all sensors lose alike, on nights made by hand."""

import numpy as np
import pandas as pd
import pytest

from pipeline.derive.conductivity import CLASS_MM_D, field_conductivity, rates_by_law
from pipeline.derive.law_fits import laws_by_offset, median_near
from pipeline.derive.night_laws import OFFSETS, SLOPES, conductivity_laws, nights_of
from pipeline.derive.night_rates import common_loss, drained_rates, held_above, tube_rates

NIGHTS = 90
# Three sensors, each with its law ln K = a + b theta [mm/d] and a range of water content.
LAWS = {
    0.1: (-11.0, 45.0, 0.18, 0.30),
    0.4: (-14.0, 50.0, 0.22, 0.31),
    1.0: (-9.0, 30.0, 0.2, 0.3),
}


def made(common, noise=0.0, wet=()):
    """Return a pattern of nights that lose ``common`` (night,) besides, and true drainage."""
    random = np.random.default_rng(4)
    wetness = random.permutation(np.linspace(0, 1, NIGHTS))
    rows, true = [], []
    for depth, (a, b, low, high) in LAWS.items():
        water = low + (high - low) * np.clip(wetness + 0.2 * random.random(NIGHTS), 0, 1)
        drained = np.exp(a + b * water)
        rate = drained + common + noise * random.standard_normal(NIGHTS)
        rate[list(wet)] = np.nan
        true.append(drained)
        rows.append(pattern_rows(depth, np.arange(NIGHTS), water, rate, max(noise, 0.02)))
    return pd.concat(rows, ignore_index=True), np.concatenate(true)


def pattern_rows(depth, days, water, rate, noise=0.02):
    """Return the rows of one sensor."""
    return pd.DataFrame(
        {
            "day_s": days * 86_400,
            "depth_m": depth,
            "night_s": days * 86_400,
            "night_water_content": water,
            "night_drainage_mm_d": rate,
            "night_drainage_error": np.hypot(0.35, noise),
            "uptake_above_mm_d": np.nan,
        }
    )


def test_what_all_sensors_lose_alike_is_told_from_drainage():
    common = 0.2 + 0.15 * np.sin(np.arange(NIGHTS))
    pattern, true = made(common)
    nights = nights_of(pattern)
    found = common_loss(conductivity_laws(nights), nights)
    assert np.corrcoef(found, common)[0, 1] > 0.85
    rates = drained_rates(pattern)
    before = np.abs(pattern["night_drainage_mm_d"] - true).mean()
    after = np.abs(rates["drainage_mm_d"] - true).mean()
    assert after < 0.5 * before


def test_a_wet_night_has_the_rate_of_its_water_content():
    wet = range(20, 30)
    pattern, true = made(np.full(NIGHTS, 0.1), noise=0.1, wet=wet)
    rates = drained_rates(pattern)
    missing = pattern["night_drainage_mm_d"].isna().to_numpy()
    assert missing.sum() == 30
    off = np.abs(rates["drainage_mm_d"].to_numpy() - true)[missing]
    assert (off <= 1.96 * rates["drainage_error"].to_numpy()[missing]).mean() >= 0.87
    assert np.median(off) < 0.25


def test_what_is_used_by_day_is_a_mean_of_the_days_around_as_far_as_they_tell():
    # by hand: 1, 2, .. mm a day and one unknown; ten days either side of the first are 1 to 11
    # without 5; far from any value it is 1 mm a day, and never less than nothing.
    pattern, _ = made(np.full(NIGHTS, 0.2))
    third = pattern["depth_m"] == 1.0
    used = np.arange(1.0, NIGHTS + 1)
    used[4], used[40:] = np.nan, np.nan
    pattern.loc[third, "uptake_above_mm_d"] = used
    found = nights_of(pattern).used
    assert found[0] == pytest.approx((66 - 5) / 10)
    assert found[30] == pytest.approx(np.arange(21, 41).mean())
    assert found[NIGHTS - 1] == 1.0
    pattern.loc[third, "uptake_above_mm_d"] = -3.0
    assert (nights_of(pattern).used == 0.0).all()


def test_a_law_is_not_followed_into_soil_far_wetter_than_was_seen():
    pattern, _ = made(np.zeros(NIGHTS), wet=[11])
    wet = (pattern["night_s"] == 11 * 86_400) & (pattern["depth_m"] == 0.4)
    pattern.loc[wet, "night_water_content"] = 0.36
    rates = drained_rates(pattern)
    assert rates.loc[wet, "drainage_mm_d"].isna().all()
    # In all other nights the laws are followed as if it had not been so wet.
    others = pattern["night_s"] != 11 * 86_400
    before = drained_rates(made(np.zeros(NIGHTS), wet=[11])[0])["drainage_mm_d"]
    np.testing.assert_allclose(rates["drainage_mm_d"][others], before[others], rtol=1e-9)
    by_law = rates_by_law(pattern, field_conductivity(pattern))
    assert by_law.loc[wet, "gradient_drainage_mm_d"].isna().all()
    assert by_law.loc[~wet, "gradient_drainage_mm_d"].notna().all()


def test_a_rate_is_the_law_and_what_lies_beyond_it():
    pattern, true = made(np.zeros(NIGHTS), noise=0.02, wet=[3])
    rates = tube_rates(pattern)
    np.testing.assert_array_equal(rates.rate, rates.law + rates.beyond)
    assert (rates.beyond < 0).any()
    for law, drained in zip(rates.law, true.reshape(rates.law.shape), strict=True):
        assert np.corrcoef(law, drained)[0, 1] > 0.9


def test_a_class_of_many_nights_is_no_surer_than_a_quarter_of_its_mean():
    """docs/events.md: the larger of what nights state and how they scatter, ⊕ a quarter."""
    water = np.repeat([0.251, 0.271, 0.291], 40)
    rate = np.exp(-11.0 + 45.0 * water)
    pattern = pattern_rows(0.1, np.arange(120), water, rate, noise=0.02)
    table = field_conductivity(pattern)
    assert (table["nights"] > 20).all()
    mean = table["conductivity_mm_d"].to_numpy()
    assert mean[2] > 5 * mean[0] > 0.5
    noise = nights_of(pattern).noise[0, 0]
    expected = np.sqrt(noise**2 + CLASS_MM_D**2 + (0.25 * mean) ** 2)
    np.testing.assert_allclose(table["conductivity_error"], expected, rtol=1e-6)


def test_without_a_law_the_rate_stands_and_nothing_is_invented():
    pattern, _ = made(np.zeros(NIGHTS), wet=[3])
    few = pattern[(pattern["night_s"] < 6 * 86_400) & (pattern["depth_m"] == 0.4)]
    rates = drained_rates(few)
    there = few["night_drainage_mm_d"].notna()
    np.testing.assert_allclose(
        rates.loc[there, "drainage_mm_d"], few.loc[there, "night_drainage_mm_d"], atol=0.3
    )
    assert rates.loc[~there, "drainage_mm_d"].isna().all()


def test_a_night_in_which_no_sensor_was_read_has_the_offset():
    pattern, _ = made(np.full(NIGHTS, 0.2), wet=[7])
    nights = nights_of(pattern)
    laws = conductivity_laws(nights)
    assert common_loss(laws, nights)[7] == pytest.approx(laws.offset)


def test_an_amount_is_more_and_less_sure_near_the_soil_that_is_not_seen():
    # by hand: at 10 cm much is 2.8 mm; so 1 - 1/e of 1 mm, all of it after a large gain or
    # where it is not known, nothing after none; 20 cm below the first sensor 1/e of that,
    # where much is 8.4 mm. 0.22 + 0.5 mm of uncertainty.
    gain = np.array([2.8, 280.0, np.nan, 0.0, -1.0])
    more, error = held_above(0.1, 0.0, gain)
    np.testing.assert_allclose(more, [1 - np.exp(-1), 1.0, 1.0, 0.0, 0.0], atol=1e-9)
    assert error == pytest.approx(0.72)
    deeper, _ = held_above(0.3, 0.2, 3 * gain)
    np.testing.assert_allclose(deeper, more * np.exp(-1))
    errors = [held_above(0.1 + z, z, gain)[1] for z in (0.0, 0.1, 0.9)]
    assert errors == sorted(errors, reverse=True)
    assert errors[-1] > 0


def test_laws_of_flux_stand_in_for_conductivity_where_the_gradient_drives():
    # Water is drawn up past the first sensor in the drier half of the nights, which no law of
    # conductivity has; by hand, q = K + 8 (theta - theta of the next - 0.01) mm a day.
    random = np.random.default_rng(6)
    wet = np.repeat(random.uniform(0.18, 0.30, 30), 5)
    below = 0.22 + 0.3 * (
        np.convolve(np.pad(wet, (4, 0), "edge"), np.ones(5) / 5, "valid") - 0.2
    )
    deep = 0.25 + 0.1 * (below - 0.22)
    water = np.stack([wet, below, deep])
    true = np.exp(-11 + 42 * water)
    true[0] += 60 * (wet - below - 0.01)
    common = 0.2 + 0.4 * random.standard_normal(wet.size)
    days = np.arange(wet.size)
    parts = [
        pattern_rows(depth, days, water[k], true[k] + common)
        for k, depth in enumerate((0.1, 0.2, 0.4))
    ]
    found = drained_rates(pd.concat(parts, ignore_index=True))
    off = np.abs(found["drainage_mm_d"].to_numpy() - true.ravel())
    assert true.min() < -1
    assert off.mean() < 0.6 * np.abs(common).mean()


def test_a_rate_behind_which_few_nights_stand_is_less_sure():
    # by hand: 0.07 mm a day and 0.06 of the rate in quadrature, times 1 + 60 / 80 (of ninety
    # nights so many count for the laws), and times 1 + 60 / 20 with twenty nights; and noise
    # of at most 0.073 mm a day.
    pattern, _ = made(np.full(NIGHTS, 0.1))
    assert NIGHTS == 90
    for days, count in ((NIGHTS, 80), (20, 20)):
        some = pattern[pattern["night_s"] < days * 86_400]
        found = drained_rates(some)
        rate = found["drainage_mm_d"].to_numpy()
        by_hand = np.sqrt((1 + 60 / count) * (0.07**2 + (0.06 * rate) ** 2))
        assert (found["drainage_error"] > by_hand).all()
        assert (found["drainage_error"] < np.hypot(by_hand, 0.073)).all()


@pytest.mark.parametrize("size", [8, 9, 400, 401])
@pytest.mark.parametrize("guess", [0.0, 0.5, 1.0, 1.2, 50.0])
def test_the_median_is_the_same_whatever_the_guess(size, guess):
    values = np.random.default_rng(size).lognormal(0.0, 0.5, size)
    values[:3] = values[0]  # some alike
    values /= np.median(values)  # a guess of 1 is right
    assert median_near(values, guess, np.empty(size)) == np.median(values)


def plain_fit(shape, rate, weight):
    """Return factor and misfit of a shape in three turns, far nights weighing less."""
    pull = weight
    for turn in range(3):
        factor = max((pull * shape * rate).sum() / (pull * shape**2).sum(), 1e-6)
        away = np.abs(rate - factor * shape) * np.sqrt(weight)
        if turn == 0:
            scale = 1.4826 * np.median(away) + 1e-9
        pull = weight / np.maximum(1.0, away / (2.0 * scale))
    return factor, np.where(away < 4.0, away**2, 8.0 * away - 16.0).sum()


def test_laws_of_all_offsets_at_once_are_those_of_each_alone():
    random = np.random.default_rng(7)
    water = random.uniform(0.2, 0.35, 51)
    rate = np.exp(-11.0 + 45.0 * water) + 0.2 + 0.3 * random.standard_t(2, 51)
    weight = random.uniform(1.0, 9.0, 51)
    misfit, laws = laws_by_offset(water, rate, weight, OFFSETS, SLOPES)
    top = water.max()
    for n, offset in enumerate(OFFSETS):
        shapes = [np.exp(slope * (water - top)) for slope in SLOPES]
        fits = [plain_fit(shape, rate - offset, weight) for shape in shapes]
        best = int(np.argmin([squares for _, squares in fits]))
        factor, squares = fits[best]
        law = np.log(factor) - SLOPES[best] * top, SLOPES[best]
        np.testing.assert_allclose(misfit[n], squares, rtol=1e-9)
        np.testing.assert_allclose(laws[n], law, rtol=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_wet_nights_tell_the_slope_of_a_law_though_they_are_far_from_it(seed):
    # Rates scatter by a factor (exp of 0.8 normal draws), so in wet soil by many millimetres.
    random = np.random.default_rng(seed)
    water = random.uniform(0.2, 0.36, 240)
    factor = np.exp(0.8 * random.standard_normal(240) - 0.32)
    rate = 6.0 * np.exp(50.0 * (water - 0.36)) * factor
    _, laws = laws_by_offset(water, rate, np.full(240, 10.0), np.array([0.0]), SLOPES)
    assert laws[0, 1] == pytest.approx(50.0, rel=0.3)


def test_nights_with_no_rate_because_the_top_has_dried_tell_no_scatter():
    # by hand: 40 nights scatter by 0.3 about a law; in 100 in dry soil next to nothing
    # drains, and without noise. They fit any law, and would make the scatter next to nothing.
    random = np.random.default_rng(5)
    water = np.concatenate([np.linspace(0.24, 0.32, 40), np.linspace(0.1, 0.14, 100)])
    rate = np.exp(-12 + 42 * water) + 0.3 * random.standard_normal(140)
    rate[40:] = 1e-4 * random.random(100)
    noise = np.where(np.arange(140) < 40, 0.02, 0.0)
    pattern = pattern_rows(0.1, np.arange(140), water, rate, noise)
    laws = conductivity_laws(nights_of(pattern))
    told = np.abs(rate - laws.offset - np.exp(laws.intercept + laws.slope * water))[:40]
    # Nine tenths of a normal distribution lie within 1.645 standard deviations (NIST/SEMATECH
    # e-Handbook, 1.3.6.7.1).
    assert laws.scatter[0] == pytest.approx(np.quantile(told, 0.9) / 1.645, rel=1e-3)
    assert 0.2 < laws.scatter[0] < 0.5
    # Where hardly any night tells a scatter, a rate may be off by what it may be off unseen.
    dry = conductivity_laws(nights_of(pattern[35:]))
    assert 0.35 <= dry.scatter[0] < 0.5


def test_few_nights_soon_after_a_peak_count_in_the_scatter_about_a_law():
    # By hand: of 100 nights 85 scatter by 0.1; in 15 that come soon after a peak 2 mm a day
    # pass beyond the law. The median of all distances is about 0.07 as it would be without.
    random = np.random.default_rng(8)
    water = random.uniform(0.24, 0.32, 100)
    rate = np.exp(-12 + 42 * water) + 0.1 * random.standard_normal(100)
    rate[::7] += 2.0
    laws = conductivity_laws(
        nights_of(pattern_rows(0.1, np.arange(100), water, rate, np.full(100, 0.02)))
    )
    assert 2.0 / 1.645 < 1.3 * laws.scatter[0] < 2.0
