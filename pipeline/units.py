"""Units at the edge: pint turns a written unit into a factor and an offset, once.

Kernels never see pint. A conversion is computed when a site description is loaded or a file is
opened and then applied to bare arrays.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnitsError
from pipeline.variables import VARIABLES, require_units

if TYPE_CHECKING:
    import pint
    import xarray as xr
    from numpy.typing import ArrayLike

# Numbers or arrays, DataArrays with units, or Pint quantities of any fitting unit.
Amount: TypeAlias = "ArrayLike | xr.DataArray | pint.Quantity"
Amounts: TypeAlias = "Amount | Sequence[Amount]"

# A unit and its power written the CF way: "m3", "m-3", "d-1".
_CF_POWER = re.compile(r"(?<![\w^*.])([A-Za-z_°%]+)([-+]?\d+)(?![\w.])")
_SPELLED_POWER = re.compile(r"(?P<unit>[A-Za-z]+)(?P<power>-?\d*)")
_SIGNS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-", "*^()") | {ord("·"): " ", ord("."): " "}
_SAME = {"%": "percent", "°C": "degC"}
# Spellings a field notebook uses that pint does not know.
_SPELLINGS = {"%": "percent", "% vol": "percent", "vol%": "percent", "vol %": "percent"}

# What most sites write, as (written, canonical): factor and offset, as pint gives them.
# Loading pint costs 0.3 s, a third of a command that looks up one value.
USUAL = {
    ("V", "V"): (1.0, 0.0),
    ("mV", "V"): (0.001, 0.0),
    ("1", "1"): (1.0, 0.0),
    ("m3 m-3", "m3 m-3"): (1.0, 0.0),
    ("%", "m3 m-3"): (0.01, 0.0),
    ("degC", "degC"): (1.0, 0.0),
    ("S m-1", "S m-1"): (1.0, 0.0),
    ("dS/m", "S m-1"): (0.1, 0.0),
    ("dS m-1", "S m-1"): (0.1, 0.0),
    ("mm", "mm"): (1.0, 0.0),
}


@dataclass(frozen=True)
class Conversion:
    """``canonical = value * factor + offset``."""

    factor: float
    offset: float

    def __call__(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert an array of any shape; an identity returns the input itself."""
        if self.factor == 1.0 and self.offset == 0.0:
            return values
        return values * self.factor + self.offset


@lru_cache(maxsize=1)
def registry() -> pint.UnitRegistry:
    """Return the one pint registry, made at first use because it costs 0.1 s."""
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def parse_unit(text: str) -> pint.Unit:
    """Return the pint unit of ``text`` in CF (``m3 m-3``), pint or field spelling.

    Raises
    ------
    UnitsError
        If the text is no unit.
    """
    stripped = text.strip()
    spelled = _SPELLINGS.get(stripped.lower(), stripped)
    powers = _CF_POWER.sub(r"\1**\2", spelled)
    try:
        return registry().parse_units(powers)
    except Exception as error:  # pint raises a dozen unrelated classes for a bad spelling
        raise UnitsError(f"{text!r} is not a unit ({error})") from None


@lru_cache(maxsize=256)
def conversion(unit: str, quantity: str) -> Conversion:
    """Return how values of ``quantity`` written in ``unit`` become canonical.

    Parameters
    ----------
    unit : str
        As in ``wiring.csv``: ``mV``, ``%``, ``m3 m-3``, ``degC``, ``dS/m``.
    quantity : str
        A key of `pipeline.variables.VARIABLES`.

    Raises
    ------
    UnitsError
        If the unit is unknown or of another dimension than the quantity.
    """
    target = VARIABLES[quantity].units
    known = USUAL.get((unit.strip(), target))
    return Conversion(*known) if known else converted_by_pint(unit, quantity, target)


def is_usual(unit: str) -> bool:
    """Tell whether a text is one of the units that most sites write."""
    return any(unit.strip() == text for text, _ in USUAL)


def converted_by_pint(unit: str, quantity: str, target: str) -> Conversion:
    """Return a conversion as pint works it out; as `conversion`."""
    import pint

    source_unit, target_unit = parse_unit(unit), parse_unit(target)
    quantity_of = registry().Quantity
    try:
        zero = quantity_of(0.0, source_unit).to(target_unit).magnitude
        far = quantity_of(1e6, source_unit).to(target_unit).magnitude
    except pint.DimensionalityError:
        raise UnitsError(
            f"{quantity!r}: unit {unit!r} cannot be converted to {target!r}"
        ) from None
    # An offset such as 273.15 leaves rounding noise in a difference of small numbers.
    factor = (far - zero) / 1e6 if zero else registry().convert(1.0, source_unit, target_unit)
    return Conversion(float(factor), float(zero))


