"""One state of a site as a trace looks at it: its cells, the rules they were computed by.

The rules are those the state itself holds, not those of the description as it is today: a
state of last year is explained by the laws and thresholds of last year.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.arrays import Integers
from pipeline.axis import iso_utc
from pipeline.errors import PercologError
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.whereabouts import Whereabouts
from pipeline.outcomes import Failure
from pipeline.site.mistakes import unknown_tube
from pipeline.site.models import Site, Tube
from pipeline.store.opened import open_state
from pipeline.store.state import Snapshot
from pipeline.variables import SIGNALS

DEPTH_TOLERANCE_M = 0.02
_EXACT_M = 5e-4  # depths are written in centimetres, rarely in millimetres
# The variable whose cell the trace of a product without rows is of.
CELL_VALUES = {
    "water": "cleaned_water_content",
    "storage": "storage",
    "daily_water_content": "daily_water_content",
    "daily_storage": "daily_storage",
    "rain": "rain",
    "daily_rain": "daily_rain",
    "hand_reading": "calibrated_water_content",
}


class TraceError(PercologError, LookupError):
    """What is asked for cannot be found; the message says what there is instead."""


@dataclass(frozen=True)
class Sensor:
    """One sensor of the cube: its tube, its nominal and its real depth, and their place.

    ``matched`` tells by which of its depths it was found.
    """

    tube: Tube
    nominal_m: float
    real_m: float
    row: int
    column: int
    matched: str


@dataclass(frozen=True)
class Moment:
    """A step of the axis and how far from it the time asked for lies."""

    step: int
    at_s: int
    asked_off_by_s: int

    @property
    def time(self) -> str:
        """Return the step's instant as ISO 8601 text."""
        return iso_utc(self.at_s)


@dataclass
class View:
    """A site and one state of its store; ``remarks`` gathers what a reader must know.

    ``failures`` tells that the description on the disk is wrong at present.
    """

    site: Site
    snapshot: Snapshot
    commit: str
    written: datetime
    failures: list[Failure] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @staticmethod
    def open(folder: Path, commit: str | None = None) -> View:
        """Open a state of a site's store, the newest by default.

        Raises
        ------
        SiteError, StoreError
        """
        opened = open_state(folder, commit=commit)
        found = opened.snapshot.commit_id
        written = opened.store.written_at(found)
        return View(opened.site, opened.snapshot, found, written, opened.failures)

    @cached_property
    def places(self) -> Whereabouts:
        """Return where raw files lie that are not where they were."""
        return Whereabouts(self.site)

    @cached_property
    def ledger(self) -> pa.Table | None:
        """Return the account of the raw files as a table."""
        return self.snapshot.table("ledger")

    def entry(self, file: int) -> FileEntry | None:
        """Return the account of one file by its id."""
        if self.ledger is None:
            return None
        rows = np.flatnonzero(integers(self.ledger, "file") == file)
        if not len(rows):
            return None
        return Ledger.from_table(self.ledger.slice(int(rows[0]), 1)).entries[file]

    def cell(self, key: str, step: int, row: int, column: int | None = None) -> Any:
        """Return one stored cell of ``group/name``; None where there is no such array."""
        if not self.snapshot.holds(key):
            return None
        found = self.snapshot.read(key, step, step + 1, slice(row, row + 1))[0, 0]
        return found if column is None else found[column]

    def series(self, key: str, start: int, stop: int, row: int, column: int) -> np.ndarray:
        """Return the cells of some steps, (steps,); steps off the axis are left out."""
        start, stop = max(0, start), min(stop, self.snapshot.steps)
        return self.snapshot.read(key, start, stop, slice(row, row + 1))[:, 0, column]

    def taken_s(self, sensor: Sensor, moment: Moment) -> int:
        """Return when the reading of a cell was taken, by which its laws are chosen."""
        for quantity in SIGNALS:
            value = self.cell(f"readings/{quantity}", moment.step, sensor.row, sensor.column)
            if value is not None and not np.isnan(value):
                key = f"readings/{quantity}_offset_s"
                return moment.at_s + int(
                    self.cell(key, moment.step, sensor.row, sensor.column)
                )
        return moment.at_s

    def rules(self, tube: str) -> Rules:
        """Return the rules by which a tube's state was computed; "" for the stations."""
        table = self.snapshot.table("rules")
        found = {} if table is None else dict(zip(*table.to_pydict().values(), strict=True))
        return Rules(json.loads(found.get(tube, "{}")))

    def tube(self, name: str) -> Tube:
        """Return a tube, or say which there are."""
        stored = [t for t in self.snapshot.labels["tube"] if t in self.site.tube_by_id]
        if name in stored:
            return self.site.tube_by_id[name]
        raise TraceError(unknown_tube(self.site.id, name, stored))

    def sensor(self, tube: Tube, depth_m: float) -> Sensor:
        """Return the sensor at a depth: exactly, or the nearest within 2 cm.

        The nominal depth goes before the real one, which differs by the tube's set-in offset.
        """
        wired = {w.depth_m for w in self.site.wiring if w.tube == tube.tube}
        depths = [d for d in self.snapshot.labels["depth"] if d in wired]
        found = [
            (_distance(depth_m, at), order, nominal)
            for nominal in depths
            for order, at in enumerate((nominal, self._real(tube, nominal)))
        ]
        if not found or min(found)[0] > DEPTH_TOLERANCE_M + 1e-9:
            raise TraceError(self._no_depth(tube, depth_m, depths))
        _, order, nominal = min(found)
        return Sensor(
            tube,
            nominal,
            self._real(tube, nominal),
            self.snapshot.labels["tube"].index(tube.tube),
            self.snapshot.labels["depth"].index(nominal),
            ("nominal", "real")[order],
        )

    def moment(self, time: datetime) -> Moment:
        """Return the step nearest to a time, or say what the record covers."""
        at = round(time.timestamp())
        index, off = self.site.axis.nearest(np.array([at], dtype=np.int64))
        step = int(index[0])
        if not 0 <= step < self.snapshot.steps:
            first, last = self.site.axis.seconds(0, self.snapshot.steps)[[0, -1]].tolist()
            raise TraceError(
                f"{self.site.id}: found time {iso_utc(at)}; expected one of the record, which "
                f"runs from {iso_utc(first)} to {iso_utc(last)}"
            )
        return Moment(step, at - int(off[0]), int(off[0]))

    def _real(self, tube: Tube, nominal_m: float) -> float:
        return self.site.sensor_depth_m(tube.tube, nominal_m)

    def _no_depth(self, tube: Tube, depth_m: float, depths: list[float]) -> str:
        shown = ", ".join(
            f"{centimetres(d)}"
            if tube.set_in_m == 0
            else f"{centimetres(d)} (really {centimetres(self._real(tube, d))})"
            for d in sorted(depths)
        )
        hint = ""
        if depths:
            near = min(depths, key=lambda d: abs(d - depth_m))
            hint = f". Did you mean {centimetres(near)}?"
        if not depths:
            return (
                f"tube {tube.tube!r}: found no sensor on a logger; expected a tube that has "
                f"one. Hand readings stand in the delivered rounds as they were written down, "
                f"each with its file and line"
            )
        return (
            f"tube {tube.tube!r}: found depth {centimetres(depth_m)} cm; expected one of its "
            f"sensors [cm]: {shown}{hint}"
        )


