"""Rates of nights freed of what all sensors lose alike, on nights made by hand."""

import numpy as np
import pandas as pd
import pytest

from pipeline.derive.conductivity import field_conductivity, rates_by_law
from pipeline.derive.night_rates import (
    common_loss,
    conductivity_laws,
    drained_rates,
    held_error_mm,
    nights_of,
)

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
        rows.append(
            pd.DataFrame(
                {
                    "day_s": np.arange(NIGHTS) * 86_400,
                    "depth_m": depth,
                    "night_s": np.arange(NIGHTS) * 86_400,
                    "night_water_content": water,
                    "night_drainage_mm_d": rate,
                    "night_drainage_error": np.hypot(0.35, max(noise, 0.02)),
                }
            )
        )
    return pd.concat(rows, ignore_index=True), np.concatenate(true)


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
    assert (off <= 1.96 * rates["drainage_error"].to_numpy()[missing]).mean() > 0.9
    assert np.median(off) < 0.25


def test_a_law_is_not_followed_into_soil_far_wetter_than_was_seen():
    pattern, _ = made(np.zeros(NIGHTS), wet=[11])
    wet = (pattern["night_s"] == 11 * 86_400) & (pattern["depth_m"] == 0.4)
    pattern.loc[wet, "night_water_content"] = 0.36
    rates = drained_rates(pattern)
    assert rates.loc[wet, "drainage_mm_d"].isna().all()
    by_law = rates_by_law(pattern, field_conductivity(pattern))
    assert by_law.loc[wet, "gradient_drainage_mm_d"].isna().all()
    assert by_law.loc[~wet, "gradient_drainage_mm_d"].notna().all()


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


def test_an_amount_is_less_sure_near_the_soil_that_is_not_seen():
    assert held_error_mm(0.0) > held_error_mm(0.1) > held_error_mm(0.9) > 0
