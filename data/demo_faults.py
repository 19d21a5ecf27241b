"""The demo's faults: one list, from which the raw files are spoilt and the labels written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from demo_draws import Draws
from demo_weather import START, STEP, STEPS
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Fault:
    """One labelled fault. ``until`` is the first step free of it again.

    ``depth_cm`` is the nominal depth, None where the fault is not one sensor's.
    """

    kind: str
    source: str
    tube: str
    depth_cm: float | None
    start: datetime
    until: datetime
    what: str
    size: float = 0.0

    @property
    def steps(self) -> slice:
        """Return the logging steps it holds for."""
        return slice(step_of(self.start), step_of(self.until))

    def hits(self, tube: str, depth_cm: float) -> bool:
        """Tell whether the fault is in this sensor."""
        return self.tube == tube and self.depth_cm == depth_cm


def step_of(stamp: datetime) -> int:
    """Return the index of a logging step, held inside the demo."""
    return min(max((stamp - START) // STEP, 0), STEPS)


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _fault(kind: str, sensor: str, span: str, what: str, size: float = 0.0) -> Fault:
    """Return a fault written briefly: ``source tube depth`` and ``from until``."""
    source, tube, depth = sensor.split()
    start, *rest = span.split()
    until = _at(rest[0]) if rest else _at(start) + STEP
    depth_cm = None if depth == "-" else float(depth)
    name = "" if tube == "-" else tube
    return Fault(kind, source, name, depth_cm, _at(start), until, what, size)


def _spikes(sensor: str, moments: dict[str, float], unit: str) -> Iterator[Fault]:
    for moment, size in moments.items():
        yield _fault("spike", sensor, moment, f"one reading off by {size:+g} {unit}", size)


# Spikes of the analog logger are in mV, those of the bus in permittivity.
FAULTS: tuple[Fault, ...] = (
    *_spikes(
        "plot T2 20",
        {
            "2025-03-27T13:15": 62.0,
            "2025-04-18T02:30": -55.0,
            "2025-05-09T17:45": 48.0,
            "2025-05-29T05:00": 75.0,
            "2025-06-19T21:15": -60.0,
            "2025-07-11T11:30": 58.0,
        },
        "mV",
    ),
    *_spikes(
        "plot T4 30",
        {
            "2025-04-03T08:00": 70.0,
            "2025-05-17T23:45": -64.0,
            "2025-06-30T15:30": 66.0,
        },
        "mV",
    ),
    *_spikes(
        "bus T6 40",
        {
            "2025-04-11T06:30": 6.5,
            "2025-05-23T19:00": 7.2,
            "2025-06-14T12:30": -4.4,
        },
        "(permittivity)",
    ),
    *_spikes(
        "bus T7 10",
        {"2025-04-26T10:00": -6.8, "2025-06-03T03:30": 6.1},
        "(permittivity)",
    ),
    _fault(
        "stuck", "plot T3 30", "2025-05-21T10:15 2025-06-02T10:15",
        "the reading stands still for twelve days; the probe was then swapped",
    ),
    _fault(
        "dropout", "plot T1 40", "2025-04-08T03:00 2025-04-12T15:30",
        "no value; a loose terminal",
    ),
    _fault(
        "out_of_range", "plot T4 10", "2025-06-26T13:00 2025-06-26T16:00",
        "input at full scale, 2500 mV", 2500.0,
    ),
    _fault(
        "out_of_range", "plot T4 10", "2025-05-05T04:00", "one reading of -5 mV", -5.0,
    ),
    _fault(
        "out_of_range", "bus T7 100", "2025-05-15T02:00 2025-05-15T05:30",
        "permittivity of zero", 0.0,
    ),
    _fault(
        "drift", "bus T5 60", "2025-04-15T00:00 2025-06-24T11:00",
        "root permittivity runs off evenly to +0.35; gone once the contacts were clean", 0.35,
    ),
    _fault(
        "noise", "plot T4 40", "2025-07-05T18:00 2025-07-08T09:00",
        "scatter of 12 mV; moisture in a plug", 12.0,
    ),
    _fault(
        "power_loss", "plot - -", "2025-04-30T16:45 2025-05-02T06:45",
        "the logger had no supply: no rows, and rain of that time not counted",
    ),
    _fault(
        "void", "bus T6 20", "2025-03-20T00:00 2025-07-18T00:00",
        "void beside the tube: too dry, and wet within minutes of heavy rain",
    ),
    _fault(
        "void", "bus T6 30", "2025-03-20T00:00 2025-07-18T00:00",
        "void beside the tube: too dry, and wet within minutes of heavy rain",
    ),
)  # fmt: skip


def faults_of(tube: str, depth_cm: float) -> list[Fault]:
    """Return the faults of one sensor."""
    return [fault for fault in FAULTS if fault.hits(tube, depth_cm)]


def spoil_root(root: Array, tube: str, depth_cm: float) -> Array:
    """Return root permittivity with the sensor's drift."""
    spoilt = root.copy()
    for fault in faults_of(tube, depth_cm):
        if fault.kind == "drift":
            count = spoilt[fault.steps].size
            spoilt[fault.steps] += fault.size * np.arange(count) / count
    return spoilt


def spoil_reading(reading: Array, tube: str, depth_cm: float) -> Array:
    """Return a sensor's readings with its faults; NaN where there is no value."""
    spoilt = reading.copy()
    for fault in faults_of(tube, depth_cm):
        part = spoilt[fault.steps]
        if fault.kind == "spike":
            part += fault.size
        elif fault.kind == "stuck":
            part[:] = part[0]
        elif fault.kind == "dropout":
            part[:] = np.nan
        elif fault.kind == "out_of_range":
            part[:] = fault.size
        elif fault.kind == "noise":
            part += fault.size * Draws(f"noise {tube} {depth_cm:g}").normal(part.size)
    return spoilt
