"""The one table of variables: units, CF names and text of everything the project holds.

Logged quantities carry the name used in ``wiring.csv``. Standard names are from the CF
standard name table, version 93; a quantity without one there has ``standard_name`` None and is
told by its ``long_name`` alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import UnitsError

if TYPE_CHECKING:  # the command is quick where no array is labelled
    import xarray as xr


@dataclass(frozen=True)
class Variable:
    """What is fixed about a variable whatever the site."""

    units: str
    long_name: str
    standard_name: str | None = None
    content: str = "physicalMeasurement"  # ACDD coverage_content_type


WATER_CONTENT_NAME = "volume_fraction_of_condensed_water_in_soil"
LAYER_STORAGE_NAME = "lwe_thickness_of_moisture_content_of_soil_layer"

# Quantities a sensor at (tube, depth) can log.
TUBE_QUANTITIES = (
    "voltage",
    "permittivity",
    "root_permittivity",
    "water_content",
    "soil_temperature",
    "bulk_conductivity",
)
# Quantities logged once for a source, not for a tube.
WEATHER_QUANTITIES = ("rain", "air_temperature")
STATION_QUANTITIES = (*WEATHER_QUANTITIES, "supply_voltage")
# Quantities from which water content is computed, in the order in which they are preferred.
SIGNALS = ("water_content", "root_permittivity", "permittivity", "voltage")

VARIABLES: dict[str, Variable] = {
    # as logged
    "voltage": Variable("V", "sensor output voltage as logged"),
    "permittivity": Variable("1", "apparent relative permittivity of the soil as logged"),
    "root_permittivity": Variable(
        "1", "square root of the apparent relative permittivity of the soil"
    ),
    "water_content": Variable(
        "m3 m-3", "volumetric soil water content as logged", WATER_CONTENT_NAME
    ),
    "soil_temperature": Variable("degC", "soil temperature", "soil_temperature"),
    "bulk_conductivity": Variable("S m-1", "bulk electrical conductivity of the soil"),
    "rain": Variable(
        "mm", "rain depth in the interval", "lwe_thickness_of_precipitation_amount"
    ),
    "air_temperature": Variable("degC", "air temperature", "air_temperature"),
    "supply_voltage": Variable("V", "supply voltage at the logger"),
    # water cube
    "calibrated_water_content": Variable(
        "m3 m-3", "volumetric soil water content as calibrated", WATER_CONTENT_NAME
    ),
    "cleaned_water_content": Variable(
        "m3 m-3",
        "volumetric soil water content, certain faults removed",
        WATER_CONTENT_NAME,
    ),
    "random_error": Variable(
        "m3 m-3", "random standard uncertainty of water content", content="qualityInformation"
    ),
    "systematic_error": Variable(
        "m3 m-3",
        "systematic standard uncertainty of water content",
        content="qualityInformation",
    ),
    "correction": Variable(
        "m3 m-3",
        "part of volumetric soil water content that is correction of sensor drift",
        content="qualityInformation",
    ),
    "temperature_correction": Variable(
        "m3 m-3",
        "part of volumetric soil water content that is correction for soil temperature",
        content="qualityInformation",
    ),
    "outside_calibration": Variable(
        "1",
        "why a reading has no water content",
        "status_flag",
        "qualityInformation",
    ),
    "tests": Variable("1", "quality tests that fired", "quality_flag", "qualityInformation"),
    "quality": Variable(
        "1", "primary quality flag", "aggregate_quality_flag", "qualityInformation"
    ),
    # hand rounds: how the directions of one round agree at a depth
    "direction_minimum": Variable(
        "m3 m-3", "lowest volumetric soil water content of the directions", WATER_CONTENT_NAME
    ),
    "direction_maximum": Variable(
        "m3 m-3", "highest volumetric soil water content of the directions", WATER_CONTENT_NAME
    ),
    "direction_spread": Variable(
        "m3 m-3",
        "highest minus lowest water content of the directions",
        content="qualityInformation",
    ),
    "odd_direction": Variable(
        "degree",
        "the direction farthest from the median of three or more",
        content="qualityInformation",
    ),
    "odd_direction_distance": Variable(
        "m3 m-3",
        "distance of the odd direction's water content from the median of all directions",
        content="qualityInformation",
    ),
    "other_directions_spread": Variable(
        "m3 m-3",
        "highest minus lowest water content of the directions but the odd one",
        content="qualityInformation",
    ),
    # products
    "storage": Variable("mm", "soil water stored in the layer", LAYER_STORAGE_NAME),
    "storage_random_error": Variable(
        "mm", "random standard uncertainty of stored water", content="qualityInformation"
    ),
    "storage_systematic_error": Variable(
        "mm",
        "systematic standard uncertainty of stored water, from calibration and spacing",
        content="qualityInformation",
    ),
    "storage_quality": Variable(
        "1", "quality flag of stored water", "quality_flag", "qualityInformation"
    ),
    # layers of a model
    "layer_storage": Variable("mm", "soil water stored in the layer", LAYER_STORAGE_NAME),
    "layer_water_content": Variable(
        "m3 m-3", "mean volumetric soil water content of the layer", WATER_CONTENT_NAME
    ),
    "layer_random_error": Variable(
        "mm",
        "random standard uncertainty of water stored in the layer",
        content="qualityInformation",
    ),
    "layer_systematic_error": Variable(
        "mm",
        "systematic standard uncertainty of water stored in the layer, from calibration and "
        "spacing",
        content="qualityInformation",
    ),
    "layer_variance": Variable(
        "mm2",
        "variance of the observation error of water stored in the layer",
        content="qualityInformation",
    ),
    "layer_covariance": Variable(
        "mm2",
        "covariance of the observation errors of water stored in two layers",
        content="qualityInformation",
    ),
    "layer_quality": Variable(
        "1", "quality flag of water stored in the layer", "quality_flag", "qualityInformation"
    ),
    # daily
    "daily_water_content": Variable(
        "m3 m-3", "daily mean of volumetric soil water content", WATER_CONTENT_NAME
    ),
    "daily_count": Variable(
        "1",
        "number of values in the daily mean of soil water content",
        "number_of_observations",
        "qualityInformation",
    ),
    "daily_tests": Variable(
        "1",
        "quality tests that fired over the day as a whole: a departure from neighbour tubes",
        "quality_flag",
        "qualityInformation",
    ),
    "daily_storage": Variable(
        "mm", "daily mean of soil water stored in the layer", LAYER_STORAGE_NAME
    ),
    "daily_random_error": Variable(
        "m3 m-3",
        "random standard uncertainty of daily mean water content",
        content="qualityInformation",
    ),
    "daily_systematic_error": Variable(
        "m3 m-3",
        "systematic standard uncertainty of daily mean water content",
        content="qualityInformation",
    ),
    "daily_storage_random_error": Variable(
        "mm",
        "random standard uncertainty of daily mean stored water",
        content="qualityInformation",
    ),
    "daily_storage_systematic_error": Variable(
        "mm",
        "systematic standard uncertainty of daily mean stored water",
        content="qualityInformation",
    ),
    "daily_rain": Variable("mm", "daily sum of rain", "lwe_thickness_of_precipitation_amount"),
}


def describe(array: xr.DataArray, name: str, long_name: str | None = None) -> xr.DataArray:
    """Return ``array`` under ``name`` with the table's attributes and no others.

    Parameters
    ----------
    array : DataArray, any dims
        Attributes it carries are dropped, so that none is inherited by arithmetic.
    name : str
        A key of `VARIABLES`.
    long_name : str, optional
        Where the table's is not true: of what was computed, not logged.
    """
    variable = VARIABLES[name]
    result = array.copy(deep=False).rename(name)  # else the attributes are the input's too
    result.attrs = {"units": variable.units, "long_name": long_name or variable.long_name}
    if variable.standard_name:
        result.attrs["standard_name"] = variable.standard_name
    return result


def require_units(array: xr.DataArray, units: str) -> None:
    """Raise `UnitsError` unless ``array`` states exactly ``units``."""
    found = array.attrs.get("units")
    if found != units:
        what = "state" if found is None else "convert the values and state"
        raise UnitsError(
            f"{array.name!r}: expected units {units!r}, found {found!r}; {what} "
            f".attrs['units'], or give a Pint quantity"
        )


def require_alike(array: xr.DataArray, like: xr.DataArray) -> None:
    """Raise `ValueError` unless two arrays agree on every dimension that both have.

    xarray would leave out, without a word, what only one of them has.
    """
    for dim in array.dims:
        if dim in like.dims:
            require_labels(array, like, str(dim))


def require_dims(array: xr.DataArray, *dims: str) -> None:
    """Raise `ValueError` unless an array has these dimensions, in any order, and no others."""
    if set(array.dims) != set(dims):
        raise ValueError(
            f"{array.name!r}: expected the dimensions {dims}, found {array.dims}; rename or "
            f"select, and .expand_dims of what there is one of"
        )


def require_some(array: xr.DataArray, dim: str) -> None:
    """Raise `ValueError` where an array has nothing along a dimension."""
    if not array.sizes[dim]:
        raise ValueError(
            f"{array.name!r}: expected one {dim} or more, found none; the selection before "
            f"matched nothing"
        )


SAME_LABEL = 1e-6  # labels that are numbers may differ by the rounding of float32


def require_once(array: xr.DataArray, dim: str) -> None:
    """Raise `ValueError` where a label of a dimension stands more than once.

    Tables tell places by their labels, and a mean would count one of them twice.
    """
    if dim not in array.coords or dim not in array.dims:
        return
    labels = [str(label) for label in array[dim].values.tolist()]
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        raise ValueError(
            f"{array.name!r}: expected each {dim} once, found more of {', '.join(twice)}; "
            f"drop or rename them before"
        )


def require_labels(array: xr.DataArray, like: xr.DataArray, dim: str) -> None:
    """Raise `ValueError` unless two arrays agree on a dimension, in size, labels and order.

    Kernels go by position, so labels that differ would give a wrong number without a word.
    Where only one array has labels, only the size is compared.
    """
    found: object = array.sizes.get(dim, f"no {dim}")
    expected: object = like.sizes.get(dim, f"no {dim}")
    if found == expected and dim in array.coords and dim in like.coords:
        here, there = array[dim].values, like[dim].values
        real = here.dtype.kind == there.dtype.kind == "f"
        same = abs(here - there) <= SAME_LABEL if real else here == there
        if not same.all():
            place = same.argmin()
            found, expected = f"{here[place]} at {place}", there[place]
    if found != expected:
        raise ValueError(
            f"{array.name!r}: expected the {dim} of {like.name!r}, {expected}, found {found}; "
            f"select or reindex before"
        )
