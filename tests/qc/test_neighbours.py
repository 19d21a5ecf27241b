"""Neighbour tubes: medians of the others, profiles at common depths, the test by day."""

import numpy as np
import pytest

from pipeline.qc.neighbours import at_nominal_depths, flag_neighbour_tubes, median_of_others

GROUP = [np.arange(5)]


def field(days=120, seed=1):
    """Return five tubes at two depths that follow one course, each with its own level."""
    random = np.random.default_rng(seed)
    course = 0.25 + 0.05 * np.sin(np.arange(days) / 15)
    level = random.uniform(-0.04, 0.04, (5, 2))
    return course[:, None, None] + level + 0.001 * random.standard_normal((days, 5, 2))


def test_median_of_others_is_what_leaving_out_gives():
    random = np.random.default_rng(2)
    values = np.round(random.random((40, 6, 3)), 1)  # with ties
    values[random.random(values.shape) < 0.3] = np.nan
    median, count = median_of_others(values)
    for tube in range(6):
        rest = np.delete(values, tube, axis=1)
        known = np.isfinite(rest).sum(axis=1)
        assert (count[:, tube] == known).all()
        enough = known >= 2
        expected = np.nanmedian(
            np.where(enough[:, None], rest, 0.0), axis=1
        )  # reference: numpy
        np.testing.assert_allclose(median[:, tube][enough], expected[enough])
        assert np.isnan(median[:, tube][~enough]).all()


def test_a_tube_set_deeper_is_compared_at_its_real_depth():
    depths = np.array([0.1, 0.2, 0.3])
    values = np.broadcast_to(depths, (4, 2, 3)).copy()  # water rises with depth as depth does
    real = np.array([depths, depths + 0.05])
    values[:, 1] += 0.05
    found = at_nominal_depths(values, depths, real)
    np.testing.assert_allclose(found[:, 0], values[:, 0])
    np.testing.assert_allclose(found[:, 1, 1:], np.broadcast_to(depths[1:], (4, 2)))
    assert np.isnan(found[:, 1, 0]).all()  # nothing is measured above 15 cm


def test_tubes_that_follow_each_other_are_not_flagged():
    suspect, departure = flag_neighbour_tubes(field(), GROUP)
    assert not suspect.any()
    assert np.isfinite(departure[80:]).all()


def test_a_tube_that_departs_is_flagged_and_its_neighbours_are_not():
    water = field()
    water[90:100, 2, 1] += 0.15
    suspect, departure = flag_neighbour_tubes(water, GROUP)
    assert suspect[90:100, 2, 1].all()
    assert suspect.sum() == 10
    assert departure[95, 2, 1] > 0.05


def test_a_front_some_days_early_is_no_departure():
    water = field()
    water[80:] += 0.08
    water[78:80, 0] += 0.08
    assert not flag_neighbour_tubes(water, GROUP)[0].any()


@pytest.mark.parametrize("tubes", [1, 2])
def test_with_too_few_neighbours_nobody_can_tell(tubes):
    water = field()[:, :tubes]
    water[90:, 0] += 0.2
    suspect, departure = flag_neighbour_tubes(water, [np.arange(tubes)])
    assert not suspect.any()
    assert np.isnan(departure).all()
