"""The curve as smooth as its readings ask, against dense linear algebra."""

import numpy as np
import pytest

from pipeline.smooth_curve import STRONGEST, WEAKEST, likeliest_curve, off_the_rest


def test_the_curve_is_the_likeliest_of_its_strengths_by_dense_algebra():
    # by numpy.linalg: least |y - z|^2 + s |D2 z|^2, and the likelihood of the differences
    # D2 y, which are normal with covariance I / s + D2 D2', whatever level and slope were.
    rng = np.random.default_rng(3)
    seen = np.cumsum(np.cumsum(0.1 * rng.standard_normal(60))) + rng.standard_normal(60)
    bends = np.diff(np.eye(60), 2, axis=0)
    change = bends @ seen

    def likelihood(strength):
        covariance = np.eye(58) / strength + bends @ bends.T
        _, determinant = np.linalg.slogdet(covariance)
        return -0.5 * (determinant + change @ np.linalg.solve(covariance, change))

    best = max(10.0 ** np.arange(WEAKEST, STRONGEST + 1), key=likelihood)
    expected = np.linalg.solve(np.eye(60) + best * bends.T @ bends, seen)
    for guess in (WEAKEST, 1, STRONGEST):
        curve, strength = likeliest_curve(np.ones(60), seen, guess)
        assert strength == pytest.approx(best)
        np.testing.assert_allclose(curve, expected, atol=1e-8)


def test_missing_readings_are_crossed_by_the_curve():
    weight = np.ones(30)
    weight[10:20] = 0.0
    line = 0.5 * np.arange(30.0)
    curve, _ = likeliest_curve(weight, weight * line, 3)
    np.testing.assert_allclose(curve, line, atol=1e-6)  # no bend is wanted, none is made


@pytest.mark.parametrize("bend", [0.01, 0.3, 3.0])
def test_a_reading_left_out_is_normal_about_the_curve_through_the_others(bend):
    # A slope that walks at random, seen with noise one: by numpy.linalg, the mean
    # and variance of the level left out, given the sixteen others and no more.
    rng = np.random.default_rng(5)
    found, expected = [], []
    weight = np.ones(17)
    weight[8] = 0.0
    bends = np.diff(np.eye(17), 2, axis=0)
    for _ in range(400):
        level = np.cumsum(np.cumsum(bend * rng.standard_normal(17)))
        seen = level + rng.standard_normal(17)
        scaled = weight * (seen - seen[8])
        _, strength = likeliest_curve(weight, scaled, 2)
        inverse = np.linalg.inv(np.diag(weight) + strength * bends.T @ bends)
        mean = (inverse @ scaled)[8]
        expected.append((-mean / np.sqrt(1.0 + inverse[8, 8]), inverse[8, 8]))
        found.append(off_the_rest(weight, scaled, 2, 8))
    # A stiff curve leaves the inverse of a matrix no more digits.
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-8)
    # The strength is told from the same few readings: somewhat wider than one, by no bias.
    z = np.array(found)[:, 0]
    assert 0.9 < np.std(z) < 1.25
    assert abs(np.mean(z)) < 0.15
