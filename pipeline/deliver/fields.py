"""The one table of delivered fields: their names on disk, and how they hang together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.deliver.encoding import PACKINGS, Packing
from pipeline.qc.flags import TEST_BITS, Quality
from pipeline.variables import VARIABLES
from pipeline.words import FileKind

# The variable that says how values were rounded (CF 1.12 section 8.4).
QUANTIZATION = "quantization_info"
# Kinds of files of a period, on any step: profiles of the tubes, series of the weather.
OF_TUBES: Final = "tubes"
OF_WEATHER: Final = "weather"
KINDS: tuple[FileKind, ...] = (OF_TUBES, OF_WEATHER)


@dataclass(frozen=True)
class Field:
    """One delivered variable. ``source`` is a key of `pipeline.variables.VARIABLES`.

    ``across`` is "depth" or "layer", "" for a series of a station. ``cell_methods`` says what
    a value stands for in time and depth. ``ancillary`` names the fields that speak of this
    one; those not in a file are left out there. ``comment`` says what a reader might miss.
    """

    source: str
    name: str
    across: str
    kind: str
    cell_methods: str = ""
    ancillary: tuple[str, ...] = ()
    comment: str = ""

    def dims(self, instance: str) -> tuple[str, ...]:
        """Return the dimensions on disk, in the order that CF asks of a strict file.

        Instance, time, depth. A layer is no axis, because layers may overlap, and what is no
        axis stands left of time.
        """
        if self.across == "layer":
            return instance, "layer", "time"
        return (instance, "time", "depth") if self.across else (instance, "time")

    @property
    def packing(self) -> Packing:
        """Return how the field is stored."""
        return PACKINGS[self.kind]

    def attributes(self, present: set[str]) -> dict[str, object]:
        """Return the CF and ACDD attributes in a file that holds the fields ``present``."""
        variable = VARIABLES[self.source]
        found: dict[str, object] = {"long_name": variable.long_name, "units": variable.units}
        if variable.standard_name:
            found["standard_name"] = variable.standard_name
        if variable.units == "degC":
            found["units_metadata"] = "temperature: on_scale"
        if self.cell_methods:
            found["cell_methods"] = self.cell_methods
        if self.comment:
            found["comment"] = self.comment
        ancillary = " ".join(name for name in self.ancillary if name in present)
        if ancillary:
            found["ancillary_variables"] = ancillary
        if self.packing.bits is not None:
            found["quantization"] = QUANTIZATION
            found["quantization_nsb"] = np.int32(self.packing.bits)
        found["coverage_content_type"] = variable.content
        return found | _FLAGS.get(self.kind, {})


# CF wants the type of flag_values and flag_masks to be that of the variable.
_FLAGS: dict[str, dict[str, object]] = {
    "flag": {
        "flag_values": np.array([quality.value for quality in Quality], dtype=np.uint8),
        "flag_meanings": " ".join(quality.name.lower() for quality in Quality),
    },
    "mask": {
        "flag_masks": np.array(list(TEST_BITS.values()), dtype=np.uint16),
        "flag_meanings": " ".join(TEST_BITS),
    },
}

_POINT = "time: point depth: point"
_ABOUT_WATER = (
    "random_error",
    "systematic_error",
    "drift_correction",
    "temperature_correction",
    "quality_flag",
    "tests_fired",
)
_ABOUT_STORAGE = (
    "storage_random_error",
    "storage_systematic_error",
    "storage_quality_flag",
)

NATIVE: tuple[Field, ...] = (
    Field(
        "cleaned_water_content",
        "soil_water_content",
        "depth",
        "water_content",
        _POINT,
        _ABOUT_WATER,
    ),
    Field(
        "calibrated_water_content",
        "soil_water_content_as_calibrated",
        "depth",
        "water_content",
        _POINT,
        _ABOUT_WATER,
    ),
    Field("random_error", "random_error", "depth", "error"),
    Field("systematic_error", "systematic_error", "depth", "error"),
    Field("correction", "drift_correction", "depth", "error", _POINT),
    Field("temperature_correction", "temperature_correction", "depth", "error", _POINT),
    Field("quality", "quality_flag", "depth", "flag"),
    Field("tests", "tests_fired", "depth", "mask"),
    Field("soil_temperature", "soil_temperature", "depth", "logged", _POINT),
    Field("bulk_conductivity", "bulk_conductivity", "depth", "logged", _POINT),
    Field(
        "storage",
        "soil_water_storage",
        "layer",
        "storage",
        "time: point layer: sum",
        _ABOUT_STORAGE,
    ),
    Field("storage_random_error", "storage_random_error", "layer", "error"),
    Field("storage_systematic_error", "storage_systematic_error", "layer", "error"),
    Field("storage_quality", "storage_quality_flag", "layer", "flag"),
)

DAILY: tuple[Field, ...] = (
    Field(
        "daily_water_content",
        "soil_water_content",
        "depth",
        "water_content",
        "time: mean depth: point",
        ("random_error", "systematic_error", "observation_count", "tests_fired"),
    ),
    Field("daily_random_error", "random_error", "depth", "error"),
    Field("daily_systematic_error", "systematic_error", "depth", "error"),
    Field("daily_count", "observation_count", "depth", "count"),
    Field("daily_tests", "tests_fired", "depth", "mask"),
    Field(
        "daily_storage",
        "soil_water_storage",
        "layer",
        "storage",
        "time: mean layer: sum",
        ("storage_random_error", "storage_systematic_error"),
    ),
    Field("daily_storage_random_error", "storage_random_error", "layer", "error"),
    Field("daily_storage_systematic_error", "storage_systematic_error", "layer", "error"),
)

WEATHER: tuple[Field, ...] = (
    Field("rain", "rain", "", "weather", "time: sum"),
    Field("air_temperature", "air_temperature", "", "weather", "time: point"),
)

DAILY_WEATHER: tuple[Field, ...] = (
    Field(
        "daily_rain",
        "rain",
        "",
        "weather",
        "time: sum",
        comment="of the totals whose intervals end after the midnight that begins the day, up "
        "to and with the midnight that ends it",
    ),
)
