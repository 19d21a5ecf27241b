"""Fitted laws: what is pooled, what is told, and the entry that comes out."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest
from bare_site import START, make_horizon, make_law, make_site, make_tube

from pipeline.calibrate.fit import FittedLaw, TooFew, fit_laws, outlier_reasons, target_of
from pipeline.calibrate.fit_entry import Statement, entry_law, entry_text
from pipeline.calibrate.fit_match import Pair
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.samples import SamplePoint, When
from pipeline.site.models import Soil

START_S = int(START.timestamp())
OWN = make_law(form="linear_root_permittivity", coefficients={"slope": 0.1, "offset": -0.1},
               valid_from=1.0, valid_to=9.0, covariance=None)  # fmt: skip


def make_pair(number=0, root=3.0, water=None, **changes):
    theta = 0.12 * root - 0.2 if water is None else water
    point = SamplePoint(
        (number + 2,), When(START_S + number * 86400), changes.pop("tube", "T1"), 0.1, theta,
        changes.pop("error", 0.005), math.nan,
    )  # fmt: skip
    fields = {
        "nominal_m": 0.1, "sensor_m": 0.1, "horizon": make_horizon(), "law": None,
        "root_permittivity": root, "root_error": 0.02, "probe_error": 0.04, "readings": 9,
    }  # fmt: skip
    return Pair(point, **(fields | changes))


def make_pairs(count=14, scatter=0.01, seed=4, **changes):
    random = np.random.default_rng(seed)
    roots = np.linspace(2.5, 5, count)
    return [
        make_pair(i, root, 0.12 * root - 0.2 + random.normal(0, scatter), **changes)
        for i, root in enumerate(roots)
    ]


def fit_one(pairs, degree=1, site=None, **more):
    (fitted,) = fit_laws(pairs, site or make_site(laws=(OWN,)), degree, **more)
    return fitted


def test_both_fits_stand_side_by_side():
    fitted = fit_one(make_pairs())
    assert isinstance(fitted, FittedLaw)
    for method in ("ordinary", "both"):
        fit = fitted.fit(method)
        u_slope = math.sqrt(fit.covariance[1, 1])
        assert abs(fit.coefficients[1] - 0.12) < 3 * u_slope
        assert 0.005 < fit.residual_sd < fit.left_out_rmse < 0.02
    assert (fitted.outliers, fitted.far_out, fitted.warnings) == ((), (), ())


def test_a_new_version_follows_the_last():
    site = make_site(laws=(OWN, OWN.model_copy(update={"version": 4})))
    target = target_of(make_pair(), site)
    assert (target.law, target.version, target.in_force.version) == ("soil-law", 5, 4)
    assert not target.renamed


def test_horizons_that_share_a_fitted_law_are_fitted_together():
    soils = {
        "loam": Soil(id="loam", horizons=(make_horizon(),)),
        "silt": Soil(id="silt", horizons=(make_horizon(name="M"),)),
    }
    tubes = (make_tube(), make_tube("T2", soil="silt"))
    site = make_site(soils=soils, tubes=tubes, laws=(OWN,))
    pairs = make_pairs(6) + make_pairs(6, tube="T2", horizon=make_horizon(name="M"), seed=5)
    fitted = fit_one(pairs, site=site)
    assert len(fitted.pairs) == 12
    assert fitted.target.horizons == ("loam A", "silt M")


def test_a_horizon_with_a_published_law_gets_one_of_its_own():
    horizons = (make_horizon(name="A 1", bottom_m=0.5), make_horizon(name="B", top_m=0.5))
    site = make_site(soils={"loam": Soil(id="loam", horizons=horizons)}, laws=(make_law(),))
    target = target_of(make_pair(horizon=horizons[0]), site)
    assert (target.law, target.version, target.renamed) == ("loam-A-1", 1, True)
    assert target.horizons == ("loam A 1",)
    assert target.in_force.id == "soil-law"


def test_errors_of_probes_scatter_only_between_sensors():
    one = fit_one(make_pairs())
    two = fit_one([*make_pairs(7), *make_pairs(7, seed=9, tube="T2")],
                  site=make_site(laws=(OWN,), tubes=(make_tube(), make_tube("T2"))),
                  more_root_error=0.03)  # fmt: skip
    # By hand: 0.02 alone; with 0.04 of the probes and 0.03 stated, their quadrature.
    np.testing.assert_allclose(one.root_error, 0.02)
    np.testing.assert_allclose(two.root_error, math.sqrt(0.02**2 + 0.04**2 + 0.03**2))


def test_odd_samples_are_told_with_reasons_and_kept():
    pairs = make_pairs()
    pairs[6] = make_pair(6, pairs[6].root_permittivity, pairs[6].point.water_content + 0.1)
    fitted = fit_one(pairs)
    assert fitted.outliers == (6,)
    assert len(fitted.pairs) == 14
    assert "above the fit to the others" in outlier_reasons(fitted)[6]


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (make_pairs(6), "only 6 samples"),
        ([make_pair(i, 3 + 0.02 * i) for i in range(12)], "span only 0.026"),
        ([make_pair(i, 3 + 0.2 * i, 0.4 - 0.02 * i) for i in range(12)], "does not rise"),
        ([make_pair(i, 3 + 0.2 * i, 0.1 + 0.01 * i) for i in range(12)], "slope 0.050"),
        (make_pairs(scatter=0.05), "times as much as their stated"),
    ],
)
def test_what_speaks_against_a_fit_is_told(pairs, words):
    # By hand: 11 steps of 0.02 x 0.12 m3 m-3 are 0.026.
    assert any(words in warning for warning in fit_one(pairs).warnings)


def test_too_few_samples_are_no_law():
    few = fit_one(make_pairs(3))
    assert isinstance(few, TooFew)
    assert "found 3 samples" in few.reason
    assert isinstance(fit_one(make_pairs(4), degree=2), TooFew)


@pytest.mark.parametrize(
    ("changes", "degree", "words"),
    [
        ({"error": math.nan}, 1, "uncertainty of water content is not known for 14"),
        ({"root_error": math.nan}, 1, "uncertainty of the mean reading is not known"),
        ({}, 2, "to a line only"),
    ],
)
def test_why_there_is_no_fit_of_both_is_told(changes, degree, words):
    fitted = fit_one(make_pairs(**changes), degree)
    assert fitted.both is None
    assert words in fitted.both_missing
    with pytest.raises(ValueError, match=words):
        fitted.fit("both")


@pytest.mark.parametrize("method", ["ordinary", "both"])
def test_the_entry_gives_back_the_fit_and_its_uncertainty(method):
    fitted = fit_one(make_pairs())
    site = make_site(laws=(OWN,), utc_offset_s=3600)
    law = entry_law(fitted, Statement(method), site)
    curve = make_curve(law, make_horizon())
    roots = np.linspace(fitted.low, fitted.high, 7)
    value, error = fitted.fit(method).predict(roots)
    np.testing.assert_allclose(curve.value(roots), value, rtol=1e-7)
    # Of one more sample, GUM eq. 10: that of the fit and the scatter about it.
    variance = np.polynomial.polynomial.polyval(roots, curve.variance)
    expected = np.hypot(error, fitted.fit(method).residual_sd)
    np.testing.assert_allclose(np.sqrt(variance), expected, rtol=2e-3)


def test_a_parabola_becomes_a_polynomial_law():
    fitted = fit_one(make_pairs(), degree=2)
    law = entry_law(fitted, Statement(), make_site())
    roots = np.array([2.6, 4.9])
    np.testing.assert_allclose(
        make_curve(law).value(roots), fitted.ordinary.predict(roots)[0], rtol=1e-7
    )
    variance = np.polynomial.polynomial.polyval(roots, make_curve(law).variance)
    expected = fitted.ordinary.predict(roots)[1] ** 2 + fitted.ordinary.residual_sd**2
    np.testing.assert_allclose(variance, expected, rtol=2e-3)


def test_the_entry_is_toml_and_says_where_it_comes_from():
    fitted = fit_one(make_pairs())
    statement = Statement(valid=(2.0, 6.0), effective=START)
    law = entry_law(fitted, statement, make_site())
    (entry,) = tomllib.loads(entry_text(law))["law"]
    assert (entry["id"], entry["version"], entry["valid"]) == ("soil-law", 2, [2.0, 6.0])
    assert entry["from"] == START
    assert entry["coefficients"] == law.coefficients
    assert entry["covariance"] == [list(row) for row in law.covariance]
    for words in (
        "14 samples",
        "2024-01-01 to 2024-01-14",
        "1 tube",
        "loam A",
        "least squares",
    ):
        assert words in entry["origin"]


def test_unless_stated_the_range_is_that_of_the_samples():
    law = entry_law(fit_one(make_pairs()), Statement(), make_site())
    assert (law.valid_from, law.valid_to, law.effective) == (2.5, 5.0, None)


def test_names_of_people_cannot_break_the_entry():
    horizon = make_horizon(name='B "wet"\n\x7f\\')
    site = make_site(soils={"loam": Soil(id="loam", horizons=(horizon,))}, laws=(OWN,))
    fitted = fit_one(make_pairs(horizon=horizon), site=site)
    text = entry_text(entry_law(fitted, Statement(), site))
    (entry,) = tomllib.loads(text)["law"]
    assert 'loam B "wet"\n\x7f\\' in entry["origin"]
