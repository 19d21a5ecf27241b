"""What the site's store holds: every array with its group, dimensions, type and fill value.

Keys are ``group/name``. The groups are the cubes of the design: ``readings`` as logged,
``water`` as calibrated and tested, ``products`` on the site's own step, ``daily``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES

TIME, DAY = "time", "day"
TUBE_DIMS = (TIME, "tube", "depth")
LAYER_DIMS = (TIME, "tube", "layer")
STATION_DIMS = (TIME, "station")

# Chunk: a week or so of steps for a few tubes with all their depths. Chosen by measurement
# (tests/benchmarks/bench_chunks.py): short enough in time that a night rewrites little, narrow
# enough in tubes that redoing one tube does not rewrite its neighbours' years.
CHUNK_DAYS = 28
CHUNK_TUBES = 5
CHUNK_DAYS_DAILY = 364


@dataclass(frozen=True)
class ArraySpec:
    """One array of the store. Every array is empty (``fill``) until something is written."""

    group: str
    name: str
    dims: tuple[str, ...]
    dtype: str
    fill: float | int

    @property
    def key(self) -> str:
        """Return ``group/name``."""
        return f"{self.group}/{self.name}"

    def empty(self, shape: tuple[int, ...]) -> np.ndarray:
        """Return an array of fill values."""
        return np.full(shape, self.fill, dtype=self.dtype)


def _readings() -> list[ArraySpec]:
    """Return the logged quantities, each with the file, line and offset of its cells."""
    specs = []
    for names, dims in ((TUBE_QUANTITIES, TUBE_DIMS), (STATION_QUANTITIES, STATION_DIMS)):
        for name in names:
            specs += [
                ArraySpec("readings", name, dims, "float32", np.nan),
                ArraySpec("readings", f"{name}_file", dims, "int64", 0),
                ArraySpec("readings", f"{name}_line", dims, "int32", 0),
                ArraySpec("readings", f"{name}_offset_s", dims, "int32", 0),
            ]
    return specs


def _computed() -> list[ArraySpec]:
    """Return what the steps write."""
    nan = np.nan
    day_tube, day_layer = (DAY, "tube", "depth"), (DAY, "tube", "layer")
    return [
        ArraySpec("water", "root_permittivity", TUBE_DIMS, "float32", nan),
        ArraySpec("water", "calibrated_water_content", TUBE_DIMS, "float32", nan),
        ArraySpec("water", "random_error", TUBE_DIMS, "float32", nan),
        ArraySpec("water", "systematic_error", TUBE_DIMS, "float32", nan),
        ArraySpec("water", "correction", TUBE_DIMS, "float32", 0.0),
        ArraySpec("water", "temperature_correction", TUBE_DIMS, "float32", 0.0),
        ArraySpec("water", "outside_calibration", TUBE_DIMS, "uint8", 0),
        ArraySpec("water", "cleaned_water_content", TUBE_DIMS, "float32", nan),
        ArraySpec("water", "tests", TUBE_DIMS, "uint16", 1),
        ArraySpec("water", "quality", TUBE_DIMS, "uint8", 9),
        ArraySpec("products", "storage", LAYER_DIMS, "float32", nan),
        ArraySpec("products", "storage_random_error", LAYER_DIMS, "float32", nan),
        ArraySpec("products", "storage_systematic_error", LAYER_DIMS, "float32", nan),
        ArraySpec("products", "storage_quality", LAYER_DIMS, "uint8", 9),
        ArraySpec("daily", "daily_water_content", day_tube, "float32", nan),
        ArraySpec("daily", "daily_count", day_tube, "uint16", 0),
        ArraySpec("daily", "daily_storage", day_layer, "float32", nan),
        ArraySpec("daily", "daily_random_error", day_tube, "float32", nan),
        ArraySpec("daily", "daily_systematic_error", day_tube, "float32", nan),
        ArraySpec("daily", "daily_storage_random_error", day_layer, "float32", nan),
        ArraySpec("daily", "daily_storage_systematic_error", day_layer, "float32", nan),
        ArraySpec("daily", "daily_rain", (DAY, "station"), "float32", nan),
    ]


SPECS: dict[str, ArraySpec] = {spec.key: spec for spec in (*_readings(), *_computed())}
GROUPS = ("readings", "water", "products", "daily")
