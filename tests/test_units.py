"""Units at the edge: what most sites write is looked up, and is what pint makes of it."""

import subprocess
import sys

import numpy as np
import pytest
import xarray as xr

from pipeline.errors import UnitsError
from pipeline.units import (
    USUAL,
    Conversion,
    conversion,
    converted_by_pint,
    is_usual,
    number_between,
    numbers,
    one_number,
    plain,
    registry,
    water_units,
)
from pipeline.variables import VARIABLES


@pytest.mark.parametrize(("unit", "target"), sorted(USUAL))
def test_a_usual_unit_is_to_the_bit_what_pint_gives(unit, target):
    quantity = next(name for name, one in VARIABLES.items() if one.units == target)
    expected = converted_by_pint(unit, quantity, target)
    assert conversion(f" {unit} ", quantity) == Conversion(*USUAL[unit, target]) == expected
    assert is_usual(unit)


@pytest.mark.parametrize(
    ("written", "units"),
    [
        *[(text, "m3 m-3") for text in ("m3/m3", "m^3/m^3", "m**3 m**-3", "m³ m⁻³", "m3.m-3")],
        *[("%", "percent"), ("°C", "degC"), ("mm/h", "mm h-1"), (" mm ", "mm")],
    ],
)
def test_a_unit_may_be_spelled_otherwise(written, units):
    array = xr.DataArray([0.2], dims="time", attrs={"units": written, "own": "kept"})
    found = plain(array, units)
    assert found.attrs == {"units": units, "own": "kept"}
    assert array.attrs["units"] == written
    np.testing.assert_array_equal(found, [0.2])


@pytest.mark.parametrize(
    ("written", "units"),
    [
        *[(text, "m3 m-3") for text in ("kg kg-1", "g/g", "cm3 cm-3", "1", "%", "m3", "")],
        *[("", "1"), ("percent", "1"), ("cm", "mm"), ("10 mm", "mm"), ("mm?", "mm")],
    ],
)
def test_another_unit_is_refused_even_where_it_is_as_large(written, units):
    array = xr.DataArray([0.2], dims="time", attrs={"units": written})
    with pytest.raises(UnitsError, match="expected units"):
        plain(array, units)


def test_a_usual_unit_of_another_quantity_is_refused():
    with pytest.raises(UnitsError, match="'mV' cannot be converted to"):
        conversion("mV", "rain")


def test_other_units_are_converted_by_their_definitions():
    # SI brochure: 1 kPa = 1000 Pa, 1 bar = 100 kPa; a centimetre a day is 10 mm in 24 h.
    assert conversion("kV", "voltage")(np.array([0.5]))[0] == pytest.approx(500.0)
    assert conversion("uS cm-1", "bulk_conductivity")(np.array([1e4]))[0] == pytest.approx(1.0)
    assert conversion("cm", "rain")(np.array([1.2]))[0] == pytest.approx(12.0)
    fahrenheit = conversion("degF", "soil_temperature")(np.array([32.0, 212.0]))
    np.testing.assert_allclose(fahrenheit, [0.0, 100.0], atol=1e-9)


def test_numbers_are_taken_as_they_are_and_quantities_in_the_units_asked_for():
    metre = registry().Quantity
    assert numbers(0.3, "m") == 0.3
    assert numbers([0.1, metre(20.0, "cm"), metre(300.0, "mm")], "m") == pytest.approx(
        [0.1, 0.2, 0.3]
    )
    assert numbers((metre(1.0, "km"), 2.0), "m") == pytest.approx([1000.0, 2.0])
    np.testing.assert_allclose(numbers(metre([1.0, 2.0], "cm"), "m"), [0.01, 0.02])


@pytest.mark.parametrize("value", [[1.0, 2.0], "1", None, True, float("nan"), [1.0]])
def test_what_is_no_single_number_is_refused(value):
    with pytest.raises(ValueError, match=r"'share': expected one number \[1\]"):
        one_number("share", value, "1")


def test_one_number_may_be_whole_or_a_quantity():
    assert one_number("share", 2, "1") == 2.0
    assert one_number("width", registry().Quantity(5.0, "cm"), "m") == pytest.approx(0.05)


def test_a_range_is_closed():
    for value in (0.0, 0.95, np.float32(0.5)):
        assert number_between("porosity", value, "m3 m-3", 0.0, 0.95) == value
    for value in (-1e-9, 0.9500001, float("nan"), [0.5]):
        with pytest.raises(
            ValueError, match=r"'porosity': expected a number from 0.0 to 0.95"
        ):
            number_between("porosity", value, "m3 m-3", 0.0, 0.95)


def test_a_length_is_stored_water_and_all_else_a_content():
    quantity = registry().Quantity
    mm = xr.DataArray([1.0], dims="day", attrs={"units": "mm"})
    assert [water_units(v) for v in (quantity(1.0, "cm"), mm)] == ["mm", "mm"]
    content = mm.assign_attrs(units="m3 m-3")
    found = [water_units(v) for v in (quantity(20.0, "percent"), content, 0.2)]
    assert found == ["m3 m-3"] * 3


def test_usual_units_do_without_pint():
    code = (
        "import sys; from pipeline.units import conversion\n"
        "conversion('mV', 'voltage'); print('pint' in sys.modules)\n"
        "conversion('kV', 'voltage'); print('pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.split() == ["False", "True"], done.stderr
