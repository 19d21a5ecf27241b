"""The table of steps: the whole night on one screen, in order, from reading to product.

The incremental engine reads this table and nothing else. ``look`` returns how many seconds a
step looks back and ahead of each value it writes. ``version`` rises when a step's arithmetic
changes; everything it feeds is then computed again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import xarray as xr

from pipeline.calibrate.steps import root_permittivity_step, water_content_step
from pipeline.derive.daily import daily_look, daily_step
from pipeline.derive.storage import storage_look, storage_step
from pipeline.qc.step import qc_look, qc_step
from pipeline.site.models import Site

Look = Callable[[Site], tuple[int, int]]


@dataclass(frozen=True)
class Step:
    """One step: a function of a block of tubes over a window, and what it reads and writes."""

    name: str
    function: Callable[[xr.Dataset, Site], xr.Dataset]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    look: Look
    reference: str
    version: int = 1


def no_look(site: Site) -> tuple[int, int]:
    """Return the look of a step whose value at an instant depends on that instant alone."""
    return 0, 0


TUBE_STEPS = (
    Step(
        "root permittivity",
        root_permittivity_step,
        ("readings/voltage", "readings/permittivity", "readings/root_permittivity"),
        ("water/root_permittivity",),
        no_look,
        "monotone law of each probe; square root of permittivity",
    ),
    Step(
        "water content",
        water_content_step,
        (
            "water/root_permittivity",
            "readings/water_content",
            "readings/voltage",
            "readings/permittivity",
        ),
        (
            "water/calibrated_water_content",
            "water/random_error",
            "water/systematic_error",
            "water/outside_calibration",
        ),
        no_look,
        "law of each horizon; JCGM 100:2008 eqs 10 and 13",
    ),
    Step(
        "quality",
        qc_step,
        ("water/calibrated_water_content", "water/outside_calibration"),
        ("water/tests", "water/quality", "water/cleaned_water_content"),
        qc_look,
        "QARTOD tests 4, 7, 8, 9; flags of IOC Manuals & Guides 54, vol. 3",
    ),
    Step(
        "storage",
        storage_step,
        (
            "water/cleaned_water_content",
            "water/random_error",
            "water/systematic_error",
            "water/quality",
        ),
        (
            "products/storage",
            "products/storage_random_error",
            "products/storage_systematic_error",
            "products/storage_quality",
        ),
        storage_look,
        "trapezoid between sensors at real depths",
    ),
    Step(
        "daily",
        daily_step,
        ("water/cleaned_water_content", "products/storage"),
        ("daily/daily_water_content", "daily/daily_count", "daily/daily_storage"),
        daily_look,
        "mean of days complete enough",
    ),
)

STATION_STEPS = (
    Step(
        "daily rain",
        daily_step,
        ("readings/rain",),
        ("daily/daily_rain",),
        daily_look,
        "sum of days complete enough",
    ),
)
