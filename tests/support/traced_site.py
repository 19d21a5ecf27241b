"""A night on the invented site whose every line is known, for tests of the trace."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from pipeline.lineage.trace import Question, trace_cell
from pipeline.nights import night

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
# A spike at noon and a voltage beyond the law at six, local time.
SPECIAL = {(12, 0): "800,5", (6, 0): "1100,0"}
BUS = (
    "2023-03-10 12:00:00 >0M!\n"
    "2023-03-10 12:00:00 <00013\n"
    "2023-03-10 12:00:01 <0\n"
    "2023-03-10 12:00:01 >0D0!\n"
    "2023-03-10 12:00:02 <0+2.75+3.10+9.5\n"
)


def day_text(special: dict[tuple[int, int], str]) -> str:
    """Return a day's export: 300,5 mV and an hour more each hour, 400 mV and the minute."""
    rows = [
        f"10.03.2023 {h:02d}:{m:02d};{special.get((h, m), f'{300 + h},5')};{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    ]
    return HEADER + "".join(rows)


def still_text() -> str:
    """Return eleven days in which the second channel stands still at 420 mV."""
    rows = [
        f"{day}.03.2023 {h:02d}:{m:02d};{300 + (day + h + m) % 17},5;420,0;0,0\n"
        for day in range(12, 23)
        for h in range(24)
        for m in (0, 15, 30, 45)
    ]
    return HEADER + "".join(rows)


def put(folder: Path, name: str, text: str) -> Path:
    """Write a raw file."""
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="")
    return path


def make_field(folder: Path) -> Path:
    """Write the site with its raw files and run a night; return its folder."""
    shutil.copytree(FIELD, folder)
    put(folder, "logger-a/2023-03-10.csv", day_text(SPECIAL))
    # Sent again with one other value: of equal times the path that sorts last is kept.
    put(folder, "logger-a/2023-03-10_resent.csv", day_text({**SPECIAL, (13, 0): "350,5"}))
    put(folder, "logger-a/still.csv", still_text())
    put(folder, "bus/2023-03-10.log", BUS)
    night.store_night(folder, NOW)
    return folder


def ask(folder: Path, tube: str, depth_cm: float | None, when: str, **more: str) -> dict:
    """Trace a value; ``when`` is UTC within March 2023: "10T11:00"."""
    time = datetime.fromisoformat(f"2023-03-{when}:00+00:00")
    return trace_cell(folder, Question(tube, time, depth_cm, **more))
