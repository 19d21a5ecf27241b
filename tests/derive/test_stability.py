"""Temporal stability: against a worked example, scipy, and series of known memory."""

import doctest

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from pipeline.derive import ranks
from pipeline.derive import stability as module
from pipeline.derive.independence import independent_dates
from pipeline.derive.ranks import monthly_places, rank_correlation, rank_correlations
from pipeline.derive.stability import relative_differences, stability
from pipeline.errors import UnitsError

# dates x tubes; provenance of all that is expected of it: by hand (Vachaud et al. 1985, as
# in relative_differences)
WORKED = [[0.20, 0.25, 0.30], [0.16, 0.22, 0.25], [0.10, 0.13, 0.16], [0.24, 0.28, 0.35]]


def make_values(table, units="m3 m-3"):
    table = np.asarray(table, dtype=np.float64)
    coords = {"day": np.arange(len(table)), "tube": [f"T{n}" for n in range(table.shape[1])]}
    return xr.DataArray(table, coords, ("day", "tube"), "theta", {"units": units})


def make_record(days=360, memory=0.8, seed=5, scatter=(0.002, 0.004, 0.006)):
    """Return tubes at fixed places with scatter of a known memory from day to day."""
    random = np.random.default_rng(seed)
    noise = random.standard_normal((days, len(scatter)))
    for day in range(1, days):
        noise[day] = memory * noise[day - 1] + np.sqrt(1 - memory**2) * noise[day]
    level = 0.25 + 0.05 * np.sin(np.arange(days) / 40)
    places = np.array([0.05, 0.0, -0.05])
    return make_values(level[:, np.newaxis] + places + noise * scatter)


def test_examples_in_the_docstrings():
    assert doctest.testmod(module).failed == 0
    assert doctest.testmod(ranks).failed == 0


def test_the_worked_example():
    found = stability(make_values(WORKED), least_dates=1)
    means = {
        "mean_relative_difference": [-0.21032, 0.00328, 0.20704],
        "relative_difference_spread": [0.03018, 0.03373, 0.01720],
        # by hand: root of the sum of squares of the two above
        "stability_index": [0.21248, 0.03389, 0.20775],
        # by hand: tube less the date's mean (.25 .21 .13 .29)
        "offset": [-0.045, 0.0, 0.045],
    }
    for name, expected in means.items():
        np.testing.assert_allclose(found[name], expected, rtol=0, atol=6e-6, err_msg=name)
    assert float(found["mean_relative_difference"].sum()) == pytest.approx(0, abs=1e-15)
    assert found["direct"].values.tolist() == [False, True, False]
    assert found["offset"].attrs["units"] == "m3 m-3"
    assert found["days"].values.tolist() == [4, 4, 4]


def test_storage_in_mm_gives_the_same_places():
    water = stability(make_values(WORKED), 1)
    storage = stability(make_values(np.array(WORKED) * 1000, "mm"), 1)
    name = "relative_difference_spread"
    np.testing.assert_allclose(storage[name], water[name], rtol=1e-12)
    assert storage["offset"].attrs["units"] == "mm"


def test_a_tube_read_now_and_then_keeps_its_place():
    values = make_record()
    whole = relative_differences(values)
    values[np.arange(360) % 7 != 0, 2] = np.nan
    found = stability(values)
    expected = whole.values[::7, 2].mean()
    assert float(found["mean_relative_difference"][2]) == pytest.approx(expected, abs=0.004)
    assert float(found["days"][2]) == 52
    assert np.isnan(found["direct_share"][2])  # no candidate: on fewer than half of the days


def test_the_steadiest_tube_is_named_and_the_record_says_how_surely():
    # the middle tube sits at the mean; the first hardly scatters about its own place
    found = stability(make_record(scatter=(0.001, 0.006, 0.008)))
    assert found["direct"].values.tolist() == [False, True, False]
    assert found["with_offset"].values.tolist() == [True, False, False] or float(
        found["offset_spread"][found["with_offset"]]
    ) == pytest.approx(float(found["offset_spread"].min()))
    assert float(found["direct_share"].sum()) == pytest.approx(1.0)
    assert float(found["direct_share"][1]) > 0.95
    low, high = found["lower"].values, found["upper"].values
    middle = found["mean_relative_difference"].values
    assert ((low < middle) & (middle < high)).all()
    assert found["first_half"].values.tolist() == [False, True, False]


