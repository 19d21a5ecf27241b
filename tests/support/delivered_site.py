"""A site of known numbers and what is delivered of it: every kind of file, from one night.

Voltages follow a formula, so that a cell's value follows by hand from the site's laws:
root permittivity is 1 + 4 V below 0.5 V and 3 + 6 (V - 0.5) above; water content is
0.119 root - 0.19 at 10 cm and 0.12 root - 0.2 at 30 cm of tube T1.
"""

from __future__ import annotations

import math
import shutil
from datetime import UTC, datetime
from pathlib import Path

from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.nights import night

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 1, tzinfo=UTC)
DAYS = range(3, 13)  # of March 2023
STORMS_H = (3 * 24 + 6, 7 * 24 + 12)  # local hours after the start of the record
RAIN_H, RAIN_MM = 2, 2.0  # each storm rains so long, so much a quarter of an hour
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
ROUND = "time;tube;direction;10;30;50\n2023-03-11 09:00;T1;1;20.1;25.2;28.0\n"
BUS = (
    "2023-03-06 12:00:00 >0M!\n"
    "2023-03-06 12:00:00 <00013\n"
    "2023-03-06 12:00:01 <0\n"
    "2023-03-06 12:00:01 >0D0!\n"
    "2023-03-06 12:00:02 <0+2.75+3.10+9.5\n"
)
REQUEST = Request(
    steps=("native", "daily"), layers_cm=(0, 10, 30), pictures=False, name="readers"
)


def millivolts(hour: float, depth: int) -> float:
    """Return a voltage at a local hour of the record; ``depth`` 0 is the upper sensor."""
    lag, climb, height = ((1.0, 3.0, 120.0), (6.0, 6.0, 60.0))[depth]
    level = 480.0 + 0.4 * ((round(hour * 4) * 7 + depth) % 5 - 2)
    for storm in STORMS_H:
        since = hour - storm - lag
        if since > 0:
            level += height * min(since / climb, 1.0) * math.exp(-max(since - climb, 0) / 40)
    return round(level, 1)


def rain_mm(hour: float) -> float:
    """Return the rain of the quarter of an hour that ends at a local hour of the record."""
    return RAIN_MM if any(0 < hour - storm <= RAIN_H for storm in STORMS_H) else 0.0


def export() -> str:
    """Return the logger's file, local time one hour ahead of UTC."""
    rows = []
    for quarter in range(96 * len(DAYS)):
        hour = quarter / 4
        day, rest = divmod(quarter, 96)
        numbers = (millivolts(hour, 0), millivolts(hour, 1), rain_mm(hour))
        texts = ";".join(f"{number:.1f}".replace(".", ",") for number in numbers)
        rows.append(f"{DAYS[0] + day:02d}.03.2023 {rest // 4:02d}:{rest % 4 * 15:02d};{texts}")
    return HEADER + "\n".join(rows) + "\n"


def make_delivered(folder: Path) -> Path:
    """Write the site, run a night and deliver it; return the revision's folder."""
    shutil.copytree(FIELD, folder)
    for name, text in (
        ("logger-a/march.csv", export()),
        ("bus/march.log", BUS),
        ("rounds/march.csv", ROUND),
    ):
        path = folder / "data" / name
        path.parent.mkdir(parents=True)
        path.write_text(text, encoding="utf-8")
    night.store_night(folder, NOW)
    return Path(deliver_site(folder, REQUEST)["revision_folder"])
