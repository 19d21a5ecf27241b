"""Errors of interpolation against kriging with a linear variogram, solved as such."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.spacing import spacing_factors
from pipeline.derive.weights import EndRules, layer_weights

KNOWN = EndRules("constant", "constant")


def kriged(sensors, layers, slope=1.0, points=3000):
    """Return weights and error covariance of the integrals by ordinary kriging on a fine grid.

    Ordinary kriging (Journel & Huijbregts 1978, chapter V, from memory) with the variogram
    slope * distance / 2, solved with a Lagrange multiplier; the reference is numpy's solver.
    """
    z = (np.arange(points) + 0.5) * (max(b for _, b in layers) / points)
    step = z[1] - z[0]
    inside = np.array([(z > top) & (z < bottom) for top, bottom in layers]) * step

    def gamma(a, b):
        return slope * np.abs(np.subtract.outer(a, b)) / 2

    n = len(sensors)
    left = np.ones((n + 1, n + 1))
    left[:n, :n], left[n, n] = gamma(sensors, sensors), 0.0
    right = np.vstack([gamma(sensors, z) @ inside.T, inside.sum(axis=1)])
    weights = np.linalg.solve(left, right)
    # Of errors: gamma between layers and sensors, twice, less gamma within each.
    within = inside @ gamma(z, z) @ inside.T
    at = weights[:n]
    covariance = at.T @ right[:n] + right[:n].T @ at - at.T @ left[:n, :n] @ at - within
    return at.T, covariance


def test_line_and_constant_are_what_kriging_gives_and_so_is_their_variance():
    sensors = np.array([0.1, 0.2, 0.4, 1.0])
    layers = [(0.0, 0.1), (0.0, 1.2), (0.15, 0.5), (0.5, 0.9)]
    weights, covariance = kriged(sensors, layers)
    np.testing.assert_allclose(layer_weights(sensors, layers, KNOWN), weights, atol=1e-3)
    ours = spacing_factors(sensors, layers, KNOWN).factors.sum(axis=0)
    np.testing.assert_allclose(ours, covariance, atol=3e-4 * np.abs(covariance).max() + 1e-6)


def test_one_gap_and_one_end_by_hand():
    # by hand: the Brownian bridge over h has the integral's variance h^3 / 12, the walk over
    # t has t^3 / 3
    spacing = spacing_factors(np.array([0.3, 0.7]), [(0.0, 1.0)], KNOWN)
    between, below, above = spacing.factors[0, 0, 0], *spacing.factors[[3, 2], 0, 0]
    assert between == pytest.approx(0.4**3 / 12, rel=1e-12)
    assert above == pytest.approx(0.3**3 / 3, rel=1e-12)
    assert below == pytest.approx(0.3**3 / 3, rel=1e-12)
    assert spacing.following.tolist() == [1, -1]
    assert spacing.distance_m[0] == pytest.approx(0.4)


def test_a_layer_that_ends_at_a_sensor_leaves_the_next_gap_alone():
    factors = spacing_factors(np.array([0.1, 0.3, 0.6]), [(0.1, 0.3)], KNOWN).factors
    assert factors[0, 0, 0] > 0
    assert (factors[1:] == 0).all()


@settings(max_examples=60)
@given(
    depths=st.lists(st.integers(1, 150), min_size=1, max_size=7, unique=True),
    edges=st.lists(st.integers(0, 200), min_size=2, max_size=9, unique=True),
)
def test_the_whole_is_as_uncertain_as_its_layers_with_their_covariance(depths, edges):
    sensors, bounds = np.sort(depths) / 100, np.sort(edges) / 100
    layers = list(pairwise(bounds))
    parts = spacing_factors(sensors, layers, KNOWN).factors
    whole = spacing_factors(sensors, [(bounds[0], bounds[-1])], KNOWN).factors
    np.testing.assert_allclose(parts.sum(axis=(1, 2)), whole[:, 0, 0], rtol=1e-9, atol=1e-12)
    smallest = np.linalg.eigvalsh(parts).min()
    assert smallest > -1e-10  # no combination of layers has a variance below zero
