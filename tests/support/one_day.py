"""The invented site with a day of readings, for tests of flows."""

from __future__ import annotations

import shutil
from pathlib import Path

SITE = Path(__file__).parents[1] / "site" / "field"
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"


def lay_out(folder: Path, more_mv: int = 0) -> Path:
    """Lay out the site with the 10th of March, some millivolts more at the first sensor."""
    shutil.copytree(SITE, folder)
    data = folder / "data" / "logger-a"
    data.mkdir(parents=True)
    rows = (
        f"10.03.2023 {h:02d}:{m:02d};{300 + h + more_mv};{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )
    (data / "2023-03-10.csv").write_text(HEADER + "".join(rows), encoding="utf-8")
    return folder
