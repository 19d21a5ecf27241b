"""check_laws: every mistake is found, said with what to do, and good laws pass."""

from __future__ import annotations

import numpy as np
import pytest
from bare_site import make_horizon, make_law, make_probe_law, make_site
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibrate.forms import FORMS, make_curve
from pipeline.calibrate.laws import check_laws
from pipeline.site.models import Soil

TABLE = {"voltage": [0.1, 0.5, 0.9], "root_permittivity": [1.0, 4.0, 8.0]}
LINE = {"slope": 0.11, "offset": -0.17}


def problems_of(*laws, **horizon):
    soil = Soil(id="loam", horizons=(make_horizon(**horizon),))
    return check_laws(make_site(laws=laws, soils={"loam": soil}))


def line_law(**changes):
    fields = {"form": "linear_root_permittivity", "coefficients": LINE}
    return make_law(**{**fields, "valid_from": 1.8, "valid_to": 6.5, **changes})


GOOD = {
    "topp": make_law(),
    "line": line_law(covariance=((1e-6, 0.0), (0.0, 1e-4))),
    "malicki, density of the horizon": make_law(form="malicki_1996"),
    "malicki, density of the law": make_law(
        form="malicki_1996", coefficients={"bulk_density": 1.2}
    ),
    "mixing, porosity from density": make_law(form="roth_1990"),
    "soil properties": make_law(
        form="jacobsen_1993_soil", coefficients={"clay_pct": 10, "organic_pct": 2}
    ),
    "as logged": make_law(form="as_logged"),
    "cubic": make_law(
        form="polynomial_permittivity",
        coefficients={"c0": -0.05, "c1": 0.03, "c2": -5e-4, "c3": 4e-6},
        valid_from=1.8,
        valid_to=6.3,
    ),
    "probe polynomial": make_probe_law(),
    "probe table": make_probe_law(
        form="table", coefficients=TABLE, valid_from=None, valid_to=None
    ),
    "probe table, narrower": make_probe_law(
        form="table",
        coefficients={**TABLE, "interpolation": "pchip"},
        valid_from=0.2,
        valid_to=0.8,
    ),
}


@pytest.mark.parametrize("name", GOOD)
def test_a_good_law_has_no_problem(name):
    assert problems_of(GOOD[name], bulk_density=1.4) == []


