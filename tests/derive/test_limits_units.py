"""Limits and water between them from Pint quantities and arrays with units."""

import numpy as np
import pint
import pytest
import xarray as xr

from pipeline.calibrate.gravimetry import (
    core_water_content,
    gravimetric_water_content,
    volumetric_water_content,
)
from pipeline.derive.conductivity import conductivity_mualem
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.limits import sensor_limits
from pipeline.derive.limits_texture import limits_saxton_rawls, saturation_from_density
from pipeline.derive.limits_water import (
    daily_balance,
    readily_available_water,
    relative_available_water,
    root_zone_depletion,
    total_available_water,
)
from pipeline.derive.texture_hydraulics import (
    Texture,
    conductivity_saxton_rawls,
    suction_saxton_rawls,
)
from pipeline.errors import UnitsError

UNITS = pint.UnitRegistry()  # one of the user's own


def q(value, unit):
    return UNITS.Quantity(value, unit)


def test_example_36_in_other_units():
    # FAO-56, Example 36, printed: tomato on silt, 136 and 54 mm.
    total = total_available_water(q(32, "percent"), q(15, "percent"), q(80, "cm"))
    assert round(float(total)) == 136
    assert round(float(readily_available_water(q(13.6, "cm"), q(40, "percent")))) == 54


def test_lengths_and_shares_are_converted_before_they_are_reckoned_with():
    # by hand: (0.3 - 0.2) of 0.5 m are 50 mm; 50 + 4 - 6 mm are 48 and nothing drains.
    lacking = root_zone_depletion(0.2, q(30, "percent"), q(50, "cm"))
    assert float(lacking) == pytest.approx(50)
    balance = daily_balance(q(5, "cm"), q(1, "m"), q(6, "mm"), q(0.4, "cm"))
    assert float(balance.depletion) == pytest.approx(48)
    left = relative_available_water(q(20, "cm"), q(300, "mm"), q(100, "mm"))
    assert float(left) == pytest.approx(0.5)
    left = relative_available_water(q(20, "percent"), 0.3, 0.1)
    assert float(left) == pytest.approx(0.5)


def test_texture_and_density_may_be_quantities():
    by_share = limits_saxton_rawls(q(0.4, "dimensionless"), q(0.2, "dimensionless"), 2.5)
    np.testing.assert_allclose(by_share, limits_saxton_rawls(40, 20, 2.5))
    porosity = saturation_from_density(q(1325, "kg/m**3"))
    assert float(porosity) == pytest.approx(0.5)  # by hand: 1 - 1.325 / 2.65
    loam = Texture(40, 20)
    assert conductivity_saxton_rawls(q(30, "percent"), loam) == pytest.approx(
        float(conductivity_saxton_rawls(0.3, loam))
    )


def test_weighings_and_conductivity_may_be_quantities():
    # By hand: 25 g driven off 100 cm3 are 0.25; (0.15 - 0.13) / (0.13 - 0.03) kg are 0.2.
    core = core_water_content(q(0.18, "kg"), q(155, "g"), q(1e-4, "m^3"), q(0, "g"), 0)
    assert float(core[0]) == pytest.approx(0.25)
    ratio = gravimetric_water_content(q(0.15, "kg"), q(130, "g"), q(0.03, "kg"), q(0.1, "g"))
    assert float(ratio[0]) == pytest.approx(0.2)
    theta, _ = volumetric_water_content(*ratio, q(1400, "kg/m^3"), q(0, "g/cm^3"))
    assert float(theta) == pytest.approx(0.28)
    with pytest.raises(UnitsError, match="expected units 'g'"):
        gravimetric_water_content(q(150, "m"), 130, 30, 0.1)
    loam = (0.078, 0.43, 1.56, 249.6)
    expected = conductivity_mualem(0.3, *loam)
    assert conductivity_mualem(q(30, "percent"), *loam) == pytest.approx(expected)
    labelled = xr.DataArray([0.3], dims="time", attrs={"units": "m3 m-3"})
    assert conductivity_mualem(labelled, *loam).attrs["units"] == "mm d-1"


