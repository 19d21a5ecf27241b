"""What nights drain beyond their law, told from noise, against the same by matrices."""

import numpy as np
import pytest

from pipeline.derive.night_smoothing import ONE_NIGHT, SLOW_DAYS, smoothed

DAY_S = 86_400


def by_matrices(days, values, noise, room):
    """Mean and standard deviation given the known values: Rasmussen & Williams (2006),

    Gaussian Processes for Machine Learning, equations 2.23 and 2.24 (from memory).
    """
    apart = np.abs(np.subtract.outer(days, days))
    slow = (1 - ONE_NIGHT) * np.exp(-apart / SLOW_DAYS)
    covariance = np.outer(room, room) * (slow + ONE_NIGHT * np.eye(len(days)))
    known = np.isfinite(values)
    among = covariance[np.ix_(known, known)] + np.diag(noise[known] ** 2)
    across = covariance[:, known]
    mean = across @ np.linalg.solve(among, values[known])
    left = covariance - across @ np.linalg.solve(among, across.T)
    return mean, np.sqrt(np.diag(left))


def test_nights_are_smoothed_as_matrices_do_it():
    random = np.random.default_rng(8)
    night_s = np.cumsum(random.integers(1, 4, 60)) * DAY_S + random.integers(0, 3600, 60)
    values = random.standard_normal((3, 60))
    values[:, 20:31] = np.nan
    values[1, ::2] = np.nan
    noise = random.uniform(0.05, 1.0, (3, 60))
    room = random.uniform(0.1, 0.6, (3, 60))
    best, error = smoothed(night_s, values, noise, room)
    for k in range(3):
        mean, spread = by_matrices(night_s / DAY_S, values[k], noise[k], room[k])
        np.testing.assert_allclose(best[k], mean, atol=1e-9)
        np.testing.assert_allclose(error[k], spread, atol=1e-9)


def test_far_from_any_night_nothing_is_known_but_how_far_it_may_be():
    night_s = np.array([0, 1000]) * DAY_S
    best, error = smoothed(
        night_s, np.array([[2.0, np.nan]]), np.full((1, 2), 0.1), np.ones((1, 2))
    )
    assert best[0, 0] == pytest.approx(2.0 / 1.01)  # by hand: 1 / (1 + 0.1^2) of it
    assert best[0, 1] == pytest.approx(0.0, abs=1e-6)
    assert error[0, 1] == pytest.approx(1.0)


def test_sensors_without_any_value_have_nothing():
    best, _ = smoothed(
        np.arange(3) * DAY_S, np.full((1, 3), np.nan), np.ones((1, 3)), np.ones((1, 3))
    )
    assert (best == 0.0).all()
