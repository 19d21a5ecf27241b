"""A site of known numbers with storms, hand rounds and three tubes, for traces of rows.

Water content of tube T1 follows a formula: it jumps with each storm and drains as a logarithm.
Tubes T2 and T3 are read by hand, wetter and drier than T1 by what `HAND` says.
"""

from __future__ import annotations

import math
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from traced_site import FIELD, put

from pipeline.nights import night

NOW = datetime(2023, 4, 12, tzinfo=UTC)
BEGIN = datetime(2023, 3, 1)  # logger's clock, one hour ahead of UTC
DAYS, STORM_DAYS = 40, 10
RAIN_H, RAIN_MM = 2, 2.0  # each storm rains so long, so much a quarter of an hour
WETTEST, SCALE = (0.30, 0.28), (0.02, 0.01)  # of the sensors at 10 and 30 cm
LAG_H = (1.0, 5.0)
ROUND_DAYS = range(2, DAYS, 3)
HAND = {"T2": 0.05, "T3": -0.04}  # what they hold more than T1 at 10 cm
THIRD_TUBE = "T3,48.502,9.102,410.0,2023-03-01,,0,loam,upper,\n"


def content(hour: float, sensor: int) -> float:
    """Return the water content of T1 at a local hour of the record."""
    storm, since = divmod(hour - 6 - LAG_H[sensor], 24 * STORM_DAYS)
    if storm < 0:  # before the first storm: as ten days after one
        since = 24 * STORM_DAYS
    risen = min((since + 0.25) / 2, 1.0)  # within two hours
    dry = WETTEST[sensor] - SCALE[sensor] * math.log1p(STORM_DAYS)
    drained = WETTEST[sensor] - SCALE[sensor] * math.log1p(since / 24)
    return dry + (drained - dry) * risen


def millivolts(water: float, sensor: int) -> float:
    """Return the voltage that the site's laws make this water content of, as logged."""
    root = (water + 0.19) / 0.119 if sensor == 0 else (water + 0.2) / 0.12
    volts = (root - 1) / 4 if root < 3 else 0.5 + (root - 3) / 6
    return round(1000 * volts, 1)


def logged(hour: float, sensor: int) -> float:
    """Return the water content that the site's laws make of the voltage as logged."""
    volts = millivolts(content(hour, sensor), sensor) / 1000
    root = 1 + 4 * volts if volts < 0.5 else 3 + 6 * (volts - 0.5)
    return 0.119 * root - 0.19 if sensor == 0 else 0.12 * root - 0.2


def export() -> str:
    """Return the logger's file."""
    rows = ["Time;mV_1;mV_2;rain\n;mV;mV;mm"]
    for quarter in range(96 * DAYS):
        hour = quarter / 4
        rained = 0 < (hour - 6) % (24 * STORM_DAYS) <= RAIN_H
        numbers = *(millivolts(content(hour, k), k) for k in (0, 1)), RAIN_MM * rained
        text = ";".join(f"{number:.1f}".replace(".", ",") for number in numbers)
        rows.append(f"{BEGIN + timedelta(hours=hour):%d.%m.%Y %H:%M};{text}")
    return "\n".join(rows) + "\n"


def rounds() -> str:
    """Return the book of hand rounds: both tubes at nine, every third day."""
    rows = ["time;tube;direction;10;30;50"]
    for day in ROUND_DAYS:
        for tube, more in HAND.items():
            percent = 100 * (content(24 * day + 9, 0) + more)
            at = BEGIN + timedelta(days=day, hours=9)
            rows.append(f"{at:%Y-%m-%d %H:%M};{tube};1;{percent:.1f};30.0;30.0")
    return "\n".join(rows) + "\n"


def make_rows_site(folder: Path) -> Path:
    """Write the site with its raw files and run a night; return its folder."""
    shutil.copytree(FIELD, folder)
    with (folder / "tubes.csv").open("a", encoding="utf-8") as table:
        table.write(THIRD_TUBE)
    put(folder, "logger-a/march.csv", export())
    put(folder, "rounds/march.csv", rounds())
    night.store_night(folder, NOW)
    return folder
