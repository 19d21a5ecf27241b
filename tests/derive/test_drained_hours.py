"""Amounts by the hour after a peak and by nights later, against sums by hand."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from pipeline.derive import drained_hours
from pipeline.derive.conductivity import redistribution_exponential
from pipeline.derive.drainage import event_drainage
from pipeline.derive.drained_hours import (
    BELOW,
    EDGES_H,
    HERE,
    drained_amounts,
    water_after_peak,
)
from pipeline.derive.flux_laws import FluxLaws
from pipeline.derive.night_laws import BEYOND, Laws, Nights
from pipeline.derive.night_rates import TubeRates, rates_at

HOUR_S, DAY_S = 3600, 86_400
SLOPE = 40.0  # of ln K, K being 2 mm a day at 0.3
SPANS = np.diff(EDGES_H)
# by hand: of the law in each span, at its middle.
MORE = 1 + 0.24 * np.exp(-(np.array(EDGES_H[:-1]) + SPANS / 2) / 27)


def rate_of(water):
    return 2.0 * np.exp(SLOPE * (np.asarray(water) - 0.3))


def tube(rate, beyond=0.0, water=0.3, fluxes=None, depths=(0.6,)):
    """Return the rates of one tube, a night at the end of each day, as one sensor has them."""
    nights, sensors = len(rate), len(depths)
    law = np.tile(np.asarray(rate, float), (sensors, 1)) - beyond
    many = np.full((sensors, nights), np.nan)
    told = Nights(np.array(depths), (1 + np.arange(nights)) * DAY_S, many, many, many, many[0])
    alone = Laws(
        np.full(sensors, np.log(2.0) - SLOPE * 0.3), np.full(sensors, SLOPE), 0.0, many[0]
    )
    return TubeRates(
        told,
        alone,
        fluxes,
        np.full(sensors, water),
        law,
        np.full(law.shape, beyond),
        law + beyond,
        np.full(law.shape, 0.1),
    )


def event(water, hours, peak_s=0):
    """Return one row of an event at 60 cm and its end."""
    values = np.broadcast_to(np.asarray(water, float), len(HERE))
    row = {"depth_m": 0.6, "storage_peak_s": peak_s, **dict(zip(HERE, values, strict=True))}
    rows = pd.DataFrame([{**row, **dict.fromkeys(BELOW, np.nan)}])
    return rows, np.array([peak_s + hours * HOUR_S])


def amount_of(rows, end_s, rates, held=(0.0, 0.0)):
    pattern = pd.DataFrame(
        {
            "night_s": rates.nights.night_s,
            "drainage_mm_d": rates.rate[0],
            "drainage_error": rates.error[0],
        }
    )
    found = drained_amounts(rows, end_s, pattern, rates, held)
    by_nights = event_drainage(
        rows["storage_peak_s"].to_numpy(), end_s, pattern, "drainage_mm_d", held
    )
    return [value[0] for value in found], [value[0] for value in by_nights]


def test_two_days_go_by_the_hour_and_the_rest_by_nights():
    rows, end_s = event(0.3, 5 * 24)
    (amount, error, known), by_nights = amount_of(rows, end_s, tube(np.full(6, 2.0)))
    law = (2.0 * MORE * SPANS).sum() / 24  # by hand; the first hour counts nothing
    assert amount == pytest.approx(law + 3 * 2.0)
    # by hand: 0.11 of what went by the hour, and 0.1 mm a day for three days.
    assert error == pytest.approx(np.hypot(0.11 * law, 0.3))
    assert known == by_nights[2]


def test_what_nights_drain_beyond_their_law_counts_from_half_a_day_on():
    rows, end_s = event(0.3, 48)
    plain = amount_of(rows, end_s, tube(np.full(3, 2.0)))[0][0]
    more = amount_of(rows, end_s, tube(np.full(3, 2.0), beyond=0.5))[0][0]
    assert more - plain == pytest.approx(0.5 * 40 / 24)  # by hand: spans from 8 to 48 h


def test_an_event_that_ends_within_two_days_counts_until_its_end():
    rows, end_s = event(0.3, 30)
    amount = amount_of(rows, end_s, tube(np.full(3, 2.0)))[0][0]
    spans = np.array([1, 2, 4, 8, 14])
    more = 1 + 0.24 * np.exp(-(np.array(EDGES_H[:5]) + spans / 2) / 27)
    assert amount == pytest.approx((2.0 * more * spans).sum() / 24)


def test_after_two_days_a_rate_falls_from_night_to_night_as_an_exponential():
    rows, end_s = event(0.3, 24 * 8)
    rates = 8.0 * np.exp(-(1.0 + np.arange(9)) / 3)
    amount = amount_of(rows, end_s, tube(rates))[0][0]
    flat = (2.0 * MORE * SPANS).sum() / 24
    exact = 8 * 3 * (np.exp(-2 / 3) - np.exp(-7 / 3))  # by hand; the last night is day 7,
    last = 8 * np.exp(-7 / 3)  # and its rate holds for the day after it
    assert amount - flat == pytest.approx(exact + last, rel=1e-6)


def test_a_law_of_conductivity_followed_by_the_hour_meets_the_exact_amount(monkeypatch):
    # Black, Gardner & Thurtell (1969); Sisson, Ferguson & van Genuchten (1980): see the
    # function. What passes the bottom of a soil of one wetness under gravity alone. Where
    # the rate falls as one over time, the rate of the mean wetness of spans that double is 2 %
    # less than their mean rate: by hand ln 2 against exp(1 - 2 ln 2).
    monkeypatch.setattr(drained_hours, "MORE_SHARE", 0.0)
    hours = np.arange(0, 49) + 0.5
    depth_mm, water0 = 600.0, 0.36
    water = redistribution_exponential(hours / 24, depth_mm, water0, rate_of(water0), SLOPE)
    start = np.zeros((1, 1), np.int64)
    columns = water_after_peak(water[np.newaxis], start, np.array([48]), HOUR_S)
    rows, end_s = event(0.3, 48)
    rows = rows.assign(**columns)
    amount = amount_of(rows, end_s, tube(np.full(3, 1.0), water=0.5))[0][0]
    fine = np.linspace(1, 48, 200_001)
    flux = rate_of(
        redistribution_exponential(fine / 24, depth_mm, water0, rate_of(water0), SLOPE)
    )
    exact = np.trapezoid(flux, fine) / 24
    assert amount == pytest.approx(exact, rel=0.025)


def test_hours_that_are_missing_are_filled_and_too_few_leave_it_to_the_nights():
    rates = tube(np.full(6, 2.0))
    water = np.full(len(HERE), 0.3)
    water[[0, 3]] = np.nan
    rows, end_s = event(water, 5 * 24)
    whole = amount_of(*event(0.3, 5 * 24), rates)[0]
    assert amount_of(rows, end_s, rates)[0] == pytest.approx(whole)
    water[4:] = np.nan  # 3 hours of 47 are left
    found, by_nights = amount_of(*event(water, 5 * 24), rates, held=(0.5, 0.2))
    assert found == pytest.approx(by_nights)
    falling = np.linspace(0.34, 0.24, len(HERE))
    falling[2] = np.nan
    middle = np.array(EDGES_H[:-1]) + SPANS / 2
    flux = np.interp(middle, np.delete(middle, 2), np.delete(rate_of(falling), 2))
    flux = np.minimum(flux, rate_of(0.3 + BEYOND))
    amount = amount_of(*event(falling, 48), tube(np.full(6, 2.0), water=0.5))[0][0]
    free = np.interp(middle, np.delete(middle, 2), np.delete(rate_of(falling), 2))
    assert amount == pytest.approx((free * MORE * SPANS).sum() / 24)


def test_an_event_without_a_night_or_a_peak_has_no_amount():
    rates = tube(np.full(6, 2.0))
    assert np.isnan(amount_of(*event(0.3, 12), rates)[0][0])
    rows, end_s = event(0.3, 48)
    assert np.isnan(amount_of(rows.assign(storage_peak_s=-1), end_s, rates)[0][0])


def test_a_law_is_followed_no_further_than_a_little_beyond_what_was_seen():
    rates = tube(np.full(3, 2.0), water=0.3)
    wet = np.array([0.3 + BEYOND, 0.4, 0.45])
    np.testing.assert_allclose(
        rates_at(rates, 0, wet, np.full(3, np.nan)), rate_of(0.3 + BEYOND)
    )


def test_a_law_of_flux_stands_before_conductivity_where_the_next_sensor_was_read():
    # by hand: q = K + D (theta - theta of the next) / 0.2 m, K = 1 and D = 3 mm a day m.
    parameters = np.array([[0.0, 0.0, np.log(3.0), 0.0, 0.0, 1.0], [0.0] * 6])
    fluxes = FluxLaws(parameters, np.array([0.25, 0.25]), np.array([0.2, 1.0]), 0.1)
    rates = tube(np.full(3, 2.0), water=0.4, fluxes=fluxes, depths=(0.4, 0.6))
    found = rates_at(rates, 0, np.array([0.3, 0.3]), np.array([0.26, np.nan]))
    np.testing.assert_allclose(found, [1.0 + 3.0 * 0.04 / 0.2, rate_of(0.3)])


@pytest.mark.parametrize("interval_s", [600, 3600, 7200])
def test_means_after_a_peak_are_of_what_was_read_until_the_end(interval_s):
    steps = 60 * 3600 // interval_s
    water = np.stack([np.arange(steps) * 1.0, np.arange(steps) + 1000.0])
    water[0, 5 * HOUR_S // interval_s] = np.nan
    peak, end = np.array([[0, 0], [-1, 2]]), np.array([steps, 40 * HOUR_S // interval_s])
    found = water_after_peak(water, peak, end, interval_s)
    rows = pd.DataFrame(found)
    assert rows.iloc[2].isna().all()  # no peak
    assert rows[list(BELOW)].iloc[[1, 3]].isna().all(axis=None)  # nothing below the last
    for n, (first, stop) in enumerate(pairwise(EDGES_H)):
        part = water[:, first * HOUR_S // interval_s : stop * HOUR_S // interval_s]
        if part.shape[1] == 0:
            assert np.isnan(rows[HERE[n]].iloc[0])
            continue
        assert rows[HERE[n]].iloc[0] == pytest.approx(np.nanmean(part[0]), rel=1e-6)
        assert rows[BELOW[n]].iloc[0] == pytest.approx(part[1].mean(), rel=1e-6)
    last = water[1, 2 + 32 * HOUR_S // interval_s : 40 * HOUR_S // interval_s]
    assert rows[HERE[-1]].iloc[3] == pytest.approx(last.mean(), rel=1e-6)
    assert all(values.dtype == np.float32 for values in found.values())
