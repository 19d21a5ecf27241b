"""Drainage, recession, uptake and conductivity against published and hand-worked values."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.derive.conductivity import (
    CARSEL_PARRISH_1988,
    conductivity_mualem,
    field_conductivity,
    rates_by_law,
    redistribution_exponential,
    redistribution_power,
)
from pipeline.derive.drainage import event_drainage, recession, time_to_drained
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.night_laws import conductivity_laws, nights_of
from pipeline.derive.sun import extraterrestrial, sun_up
from pipeline.derive.uptake import UNSEEN_MM_D, daily_pattern
from pipeline.derive.weights import EndRules

# (hours, water content); provenance: by hand, 0.25 + 0.15 exp(-t / 24 h), five digits.
RECESSION = [(6, 0.36682), (12, 0.34098), (24, 0.30518), (48, 0.27030)]
# (days, water content); provenance: by hand, z / t = dK/dθ of Sisson, Ferguson & van Genuchten
# (1980; the relation from memory) at 100 cm, Ks 10 cm/d, θs 0.45; b 11, and α 60.
POWER = [(1, 0.41152), (2, 0.38396), (5, 0.35035), (10, 0.32688)]
EXPONENTIAL = [(1, 0.42014), (2, 0.40858), (5, 0.39331), (10, 0.38176)]
# (texture, water content where K is 0.01 cm/d); provenance: by hand, van Genuchten (1980) and
# Mualem with the printed means of Carsel & Parrish (1988), worked by another program.
SLOW = [
    ("sand", 0.0690),
    ("loamy sand", 0.0926),
    ("sandy loam", 0.1320),
    ("loam", 0.2130),
    ("silt", 0.2940),
    ("silt loam", 0.2723),
    ("sandy clay loam", 0.2206),
    ("clay loam", 0.3034),
    ("silty clay loam", 0.3711),
    ("sandy clay", 0.3224),
    ("silty clay", 0.3561),
    ("clay", 0.3594),
]


def test_the_recession_is_found_from_its_own_values():
    hours = np.arange(0.0, 121.0)
    water = 0.25 + 0.15 * np.exp(-hours / 24)
    for at, expected in RECESSION:
        assert water[at] == pytest.approx(expected, abs=6e-6)
    constant, drained, fall, residual, share = recession(hours, water)
    assert constant == pytest.approx(24, rel=1e-4)
    assert drained == pytest.approx(0.25, abs=1e-6)
    assert fall == pytest.approx(0.15, abs=1e-6)
    assert residual < 1e-6
    assert share == pytest.approx(1)
    # by hand: 5 % of the fall is left after 24 h ln 20.
    assert time_to_drained(np.array([24.0]))[0] == pytest.approx(71.9, abs=0.05)


def test_noise_and_gaps_leave_the_recession_and_a_line_has_none():
    random = np.random.default_rng(1)
    hours = np.arange(0.0, 121.0)
    water = 0.25 + 0.15 * np.exp(-hours / 24) + 0.0006 * random.standard_normal(hours.size)
    water[20:40] = np.nan
    constant, drained, *_ = recession(hours, water)
    assert constant == pytest.approx(24, rel=0.03)
    assert drained == pytest.approx(0.25, abs=0.001)
    for bad in (0.3 - 1e-4 * hours, 0.3 + 1e-4 * hours, np.full(121, 0.3), water[:8]):
        assert np.isnan(recession(hours[: bad.size], bad)).all()


def test_redistribution_at_unit_gradient_gives_the_worked_values():
    for day, expected in POWER:
        found = redistribution_power(day, 100.0, 0.45, 10.0, 11.0)
        assert found == pytest.approx(expected, abs=6e-6)
    for day, expected in EXPONENTIAL:
        found = redistribution_exponential(day, 100.0, 0.45, 10.0, 60.0)
        assert found == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(("texture", "slow"), SLOW)
def test_conductivity_is_a_tenth_of_a_millimetre_a_day_where_tabulated(texture, slow):
    residual, saturated, _, n, k_saturated = CARSEL_PARRISH_1988[texture]
    around = conductivity_mualem(
        [slow - 6e-5, slow, slow + 6e-5], residual, saturated, n, k_saturated
    )
    assert around[0] <= 0.01 <= around[2]
    assert conductivity_mualem(saturated, residual, saturated, n, k_saturated) == (
        pytest.approx(k_saturated)
    )
    outside = conductivity_mualem(
        [residual, saturated + 0.01], residual, saturated, n, k_saturated
    )
    assert np.isnan(outside).all()


def pattern_of(rates, water, days=None):
    days = np.arange(len(rates)) if days is None else days
    return pd.DataFrame(
        {
            "day_s": days * 86_400,
            "depth_m": 0.6,
            "night_s": days * 86_400,
            "night_water_content": water,
            "night_drainage_mm_d": rates,
            "night_drainage_error": 0.1,
            "uptake_above_mm_d": np.nan,
        }
    )


def test_between_nights_an_exponential_fall_is_integrated_exactly():
    # by hand: 8 mm/d falling with a constant of 3 d gives 24 (1 - exp(-10/3)) mm in ten days.
    days = np.arange(11)
    pattern = pattern_of(8 * np.exp(-days / 3), np.full(11, 0.3), days)
    span = np.array([0]), np.array([10 * 86_400 + 1])
    amount, error, known = event_drainage(*span, pattern, "night_drainage_mm_d")
    assert amount[0] == pytest.approx(24 * (1 - np.exp(-10 / 3)), rel=1e-3)
    assert error[0] == pytest.approx(1.0, rel=0.01)  # 0.1 mm/d over ten days, one-sided
    assert known[0] == 1.0
    later = np.array([20 * 86_400]), np.array([25 * 86_400])
    assert np.isnan(event_drainage(*later, pattern, "night_drainage_mm_d")[0]).all()


@pytest.mark.parametrize(("nights", "told"), [((0, 5), True), ((0, 6), False), ((0,), False)])
def test_nothing_is_told_across_days_of_which_no_night_tells(nights, told):
    """A record that stops for weeks tells nothing of what drained in them."""
    pattern = pattern_of(2.0, 0.3, np.array(nights))
    span = np.array([0]), np.array([8 * 86_400])
    amount, error, known = event_drainage(*span, pattern, "night_drainage_mm_d")
    assert np.isfinite(amount[0]) == np.isfinite(error[0]) == told
    # by hand: half a day after the first night, a day around the second, of eight days
    assert known[0] == pytest.approx((0.5 + len(nights) - 1) / 8)
    if told:
        assert amount[0] == pytest.approx(16.0)  # 2 mm a day for eight days


def test_before_the_first_night_the_fall_of_the_first_two_is_followed_back():
    # by hand: under gravity one over the rate rises along a line. At 8 / (1 + t) mm a day,
    # nights one and two days after the peak at 4 and 8/3, 8 ln 2 mm pass before the first.
    peak, end = np.array([0]), np.array([86_401])
    two = pattern_of([4.0, 8 / 3], [0.3, 0.29], np.array([1, 2]))
    long = np.array([2 * 86_400 + 1])
    whole = event_drainage(peak, long, two, "night_drainage_mm_d")
    between = (4 - 8 / 3) / np.log(1.5)  # exponential between nights
    assert whole[0][0] == pytest.approx(8 * np.log(2) + between, rel=1e-3)
    # Half of it is unknown, beside 0.1 mm a day over two days to the same side.
    assert whole[1][0] == pytest.approx(np.hypot(4 * np.log(2), 0.2), rel=1e-3)
    # One night alone, a rise, and a seep of nearly nothing tell no fall: the night's rate.
    alone = event_drainage(peak, end, two, "night_drainage_mm_d")[0][0]
    assert alone == pytest.approx(4.0, rel=1e-3)
    for rates in ([4.0, 5.0], [0.2, 0.04]):
        kept = pattern_of(rates, [0.3, 0.29], np.array([1, 2]))
        found = event_drainage(peak, long, kept, "night_drainage_mm_d")[0][0]
        assert found == pytest.approx(rates[0] + _mean_between(*rates), rel=1e-3)
    # A fall that would come from endless rates is followed to five times the first night's:
    # 1/0.8 - 1/4 a day would reach nothing before the peak; by hand 4 ln 5 / (1 - 1/5).
    steep = pattern_of([4.0, 0.8], [0.3, 0.25], np.array([1, 2]))
    found = event_drainage(peak, long, steep, "night_drainage_mm_d")[0][0]
    assert found == pytest.approx(5 * np.log(5) + _mean_between(4.0, 0.8), rel=1e-3)


def _mean_between(first, second):
    if min(first, second) > 0.05:
        return (first - second) / np.log(first / second)
    return 0.5 * (first + second)


def test_what_is_known_of_an_event_is_a_share_of_its_time():
    # by hand: nights at days 1, 2 and 5; each stands for the half day before and after it.
    nights = np.array([1, 2, 5])
    pattern = pattern_of([2.0, 1.5, 1.0], [0.3, 0.29, 0.28], nights)
    days = [(0.9, 1.05), (0.9, 2.1), (0.0, 4.0), (0.0, 6.0), (2.1, 4.9), (1.0, 5.0)]
    peak, end = (np.array(days) * 86_400).astype(np.int64).T
    known = event_drainage(peak, end, pattern, "night_drainage_mm_d")[2]
    assert known[:4] == pytest.approx([1.0, 1.0, 2 / 4, 3 / 6])
    assert np.isnan(known[4])  # no night in it, though it is near two
    assert known[5] == pytest.approx(1.5 / 4)


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=30, unique=True).map(sorted),
    st.integers(-86_400, 45 * 86_400),
    st.integers(1, 20 * 86_400),
    st.integers(0, 600),
)
def test_nothing_is_known_of_more_than_all_of_an_event(nights, peak, long, early):
    pattern = pattern_of(1.0, 0.3, np.array(nights))
    pattern["night_s"] -= early * np.arange(len(nights))  # nights come earlier in spring
    span = np.array([max(0, peak)]), np.array([max(0, peak) + long])
    known = event_drainage(*span, pattern, "night_drainage_mm_d")[2][0]
    assert np.isnan(known) or 0.0 < known <= 1.0


def test_conductivity_in_the_field_is_found_back_with_what_nights_lose_besides():
    water = np.linspace(0.2, 0.32, 60)
    rates = np.exp(-12 + 45 * water) + 0.2
    pattern = pattern_of(rates, water).assign(night_drainage_error=np.hypot(UNSEEN_MM_D, 0.05))
    laws = conductivity_laws(nights_of(pattern))
    assert laws.slope[0] == pytest.approx(45, rel=0.07)  # slopes are tried 1.13 apart
    at = np.exp(laws.intercept[0] + laws.slope[0] * 0.3)
    assert at == pytest.approx(np.exp(-12 + 45 * 0.3), rel=0.05)
    assert laws.offset == pytest.approx(0.2, abs=0.11)  # they are tried 0.1 apart
    assert laws.scatter[0] < 0.1
    table = field_conductivity(pattern_of(rates, water))
    assert table["nights"].sum() <= 60
    assert (table["conductivity_error"] >= 0.1).all()
    by_law = rates_by_law(pattern_of(rates, water), table)
    np.testing.assert_allclose(by_law["gradient_drainage_mm_d"], rates - 0.2, atol=0.25)
    few = conductivity_laws(nights_of(pattern_of(rates[:5], water[:5])))
    assert np.isnan(few.slope).all()
    assert few.offset == 0.0


def test_daylight_is_that_of_fao_56():
    # FAO-56, Example 9: 11.7 hours on 3 September at 20 degrees south; from memory.
    noon = np.array([np.datetime64("2025-09-03T12:00", "s").astype(np.int64)])
    rise, fall = sun_up(noon, -20.0, 0.0)
    assert (fall[0] - rise[0]) / 3600 == pytest.approx(11.7, abs=0.05)
    middle = 0.5 * (rise[0] + fall[0]) - noon[0]
    assert abs(middle) < 300
    east = sun_up(noon, -20.0, 90.0)
    assert 0.5 * (east[0][0] + east[1][0]) - noon[0] - middle == pytest.approx(-6 * 3600)
    assert np.isnan(sun_up(noon - 75 * 86_400, 75.0, 0.0)).all()  # midnight sun


@pytest.mark.parametrize(
    ("date", "minutes"),
    [("02-11", 14.2), ("05-14", -3.7), ("07-26", 6.5), ("11-03", -16.4)],
)
def test_the_sun_is_late_in_february_and_early_in_november(date, minutes):
    # The four extremes of the equation of time, common to all almanacs: from memory. Equations
    # 32 and 33 of FAO-56 are a fit to it that is good to a minute.
    noon = np.array([np.datetime64(f"2025-{date}T12:00", "s").astype(np.int64)])
    rise, fall = sun_up(noon, 50.0, 0.0)
    assert (0.5 * (rise[0] + fall[0]) - noon[0]) / 60 == pytest.approx(minutes, abs=1.0)


def test_radiation_above_the_air_is_that_of_fao_56():
    # FAO-56, Example 8: 32.2 MJ m-2 d-1 on 3 September at 20 degrees south; from memory.
    day = np.array([np.datetime64("2025-09-03T07:00", "s").astype(np.int64)])
    assert extraterrestrial(day, -20.0)[0] == pytest.approx(32.2, abs=0.05)
    # by hand: in midsummer at the pole, 1440 * 0.082 * 0.967 * sin(23.4 degrees).
    summer = np.array([np.datetime64("2025-06-21T12:00", "s").astype(np.int64)])
    assert extraterrestrial(summer, 90.0)[0] == pytest.approx(45.4, abs=0.1)
    assert extraterrestrial(summer, -80.0)[0] == 0.0


@pytest.mark.parametrize(("start", "days_left"), [("2025-06-15", 0.96), ("2025-12-15", 5.38)])
def test_the_unseen_top_drains_for_longer_where_the_sun_is_low(start, days_left):
    # by hand: 40 MJ m-2 after the peak it counts no more; 41.7 and 7.4 MJ m-2 a day at 50
    # degrees north by FAO-56. All sensors lose 0.001 a day: 0.1 mm of it in the top.
    days = 8
    hour = np.arange(days * 144) / 6
    first_s = int(np.datetime64(f"{start}T00:00", "s").astype(np.int64))
    depths = np.array([0.1, 0.3])
    block = Block(first_s, 600, np.tile(0.3 - 0.001 * hour / 24, (2, 1)))
    peak_s = first_s + 6 * 3600
    profile = Profile("T1", depths, depths)
    found = daily_pattern(profile, block, (50.0, 0.0), np.array([peak_s]))
    first = found[(found["depth_m"] == 0.1) & found["night_drainage_mm_d"].notna()]
    since = (first["night_s"].to_numpy() - peak_s) / 86_400
    after = since > 0  # before the first peak it is dry
    besides = 0.53 / 0.33 * np.exp(-since / 0.33)
    of_top = (first["night_drainage_mm_d"].to_numpy() - besides)[after]
    share = np.clip(2 - 2 * since[after] / days_left, 0, 1)
    np.testing.assert_allclose(of_top, 0.1 * share, atol=0.003)


def test_the_step_pattern_parts_uptake_from_drainage_by_hand():
    # by hand: every sensor loses 0.0005 a day always and 0.004 in each day from 7 to 17 h;
    # 0.1 + 0.2 + 0.3 m of soil with a constant top. A peak just before keeps the top counted;
    # of the 0.53 mm that it holds besides, exp(-t / 0.33) are left after t days, which leave
    # it at 1 / 0.33 of them a day.
    interval, days = 600, 6
    hour = np.arange(days * 144) / 6
    by_day = np.clip(hour % 24 - 7, 0, 10) / 10 + hour // 24
    water = 0.3 - 0.0005 * hour / 24 - 0.004 * by_day
    first_s = int(np.datetime64("2025-03-20T00:00", "s").astype(np.int64))
    depths = np.array([0.1, 0.3, 0.6])
    profile = Profile("T1", depths, depths)
    block = Block(first_s, interval, np.tile(water, (3, 1)))
    peaks = first_s + 43_200 + 86_400 * np.arange(-1, days)
    found = daily_pattern(profile, block, (50.0, 0.0), peaks)
    inner = found[found["uptake_mm_d"].notna()]
    assert len(inner) >= 9
    last = inner[inner["depth_m"] == 0.6]
    since = (last["night_s"].to_numpy() - first_s - 43_200) % 86_400 / 86_400
    besides = 0.53 * np.exp(-since / 0.33) / 0.33
    np.testing.assert_allclose(last["night_drainage_mm_d"], 0.3 + besides, rtol=1e-4)
    # At both ends of a day it holds the same, so that the day lost what nights did not.
    np.testing.assert_allclose(last["uptake_above_mm_d"], 2.4 - besides, atol=0.01)
    first = inner.groupby("day_s")["uptake_mm_d"].first()
    np.testing.assert_allclose(first, 0.4 - besides, atol=0.01)
    for layer in inner.groupby("day_s")["uptake_mm_d"].apply(list):
        np.testing.assert_allclose(layer[1:], [0.8, 1.2], rtol=1e-6)
    # A sensor that logs every third step of the axis tells the same.
    slow = np.where(np.arange(water.size) % 3 == 0, water, np.nan)
    seldom = daily_pattern(
        profile, block._replace(water=np.tile(slow, (3, 1))), (50.0, 0.0), peaks
    )
    same = seldom.set_index(["day_s", "depth_m"])["night_drainage_mm_d"].dropna()
    told = found.set_index(["day_s", "depth_m"])["night_drainage_mm_d"].reindex(same.index)
    np.testing.assert_allclose(same, told, rtol=1e-6)
    # Long after a peak the unseen top is not taken to drain.
    dry = daily_pattern(profile, block, (50.0, 0.0), np.empty(0, np.int64))
    assert dry["night_drainage_mm_d"].notna().any()
    at_first = dry[dry["depth_m"] == 0.1]["night_drainage_mm_d"].dropna()
    np.testing.assert_allclose(at_first, 0.0, atol=1e-9)


def test_where_no_soil_counts_above_the_first_sensor_layers_begin_at_it():
    # by hand, as above: 0.004 a day in the 0.2 and the 0.3 m between sensors at 0.1, 0.3, 0.6
    hour = np.arange(6 * 144) / 6
    by_day = np.clip(hour % 24 - 7, 0, 10) / 10 + hour // 24
    water = np.tile(0.3 - 0.0005 * hour / 24 - 0.004 * by_day, (3, 1))
    first_s = int(np.datetime64("2025-03-20T00:00", "s").astype(np.int64))
    depths = np.array([0.1, 0.3, 0.6])
    profile = Profile("T1", depths, depths, EndRules("none", "none"))
    found = daily_pattern(profile, Block(first_s, 600, water), (50.0, 0.0), np.array([0]))
    for depth, above, own in ((0.3, 0.8, 0.8), (0.6, 2.0, 1.2)):
        rows = found[(found["depth_m"] == depth) & found["uptake_above_mm_d"].notna()]
        np.testing.assert_allclose(rows["uptake_above_mm_d"], above, rtol=1e-3)
        np.testing.assert_allclose(rows["uptake_mm_d"], own, rtol=1e-3)
        assert len(rows) >= 3
        assert rows["uptake_error"].notna().all()
    assert found[found["depth_m"] == 0.1]["uptake_mm_d"].isna().all()


def test_rain_and_rises_leave_no_value():
    interval, days = 600, 6
    hour = np.arange(days * 144) / 6
    water = np.tile(0.3 - 0.0005 * hour / 24, (3, 1))
    depths = np.array([0.1, 0.3, 0.6])
    rain = np.zeros(hour.size)
    rain[2 * 144 + 6] = 3.0  # at one in the third night
    block = Block(0, interval, water, rain)
    found = daily_pattern(Profile("T1", depths, depths), block, (50.0, 0.0), np.array([0]))
    days_known = set(found["day_s"][found["night_drainage_mm_d"].notna()] // 86_400)
    assert 2 not in days_known
    assert {1, 3, 4} <= days_known
    assert not {1, 2} & set(found["day_s"][found["uptake_mm_d"].notna()] // 86_400)
    water[:, 2 * 144 : 2 * 144 + 36] += np.linspace(0, 0.01, 36)
    water[:, 2 * 144 + 36 :] += 0.01
    bare = daily_pattern(
        Profile("T1", depths, depths), Block(0, interval, water), (50.0, 0.0), np.array([0])
    )
    assert 2 not in set(bare["day_s"][bare["night_drainage_mm_d"].notna()] // 86_400)


def test_a_total_told_after_sunrise_is_rain_of_the_night_it_began_in():
    """By hand: at the equator on 20 March the sun rises at about six; a total of 5 to 8 h."""
    first_s = int(np.datetime64("2025-03-18T00:00", "s").astype(np.int64))
    depths, hour = np.array([0.1, 0.3]), np.arange(5 * 24)
    water = np.tile(0.3 - 0.0005 * hour / 24, (2, 1))
    rain, told = np.zeros(hour.size), hour.copy()
    rain[2 * 24 + 8] = 3.0  # hour-beginning steps: told at eight
    told[2 * 24 + 5 : 2 * 24 + 8] = 2 * 24 + 8
    profile, at = Profile("T1", depths, depths), (0.0, 0.0)
    block = Block(first_s, 3600, water, rain, rain_told=told)
    third = first_s + 2 * 86_400
    for part, known in ((block, False), (block._replace(rain_told=None), True)):
        found = daily_pattern(profile, part, at, np.array([first_s]))
        rate = found[found["day_s"] == third]["night_drainage_mm_d"]
        assert rate.notna().tolist() == [known, known]


def test_the_error_of_a_layers_uptake_is_the_noise_of_its_own_sensors():
    # Sensors that only make noise: layers scatter as stated, also far below the surface, where
    # the noise of all that lies above is several times as much.
    random = np.random.default_rng(1)
    depths = np.array([0.1, 0.2, 0.3, 0.4, 0.6, 1.0])
    water = 0.3 + 0.002 * random.standard_normal((6, 24 * 120))
    first_s = int(np.datetime64("2025-03-01T00:00", "s").astype(np.int64))
    block = Block(first_s, 3600, water)
    found = daily_pattern(
        Profile("T1", depths, depths), block, (50.0, 0.0), np.empty(0, np.int64)
    )
    by_depth = found.dropna(subset=["uptake_mm_d"]).groupby("depth_m")
    seen = by_depth["uptake_mm_d"].std().to_numpy()
    unseen = 0.6 / len(depths)  # which is no noise
    stated = np.sqrt(by_depth["uptake_error"].apply(lambda e: (e**2).mean()) - unseen**2)
    np.testing.assert_allclose(stated.to_numpy(), seen, rtol=0.25)
