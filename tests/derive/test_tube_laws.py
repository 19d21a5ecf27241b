"""Laws of a tube: which nights they rest on, by hand, and rows that give them again."""

import numpy as np
import pandas as pd
import pytest

from pipeline.derive.conductivity import field_conductivity, rates_by_law
from pipeline.derive.night_rates import drained_rates, tube_rates
from pipeline.derive.tube_laws import (
    ALL_NIGHTS_S,
    LAW_COLUMNS,
    at_depths,
    laws_of,
    laws_until_s,
    rows_of,
    that_count,
    tube_laws,
)

DAY_S = 86_400
DEPTHS_M = (0.1, 0.3, 0.6)


def days_of(count, first=100):
    return (first + np.arange(count)) * DAY_S


def pattern_of(days, depths=DEPTHS_M, seed=0):
    """Return nights of a tube that drains by exp(60 (water - 0.3)) mm a day, and noise."""
    random = np.random.default_rng(seed)
    parts = []
    for k, depth in enumerate(depths):
        water = (
            0.3 + 0.04 * np.sin(np.arange(days) / 7 + k) + 0.001 * random.standard_normal(days)
        )
        rate = np.exp(60 * (water - 0.3)) + 0.05 * random.standard_normal(days)
        parts.append(
            pd.DataFrame(
                {
                    "depth_m": depth,
                    "day_s": days_of(days),
                    "night_s": days_of(days) + DAY_S // 2,
                    "night_water_content": water,
                    "night_drainage_mm_d": rate,
                    "night_drainage_error": 0.36,
                    "uptake_above_mm_d": 1.0,
                }
            )
        )
    whole = pd.concat(parts, ignore_index=True)
    return whole.sort_values(["day_s", "depth_m"], kind="stable").reset_index(drop=True)


@pytest.mark.parametrize(
    ("days", "counted"),
    [
        # by hand: all until ten days past two months; then 64 and 2 more of every 64 to 95,
        # 3 of every 96 to 127 and so on, at most 32.
        (1, None),
        (73, None),
        (74, 64),
        (75, 64),
        (76, 66),
        (106, 96),
        (108, 96),
        (109, 99),
        (10_000, None),
    ],
)
def test_the_nights_that_count_are_told_by_the_length_of_the_record(days, counted):
    until = laws_until_s(days_of(days))
    if counted is not None:
        assert until == (100 + counted) * DAY_S
    elif days < 74:
        assert until == ALL_NIGHTS_S
    else:
        behind = days - 10 - (until // DAY_S - 100)
        assert 0 <= behind < 32
    assert laws_until_s(days_of(days)[::-1]) == until


def test_a_day_more_changes_the_laws_of_long_records_seldom():
    """By hand: of years of nights, those are few after which laws are fitted anew."""
    ends = [laws_until_s(days_of(days)) for days in range(74, 1096)]
    assert (np.diff(ends) >= 0).all()
    assert len(set(ends)) < 110
    assert laws_until_s(days_of(0)) == ALL_NIGHTS_S


def test_nights_to_come_change_neither_laws_nor_conductivity():
    whole, until = pattern_of(101), 198 * DAY_S
    for some in (whole, pattern_of(100)):
        assert laws_until_s(some["day_s"].to_numpy()) == (100 + 90) * DAY_S
    odd = whole.copy()
    odd.loc[odd["day_s"] >= until, "night_drainage_mm_d"] = 50.0
    odd.loc[odd["day_s"] >= until, "night_water_content"] = 0.9
    pd.testing.assert_frame_equal(rows_of(tube_laws(odd)), rows_of(tube_laws(whole)))
    table = field_conductivity(odd)
    pd.testing.assert_frame_equal(table, field_conductivity(whole))
    # Soil far wetter than any night that counts: the law says nothing there.
    far = rates_by_law(odd, table)
    assert far.loc[far["day_s"] >= until, "gradient_drainage_mm_d"].isna().all()
    assert far.loc[far["day_s"] < until, "gradient_drainage_mm_d"].notna().all()


def test_rows_give_the_same_laws_again_to_the_last_bit():
    pattern = pattern_of(120)
    laws = tube_laws(pattern)
    rows = rows_of(laws)
    assert tuple(rows.columns) == LAW_COLUMNS
    again = laws_of(rows)
    assert laws.fluxes is not None
    found, expected = (tube_rates(pattern, one) for one in (again, laws))
    assert np.isfinite(found.rate).all()
    np.testing.assert_array_equal(found.rate, expected.rate)
    np.testing.assert_array_equal(found.error, expected.error)
    pd.testing.assert_frame_equal(rows_of(again), rows, check_exact=True)


def test_one_sensor_has_no_law_of_flux_and_its_rows_say_so():
    laws = tube_laws(pattern_of(120, depths=(0.3,)))
    assert laws.fluxes is None
    assert laws_of(rows_of(laws)).fluxes is None


def test_a_sensor_set_after_the_last_fit_has_no_law_yet_and_the_others_keep_theirs():
    whole = pattern_of(101)
    late = whole[(whole["depth_m"] != 0.3) | (whole["day_s"] >= 195 * DAY_S)]
    laws = tube_laws(late)
    assert laws.depth_m.tolist() == [0.1, 0.6]
    wide = at_depths(laws, np.array(DEPTHS_M))
    assert np.isnan(wide.alone.slope).tolist() == [False, True, False]
    assert np.isnan(wide.fluxes.parameters[:, 0]).tolist() == [False, True, False]
    assert wide.told.tolist() == [90.0, 0.0, 90.0]
    rates = drained_rates(late)
    assert rates["drainage_mm_d"].notna().all()


def test_days_before_a_given_instant_count():
    assert that_count(pattern_of(3, depths=(0.3,)), 102 * DAY_S).tolist() == [
        True,
        True,
        False,
    ]