# What is wrong, then what the message must say found and advised.
BAD = {
    "unknown form": (
        make_law(form="top_1980"),
        "form 'top_1980'",
        "Did you mean 'topp_1980'?",
    ),
    "form of the other kind": (
        make_law(form="table"),
        "form 'table'",
        "'table' is a form of probe laws",
    ),
    "missing coefficient": (
        line_law(coefficients={"slope": 0.1}),
        "no coefficient 'offset'",
        "",
    ),
    "misspelt coefficient": (
        line_law(coefficients={**LINE, "ofset": 0.1}),
        "coefficient 'ofset'",
        "Did you mean 'offset'?",
    ),
    "text for a number": (line_law(coefficients={**LINE, "slope": "x"}), "slope = 'x'", ""),
    "gap in a series": (
        make_probe_law(coefficients={"c0": 1.0, "c2": 1.0}),
        "no coefficient 'c1'",
        "",
    ),
    "no series": (make_probe_law(coefficients={}), "no coefficient 'c0'", ""),
    "number for a list": (
        make_probe_law(form="table", coefficients={**TABLE, "voltage": 1.0}),
        "voltage = 1.0",
        "",
    ),
    "unknown interpolation": (
        make_probe_law(form="table", coefficients={**TABLE, "interpolation": "cubic"}),
        "coefficients that cannot be used",
        "",
    ),
    "falling table": (
        make_probe_law(
            form="table", coefficients={**TABLE, "root_permittivity": [1.0, 4.0, 3.0]}
        ),
        "coefficients that cannot be used",
        "",
    ),
    "no valid range": (line_law(valid_to=None), "no 'valid_from' or no 'valid_to'", "Nothing"),
    "inverted range": (line_law(valid_from=7.0), "a valid range 7.0 to 6.5", ""),
    "range beyond the table": (
        make_probe_law(form="table", coefficients=TABLE, valid_from=0.0, valid_to=0.9),
        "a valid range 0.0 to 0.9",
        "",
    ),
    "falling line": (line_law(coefficients={**LINE, "slope": -0.1}), "does not rise", "Check"),
    "covariance of another size": (
        line_law(covariance=((1.0,),)),
        "a covariance of 1 rows",
        "",
    ),
    "covariance of fixed coefficients": (
        make_law(covariance=((1.0,),)),
        "a covariance",
        "'standard_error' instead",
    ),
    "negative error": (make_law(standard_error=-0.1), "standard_error -0.1", ""),
    "no origin": (make_law(origin="  "), "an empty 'origin'", "Name the paper"),
    "no bulk density": (
        make_law(form="malicki_1996"),
        "no 'bulk_density' for the horizon 'A'",
        "soils.toml",
    ),
    "impossible bulk density": (
        make_law(form="malicki_1996", coefficients={"bulk_density": 1300.0}),
        "cannot be used with the horizon 'A'",
        "",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_mistake_is_found_and_said(name):
    law, found, advice = BAD[name]
    problems = problems_of(law)
    assert len(problems) == (2 if name in ("gap in a series", "no series") else 1)
    assert problems[0].file == "calibrations.toml"
    assert problems[0].place == f"law {law.id!r} version {law.version}"
    assert found in problems[0].found
    assert advice in problems[0].advice


def test_a_turn_between_two_points_of_a_grid_is_found():
    # By hand: the slope of x^3/3 - x^2/2 + (1/4 - d^2) x is (x - 1/2)^2 - d^2, negative only
    # within d of 1/2.
    d = 1e-5
    coefficients = {"c0": 1.0, "c1": 0.25 - d**2, "c2": -0.5, "c3": 1 / 3}
    law = make_probe_law(coefficients=coefficients, valid_from=0.0, valid_to=1.0007)
    assert ["does not rise" in problem.found for problem in problems_of(law)] == [True]


def test_all_mistakes_of_all_laws_are_said_at_once():
    found = problems_of(
        line_law(origin="", coefficients={"slop": 1.0}), make_probe_law(form="tabel")
    )
    assert len(found) == 5
    assert {p.place for p in found} == {
        "law 'soil-law' version 1",
        "law 'probe-law' version 1",
    }


def test_every_form_is_tried_above():
    tried = {law.form for law in GOOD.values()}
    published = {
        name for name, form in FORMS.items() if not form.required and form.kind == "soil"
    }
    untried = set(FORMS) - tried - published
    # The forms left take the same path as one that is tried: only their numbers differ.
    assert untried <= {"polynomial_root_permittivity", "malicki_1996_porosity"}


@pytest.mark.parametrize("form", [name for name, f in FORMS.items() if f.kind == "soil"])
def test_the_slope_of_every_soil_form_is_its_derivative(form):
    series = {"c0": -0.1, "c1": 0.05, "c2": 0.01} if FORMS[form].series else {}
    coefficients = LINE if form == "linear_root_permittivity" else series
    horizon = make_horizon(bulk_density=1.3, clay_pct=20.0, organic_pct=2.0)
    law = make_law(form=form, coefficients=coefficients)
    if not FORMS[form].has_range:
        law = law.model_copy(update={"valid_from": 1.5, "valid_to": 6.0})
    curve = make_curve(law, horizon)
    x = np.linspace(curve.low, curve.high, 52)[1:-1]
    step = 1e-6
    # Provenance: central differences, good to about 1e-9 here.
    expected = (curve.value(x + step) - curve.value(x - step)) / (2 * step)
    np.testing.assert_allclose(curve.slope(x), expected, atol=1e-8)


@settings(deadline=None)
@given(
    st.floats(1.8, 6.4),
    st.tuples(st.floats(0.001, 0.02), st.floats(0.001, 0.1), st.floats(-1.0, 1.0)),
)
def test_variance_of_a_line_is_the_form_of_its_covariance(x, spread):
    u_slope, u_offset, r = spread
    cross = r * u_slope * u_offset
    law = line_law(covariance=((u_slope**2, cross), (cross, u_offset**2)), standard_error=None)
    terms = make_curve(law).variance
    jacobian = np.array([x, 1.0])
    expected = jacobian @ np.array(law.covariance) @ jacobian
    found = np.polynomial.polynomial.polyval(x, terms)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12)


def test_the_last_digit_of_gum_h3():
    # Provenance: printed, JCGM 100:2008 H.3: y1 = -0.1712 (u 0.0029), y2 = 0.00218
    # (u 0.00067), r = -0.930; predicted at t - t0 = 10: u_c = 0.0041. A line through a
    # thermometer's errors stands here for one through a calibration's.
    cross = -0.930 * 0.0029 * 0.00067
    law = line_law(
        coefficients={"slope": 0.00218, "offset": -0.1712},
        covariance=((0.00067**2, cross), (cross, 0.0029**2)),
        standard_error=None,
        valid_from=0.0,
        valid_to=11.0,
    )
    curve = make_curve(law)
    u_c = np.sqrt(np.polynomial.polynomial.polyval(10.0, curve.variance))
    assert curve.value(np.array([10.0]))[0] == pytest.approx(-0.1494, abs=5e-5)
    assert u_c == pytest.approx(0.0041, abs=1e-4)  # inputs are rounded to two digits
