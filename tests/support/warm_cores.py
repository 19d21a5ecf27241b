"""A field with a thermometer beside a sensor, hourly rows of both, and a core each noon."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.nights import night

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 20, tzinfo=UTC)
SLOPE, OFFSET = 0.135, -0.240  # of the soil as it is; the site begins with 0.12 and -0.2
HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
HOURS = np.arange(15 * 24)


def export(root: NDArray[np.float64], celsius: NDArray[np.float64]) -> str:
    """Return hourly rows from 10 March; the probe's law is that of the site's description."""
    millivolts = 1000 * np.interp(root, [1.0, 3.0, 6.0], [0.0, 0.5, 1.0])
    rows = [
        f"{10 + hour // 24}.03.2023 {hour % 24:02d}:00;"
        + f"{volts:.4f};{warm:.4f}".replace(".", ",")
        for hour, volts, warm in zip(HOURS, millivolts, celsius, strict=True)
    ]
    return "\n".join(["Time;mV_2;t_2", ";mV;degC", *rows, ""])


def describe_warm(folder: Path) -> None:
    """Write the description, with soil temperature logged beside the sensor at 30 cm."""
    shutil.copytree(FIELD, folder)
    with (folder / "wiring.csv").open("a", encoding="utf-8") as wiring:
        wiring.write("logger-a,t_2,T1,30,soil_temperature,degC,,,\n")


def store_with_cores(folder: Path, exported: str, water: NDArray[np.float64]) -> None:
    """Run a night over an export, then write samples of each noon, known to 0.1 %."""
    raw = folder / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.write_text(exported, encoding="utf-8")
    night.store_night(folder, NOW)
    cores = [
        f"2023-03-{10 + hour // 24}T12:00,T1,30,{140 + 100 * held:.6f},140,100,0.02,0.1\n"
        for hour, held in zip(HOURS[12::24], water[12::24], strict=True)
    ]
    (folder / "samples.csv").write_text("".join([HEADER, *cores]), encoding="utf-8")
