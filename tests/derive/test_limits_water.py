"""Available water and its balance against FAO-56 (Allen, Pereira, Raes & Smith 1998)."""

import inspect

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from pipeline.derive.limits_water import (
    adjusted_depletion_fraction,
    daily_balance,
    readily_available_water,
    refill_amount,
    relative_available_water,
    root_zone_depletion,
    stress_coefficient,
    total_available_water,
)

# Example 36: field capacity and wilting point of three soils; tomato is printed, onion and
# maize are from memory and worked out. (root depth [m], p): (TAW, RAW) [mm] by soil.
SOILS_36 = {"loamy sand": (0.15, 0.06), "silt": (0.32, 0.15), "silty clay": (0.35, 0.23)}
EXAMPLE_36 = {
    (0.8, 0.40): ((72, 29), (136, 54), (96, 38)),  # tomato
    (0.4, 0.30): ((36, 11), (68, 20), (48, 14)),  # onion
    (1.2, 0.55): ((108, 59), (204, 112), (144, 79)),  # maize
}
# Example 37, tomato on silt: set-up from memory, worked out by equations 84, 81 and 85.
STRESS_37 = (0.993, 0.920, 0.852, 0.789, 0.731, 0.678, 0.628, 0.582, 0.539, 0.499)
DEPLETION_37 = (60.96, 66.47, 71.59, 76.32, 80.71, 84.78, 88.54, 92.03, 95.26, 98.26)
amounts = st.floats(0, 200)


@pytest.mark.parametrize("crop", EXAMPLE_36)
def test_example_36(crop):
    depth, fraction = crop
    for (upper, lower), printed in zip(SOILS_36.values(), EXAMPLE_36[crop], strict=True):
        total = total_available_water(upper, lower, depth)
        readily = readily_available_water(total, fraction)
        assert (float(total), float(readily)) == pytest.approx(printed, abs=0.5 + 1e-9)


def test_example_37_day_by_day():
    depletion = 55.0
    for coefficient, printed in zip(STRESS_37, DEPLETION_37, strict=True):
        stress = float(stress_coefficient(depletion, 136, 0.40))
        assert stress == pytest.approx(coefficient, abs=5e-4)
        depletion = float(daily_balance(depletion, 136, 0, stress * 1.2 * 5).depletion)
        assert depletion == pytest.approx(printed, abs=0.01)


def test_depletion_fraction_falls_with_demand_within_its_bounds():
    # by hand: 0.40 + 0.04 (5 - 7.5) = 0.30; bounds 0.1 and 0.8
    found = adjusted_depletion_fraction(0.40, [7.5, 5, 20, -10])
    assert found == pytest.approx([0.30, 0.40, 0.1, 0.8])


@pytest.mark.parametrize(
    ("gain", "demand", "before", "depletion", "drained"),
    # by hand, equations 85 and 88, total available water 150 mm
    [(0, 6, 40, 46, 0), (25, 5, 46, 26, 0), (60, 4, 26, 0, 30), (0, 6.5, 0, 6.5, 0)],
)
def test_a_few_days_by_hand(gain, demand, before, depletion, drained):
    found = daily_balance(before, 150, gain, demand)
    assert (float(found.depletion), float(found.deep_percolation)) == (depletion, drained)


@given(before=amounts, gain=amounts, demand=st.floats(0, 15))
def test_equation_85_closes(before, gain, demand):
    total = 1e6  # no limit from below, equation 86 aside
    found = daily_balance(before, total, gain, demand)
    closure = found.depletion - before + gain - demand - found.deep_percolation
    assert closure == pytest.approx(0.0, abs=1e-9)
    assert found.depletion >= 0
    assert found.deep_percolation >= 0
    assert found.depletion * found.deep_percolation == 0  # never both


@given(before=amounts, gain=amounts, demand=st.floats(0, 15))
def test_depletion_stays_between_none_and_all(before, gain, demand):
    assert 0 <= daily_balance(before, 120, gain, demand).depletion <= 120


def test_available_water_deficit_and_refill_by_hand():
    # by hand: half way between 0.10 and 0.30; 0.1 * 500 mm lacking; due from 0.4 * 100 mm on
    assert relative_available_water(0.20, 0.30, 0.10) == pytest.approx(0.5)
    assert root_zone_depletion([0.20, 0.35], 0.30, 0.5) == pytest.approx([50.0, 0.0])
    assert refill_amount([39.9, 40.0, 75.0], 100.0, 0.4).tolist() == [0.0, 40.0, 75.0]
    assert np.isnan(refill_amount([np.nan, 10.0], [100.0, np.nan], 0.4)).all()


def test_nothing_is_available_where_the_upper_limit_is_not_above_the_lower():
    water = np.array([0.2, 0.2, 0.2])
    found = relative_available_water(
        water, np.array([0.3, 0.2, 0.1]), np.array([0.1, 0.2, 0.2])
    )
    np.testing.assert_allclose(found, [0.5, np.nan, np.nan])


def test_arrays_are_combined_only_where_dimensions_and_labels_agree():
    coords = {"tube": ["T1", "T2"], "depth": [0.1, 0.2]}
    units = {"units": "m3 m-3"}
    upper = xr.DataArray([[0.3, 0.4]] * 2, coords, name="upper", attrs=units)
    water = xr.DataArray([0.1, 0.2], {"depth": [0.1, 0.2]}, name="water", attrs=units)
    np.testing.assert_allclose(root_zone_depletion(water, upper, 0.1), [[20.0, 20.0]] * 2)
    held = upper - xr.DataArray([0.1, 0.2], {"tube": ["T1", "T2"]})
    turned = held.transpose("depth", "tube").rename("water").assign_attrs(units)
    found = root_zone_depletion(turned, upper, 0.1)
    assert found.dims == ("depth", "tube")  # of the first
    np.testing.assert_allclose(found, [[10.0, 20.0], [10.0, 20.0]])  # by the dims' names
    assert found.attrs == {
        "units": "mm",
        "long_name": "water lacking to the drained upper limit",
    }
    assert upper.attrs == units
    with pytest.raises(
        ValueError, match=r"beside 'upper', found a bare array of shape \(2,\)"
    ):
        root_zone_depletion(np.array([0.1, 0.2]), upper, 0.1)
    with pytest.raises(
        ValueError, match=r"expected the depth of 'upper', 0.1, found 0.2 at 0"
    ):
        root_zone_depletion(water[::-1], upper, 0.1)


def test_all_functions_take_their_arguments_in_one_order():
    """What is there or lacks, its limits or all that is available, what else: our own rule."""
    order = ["water", "depletion_mm", "upper", "lower", "total_mm", "thickness_m", "gain_mm"]
    order += ["depletion_fraction", "evapotranspiration_mm"]
    for function in (
        total_available_water,
        readily_available_water,
        adjusted_depletion_fraction,
        stress_coefficient,
        root_zone_depletion,
        daily_balance,
        relative_available_water,
        refill_amount,
    ):
        names = list(inspect.signature(function).parameters)
        assert names == sorted(names, key=order.index), function.__name__