def test_tubes_that_cannot_be_told_apart_share_the_vote():
    random = np.random.default_rng(8)
    found = stability(make_values(0.3 + 0.01 * random.standard_normal((400, 8))))
    assert float(found["direct_share"].max()) < 0.9


def test_a_short_record_gives_no_shares():
    found = stability(make_record(days=28))
    assert found.attrs["blocks"] < 5
    assert found["direct_share"].isnull().all()
    assert found["lower"].isnull().all()
    assert found["direct"].any()


def test_the_same_record_gives_the_same_bits():
    values = make_record()
    assert stability(values).identical(stability(values.copy(deep=True)))


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("every", [1, 7])
def test_independent_dates_of_a_series_of_known_memory(memory, every):
    # by hand: first-order autoregression read each k-th day, n (1 - r^k) / (1 + r^k)
    random = np.random.default_rng(3)
    series = random.standard_normal((7000, 20))
    for day in range(1, len(series)):
        series[day] = memory * series[day - 1] + np.sqrt(1 - memory**2) * series[day]
    series[np.arange(7000) % every != 0] = np.nan
    lag = memory**every
    expected = 7000 / every * (1 - lag) / (1 + lag)
    assert independent_dates(series).mean() == pytest.approx(expected, rel=0.12)


def test_independent_dates_by_the_sum_over_all_pairs():
    """Thiébaux & Zwiers (1984) pair by pair, for a memory as long as the record."""
    random = np.random.default_rng(5)
    series = np.cumsum(random.standard_normal((150, 4)), axis=0)
    series[random.random(series.shape) < 0.2] = np.nan
    for column, found in zip(series.T, independent_dates(series), strict=True):
        away = column - np.nanmean(column)
        count, squares, memory = np.isfinite(away).sum(), np.nansum(away**2), 0.0
        for lag in range(1, 150):
            products = away[lag:] * away[:-lag]
            if not np.nansum(products) > 0:
                break
            memory += np.nansum(products) / squares
        assert found == pytest.approx(min(max(count / (1 + 2 * memory), 1), count), rel=1e-9)


def test_independent_dates_are_between_one_and_all():
    series = np.array([[np.nan, 0.1, 0.3], [np.nan, 0.1, np.nan], [np.nan, 0.1, np.nan]])
    found = independent_dates(series)
    assert np.isnan(found[[0, 2]]).all()
    assert 1 <= found[1] <= 3


@pytest.mark.parametrize("seed", range(5))
def test_rank_correlation_is_scipys(seed):
    # reference code: scipy.stats.spearmanr, with ties
    dates = np.random.default_rng(seed).integers(0, 7, (5, 12)) * 1.0
    expected = stats.spearmanr(dates.T).statistic
    found = rank_correlations(dates)
    off = ~np.eye(5, dtype=bool)
    np.testing.assert_allclose(found[off], expected[off], rtol=0, atol=1e-12)


def test_rank_correlation_without_ties_is_the_printed_formula():
    # by hand: ranks 1 2 3 4 5 against 2 1 4 3 5, d^2 sum 4, 1 - 24 / 120 = 0.8
    assert rank_correlation([1, 2, 3, 4, 5], [20, 10, 40, 30, 50]) == pytest.approx(0.8)


def test_rank_correlation_is_over_tubes_that_both_dates_have():
    first = [0.1, np.nan, 0.2, 0.3, 0.4]
    second = [0.2, 0.9, 0.3, np.nan, 0.1]
    expected = stats.spearmanr([0.1, 0.2, 0.4], [0.2, 0.3, 0.1]).statistic
    assert rank_correlation(first, second) == pytest.approx(expected)
    assert np.isnan(rank_correlation(first[:3], second[:3]))
    assert np.isnan(rank_correlation([1, 1, 1], [1, 2, 3]))


def test_places_of_a_month_need_three_values():
    relative = np.array([[0.1, 0.3], [0.2, np.nan], [0.3, np.nan], [0.5, 0.5]])
    months, places = monthly_places(relative, np.array([1, 1, 1, 2]))
    assert months.tolist() == [1, 2]
    np.testing.assert_allclose(places, [[0.2, np.nan], [np.nan, np.nan]])


def test_nothing_measured_names_nothing():
    found = stability(make_values(np.full((40, 3), np.nan)))
    assert not found["direct"].any()
    assert found["mean_relative_difference"].isnull().all()
    assert (found["days"] == 0).all()


def test_other_units_are_refused():
    for function in (stability, relative_differences):
        with pytest.raises(UnitsError, match="found 'percent'"):
            function(make_values(WORKED, "percent"))
