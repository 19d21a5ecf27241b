"""Corrections on signals: domains, forms, their course in time and what they cost."""

from __future__ import annotations

import json

import numpy as np
import pytest
from bare_site import make_block, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.corrected import correct_block, effective_parameters
from pipeline.calibrate.course import course
from pipeline.calibrate.steps import root_permittivity_step, water_content_step
from pipeline.site.instruments import Correction, Uncertainty

HOUR = 3600


def correction(site, first, last, hours=(0, 4), **changes):
    origin = site.axis.origin_s
    fields = {
        "tube": "T1",
        "depth_m": 0.1,
        "domain": "root_permittivity",
        "form": "offset",
        "start_s": origin + hours[0] * HOUR,
        "until_s": None if hours[1] is None else origin + hours[1] * HOUR,
        "first": first,
        "last": last,
        "first_error": 0.0,
        "last_error": 0.0,
    }
    return Correction(**{**fields, **changes})


def line_site(quantity="permittivity", **changes):
    law = make_law(
        form="linear_root_permittivity",
        coefficients={"slope": 0.1, "offset": -0.1},
        valid_from=1.0,
        valid_to=9.0,
        standard_error=0.012,
    )
    return make_site(
        laws=(law, make_probe_law()),
        wiring=(make_wire(quantity=quantity, unit="1"),),
        uncertainty=Uncertainty(depth_m=0.0),
        **changes,
    )


def corrected_step(site, *corrections, **signal):
    known = site.model_copy(update={"corrections": corrections})
    block = make_block(known, **signal)
    return water_content_step(block, known), root_permittivity_step(block, known)


def test_a_ramp_in_root_permittivity_where_permittivity_is_logged():
    # By hand: roots 4 + 0, 0.1, 0.2, 0.3, then free: water 0.1 root - 0.1.
    site = line_site()
    found, roots = corrected_step(site, correction(site, 0.0, 0.4), permittivity=[16.0] * 5)
    root = [4.0, 4.1, 4.2, 4.3, 4.0]
    np.testing.assert_allclose(roots["root_permittivity"].values.ravel(), root, rtol=1e-6)
    theta = found["calibrated_water_content"].values.ravel()
    np.testing.assert_allclose(theta, 0.1 * np.array(root) - 0.1, rtol=1e-6)
    np.testing.assert_allclose(
        found["correction"].values.ravel(), [0, 0.01, 0.02, 0.03, 0], atol=1e-7
    )


@pytest.mark.parametrize(
    ("quantity", "logged", "value", "form", "expected"),
    [
        ("voltage", 0.25, 0.05, "offset", 0.1 * (1 + 8 * 0.30) - 0.1),
        ("voltage", 0.25, 0.2, "proportional", 0.1 * (1 + 8 * 0.30) - 0.1),
        ("root_permittivity", 4.0, -0.5, "offset", 0.25),
        ("permittivity", 16.0, -0.125, "proportional", 0.25),
        ("water_content", 0.20, 0.03, "offset", 0.23),
    ],
)
def test_each_domain_and_form_by_hand(quantity, logged, value, form, expected):
    site = line_site(quantity)
    domain = "root_permittivity" if quantity == "permittivity" else quantity
    held = correction(site, value, value, (0, None), domain=domain, form=form)
    found, _ = corrected_step(site, held, **{quantity: [logged]})
    assert found["calibrated_water_content"].item() == pytest.approx(expected, rel=1e-6)


def test_its_uncertainty_goes_through_the_law_into_the_systematic_error():
    # By hand: 0.05 in root permittivity is 0.005 m3 m-3; with the law's 0.012 it is 0.013.
    site = line_site()
    held = correction(site, 0.2, 0.2, (0, None), first_error=0.05, last_error=0.05)
    found, _ = corrected_step(site, held, permittivity=[16.0])
    assert found["systematic_error"].item() == pytest.approx(0.013, rel=1e-5)


def test_the_course_between_and_after_checks_by_hand():
    site = line_site()
    ramp = correction(site, 0.0, 0.4, (0, 4), first_error=0.03, last_error=0.04)
    at = ramp.start_s + HOUR * np.arange(0, 5, 2)
    value, error = course(ramp, at, np.full(at.shape, np.nan))
    np.testing.assert_allclose(value, [0.0, 0.2, 0.4])
    # In the middle: half of either end, and a quarter of what it grew.
    np.testing.assert_allclose(error, [0.03, (0.015**2 + 0.02**2 + 0.1**2) ** 0.5, 0.04])
    held = correction(site, 0.4, 0.4, (4, None), first_error=0.03, growth=0.04 / (2 * HOUR))
    value, error = course(held, held.start_s + HOUR * np.array([0, 2]), np.full(2, np.nan))
    np.testing.assert_allclose(value, 0.4)
    np.testing.assert_allclose(error, [0.03, 0.05])


def test_other_sensors_and_readings_stay_as_they_are():
    site = line_site()
    logged = make_block(site, permittivity=[16.0, 16.0])
    elsewhere = correction(site, 0.5, 0.5, depth_m=0.2)
    assert correct_block(logged, site) is None
    assert correct_block(logged, site.model_copy(update={"corrections": (elsewhere,)})) is None
    here = site.model_copy(update={"corrections": (correction(site, 0.5, 0.5),)})
    correct_block(logged, here)
    np.testing.assert_array_equal(logged["permittivity"].values.ravel(), [16.0, 16.0])


def test_a_reading_taken_before_a_correction_ends_has_it():
    """It ends at 02:00; the reading of step 02:00 was taken five minutes before."""
    site = line_site()
    known = site.model_copy(update={"corrections": (correction(site, 0.1, 0.1, (1, 2)),)})
    block = make_block(known, permittivity=[16.0] * 4)
    early = block["permittivity"].copy(data=np.int32([0, 0, -300, 0])[:, None, None])
    result = water_content_step(block.assign(permittivity_offset_s=early), known)
    np.testing.assert_array_equal(result["correction"].values.ravel() > 0, [0, 1, 1, 0])


def test_what_is_no_permittivity_is_refused_as_before():
    site = line_site()
    found, _ = corrected_step(site, correction(site, 0.5, 0.5), permittivity=[0.0])
    assert found["outside_calibration"].item() == 1
    assert found["correction"].item() == 0.0


def test_the_rules_change_only_where_a_correction_does():
    site = line_site()
    first = correction(site, 0.0, 0.2, (0, 24))
    held = correction(site, 0.2, 0.2, (24, None))
    then = correction(site, 0.2, 0.5, (24, 48))
    before = effective_parameters(site.model_copy(update={"corrections": (first, held)}), "T1")
    after = effective_parameters(site.model_copy(update={"corrections": (first, then)}), "T1")
    assert before[:2] == after[:2]
    assert [start for start, _ in after] == [None, first.start_s, then.start_s, then.until_s]
    assert json.loads(after[-1][1]) == []
    assert effective_parameters(site, "T9") == [(None, "[]")]
