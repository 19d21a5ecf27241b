"""Sensors that stand still against the noise of their own record."""

from __future__ import annotations

import numpy as np
import pytest
from bare_site import HOUR_S, make_block, make_horizon, make_site

from pipeline.qc.flags import unpack
from pipeline.qc.noise import CHUNK
from pipeline.qc.step import qc_step
from pipeline.site.models import QcLimits, Soil

STEPS = 16 * CHUNK
AT = 10 * CHUNK + 7
NOISE = 0.001


def record(seed, resolution=0.0, steps=STEPS):
    rng = np.random.default_rng(seed)
    x = 0.25 + NOISE * rng.standard_normal(steps)
    return np.round(x / resolution) * resolution if resolution else x


def judged(values, limits=None, **site):
    made = make_site(qc=limits or QcLimits(), **site)
    block = make_block(
        made, calibrated_water_content=values, outside_calibration=np.zeros(len(values))
    )
    result = qc_step(block, made)
    return unpack(result["tests"])["flat_line"].values.ravel(), result[
        "quality"
    ].values.ravel()


@pytest.mark.parametrize("resolution", [0.0, 0.001])
@pytest.mark.parametrize("interval_s", [600, HOUR_S])
def test_a_stuck_sensor_is_suspect_from_its_first_reading(resolution, interval_s):
    x = record(1, resolution)
    x[AT : AT + 60] = x[AT]
    flag, quality = judged(x, interval_s=interval_s)
    assert flag[AT : AT + 60].all()
    assert set(quality[AT : AT + 60]) == {3}
    # At a coarse resolution the readings beside it may be equal by chance.
    assert flag.sum() <= 60 + (2 if resolution else 0)


def test_too_few_equal_readings_are_chance():
    x = record(2)
    x[AT : AT + 11] = x[AT]
    assert not judged(x)[0].any()
    x[AT : AT + 12] = x[AT]
    assert judged(x)[0].sum() == 12


def test_a_coarse_and_quiet_sensor_may_stand_still():
    rng = np.random.default_rng(3)
    x = np.repeat(0.25 + 0.001 * rng.integers(0, 2, STEPS // 24), 24)
    assert not judged(x)[0].any()


def test_without_history_nothing_is_known():
    x = record(4)
    x[10:70] = x[10]
    assert not judged(x)[0].any()


def test_a_saturated_plateau_after_a_rise_is_none():
    soils = {"loam": Soil(id="loam", horizons=(make_horizon(saturation=0.45),))}
    x = record(5)
    x[AT - 5 : AT] += np.linspace(0.03, 0.18, 5)
    x[AT : AT + 60] = 0.44
    assert not judged(x, soils=soils)[0].any()
    x[AT : AT + 60] = 0.30  # a rise to where soil is not saturated
    assert judged(x, soils=soils)[0][AT : AT + 60].all()


@pytest.mark.parametrize(("count", "level"), [(2, 1), (6, 3), (12, 4), (40, 4)])
def test_a_fall_into_a_constant_is_a_dropout(count, level):
    x = record(6)
    x[AT : AT + count] = 0.1
    flag, quality = judged(x, QcLimits(rate_suspect_per_h=None, step_suspect=None))
    assert set(quality[AT : AT + count]) == {level}
    assert flag[AT : AT + count].all() == (level > 1)
    assert not flag[:AT].any()
    assert not flag[AT + count :].any()


def test_the_reading_after_a_stuck_sensor_is_not_blamed():
    x = record(7)
    x[AT : AT + 40] = 0.05
    _, quality = judged(x)
    assert quality[AT + 40 : AT + 80].tolist() == [1] * 40


def test_off_and_tuned():
    x = record(8)
    x[AT : AT + 60] = x[AT]
    assert not judged(x, QcLimits(stuck_chance=None))[0].any()
    x[AT : AT + 60] = 0.1
    assert judged(x, QcLimits(dropout_fall=None))[1][AT] == 3
    assert judged(x, QcLimits(dropout_fall=0.2))[1][AT] == 3