@dataclass(frozen=True)
class Rules:
    """Dated rules of one tube as the store keeps them (`pipeline.engine.effective`)."""

    segments: dict[str, list[Any]]

    def at(self, kind: str, at_s: int) -> Any:
        """Return the rules of one kind in force at an instant; None where none are stored."""
        text = None
        for start, rule in self.segments.get(kind, []):
            if start is None or start <= at_s:
                text = rule
        return None if text is None else json.loads(text)

    def during(self, kind: str, start_s: int, stop_s: int) -> list[Any]:
        """Return all rules of one kind in force within a stretch of time."""
        segments = self.segments.get(kind, [])
        ends = [segment[0] for segment in segments[1:]] + [None]
        return [
            json.loads(rule)
            for (start, rule), end in zip(segments, ends, strict=True)
            if (start is None or start < stop_s) and (end is None or end > start_s)
        ]


def integers(table: pa.Table, column: str) -> Integers:
    """Return a column of 64-bit integers, none of them null, where it lies in memory.

    Every other way from the library's arrays to numpy's, and `take`, load pandas, which costs
    more than all the rest of a trace.
    """
    chunks = [
        np.frombuffer(chunk.buffers()[1], np.int64)[chunk.offset : chunk.offset + len(chunk)]
        for chunk in table[column].chunks
    ]
    return np.concatenate([np.empty(0, np.int64), *chunks])


def rows_of(table: pa.Table, rows: Integers) -> list[dict[str, Any]]:
    """Return some rows of a table as dicts."""
    return [row for at in rows.tolist() for row in table.slice(at, 1).to_pylist()]


def local_iso(seconds: int) -> str:
    """Return seconds on some clock as ISO 8601 text without an offset."""
    return str(datetime(1970, 1, 1) + timedelta(seconds=seconds)).replace(" ", "T")


def utc_text(instant: datetime | None) -> str | None:
    """Return an instant of the description as ISO 8601 text, None for an open end."""
    return None if instant is None else f"{instant.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def centimetres(depth_m: float) -> str:
    """Return a depth in centimetres as it is written in tables."""
    return f"{round(depth_m * 100, 2):g}"


def number(value: object) -> float | int | None:
    """Return a stored value as JSON takes it: exact, None for NaN and for nothing."""
    if value is None:
        return None
    found = np.asarray(value)[()]
    if isinstance(found, np.integer):
        return int(found)
    return float(found) if np.isfinite(found) else None


def _distance(asked_m: float, at_m: float) -> float:
    """Return how far two depths lie apart; less than half a millimetre is nothing."""
    apart = abs(asked_m - at_m)
    return 0.0 if apart < _EXACT_M else apart
