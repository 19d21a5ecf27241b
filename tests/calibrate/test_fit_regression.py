"""Least squares against certified results, and against numpy, scipy and fits made again."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.calibrate.fit_student import student_quantile
from pipeline.calibrate.regression import (
    fit_polynomial,
    flag_leverage,
    flag_outliers,
    outlier_limit,
    propagate,
)

PUBLISHED = Path(__file__).parents[1] / "published" / "fits.csv"


def published(name):
    """Return x and y of one set."""
    lines = [line for line in PUBLISHED.read_text().splitlines() if not line.startswith("#")]
    rows = [row for row in csv.DictReader(lines) if row["set"] == name]
    return np.array([float(r["x"]) for r in rows]), np.array([float(r["y"]) for r in rows])


def wampler(times):
    x, delta = published("Wampler3_delta")
    return x, sum(x**power for power in range(6)) + times * delta


def wampler_2():
    x = np.arange(21.0)
    return x, sum((0.1 * x) ** power for power in range(6))


def no_intercept_1():
    return np.arange(60.0, 71.0), np.arange(130.0, 141.0)


def no_intercept_2():
    return np.array([4.0, 5, 6]), np.array([3.0, 4, 4])


ONES = [1.0] * 6
WAMPLER_3_SD = [2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350,
                5.64566512170752, 0.112324854679312]  # fmt: skip

# Provenance: printed, NIST Statistical Reference Datasets, Linear Regression (certified values
# to 15 digits); Pontius' and Wampler's from memory, confirmed in exact arithmetic. Data,
# degree, through the origin, coefficients, their sd, residual sd, R2, digits asked for.
CERTIFIED = {
    "Norris": (
        lambda: published("Norris"), 1, False,
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-3],
        0.884796396144373, 0.999993745883712, 10,
    ),
    "Pontius": (
        lambda: published("Pontius"), 2, False,
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        0.205177424076185e-3, 0.999999900178537, 10,
    ),
    "Wampler1": (lambda: wampler(0), 5, False, ONES, None, 0.0, 1.0, 7),
    "Wampler2": (wampler_2, 5, False, [1, 0.1, 0.01, 1e-3, 1e-4, 1e-5], None, 0.0, 1.0, 7),
    "Wampler3": (
        lambda: wampler(1), 5, False, ONES, WAMPLER_3_SD,
        2360.14502379268, 0.999995559025820, 7,
    ),
    "Wampler4": (
        lambda: wampler(100), 5, False, ONES, np.multiply(WAMPLER_3_SD, 100),
        236014.502379268, None, 6,
    ),
    "Wampler5": (
        lambda: wampler(10_000), 5, False, ONES, np.multiply(WAMPLER_3_SD, 10_000),
        23601450.2379268, None, 4,
    ),
    "NoInt1": (
        no_intercept_1, 1, True, [2.07438016528926], [0.0165289256198347],
        3.56753034006338, 0.999365492298663, 10,
    ),
    "NoInt2": (
        no_intercept_2, 1, True, [0.727272727272727], [0.0420827318078432],
        0.369274472937998, 0.993348115299335, 10,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_fits_are_met_to_the_digits_asked_for(name):
    data, degree, through_origin, estimates, errors, sd, r_squared, digits = CERTIFIED[name]
    fit = fit_polynomial(*data(), degree, through_origin=through_origin)
    near = 0.5 * 10.0**-digits
    np.testing.assert_allclose(fit.coefficients, estimates, rtol=near)
    if errors is None:  # an exact fit: what is left over is rounding, of y up to 3.4 million
        assert fit.residual_sd < 1e-8
    else:
        np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), errors, rtol=near)
        assert fit.residual_sd == pytest.approx(sd, rel=near)
    if r_squared is not None:
        assert fit.r_squared == pytest.approx(r_squared, abs=1e-14)


def test_thermometer_of_the_gum_is_predicted_with_its_correlation():
    # Provenance: printed, JCGM 100:2008, H.3.3 and H.3.4.
    t, correction = published("GUM_H3")
    fit = fit_polynomial(t - 20.0, correction)
    offset, slope = fit.coefficients
    u_offset, u_slope = np.sqrt(np.diag(fit.covariance))
    assert (round(offset, 4), round(u_offset, 4)) == (-0.1712, 0.0029)
    assert (round(slope, 5), round(u_slope, 5)) == (0.00218, 0.00067)
    assert round(fit.covariance[0, 1] / (u_offset * u_slope), 3) == -0.930
    assert round(fit.residual_sd, 4) == 0.0035
    value, error = fit.predict(10.0)  # at 30 degC
    assert (round(float(value), 4), round(float(error), 4)) == (-0.1494, 0.0041)
    assert float(propagate(fit.covariance, (0, 1), 10.0)) == pytest.approx(float(error))
    # By hand, eq. 13 without its last term: what dropping the correlation would claim.
    alone = propagate(np.diag(np.diag(fit.covariance)), (0, 1), 10.0)
    assert round(float(alone), 4) == 0.0073


def scattered(seed=3, count=14):
    random = np.random.default_rng(seed)
    x = random.uniform(2, 6, count)
    return x, 0.12 * x - 0.2 + random.normal(0, 0.02, count)


@pytest.mark.parametrize("degree", [1, 2])
def test_left_out_residuals_are_those_of_fits_made_without_each_point(degree):
    # Provenance: reference code, the same fit made n times.
    x, y = scattered()
    weights = np.linspace(1, 3, len(x))
    again = [
        y[i]
        - fit_polynomial(np.delete(x, i), np.delete(y, i), degree, np.delete(weights, i))
        .predict(x[i])[0]
        for i in range(len(x))
    ]  # fmt: skip
    fit = fit_polynomial(x, y, degree, weights)
    np.testing.assert_allclose(fit.left_out_residuals, again, rtol=1e-9)
    assert fit.left_out_rmse == pytest.approx(np.sqrt(np.mean(np.square(again))))


def test_weighted_fit_equals_numpy():
    # Provenance: reference code, numpy polyfit (which takes roots of weights).
    x, y = scattered()
    weights = np.linspace(1, 5, len(x))
    expected, covariance = np.polyfit(x, y, 2, w=np.sqrt(weights), cov=True)
    fit = fit_polynomial(x, y, 2, weights)
    np.testing.assert_allclose(fit.coefficients, expected[::-1], rtol=1e-9)
    np.testing.assert_allclose(fit.covariance, covariance[::-1, ::-1], rtol=1e-8)


def test_line_equals_scipy():
    # Provenance: reference code, scipy linregress.
    x, y = scattered()
    expected = stats.linregress(x, y)
    fit = fit_polynomial(x, y)
    np.testing.assert_allclose(fit.coefficients, [expected.intercept, expected.slope])
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)), [expected.intercept_stderr, expected.stderr]
    )
    assert fit.r_squared == pytest.approx(expected.rvalue**2)


def test_studentised_residual_is_the_t_of_a_point_given_a_level_of_its_own():
    # Provenance: by hand: the external studentised residual equals the t value of a column
    # that is 1 at the point only (Cook & Weisberg 1982, section 2.2.2).
    x, y = scattered()
    fit = fit_polynomial(x, y)
    for index in range(len(x)):
        design = np.column_stack([np.ones_like(x), x, np.arange(len(x)) == index])
        beta, squares, *_ = np.linalg.lstsq(design, y)
        variance = squares[0] / (len(x) - 3) * np.linalg.inv(design.T @ design)[2, 2]
        assert fit.studentised[index] == pytest.approx(beta[2] / np.sqrt(variance))


def test_an_outlier_is_told_and_sound_points_are_not():
    x, y = scattered()
    assert not flag_outliers(fit_polynomial(x, y)).any()
    y[4] += 0.15
    assert np.flatnonzero(flag_outliers(fit_polynomial(x, y))).tolist() == [4]


def test_sound_samples_are_called_odd_as_rarely_as_stated():
    # By hand: at least one of 12 sound points exceeds the limit in at most 5 of 100 sets; the
    # count of 2000 sets is binomial, 5 standard deviations are 49.
    random = np.random.default_rng(11)
    odd = 0
    for _ in range(2000):
        x = random.uniform(2, 6, 12)
        odd += flag_outliers(fit_polynomial(x, random.normal(0, 1, 12))).any()
    assert 51 <= odd <= 149


def test_a_point_far_out_is_told():
    # By hand: leverages of a line through ten points have the mean 0.2; that of 100 among
    # 0 to 8 is 0.1 + 86.4^2 / 8354 = 0.99, more than three times as much.
    x = np.array([0.0, 1, 2, 3, 4, 5, 6, 7, 8, 100])
    assert np.flatnonzero(flag_leverage(fit_polynomial(x, x**0.5))).tolist() == [9]


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 9, 10, 57, 400])
@pytest.mark.parametrize("probability", [0.001, 0.4, 0.5, 0.9, 0.975, 1 - 0.05 / 40])
def test_quantile_of_student_equals_scipy(degrees, probability):
    # Provenance: reference code, scipy.
    expected = stats.t.ppf(probability, degrees)
    assert student_quantile(probability, degrees) == pytest.approx(
        expected, rel=1e-9, abs=1e-12
    )


@settings(max_examples=40, deadline=None)
@given(st.floats(-50, 50), st.floats(0.01, 100), st.integers(1, 3))
def test_shifting_and_stretching_the_input_changes_nothing_but_its_scale(shift, scale, degree):
    x, y = scattered()
    plain, moved = (fit_polynomial(v, y, degree) for v in (x, shift + scale * x))
    for ours, other in zip(plain.predict(x), moved.predict(shift + scale * x), strict=True):
        np.testing.assert_allclose(other, ours, rtol=1e-6)
    assert moved.left_out_rmse == pytest.approx(plain.left_out_rmse, rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "weights", "words"),
    [
        ([1, 1, 1], [1, 2, 3], None, "at least 2 different inputs"),
        ([1, 2, np.nan], [1, 2, 3], None, "finite"),
        ([1, 2, 3], [1, 2], None, "one length"),
        ([1, 2, 3], [1, 2, 3], [1, 0, 1], "weights above 0"),
    ],
)
def test_what_cannot_be_fitted_is_told(x, y, weights, words):
    with pytest.raises(ValueError, match=words):
        fit_polynomial(x, y, 1, weights)


def test_too_few_points_leave_no_judgement():
    fit = fit_polynomial([1.0, 2.0], [1.0, 3.0])
    np.testing.assert_allclose(fit.coefficients, [-1, 2])
    assert np.isnan(fit.residual_sd)
    assert outlier_limit(3, 2) == np.inf
    with pytest.raises(ValueError, match="probability"):
        student_quantile(1.0, 3)


def test_interval_of_a_new_sample_holds_it_as_often_as_stated():
    # By hand: 95 of 100; of 2000 sets the binomial standard deviation is 0.5 of 100, and the
    # bounds are 4 of them. The new sample is as far out as the samples are.
    random = np.random.default_rng(21)
    held = 0
    for _ in range(2000):
        x, new_x = random.uniform(2, 6, 10), random.uniform(2, 6)
        y, new_y = (0.12 * v - 0.2 + random.normal(0, 0.02, np.shape(v)) for v in (x, new_x))
        fit = fit_polynomial(x, y)
        value, error = fit.predict(new_x)
        reach = student_quantile(0.975, 8) * np.hypot(error, fit.residual_sd)
        held += abs(new_y - value) <= reach
    assert 0.93 <= held / 2000 <= 0.97
