"""Means over tubes: against plain means, a dense least-squares solver, and tables of t."""

import doctest

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from pipeline.derive import means
from pipeline.derive.means import site_mean, t_quantiles, tubes_needed
from pipeline.derive.tube_fit import fit_tubes
from pipeline.errors import UnitsError


def make_values(table, units="m3 m-3"):
    table = np.asarray(table, dtype=np.float64)
    coords = {"day": np.arange(len(table)), "tube": [f"T{n}" for n in range(table.shape[1])]}
    return xr.DataArray(table, coords, ("day", "tube"), "theta", {"units": units})


def make_layout(days=60, tubes=6, missing=0.3, seed=3):
    """Return levels, offsets, and values without scatter, some missing."""
    random = np.random.default_rng(seed)
    level = 0.25 + 0.05 * random.standard_normal(days)
    offset = 0.03 * random.standard_normal(tubes)
    offset -= offset.mean()
    table = level[:, np.newaxis] + offset
    table[random.random(table.shape) < missing] = np.nan
    return level, offset, table


def test_examples_in_the_docstrings():
    assert doctest.testmod(means).failed == 0


def test_a_full_table_gives_plain_means():
    values = np.random.default_rng(1).uniform(0.1, 0.4, (12, 5))
    fit = fit_tubes(values)
    np.testing.assert_allclose(fit.level, values.mean(axis=1), rtol=0, atol=1e-15)
    expected = (values - values.mean(axis=1, keepdims=True)).mean(axis=0)
    np.testing.assert_allclose(fit.offset, expected, rtol=0, atol=1e-15)


def test_missing_values_are_the_least_squares_solution():
    # reference code: numpy.linalg.lstsq on the full design matrix
    table = make_layout()[2] + 0.01 * np.random.default_rng(7).standard_normal((60, 6))
    known = np.isfinite(table)
    day, tube = np.nonzero(known)
    design = np.zeros((len(day) + 1, 66))
    design[np.arange(len(day)), day] = 1
    design[np.arange(len(day)), 60 + tube] = 1
    design[-1, 60:] = 1  # offsets add up to nothing
    solution, _, rank, _ = np.linalg.lstsq(design, np.append(table[known], 0.0), rcond=None)
    fit = fit_tubes(table)
    np.testing.assert_allclose(fit.level, solution[:60], rtol=0, atol=1e-12)
    np.testing.assert_allclose(fit.offset, solution[60:], rtol=0, atol=1e-12)
    squares = ((design[:-1] @ solution - table[known]) ** 2).sum()
    assert fit.rest_variance == pytest.approx(squares / (len(day) - rank + 1), rel=1e-9)


def test_levels_are_found_again_whatever_tubes_are_missing():
    level, offset, table = make_layout(missing=0.5)
    fit = fit_tubes(table)
    known = np.isfinite(table).any(axis=1)
    np.testing.assert_allclose(fit.level[known], level[known], rtol=0, atol=1e-12)
    assert np.isnan(fit.level[~known]).all()
    np.testing.assert_allclose(fit.offset, offset, rtol=0, atol=1e-12)


def test_a_tube_that_comes_later_or_goes_makes_no_jump():
    table = np.full((40, 4), 0.2) + np.array([0.0, 0.02, -0.02, 0.16])
    table[:25, 3] = np.nan  # a wet tube set in on day 25
    table[30:, 0] = np.nan  # another taken out
    result = site_mean(make_values(table))
    np.testing.assert_allclose(result["mean"], 0.24, rtol=0, atol=1e-12)
    assert result["measured"].values[[0, 26, 35]].tolist() == [3, 4, 3]


def test_a_tube_with_too_few_values_or_none_in_common_is_no_member():
    table = np.full((40, 5), 0.2)
    table[9:, 3] = np.nan  # nine values
    table[20:, :3] = np.nan
    table[:20, 4] = np.nan  # never measured with another
    fit = fit_tubes(table)
    assert fit.members.tolist() == [True, True, True, False, False]
    assert np.isfinite(fit.level).tolist() == [True] * 20 + [False] * 20


@pytest.mark.parametrize("degrees", [1, 2, 3, 7, 30, 100, 101, 2000])
def test_quantiles_are_students(degrees):
    expected = stats.t.ppf(0.975, degrees)  # reference code: scipy
    found = t_quantiles(np.array([degrees + 0.0, degrees + 0.9]))
    np.testing.assert_allclose(found, expected, rtol=1e-7)
    assert np.isnan(t_quantiles(np.array([np.nan])))[0]
    # printed in every table of the normal distribution
    assert t_quantiles(np.array([np.inf]))[0] == pytest.approx(1.959964, abs=5e-7)


