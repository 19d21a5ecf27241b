"""Suction and conductivity by texture against Saxton & Rawls (2006) and worked by hand."""

import numpy as np
import pandas as pd
import pytest

from pipeline.derive.limits_texture import limits_saxton_rawls
from pipeline.derive.texture_hydraulics import (
    TEXTURE_MM_D,
    TEXTURE_SHARE,
    Texture,
    conductivity_saxton_rawls,
    rates_by_texture,
    suction_saxton_rawls,
)

LOAM = Texture(40, 20, 2.5)  # 0.137, 0.280, 0.459 and 15.476 mm/h by the equations
# by hand, equations 15 and 17: B = ln(1500 / 33) / ln(0.2803 / 0.1368), power 3 + 2 B.
STEEPNESS = 3.8167 / np.log(0.28033 / 0.13681)


def test_the_curve_goes_through_both_suctions_it_is_made_of():
    limits = limits_saxton_rawls(*LOAM[:3])
    assert suction_saxton_rawls(limits.upper, LOAM) == pytest.approx(33)
    assert suction_saxton_rawls(limits.lower, LOAM) == pytest.approx(1500)
    between = 33 * (0.28033 / 0.2) ** STEEPNESS
    assert suction_saxton_rawls(0.2, LOAM) == pytest.approx(between, rel=0.01)
    assert np.isnan(suction_saxton_rawls([0.05, 0.4], LOAM)).all()


def test_conductivity_falls_with_the_power_of_the_paper():
    # by hand: 15.476 mm/h at saturation; 371.4 (0.280 / 0.459)^(3 + 2 B) mm/d at 33 kPa, of
    # which the three digits of the base leave 5 % open.
    full = limits_saxton_rawls(*LOAM[:3]).saturation
    assert conductivity_saxton_rawls(full, LOAM) == pytest.approx(24 * 15.476, rel=1e-3)
    expected = 371.4 * (0.28033 / 0.459) ** (3 + 2 * STEEPNESS)
    assert conductivity_saxton_rawls(0.28033, LOAM) == pytest.approx(expected, rel=0.06)
    assert conductivity_saxton_rawls(0.9, LOAM) == conductivity_saxton_rawls(full, LOAM)
    assert np.isnan(conductivity_saxton_rawls([0.0, np.nan], LOAM)).all()
    assert np.isnan(conductivity_saxton_rawls(0.3, Texture(10, 80)))  # beyond the paper


def test_stones_hold_no_water():
    stony = LOAM._replace(stones_pct=20)
    assert conductivity_saxton_rawls(0.2, stony) == pytest.approx(
        conductivity_saxton_rawls(0.25, LOAM)
    )


def test_texture_stands_in_where_nights_told_no_law_and_says_so():
    pattern = pd.DataFrame(
        {
            "depth_m": [0.1, 0.4, 0.1, 0.4, 1.0],
            "night_water_content": 0.3,
            "gradient_drainage_mm_d": [0.5, np.nan, 0.6, np.nan, np.nan],
            "gradient_drainage_error": 0.1,
        }
    )
    rates = rates_by_texture(pattern, {0.1: LOAM, 0.4: LOAM})
    assert rates["gradient_from"].tolist() == ["nights", "texture", "nights", "texture", ""]
    assert rates["gradient_drainage_mm_d"].tolist()[::2][:2] == [0.5, 0.6]
    filled = rates["gradient_drainage_mm_d"].to_numpy()[[1, 3]]
    np.testing.assert_allclose(filled, conductivity_saxton_rawls(0.3, LOAM))
    np.testing.assert_allclose(
        rates["gradient_drainage_error"].to_numpy()[[1, 3]],
        np.hypot(TEXTURE_SHARE * filled, TEXTURE_MM_D),
    )
    assert np.isnan(rates["gradient_drainage_mm_d"].iloc[4])


def test_one_night_by_law_is_enough_to_leave_texture_out():
    pattern = pd.DataFrame(
        {
            "depth_m": 0.1,
            "night_water_content": [0.3, 0.3],
            "gradient_drainage_mm_d": [0.5, np.nan],
        }
    )
    rates = rates_by_texture(pattern, {0.1: LOAM})
    assert rates["gradient_from"].tolist() == ["nights", "nights"]
    assert rates["gradient_drainage_mm_d"].tolist()[0] == 0.5
    assert np.isnan(rates["gradient_drainage_mm_d"].tolist()[1])
