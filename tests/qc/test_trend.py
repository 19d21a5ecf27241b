"""Theil-Sen and Mann-Kendall against scipy, pymannkendall and a printed example."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from pipeline.qc.trend import MOST_VALUES, mann_kendall, theil_sen_slope

# Helsel & Hirsch (1995), section 10.1 (from memory).
HELSEL_X = np.arange(1.0, 8.0)
HELSEL_Y = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0])


def test_the_example_of_helsel_and_hirsch():
    # 21 slopes: -9, fifteen times 1, 3, 3.5, 4.333, 6 and 11; tau and S by scipy 1.17.1.
    assert theil_sen_slope(HELSEL_X, HELSEL_Y) == 1.0
    found = mann_kendall(HELSEL_Y)
    assert found.s == 19
    assert found.tau == pytest.approx(19 / 21)


@pytest.mark.parametrize("seed", range(8))
def test_as_reference_code_has_it(seed):
    """Reference code: scipy 1.17.1 (theilslopes), pymannkendall 1.4.3 (original_test)."""
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(0, 10, 40))
    y = np.round(0.02 * seed * x + random.normal(0, 0.3, 40), 1)  # ties
    assert theil_sen_slope(x, y) == pytest.approx(stats.theilslopes(y, x).slope, rel=1e-12)
    expected = pymannkendall.original_test(y)
    found = mann_kendall(y)
    assert found.s == expected.s
    assert found.variance == pytest.approx(expected.var_s, rel=1e-12)
    assert found.z == pytest.approx(expected.z, rel=1e-12, abs=1e-12)
    assert found.p == pytest.approx(expected.p, rel=1e-9, abs=1e-15)


def test_what_is_missing_is_left_out():
    gaps = np.insert(HELSEL_Y, 3, np.nan)
    assert mann_kendall(gaps) == mann_kendall(HELSEL_Y)
    assert theil_sen_slope(np.insert(HELSEL_X, 3, 3.5), gaps) == 1.0
    assert np.isnan(theil_sen_slope(np.array([1.0]), np.array([1.0])))
    assert np.isnan(theil_sen_slope(np.ones(3), np.arange(3.0)))
    assert np.isnan(mann_kendall(np.array([1.0, 2.0])).p)


def test_a_series_without_any_change_has_no_trend():
    assert mann_kendall(np.ones(9)).p == 1.0


def test_a_series_too_long_is_refused():
    long = np.arange(MOST_VALUES + 1.0)
    with pytest.raises(ValueError, match=f"at most {MOST_VALUES} values"):
        theil_sen_slope(long, long)
