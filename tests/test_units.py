"""Units at the edge: what most sites write is looked up, and is what pint makes of it."""

import subprocess
import sys

import numpy as np
import pytest
import xarray as xr

from pipeline.errors import UnitsError
from pipeline.units import USUAL, Conversion, conversion, converted_by_pint, is_usual, plain
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


def test_usual_units_do_without_pint():
    code = (
        "import sys; from pipeline.units import conversion\n"
        "conversion('mV', 'voltage'); print('pint' in sys.modules)\n"
        "conversion('kV', 'voltage'); print('pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.split() == ["False", "True"], done.stderr