def test_limits_of_a_record_in_percent():
    spells = np.tile(0.36 - 0.02 * np.log1p(np.arange(20)), 6)
    plain = sensor_limits(spells)
    assert sensor_limits(q(100 * spells, "percent")).upper.value == pytest.approx(
        plain.upper.value
    )
    labelled = xr.DataArray(spells, dims="day", attrs={"units": "m3 m-3"})
    assert sensor_limits(labelled) == plain


def test_fronts_of_a_record_in_percent():
    steps = np.arange(6 * 144)
    course = 0.2 - 2e-5 * np.minimum(steps, 400) + 0.001 * np.clip(steps - 400, 0, 50)
    times = np.datetime64("2025-03-01", "ns") + steps * np.timedelta64(600, "s")
    coords = {"time": times, "tube": ["T"], "depth": [0.1]}
    labelled = xr.DataArray(course[:, None, None], coords, tuple(coords))
    quantity = labelled.copy(data=q(100 * labelled.values, "percent"))
    plain = wetting_fronts(labelled.assign_attrs(units="m3 m-3"))
    found = wetting_fronts(quantity)
    assert len(plain) == 1
    assert found["onset_s"].tolist() == plain["onset_s"].tolist()


GRID = {"tube": ["A", "B"], "depth": [0.1, 0.2, 0.4]}
SHARE = xr.DataArray([[0.2, 0.25, 0.3], [0.22, 0.26, 0.28]], GRID, name="share")
WATER, PERCENT = SHARE.assign_attrs(units="m3 m-3"), (100 * SHARE).assign_attrs(units="%")
MM = (1000 * SHARE).assign_attrs(units="mm")


@pytest.mark.parametrize(
    ("ask", "given", "units"),
    [
        (lambda x: total_available_water(x, 0.1, 0.5), WATER, ["mm"]),
        (lambda x: readily_available_water(x, 0.5), MM, ["mm"]),
        (lambda x: root_zone_depletion(x, 0.3, 0.1), WATER, ["mm"]),
        (lambda x: relative_available_water(x, 0.3, 0.1), WATER, ["1"]),
        (lambda x: daily_balance(x, 150, 10, 5), MM, ["mm", "mm"]),
        (lambda x: limits_saxton_rawls(x, 20), PERCENT, [*["m3 m-3"] * 3, "mm h-1"]),
        (lambda x: conductivity_saxton_rawls(x, Texture(40, 20)), WATER, ["mm d-1"]),
        (lambda x: suction_saxton_rawls(x, Texture(40, 20)), WATER, ["kPa"]),
    ],
)
def test_an_array_with_labels_gives_one_with_units_and_the_same_numbers(ask, given, units):
    expected = ask(given.values)
    found, lazy, turned = (ask(x) for x in (given, given.chunk(tube=1), given.T))
    if len(units) == 1:
        expected, found, lazy, turned = [expected], [found], [lazy], [turned]
    for each in zip(expected, found, lazy, turned, units, strict=True):
        numbers, labelled, unread, transposed, unit = each
        assert labelled.dims == given.dims
        assert (labelled.attrs["units"], bool(labelled.attrs["long_name"])) == (unit, True)
        np.testing.assert_array_equal(labelled, numbers)
        assert unread.chunks is not None
        np.testing.assert_array_equal(unread, numbers)
        np.testing.assert_array_equal(transposed.T, numbers)
    assert given.name == "share"


@pytest.mark.parametrize(
    "ask",
    [
        lambda: total_available_water(q(0.3, "m"), 0.1, 1.0),
        lambda: root_zone_depletion(0.2, 0.3, q(1, "kg")),
        lambda: sensor_limits(q(np.ones(9), "mm")),
        lambda: sensor_limits(xr.DataArray(np.ones(9), attrs={"units": "percent"})),
        lambda: relative_available_water(q(20, "cm"), q(300, "kg"), q(100, "mm")),
    ],
)
def test_units_that_do_not_fit_are_an_error(ask):
    with pytest.raises(UnitsError, match="expected units"):
        ask()
