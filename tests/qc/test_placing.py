"""Where sensors really are, told by waves whose depth is known."""

import numpy as np
import pytest

from pipeline.qc.placing import (
    agreed_shift,
    courses,
    damping_depth,
    fits,
    swapped_pairs,
    warmth_shift,
    wetting_shift,
)

DEPTHS = np.array([0.1, 0.2, 0.3, 0.4, 0.6, 1.0])
DAMPING_M = 0.12


def wave(depths):
    """Return the daily wave of warmth at some depths: amplitude and lag by hand."""
    size, lag = 6.0 * np.exp(-depths / DAMPING_M), depths / DAMPING_M
    return np.stack([size * np.cos(lag), size * np.sin(lag)])


def changes(depths, days=300, seed=1):
    """Return daily changes of water that come down slower and weaker with depth."""
    random = np.random.default_rng(seed)
    rain = random.exponential(0.02, days) * (random.random(days) < 0.2)
    at = np.arange(days)
    kernels = [np.exp(-0.5 * ((at - 20 * z) / (0.6 + 3 * z)) ** 2) for z in depths]
    return np.stack([np.convolve(rain, k / k.sum())[:days] for k in kernels], axis=1)


def test_the_damping_depth_of_a_wave_is_found():
    assert damping_depth(6.0 * np.exp(-DEPTHS / DAMPING_M), DEPTHS) == pytest.approx(DAMPING_M)
    assert np.isnan(damping_depth(np.array([1.0, 0.01]), DEPTHS[:2]))


def test_courses_are_straight_lines_down_to_the_last_depth_and_nothing_outside():
    # By hand: a third of the way from 0.2 to 0.5 m, all of it, half from there to 0.6, beyond.
    values = np.array([[1.0, 3.0, 9.0, 5.0], [0.0, np.nan, 1.0, 2.0]])
    found = courses(
        values, np.array([0.1, 0.2, 0.5, 0.6]), np.array([0.3, 0.5, 0.55, 0.6, 0.7])
    )
    expected = [[5.0, 9.0, 7.0, 5.0, np.nan], [np.nan, 1.0, 1.5, 2.0, np.nan]]
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    at_top = courses(values, np.array([0.1, 0.2, 0.5, 0.6]), np.array([0.05, 0.1]))
    np.testing.assert_array_equal(at_top, [[np.nan, 1.0], [np.nan, 0.0]])


@pytest.mark.parametrize("move", [0.12, -0.05, 0.0])
def test_warmth_tells_how_deep_a_tube_stands(move):
    shift = warmth_shift(wave(DEPTHS + move), wave(DEPTHS), DEPTHS)
    told = np.isfinite(shift)
    assert told.sum() >= 3
    assert shift[told] == pytest.approx(np.full(told.sum(), move), abs=1e-6)


def test_a_wave_that_is_late_but_not_weak_is_no_depth():
    late = np.array([[0, -1], [1, 0]]) @ wave(DEPTHS)  # six hours later, as strong
    assert np.isnan(warmth_shift(late, wave(DEPTHS), DEPTHS)).all()


def test_the_wetting_wave_tells_how_deep_a_tube_stands():
    fine = np.round(np.arange(0.02, 1.2, 0.02), 2)
    moved = changes(DEPTHS + 0.12)
    shift, gain = wetting_shift(moved, changes(fine), fine, DEPTHS)
    assert agreed_shift(shift, 0.04)[0] == pytest.approx(0.12, abs=0.03)
    assert np.nanmean(gain) > 0


def test_sensors_in_their_places_do_not_shift():
    shift, _ = wetting_shift(changes(DEPTHS), changes(DEPTHS), DEPTHS, DEPTHS)
    assert np.isnan(agreed_shift(shift, 0.04)[0])


def test_swapped_channels_are_found_and_no_others():
    sound = changes(DEPTHS)
    assert swapped_pairs(fits(sound, sound), DEPTHS) == []
    wrong = sound[:, [0, 3, 2, 1, 4, 5]]
    ((i, j, _),) = swapped_pairs(fits(wrong, sound), DEPTHS)
    assert (i, j) == (1, 3)


def fitting(across, own):
    """Return how sensors at 20 and 40 cm fit each other's place and their own; others fit."""
    fit = np.eye(len(DEPTHS))
    fit[1, 3], fit[3, 1] = across
    fit[1, 1], fit[3, 3] = own
    return fit


@pytest.mark.parametrize(
    ("across", "own", "swapped"),
    [
        ((0.9, 0.9), (0.1, 0.0), True),
        ((0.7, 0.35), (-0.3, -0.2), True),
        ((0.7, 0.1), (-0.3, -0.2), False),  # at 20 cm only by chance
        ((0.1, 0.7), (-0.3, -0.2), False),
        ((0.7, -0.1), (-0.3, -0.2), False),  # against what is shown there
        ((0.7, np.nan), (-0.3, -0.2), False),
    ],
)
def test_swapped_sensors_both_follow_what_is_shown_at_the_other_place(across, own, swapped):
    assert bool(swapped_pairs(fitting(across, own), DEPTHS)) is swapped


def test_one_great_day_does_not_tell_where_a_sensor_is():
    sound = changes(DEPTHS)
    shaken = sound.copy()
    shaken[100] += 0.3  # all sensors jump together, as a faulty supply makes them
    assert swapped_pairs(fits(shaken, sound), DEPTHS) == []
    assert (np.diag(fits(shaken, sound)) > 0.85).all()


def test_too_few_days_tell_nothing():
    few = changes(DEPTHS)[:40]
    assert np.isnan(fits(few, few)).all()
