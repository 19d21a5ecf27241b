"""Places of tubes in metres, and how far down the slope. Expected numbers worked by hand."""

import doctest

import numpy as np
import pytest

from pipeline.derive import places
from pipeline.derive.places import down_slope, local_metres


def test_examples_in_the_docstrings():
    assert doctest.testmod(places).failed == 0


def test_a_degree_is_as_long_as_tables_say():
    # printed, from memory: lengths of a degree on WGS84 at 45 degrees, latitude 111 132 m
    # (mean of 44.5 to 45.5) and longitude 78 847 m
    east, north = local_metres([45.0, 45.001], [9.0, 9.001])
    assert float(np.ptp(north)) == pytest.approx(111.132, abs=0.005)
    assert float(np.ptp(east)) == pytest.approx(78.847, abs=0.01)


def test_a_site_may_lie_across_the_date_line():
    east, _ = local_metres([0.0, 0.0], [179.9995, -179.9995])
    # by hand: a thousandth of a degree of the equator, 2 pi 6378137 / 360000
    assert np.diff(east)[0] == pytest.approx(111.319, abs=0.001)


def test_distance_down_a_plane():
    # by hand: falls 0.06 m a metre eastwards and 0.08 m northwards, direction (0.6, 0.8)
    east, north = np.array([0.0, 10.0, 0.0, 10.0]), np.array([0.0, 0.0, 10.0, 10.0])
    distance, direction = down_slope(east, north, 300 - 0.06 * east - 0.08 * north)
    assert direction == pytest.approx((0.6, 0.8))
    np.testing.assert_allclose(distance, [0, 6, 8, 14], atol=1e-9)


def test_tubes_on_a_line_have_the_slope_of_the_line():
    # by hand: a line to the south-east with a jitter of centimetres across, 14 m fall in 140 m
    along = np.linspace(0, 140, 8)
    jitter = 0.05 * np.array([1, -1, 1, -1, -1, 1, -1, 1])
    east, north = (along + jitter) / np.sqrt(2), (-along + jitter) / np.sqrt(2)
    distance, direction = down_slope(east, north, 318 - 0.1 * along)
    assert direction == pytest.approx((np.sqrt(0.5), -np.sqrt(0.5)), abs=0.001)
    np.testing.assert_allclose(distance, along, atol=0.01)


def test_level_ground_is_ordered_by_elevation_and_a_single_tube_stays():
    east, north = np.array([0.0, 10.0]), np.array([0.0, 0.0])
    distance, direction = down_slope(east, north, [5.0, 5.0])
    assert direction is None
    assert distance.tolist() == [0.0, 0.0]
    same_place = down_slope(np.zeros(2), np.zeros(2), [5.0, 7.0])
    assert same_place[1] is None
    assert same_place[0].tolist() == [2.0, 0.0]
    assert down_slope(np.zeros(1), np.zeros(1), [5.0])[0].tolist() == [0.0]
