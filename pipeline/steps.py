"""The table of steps: the whole night on one screen, in order, from reading to product.

The incremental engine reads this table and nothing else. A reader sees what each step reads
and writes, how far it looks, and whose method it is.
"""

from __future__ import annotations

from pipeline.calibrate.steps import (
    calibrate_look,
    root_permittivity_step,
    water_content_step,
)
from pipeline.derive.daily import daily_look, daily_step
from pipeline.derive.daily_rain import daily_rain_look, daily_rain_step
from pipeline.derive.storage import storage_look, storage_step
from pipeline.products.drift import drift_suspects
from pipeline.products.events import events_inputs, events_step
from pipeline.products.limits import soil_limits_step
from pipeline.products.neighbour_days import neighbour_days, neighbour_inputs
from pipeline.products.space import TABLES, space_inputs, space_step
from pipeline.products.tube_health import health_inputs, tube_health
from pipeline.products.tube_records import record_inputs, tube_records
from pipeline.qc.step import qc_look, qc_step
from pipeline.record_step import RecordStep
from pipeline.step import Step
from pipeline.variables import SIGNALS

SIGNAL_KEYS = tuple(f"readings/{name}" for name in SIGNALS)
OFFSET_KEYS = tuple(f"{key}_offset_s" for key in SIGNAL_KEYS)

TUBE_STEPS = (
    Step(
        "root permittivity",
        root_permittivity_step,
        (*SIGNAL_KEYS[1:], *OFFSET_KEYS[1:]),  # not water content as logged
        ("water/root_permittivity",),
        calibrate_look,
        "monotone law of each probe; square root of permittivity",
        version=2,
    ),
    Step(
        "water content",
        water_content_step,
        (*SIGNAL_KEYS, *OFFSET_KEYS, "readings/soil_temperature"),
        (
            "water/calibrated_water_content",
            "water/random_error",
            "water/systematic_error",
            "water/correction",
            "water/temperature_correction",
            "water/outside_calibration",
        ),
        calibrate_look,
        "law of each horizon; JCGM 100:2008 eqs 10 and 13",
        version=5,
    ),
    Step(
        "quality",
        qc_step,
        (
            "water/calibrated_water_content",
            "water/outside_calibration",
            "water/random_error",
            *OFFSET_KEYS,
            "readings/soil_temperature",
            "readings/supply_voltage",
            "readings/air_temperature",
            "readings/rain",
        ),
        ("water/tests", "water/quality", "water/cleaned_water_content"),
        qc_look,
        "QARTOD tests 1, 4, 7, 8, 9; Hampel; docs/quality.md; IOC Manuals & Guides 54, vol. 3",
        version=12,
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
        "trapezoid between sensors at real depths; GUM eqs 10, 16 within calibrations",
        version=4,
    ),
    Step(
        "daily",
        daily_step,
        (
            "water/cleaned_water_content",
            "water/random_error",
            "water/systematic_error",
            "products/storage",
            "products/storage_random_error",
            "products/storage_systematic_error",
        ),
        (
            "daily/daily_water_content",
            "daily/daily_count",
            "daily/daily_random_error",
            "daily/daily_systematic_error",
            "daily/daily_storage",
            "daily/daily_storage_random_error",
            "daily/daily_storage_systematic_error",
        ),
        daily_look,
        "mean of days complete enough; JCGM 100:2008 eqs 10 and 16",
        version=4,
    ),
)

STATION_STEPS = (
    Step(
        "daily rain",
        daily_rain_step,
        ("readings/rain", "readings/rain_offset_s"),
        ("daily/daily_rain",),
        daily_rain_look,
        "sum of days complete enough; totals are stamped at their end",
        version=3,
    ),
)

# Over whole records and several tubes; each keeps tables of its own in the store.
RECORD_STEPS: tuple[RecordStep, ...] = (
    RecordStep(
        "suspected drift",
        drift_suspects,
        ("drift_suspects",),
        "Theil-Sen slope; Mann-Kendall test",
    ),
    RecordStep(
        "tube records",
        tube_records,
        ("tube_responses", "tube_blocks"),
        "crossing of a rise; noise of second differences; daily wave of warmth",
        also=record_inputs,
        version=5,
    ),
    RecordStep(
        "neighbour tubes",
        neighbour_days,
        ("neighbour_days",),
        "departure from all that neighbours showed; after QARTOD's neighbour test",
        also=neighbour_inputs,
    ),
    RecordStep(
        "tube health",
        tube_health,
        ("tube_health", "tube_verdicts"),
        "rotation check, order of fronts, contact, depth; docs/tubes.md",
        also=health_inputs,
        version=5,
    ),
    RecordStep(
        "events",
        events_step,
        ("fronts", "events", "event_depths", "uptake", "conductivity", "drainage_laws"),
        "prominence of lows; steps of day and night; unit gradient (docs/events.md)",
        also=events_inputs,
        version=23,
    ),
    RecordStep(
        "soil limits",
        soil_limits_step,
        ("soil_limits",),
        "Ratliff, Ritchie & Cassel 1983; recession of Sisson et al. 1980 (docs/limits.md)",
        version=4,
    ),
    RecordStep(
        "space",
        space_step,
        TABLES,
        "Vachaud et al. 1985; JCGM 100:2008 G.4.1",
        also=space_inputs,
        version=5,
    ),
)