def test_the_interval_of_a_full_day_is_students():
    # reference code: scipy.stats.t.interval, no shared error
    values = np.random.default_rng(2).uniform(0.1, 0.4, (10, 6))
    result = site_mean(make_values(values))
    low, high = stats.t.interval(
        0.95, 5, loc=values.mean(axis=1), scale=stats.sem(values, axis=1)
    )
    np.testing.assert_allclose(result["lower"], low, rtol=0, atol=1e-12)
    np.testing.assert_allclose(result["upper"], high, rtol=0, atol=1e-12)
    np.testing.assert_allclose(result["spread"], values.std(axis=1, ddof=1), atol=1e-12)
    assert (result["degrees_of_freedom"] == 5).all()
    assert result.attrs["members"] == [f"T{n}" for n in range(6)]


def test_an_error_that_all_tubes_share_adds_fully_and_frees_degrees():
    # by hand: spread 0.02 over four tubes, sampling 0.01; shared 0.02, total sqrt(5e-4);
    # degrees 3 * (5e-4 / 1e-4)^2 = 75 (JCGM 100:2008 eq. G.2b); t(75) = 1.9921 (scipy)
    step = 0.02 * np.sqrt(3) / 2
    values = make_values([[0.3 - step, 0.3 - step, 0.3 + step, 0.3 + step]] * 10)
    result = site_mean(values, xr.full_like(values, 0.02)).isel(day=0)
    assert float(result["sampling_error"]) == pytest.approx(0.01)
    assert float(result["systematic_error"]) == pytest.approx(0.02)
    assert float(result["degrees_of_freedom"]) == 75
    assert float(result["upper"]) == pytest.approx(0.3 + 1.99210215 * np.sqrt(5e-4), abs=1e-9)


def test_a_day_with_fewer_tubes_is_less_sure():
    random = np.random.default_rng(4)
    table = make_layout(missing=0.0)[2] + 0.01 * random.standard_normal((60, 6))
    whole = site_mean(make_values(table))
    table[::2, :4] = np.nan
    result = site_mean(make_values(table))
    few = result["measured"] == 2
    assert few.sum() == 30
    # by hand: of n = 6 tubes k = 2 are known, which adds the rest's variance times 1/2 - 1/6
    more = (result["sampling_error"] ** 2 - whole["sampling_error"] ** 2)[few].mean()
    assert float(more) == pytest.approx(1e-4 * (1 / 2 - 1 / 6), rel=0.4)
    np.testing.assert_allclose(result["mean"][~few], whole["mean"][~few], atol=0.01)


def test_a_single_tube_has_a_mean_and_no_interval():
    result = site_mean(make_values(np.full((12, 1), 0.3)))
    np.testing.assert_array_equal(result["mean"], 0.3)
    for name in ("lower", "upper", "sampling_error", "spread"):
        assert result[name].isnull().all()


def test_a_day_needs_two_members_or_half_of_them():
    table = np.full((30, 6), 0.2)
    table[0, 1:] = np.nan
    table[1, 2:] = np.nan
    result = site_mean(make_values(table))
    assert np.isfinite(result["mean"].values[:2]).tolist() == [False, True]
    pair = site_mean(make_values(table[:, :2]))
    assert np.isfinite(pair["mean"].values[0])


@pytest.mark.parametrize("shape", [(0, 3), (5, 0), (5, 3)])
def test_nothing_measured_gives_nothing(shape):
    result = site_mean(make_values(np.full(shape, np.nan)))
    assert result["mean"].isnull().all()
    assert result.sizes["day"] == shape[0]


def test_other_units_are_refused():
    with pytest.raises(UnitsError, match="expected units 'm3 m-3', found 'percent'"):
        site_mean(make_values([[20.0, 30.0]], "percent"))
    values = make_values([[200.0, 300.0]], "mm")
    with pytest.raises(UnitsError, match="expected units 'mm', found 'm3 m-3'"):
        site_mean(values, make_values([[0.1, 0.1]]))


@pytest.mark.parametrize("ratio", [0.1, 0.5, 0.8, 1.0, 1.7, 3.0, 15.0])
def test_the_number_of_tubes_is_the_smallest_that_does(ratio):
    # reference code: scipy's t; n = (t s / d)^2 (Cochran 1977, from memory)
    number = tubes_needed(ratio, 1.0)

    def does(n):
        return stats.t.ppf(0.975, n - 1) * ratio / np.sqrt(n) <= 1.0

    assert does(number)
    assert number == 2 or not does(number - 1)


def test_the_number_of_tubes_by_the_first_sample():
    # by hand: t(5) = 2.5706 (printed in every table of t); (2.5706 * 0.03 / 0.02)^2 = 14.9
    assert tubes_needed(0.03, 0.02, expected=5) == 15
    with pytest.raises(ValueError, match="precision above 0"):
        tubes_needed(0.03, 0.0)