def plain(array: xr.DataArray, units: str) -> xr.DataArray:
    """Return an array in given units as plain numbers, from numbers or a Pint quantity.

    Parameters
    ----------
    array : DataArray, any dims
        Plain numbers whose ``units`` attribute is ``units``, however spelled ("m3/m3", "m^3
        m^-3"), but never converted, or a Pint quantity in any
        units that can be converted, of any registry; what its attribute says does not count.
    units : str
        In CF spelling.

    Raises
    ------
    TypeError
        If ``array`` is no DataArray.
    UnitsError
        If the units do not fit.
    """
    if not (hasattr(array, "attrs") and hasattr(type(array), "data")):
        raise TypeError(
            f"expected a DataArray with units {units!r}, found {type(array).__name__}"
        )
    data = _held(array)
    if not hasattr(data, "magnitude"):
        found = array.attrs.get("units")
        if found and found != units and _spelled(str(found)) == _spelled(units):
            return array.assign_attrs(units=units)
        require_units(array, units)
        return array
    result = array.copy(data=_magnitude(data, units, repr(array.name)))
    result.attrs["units"] = units
    return result


def numbers(value: Amounts, units: str) -> Any:
    """Return a value in given units as plain numbers; bare numbers are taken to be in them.

    Parameters
    ----------
    value : float, sequence, array, DataArray or Pint quantity, or a sequence of quantities
        A DataArray is checked as by `plain`.
    units : str
        In CF spelling.

    Raises
    ------
    UnitsError
        If the units of a quantity or a DataArray do not fit.
    """
    if hasattr(value, "magnitude"):
        return _magnitude(value, units, "value")
    if isinstance(value, list | tuple):
        return [numbers(item, units) for item in value]
    if hasattr(value, "attrs") and hasattr(type(value), "data"):
        return plain(cast("xr.DataArray", value), units).data
    return value


def number_between(name: str, value: Amount, units: str, low: float, high: float) -> float:
    """Return one number in given units, as by `numbers`.

    Raises
    ------
    ValueError
        Unless it is one number and lies in the closed range.
    UnitsError
        If the units of a quantity or a DataArray do not fit.
    """
    held = hasattr(value, "magnitude")
    found = np.asarray(_magnitude(value, units, name) if held else numbers(value, units))
    if found.ndim or not low <= found <= high:
        raise ValueError(
            f"{name!r}: expected a number from {low} to {high} [{units}], found {value!r}"
        )
    return float(found)


def one_number(name: str, value: Amount, units: str) -> float:
    """Return one number in given units, as by `numbers`.

    Raises
    ------
    ValueError
        Unless it is one number.
    UnitsError
        If the units of a quantity or a DataArray do not fit.
    """
    held = hasattr(value, "magnitude")
    found = np.asarray(_magnitude(value, units, name) if held else numbers(value, units))
    if found.ndim or found.dtype.kind not in "iuf" or np.isnan(found):
        raise ValueError(f"{name!r}: expected one number [{units}], found {value!r}")
    return float(found)


def water_units(value: Amount) -> str:
    """Return "mm" for stored water, a length in any units, else "m3 m-3".

    Parameters
    ----------
    value : float, array, DataArray or Pint quantity
        A bare number is taken for a water content.
    """
    quantity: Any = value if hasattr(value, "magnitude") else _held(value)
    if hasattr(quantity, "magnitude"):
        return "mm" if quantity.check("[length]") else "m3 m-3"
    return "mm" if getattr(value, "attrs", {}).get("units") == "mm" else "m3 m-3"


def metres(value: Amounts) -> Any:
    """Return a length as plain numbers [m], as by `numbers`."""
    return numbers(value, "m")


def _spelled(text: str) -> list[tuple[str, int]]:
    """Return the units of a text with their powers, as written: nothing cancels out.

    A kilogram a kilogram is no cubic metre a cubic metre, though both are pure numbers.
    """
    above, *below = _SAME.get(text.strip(), text.translate(_SIGNS)).split("/")
    parts = [(one, 1) for one in above.split()]
    parts += [(one, -1) for part in below for one in part.split()]
    found = [(_SPELLED_POWER.fullmatch(one), sign) for one, sign in parts if one != "1"]
    return sorted(
        (match["unit"], sign * int(match["power"] or 1)) if match else (text, 0)
        for match, sign in found
    )


def _held(array: Any) -> Any:
    """Return the data that an array holds, without reading them where they lie in a file."""
    return getattr(getattr(array, "variable", None), "_data", None)


def _magnitude(quantity: Any, units: str, name: str) -> Any:
    """Return the numbers of a quantity in given units; its own registry converts."""
    import pint

    try:
        return quantity.to(str(parse_unit(units))).magnitude
    except pint.DimensionalityError:
        raise UnitsError(
            f"{name}: expected units {units!r} or others that can be converted to it, found "
            f"{quantity.units!s}"
        ) from None
