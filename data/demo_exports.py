"""The analog logger's exports and the hand rounds, as text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from demo_draws import Draws
from demo_faults import FAULTS, step_of
from demo_probes import HAND_TUBE, VOID_DIRECTION, VOID_SHARE, VOID_TUBE
from demo_weather import START, STEP, STEPS
from numpy.typing import NDArray

Array = NDArray[np.float64]

NO_VALUE = "kein Wert"
# Rows of these days came twice: once in the month's file and once more.
SENT_AGAIN = (datetime(2025, 5, 12), datetime(2025, 5, 26))
# Rows of these days were left out of the month's file and came later.
SENT_LATE = (datetime(2025, 6, 10), datetime(2025, 6, 14))


@dataclass(frozen=True)
class LoggedColumn:
    """One column of the logger: header texts, values (NaN: none) and decimals."""

    title: str
    label: str
    unit: str
    values: Array
    decimals: int


def plot_files(columns: list[LoggedColumn]) -> dict[str, str]:
    """Return the analog logger's files: name and text."""
    rows = _rows(columns)
    gap = next(fault.steps for fault in FAULTS if fault.kind == "power_loss")
    kept = [step for step in range(STEPS) if not gap.start <= step < gap.stop]
    again, late = (range(step_of(a), step_of(b)) for a, b in (SENT_AGAIN, SENT_LATE))
    by_month: dict[str, list[int]] = {}
    for step in kept:
        if step not in late:
            by_month.setdefault(f"{START + step * STEP:%Y-%m}", []).append(step)
    chosen = {f"plot_{month}.csv": steps for month, steps in by_month.items()}
    chosen["plot_2025-05_sent_again.csv"] = [step for step in kept if step in again]
    chosen["plot_2025-06_late.csv"] = list(late)
    header = _header(columns)
    return {
        name: header + "".join(rows[step] for step in steps) for name, steps in chosen.items()
    }


def _header(columns: list[LoggedColumn]) -> str:
    """Return two header rows, names and what hangs there, and the row of units."""
    lines = (
        ["Zeit", *(column.title for column in columns)],
        ["MEZ", *(column.label for column in columns)],
        ["", *(column.unit for column in columns)],
    )
    return "".join(";".join(line) + "\r\n" for line in lines)


def _rows(columns: list[LoggedColumn]) -> list[str]:
    cells = [_cells(column) for column in columns]
    stamps = [f"{START + step * STEP:%d.%m.%Y %H:%M}" for step in range(STEPS)]
    return [";".join(row) + "\r\n" for row in zip(stamps, *cells, strict=True)]


def _cells(column: LoggedColumn) -> list[str]:
    texts = (f"{value:.{column.decimals}f}" for value in column.values)
    return [NO_VALUE if text == "nan" else text.replace(".", ",") for text in texts]


# The hand meter takes water content from root permittivity by one line for every soil.
HAND_SLOPE, HAND_OFFSET = 0.1165, -0.1850
HAND_NOISE_PCT = 0.35
FIRST_ROUND = datetime(2025, 3, 25, 9, 0)
ROUND_EVERY = timedelta(days=7)
ROUNDS = 17
DIRECTIONS = (0.0, 120.0, 240.0)
ROTATION_ROUNDS = (3, 9, 15)  # of the logged tube beside the void
READERS = ("Ada Lindqvarn", "Jon Ferrowick")
SINGLE_DIRECTION_TUBES = ("T2", "T5")


@dataclass(frozen=True)
class HandSensor:
    """What the hand probe finds at one depth of one tube: root permittivity by step."""

    tube: str
    depth_cm: float
    root: Array


def rounds_file(sensors: list[HandSensor]) -> str:
    """Return the book of hand rounds."""
    lines = ["time,tube,reader,direction_deg,depth_cm,value"]
    for number in range(ROUNDS):
        at = FIRST_ROUND + number * ROUND_EVERY
        for sensor, direction in _stops(sensors, number):
            reader = READERS[number % 2]
            value = _hand_value(sensor, direction, at, number)
            lines.append(
                f"{at:%Y-%m-%dT%H:%M},{sensor.tube},{reader},{direction:.0f},"
                f"{sensor.depth_cm:.0f},{value:.1f}"
            )
            at += timedelta(minutes=1)
    return "\n".join(lines) + "\n"


def _stops(sensors: list[HandSensor], number: int) -> Iterator[tuple[HandSensor, float]]:
    """Yield what is read on a round: sensor by sensor, all directions where they are asked."""
    for sensor in sensors:
        turned = sensor.tube == HAND_TUBE or (
            sensor.tube == VOID_TUBE and number in ROTATION_ROUNDS
        )
        if turned:
            yield from ((sensor, direction) for direction in DIRECTIONS)
        elif sensor.tube in SINGLE_DIRECTION_TUBES:
            yield sensor, DIRECTIONS[0]


def _hand_value(sensor: HandSensor, direction: float, at: datetime, number: int) -> float:
    """Return one reading [%]; towards the void it is low."""
    root = float(sensor.root[step_of(at)])
    if sensor.tube == VOID_TUBE and direction == VOID_DIRECTION:
        share = VOID_SHARE.get(sensor.depth_cm, 0.0)
        root = (1 - share) * root + share
    purpose = f"hand {sensor.tube} {sensor.depth_cm:g} {direction:g} {number}"
    noise = HAND_NOISE_PCT * float(Draws(purpose).normal(1)[0])
    return 100 * (HAND_SLOPE * root + HAND_OFFSET) + noise
