"""Units at the edge: what most sites write is looked up, and is what pint makes of it."""

import subprocess
import sys

import pytest

from pipeline.errors import UnitsError
from pipeline.units import USUAL, Conversion, conversion, converted_by_pint, is_usual
from pipeline.variables import VARIABLES


@pytest.mark.parametrize(("unit", "target"), sorted(USUAL))
def test_a_usual_unit_is_to_the_bit_what_pint_gives(unit, target):
    quantity = next(name for name, one in VARIABLES.items() if one.units == target)
    expected = converted_by_pint(unit, quantity, target)
    assert conversion(f" {unit} ", quantity) == Conversion(*USUAL[unit, target]) == expected
    assert is_usual(unit)


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
