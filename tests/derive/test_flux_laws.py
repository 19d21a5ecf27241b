"""Laws of flux by wetness and its gradient: worked numbers, and nights made by hand."""

import numpy as np
import pytest

from pipeline.derive.flux_laws import (
    BEFORE,
    OFFSET_MM_D,
    FluxLaws,
    _misfit,
    _nights,
    flux_laws,
    flux_rates,
)

NIGHTS = 200
DEPTHS_M = np.array([0.1, 0.2, 0.4])
# ln K and its slope, ln D and its slope, off, share of the sensor below; invented.
LAWS = FluxLaws(
    np.array(
        [
            [-0.3, 38.0, 1.2, 17.0, 0.010, 1.0],
            [-0.2, 42.0, 1.5, 22.0, -0.005, 1.0],
            [0.1, 50.0, 0.0, 0.0, 0.0, 1.0],
        ]
    ),
    np.array([0.24, 0.26, 0.28]),
    np.array([0.1, 0.2, 1.0]),
    0.2,
)


def test_the_flux_is_what_weight_and_gradient_drive_by_hand():
    # by hand: K = exp(50 * 0.02) = e; D / way = 2 / 0.1 m; the gradient of wetness, with what
    # it is off, 0.02 + 0.01 + 0.01: 2.71828 + 20 * 0.04. At the last sensor exp(30 * -0.01).
    laws = FluxLaws(
        np.array([[0, 50, np.log(2), 0, 0.01, 1], [0, 30, 0, 0, 0, 1]], dtype=float),
        np.array([0.25, 0.30]),
        np.array([0.1, 1.0]),
        0.0,
    )
    found = flux_rates(laws, np.array([[0.27, 0.27], [0.29, np.nan]]))
    assert found[:, 0] == pytest.approx([np.e + 0.8, np.exp(-0.3)], abs=1e-6)
    assert np.isnan(found[:, 1]).all()  # unknown without the sensor below


def test_dry_soil_above_draws_water_up():
    water = LAWS.middle[:, None] + np.array([[-0.06], [0.02], [0.02]])
    assert flux_rates(LAWS, water)[0, 0] < 0


def nights(common, noise=0.05):
    """Return losses of nights, noise, water and true flux; all lose ``common`` besides."""
    random = np.random.default_rng(3)
    wet = np.repeat(random.uniform(-0.04, 0.03, NIGHTS // 8), 8)
    lag = np.stack(
        [
            np.convolve(np.pad(wet, (n, 0), "edge")[:NIGHTS], np.ones(5) / 5, "same")
            for n in (0, 2, 5)
        ]
    )
    water = LAWS.middle[:, None] + lag + 0.01 * random.standard_normal((3, 1))
    true = flux_rates(LAWS, water)
    rate = true + common + noise * random.standard_normal(true.shape)
    return rate, np.full(rate.shape, noise), water, true


def test_layers_tell_fluxes_whatever_is_lost_unseen_above():
    # What is lost above differs from night to night by three times its usual size.
    common = 0.2 + 0.6 * np.sin(np.arange(NIGHTS))
    rate, noise, water, true = nights(common)
    laws = flux_laws(DEPTHS_M, rate, noise, water, np.zeros(rate.shape[1]))
    off = flux_rates(laws, water) - true
    assert np.abs(rate - true).mean() > 0.35  # what the nights are off by themselves
    assert np.abs(off).mean() < 0.15
    assert laws.offset == pytest.approx(0.2, abs=0.15)
    assert true.min() < -0.1  # upward fluxes are among them, which no law of K alone has


def test_gaps_are_left_out_and_few_nights_have_no_law():
    rate, noise, water, true = nights(np.full(NIGHTS, 0.2))
    rate[:, 50:80] = np.nan
    water[1, 100:110] = np.nan
    found = flux_rates(flux_laws(DEPTHS_M, rate, noise, water, np.zeros(rate.shape[1])), water)
    assert np.isnan(found[:2, 100:110]).all()
    assert np.isfinite(found[2]).all()
    assert np.abs(found - true)[:, 50:80].mean() < 0.3
    assert flux_laws(DEPTHS_M, rate[:, :7], noise[:, :7], water[:, :7], np.zeros(7)) is None
    assert (
        flux_laws(DEPTHS_M[:1], rate[:1], noise[:1], water[:1], np.zeros(rate.shape[1]))
        is None
    )
    rate[1] = np.nan  # the middle sensor tells nothing: the others are next to each other
    laws = flux_laws(DEPTHS_M, rate, noise, water, np.zeros(rate.shape[1]))
    assert np.isnan(laws.middle).tolist() == [False, True, False]
    assert laws.apart_m[0] == pytest.approx(0.3)
    assert np.isnan(flux_rates(laws, water)[1]).all()


def test_the_fall_of_the_misfit_is_its_slope():
    # Against differences of the misfit itself, at parameters away from the least.
    rate, _, water, _ = nights(np.full(NIGHTS, 0.2))
    start = np.append(np.tile(BEFORE[0], 3), OFFSET_MM_D[0])
    room = np.append(BEFORE[1], OFFSET_MM_D[1])
    wanted = np.vstack([rate[:-1] - rate[1:], rate[-1]])
    spread = np.full(wanted.shape, 0.5)
    away = water - LAWS.middle[:, None]
    data = (away, LAWS.apart_m, wanted, spread, room, start)
    at = start + 0.1 * np.tile(room, 3)[: start.size]
    fall = _misfit(at, data)[1]
    for i in range(at.size):
        step = np.zeros(at.size)
        step[i] = 1e-5 * room[i % 6] if i < at.size - 1 else 1e-5
        slope = (_misfit(at + step, data)[0] - _misfit(at - step, data)[0]) / (2 * step[i])
        assert fall[i] == pytest.approx(-slope, rel=1e-4, abs=1e-4)


@pytest.mark.parametrize("seed", [3, 4, 7, 9])
def test_the_fit_ends_where_no_step_promises_less_misfit(seed):
    # Heavy tails (Student's t of two degrees) make steps overshoot; what Newton's step at the
    # end still promises is by hand, g H^-1 g / 2.
    random = np.random.default_rng(seed)
    walk = np.cumsum(random.standard_normal((3, 100)), axis=1)
    water = LAWS.middle[:, None] + 0.009 * walk
    rate = flux_rates(LAWS, water) + random.standard_t(2, size=water.shape)
    noise, used = np.full(rate.shape, 0.1), np.zeros(100)
    laws = flux_laws(DEPTHS_M, rate, noise, water, used)
    start = np.append(np.tile(BEFORE[0], 3), OFFSET_MM_D[0])
    room = np.append(BEFORE[1], OFFSET_MM_D[1])
    away = water - laws.middle[:, None]
    data = (away, laws.apart_m, *_nights(rate, noise, used), room, start)
    _, fall, bend = _misfit(np.append(laws.parameters.ravel(), laws.offset), data)
    whole = np.tril(bend) + np.tril(bend, -1).T
    assert 0.5 * fall @ np.linalg.solve(whole, fall) < 0.01
