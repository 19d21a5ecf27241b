"""The line with errors in both variables, against published data and reference code."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from pipeline.calibrate.fit_line import fit_line, make_points
from pipeline.calibrate.regression import fit_polynomial

# Pearson's data with York's weights. Provenance: from memory (York 1966, Can. J. Phys. 44,
# 1079-1086), as are the results below; that they fit together confirms both.
X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
X_WEIGHT = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
Y_WEIGHT = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def york_points():
    return make_points(X, Y, X_WEIGHT**-0.5, Y_WEIGHT**-0.5)


def test_pearsons_data_with_yorks_weights():
    fit = fit_line(york_points())
    offset, slope = fit.coefficients
    assert offset == pytest.approx(5.47991022403, abs=5e-11)
    assert slope == pytest.approx(-0.48053340745, abs=5e-11)
    assert np.sqrt(fit.stated_covariance[0, 0]) == pytest.approx(0.29497, abs=5e-6)
    assert np.sqrt(fit.stated_covariance[1, 1]) == pytest.approx(0.057985, abs=5e-7)
    assert fit.chi_square == pytest.approx(11.8663531941, abs=5e-10)
    # Scatter beyond what is stated enlarges the covariance.
    np.testing.assert_allclose(fit.covariance, fit.stated_covariance * 11.8663531941 / 8)


def scattered(seed=5, count=20):
    random = np.random.default_rng(seed)
    truth = random.uniform(2, 6, count)
    x_error, y_error = random.uniform(0.02, 0.2, count), random.uniform(0.002, 0.02, count)
    x = truth + x_error * random.normal(size=count)
    return x, 0.12 * truth - 0.2 + y_error * random.normal(size=count), x_error, y_error


def test_equals_orthogonal_distance_regression():
    # Provenance: reference code, scipy.odr (ODRPACK), to the precision at which it stops. Its
    # standard errors linearise otherwise, so only the line is compared.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr")
    x, y, x_error, y_error = scattered()
    data = odr.RealData(x, y, sx=x_error, sy=y_error)
    model = odr.Model(lambda beta, inputs: beta[0] + beta[1] * inputs)
    found = odr.ODR(data, model, beta0=[0.0, 0.1], sstol=1e-14, partol=1e-14).run()
    fit = fit_line(make_points(x, y, x_error, y_error))
    np.testing.assert_allclose(fit.coefficients, found.beta, rtol=1e-6)
    assert fit.reduced_chi_square == pytest.approx(found.res_var, rel=1e-6)


def test_without_errors_of_x_it_is_weighted_least_squares():
    x, y, _, y_error = scattered()
    fit = fit_line(make_points(x, y, 0.0, y_error))
    plain = fit_polynomial(x, y, 1, y_error**-2)
    np.testing.assert_allclose(fit.coefficients, plain.coefficients, rtol=1e-10)
    # Least squares takes the size of the errors from the scatter, always.
    np.testing.assert_allclose(
        fit.stated_covariance * fit.reduced_chi_square, plain.covariance, rtol=1e-8
    )


def test_without_errors_of_y_it_is_the_regression_the_other_way():
    x, y, x_error, _ = scattered()
    fit = fit_line(make_points(x, y, x_error, 0.0))
    other = fit_polynomial(y, x, 1, x_error**-2).coefficients
    np.testing.assert_allclose(fit.coefficients, [-other[0] / other[1], 1 / other[1]])


def test_exchanging_the_axes_gives_the_same_line_also_with_correlated_errors():
    x, y, x_error, y_error = scattered()
    r = np.linspace(-0.8, 0.8, len(x))
    fit = fit_line(make_points(x, y, x_error, y_error, r))
    other = fit_line(make_points(y, x, y_error, x_error, r))
    offset, slope = other.coefficients
    np.testing.assert_allclose(fit.coefficients, [-offset / slope, 1 / slope], rtol=1e-9)
    assert other.chi_square == pytest.approx(fit.chi_square)


def test_intervals_hold_the_truth_where_least_squares_is_too_flat():
    # By hand: 400 sets with slope 0.12; the nominal 95 % interval holds it in 380 of them, of
    # which the binomial standard deviation is 4.4. Least squares is flattened by the share of
    # x's variance that is error, 0.5^2 / (16 / 12 + 0.5^2) = 0.158.
    random = np.random.default_rng(8)
    held, flat, slopes = 0, [], []
    for _ in range(400):
        truth = random.uniform(2, 6, 25)
        x = truth + random.normal(0, 0.5, 25)
        y = 0.12 * truth - 0.2 + random.normal(0, 0.01, 25)
        fit = fit_line(make_points(x, y, 0.5, 0.01))
        slopes.append(fit.coefficients[1])
        held += abs(slopes[-1] - 0.12) < 1.96 * np.sqrt(fit.stated_covariance[1, 1])
        flat.append(fit_polynomial(x, y).coefficients[1])
    assert 360 <= held <= 395
    assert np.mean(flat) == pytest.approx(0.12 * (1 - 0.158), abs=0.003)
    assert np.median(slopes) == pytest.approx(0.12, abs=0.002)


def test_left_out_error_is_that_of_lines_through_the_others():
    points = york_points()
    left_out = []
    for index in range(len(X)):
        offset, slope = fit_line(points.without(index)).coefficients
        left_out.append(Y[index] - offset - slope * X[index])
    fit = fit_line(points)
    assert fit.left_out_rmse == pytest.approx(np.sqrt(np.mean(np.square(left_out))))
    # By hand: points left out lie farther off than points fitted.
    assert fit.left_out_rmse > np.sqrt(np.mean(fit.residuals**2))


def test_predicted_uncertainty_keeps_the_correlation():
    fit = fit_line(york_points())
    value, error = fit.predict(4.0)
    (a, b), c = fit.coefficients, fit.covariance
    assert value == pytest.approx(a + 4 * b)
    assert error == pytest.approx(np.sqrt(c[0, 0] + 16 * c[1, 1] + 8 * c[0, 1]))  # GUM eq. 13
    assert error < np.sqrt(c[0, 0] + 16 * c[1, 1])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"x_error": -0.1}, "at least 0"),
        ({"x_error": 0.0, "y_error": 0.0}, "neither"),
        ({"correlation": 1.0}, "between -1 and 1"),
        ({"y_error": np.nan}, "finite"),
        ({"y": [1.0, 2.0]}, "one length"),
    ],
)
def test_points_that_cannot_be_fitted_are_told(changes, words):
    parts = {"x": [1.0, 2, 3], "y": [1.0, 2, 3], "x_error": 0.1, "y_error": 0.1}
    with pytest.raises(ValueError, match=words):
        make_points(**(parts | changes))
