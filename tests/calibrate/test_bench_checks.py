"""What a sensor showed in a standard, as a check of its signal; numbers by hand."""

from __future__ import annotations

import pytest
from bare_site import at, make_horizon, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.compare import bench_check
from pipeline.site.instruments import Drift, Uncertainty
from pipeline.site.models import Soil, Visit

# Water content 0.1 root - 0.1: the slope is 0.1 a unit of root, wherever the law holds.
LINE = {
    "form": "linear_root_permittivity",
    "coefficients": {"slope": 0.1, "offset": -0.1},
    "valid_from": 1.0,
    "valid_to": 9.0,
}


def found(quantity, unit, value, reading, form="offset", probe=None, **changes):
    """Return the domain and the check that a visit to a bare site's sensor makes."""
    visit = Visit(
        row=2,
        time=at(3),
        tube="T1",
        action="bench",
        depth_m=0.1,
        value=value,
        unit=unit,
        reading=reading,
        **changes,
    )
    site = make_site(
        laws=(make_law(**LINE), probe or make_probe_law()),
        wiring=(make_wire(quantity=quantity, unit=unit),),
        drift=Drift(form=form),
        uncertainty=Uncertainty(reference=0.02),
        visits=(visit,),
    )
    return bench_check(visit, site)


def test_permittivity_is_held_in_its_root_with_half_the_uncertainty_over_the_root():
    # sqrt(81) - sqrt(64), and by JCGM 100:2008, equation 10, u(sqrt eps) = u / (2 sqrt eps).
    domain, check = found("permittivity", "1", 81.0, 64.0, uncertainty=0.9)
    assert domain == "root_permittivity"
    assert (check.time_s, check.kind) == (at(3).timestamp(), "bench")
    assert check.error == pytest.approx(1.0)
    assert check.error_u == pytest.approx(0.9 / 18)
    assert check.standing_u == 0.0  # no law stands between a sensor and a standard
    assert check.slope == pytest.approx(0.1, rel=1e-5)
    assert check.signal == pytest.approx(9.0)


def test_without_an_uncertainty_of_its_own_a_standard_has_that_of_references():
    # 0.02 m3 m-3, at 0.1 m3 m-3 a unit of root.
    _, check = found("permittivity", "1", 81.0, 64.0)
    assert check.error_u == pytest.approx(0.2, rel=1e-5)


def test_root_permittivity_has_the_uncertainty_it_states():
    domain, check = found("root_permittivity", "1", 9.0, 8.5, uncertainty=0.03)
    assert domain == "root_permittivity"
    assert (check.error, check.error_u) == (pytest.approx(0.5), pytest.approx(0.03))


def test_water_content_is_its_own_measure():
    domain, check = found("water_content", "%", 40.0, 37.0, uncertainty=0.5)
    assert domain == "water_content"
    assert (check.error, check.error_u) == (pytest.approx(0.03), pytest.approx(0.005))
    assert check.slope == 1.0
    assert found("water_content", "%", 40.0, 37.0)[1].error_u == pytest.approx(0.02)


def test_a_volt_is_worth_the_slopes_of_probe_and_soil_in_the_middle_of_the_probes_range():
    # Root 1 + 2 V + 4 V^2 over 0.2 to 0.8 V: at 0.5 V a root of 3 and a slope of 6 a volt.
    bent = make_probe_law(
        coefficients={"c0": 1.0, "c1": 2.0, "c2": 4.0}, valid_from=0.2, valid_to=0.8
    )
    domain, check = found("voltage", "mV", 950.0, 930.0, probe=bent)
    assert domain == "voltage"
    assert check.error == pytest.approx(0.02)
    assert check.slope == pytest.approx(0.6, rel=1e-5)
    assert check.error_u == pytest.approx(0.02 / 0.6, rel=1e-5)


def test_of_a_proportional_drift_all_are_shares_of_the_reading():
    _, check = found("permittivity", "1", 81.0, 64.0, form="proportional", uncertainty=0.9)
    assert check.error == pytest.approx(1.0 / 8)
    assert check.error_u == pytest.approx(0.9 / 18 / 8)
    assert check.slope == pytest.approx(0.8, rel=1e-5)
    # A reading below zero makes no uncertainty below zero.
    _, check = found("voltage", "mV", 10.0, -5.0, form="proportional", uncertainty=1.0)
    assert (check.error, check.error_u) == (pytest.approx(-3.0), pytest.approx(0.2))


def test_what_is_no_standard_of_the_signal_makes_no_check():
    assert found("permittivity", "mV", 81.0, 64.0) is None
    assert found("permittivity", "1", 81.0, None) is None
    assert found("permittivity", "1", 81.0, -1.0) is None


def test_the_middle_of_a_law_of_the_soil_is_told_for_the_horizon_of_the_sensor():
    """A law whose coefficients come of the horizon's density has its slope from there."""
    law = make_law(form="malicki_1996", valid_from=None, valid_to=None)
    loam = Soil(id="loam", horizons=(make_horizon(bulk_density=1.4),))
    visit = Visit(
        row=2,
        time=at(3),
        tube="T1",
        action="bench",
        depth_m=0.1,
        value=81.0,
        unit="1",
        reading=64.0,
    )
    site = make_site(
        laws=(law,),
        wiring=(make_wire(quantity="permittivity", unit="1"),),
        soils={"loam": loam},
        visits=(visit,),
    )
    # Malicki, Plagge & Roth (1996), from memory: theta = (sqrt eps - 0.819 - 0.168 rho
    # - 0.159 rho^2) / (7.17 + 1.18 rho), a line in the root with slope 1 / (7.17 + 1.18 rho).
    _, check = bench_check(visit, site)
    assert check.slope == pytest.approx(1 / (7.17 + 1.18 * 1.4), rel=1e-4)
