"""Samples meet the readings beside them: sensor, horizon, time, and how sure they are."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from bare_site import START, make_horizon, make_law, make_probe_law, make_site, make_tube
from bare_site import make_wire as wire

from pipeline.calibrate.fit_match import Rules, match
from pipeline.calibrate.samples import SamplePoint, When
from pipeline.site.models import Soil

START_S = int(START.timestamp())
NOON = START_S + 12 * 3600


def point(depth_m=0.1, when=NOON, length_s=0, tube="T1"):
    return SamplePoint((2,), When(when, length_s), tube, depth_m, 0.25, 0.005, math.nan)


def ramp(tube, depth_m, start, stop):
    """Return readings that rise by 0.1 an hour, 100 steps of them."""
    return 3.0 + 0.1 * np.arange(max(start, 0), min(stop, 100))


def test_readings_around_the_hour_are_averaged():
    (pair,), _ = match([point()], make_site(), ramp, Rules(window_s=4 * 3600))
    # By hand: hours 10 to 14, 4.0 to 4.4; sd of five equal steps of 0.1 is sqrt(0.025).
    assert (pair.readings, pair.root_permittivity) == (5, pytest.approx(4.2))
    assert pair.root_error == pytest.approx(math.sqrt(0.025 / 5))
    assert (pair.sensor_m, pair.horizon.name, pair.law.id) == (0.1, "A", "soil-law")


def test_of_a_day_without_an_hour_any_reading_may_be_the_one():
    (pair,), _ = match([point(when=START_S, length_s=86400)], make_site(), ramp)
    # By hand: hours 0 to 23; the variance of 24 equal steps is 24 x 25 / 12 squared steps.
    assert (pair.readings, pair.root_permittivity) == (24, pytest.approx(4.15))
    assert pair.root_error == pytest.approx(0.1 * math.sqrt(50))


def test_a_narrow_window_takes_the_nearest_reading():
    site = make_site(sensor_noise={"voltage": 0.002})
    (pair,), _ = match([point(when=NOON + 900)], site, ramp, Rules(window_s=60))
    # By hand: one reading of 4.2, whose noise is 0.002 V times the probe's slope of 8.
    assert (pair.readings, pair.root_permittivity) == (1, pytest.approx(4.2))
    assert pair.root_error == pytest.approx(0.016)


def test_noise_of_logged_permittivity_is_that_of_its_root():
    site = make_site(
        wiring=(wire(quantity="permittivity", unit="1"),), sensor_noise={"permittivity": 0.42}
    )
    (pair,), _ = match([point()], site, ramp, Rules(window_s=0))
    # By hand: u(sqrt(eps)) = u(eps) / (2 sqrt(eps)) with sqrt(eps) = 4.2.
    assert pair.root_error == pytest.approx(0.05)
    assert pair.probe_error == 0


def test_without_noise_or_company_a_reading_is_not_known_how_surely():
    (pair,), _ = match([point()], make_site(), ramp, Rules(window_s=0))
    assert math.isnan(pair.root_error)


def test_error_of_the_probes_law_is_told_apart():
    site = make_site(laws=(make_law(), make_probe_law(standard_error=0.03)))
    (pair,), _ = match([point()], site, ramp)
    assert pair.probe_error == pytest.approx(0.03)


def test_depths_are_real_ones():
    # By hand: set 4 cm deeper the sensors lie at 14 and 24 cm; 20 cm is nearer to 24.
    site = make_site(tubes=(make_tube(set_in_m=0.04),), wiring=(wire(), wire(depth_m=0.2)))
    (pair,), _ = match([point(depth_m=0.20)], site, ramp)
    assert (pair.nominal_m, pair.sensor_m) == (0.2, 0.24)


def test_a_thermometer_is_no_sensor_of_water():
    warm = wire(depth_m=0.12, quantity="soil_temperature", unit="degC")
    (pair,), _ = match([point(depth_m=0.12)], make_site(wiring=(wire(), warm)), ramp)
    assert pair.nominal_m == 0.1


def test_the_sensor_wired_at_the_time_counts():
    """Moved from 10 to 14 cm at 18 h of the second day; the sample is of 13 cm."""
    moved = START + timedelta(hours=42)
    site = make_site(wiring=(wire(until=moved), wire(depth_m=0.14, start=moved)))
    for hours, nominal in ((41, 0.1), (43, 0.14)):
        (pair,), _ = match([point(depth_m=0.13, when=START_S + hours * 3600)], site, ramp)
        assert pair.nominal_m == nominal


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (point(depth_m=0.16), "farther than 5 cm"),
        (point(when=START_S - 10**6), "no reading"),
        (point(when=START_S + 10**7), "no reading"),
        (point(tube="T2"), "no wired sensor"),
    ],
)
def test_samples_without_readings_are_told(made, words):
    site = make_site(tubes=(make_tube(), make_tube("T2")))
    pairs, (unmatched,) = match([made], site, ramp)
    assert pairs == []
    assert unmatched.point == made
    assert words in unmatched.reason


def test_a_sample_across_the_border_of_a_horizon_is_told():
    horizons = (make_horizon(bottom_m=0.12), make_horizon(name="B", top_m=0.12))
    site = make_site(soils={"loam": Soil(id="loam", horizons=horizons)})
    _, (unmatched,) = match([point(depth_m=0.13)], site, ramp)
    assert "another horizon" in unmatched.reason


def test_missing_readings_do_not_count():
    def gappy(tube, depth_m, start, stop):
        readings = ramp(tube, depth_m, start, stop)
        readings[1:] = np.nan
        return readings

    (pair,), _ = match([point()], make_site(), gappy)
    assert (pair.readings, pair.root_permittivity) == (1, pytest.approx(4.1))  # hour 11
