"""From a reader's tables to cells: clock, time axis and wiring, with every refusal counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clock import ALONE, ClockedStamps, ClockRules, read_clock
from pipeline.ingest.clock_around import Around
from pipeline.ingest.clock_edges import edges_of, spine_of
from pipeline.ingest.clock_logged import clock_record
from pipeline.ingest.clock_repairs import gather_repairs
from pipeline.ingest.merge import Readings
from pipeline.ingest.records import Reject, Repair, Table
from pipeline.site.models import Site, Source, Wire
from pipeline.units import conversion

# A stamp may run ahead of the computer's clock by this much before it counts as in the future.
FUTURE_TOLERANCE_S = 3600

EXPECTED = {
    "ambiguous_time": "a stamp that occurs once",
    "missing_time": "a stamp that exists",
    "clock_reset": "a stamp of a clock that was right",
    "before_start": "a stamp after the site began",
    "in_future": "a stamp before now",
    "not_wired": "a channel wired at that time",
    "not_installed": "a tube in the ground at that time",
}


@dataclass(frozen=True)
class Axes:
    """Positions of labels on the store's axes."""

    tube: dict[str, int]
    depth: dict[float, int]
    station: dict[str, int]

    def column(self, wire: Wire) -> int:
        """Return the cell of a wire within one step."""
        if wire.depth_m is None:
            return self.station[wire.source]
        return self.tube[wire.tube] * len(self.depth) + self.depth[wire.depth_m]


@dataclass
class Placed:
    """The readings of one file by quantity, what was refused, and the time they span.

    ``clock``, ``repairs``, ``edges`` and ``around`` are as in `FileEntry`.
    """

    readings: dict[str, list[Readings]] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)
    span: tuple[int, int] | None = None
    clock: str = ""
    repairs: list[Repair] = field(default_factory=list)
    edges: str = ""
    around: str = ""


@dataclass(frozen=True)
class Bench:
    """All that placing a file of one source needs to know."""

    site: Site
    source: Source
    axes: Axes
    now_s: int

    @property
    def is_long(self) -> bool:
        """Tell whether the source's files hold a value a row."""
        columns = self.site.layouts[self.source.layout].table_schema.columns
        return any(column.role == "key" for column in columns)

    def wires(self) -> dict[str, list[Wire]]:
        """Return the source's wires by channel."""
        result: dict[str, list[Wire]] = {}
        for wire in self.site.wiring:
            if wire.source == self.source.id:
                result.setdefault(wire.channel, []).append(wire)
        return result


def place(tables: Sequence[Table], bench: Bench, file: int, around: Around = ALONE) -> Placed:
    """Return the readings of a file's tables bound for cells.

    Parameters
    ----------
    tables : sequence of Table
        As a reader returns them.
    bench : Bench
        Site, source, axes and the present.
    file : int
        Id of the file.
    around : Around
        Rows of the files before and after it.
    """
    rules = ClockRules.of(bench.site, bench.source)
    placed = Placed(clock=clock_record(rules))
    wires = bench.wires()
    repairs: list[tuple[Table, list[Repair]]] = []
    filled = [table for table in tables if len(table.stamp_s)]
    ends = _ends(filled)
    for table in filled:
        stamps = read_clock(table, rules, around.of_table(table, *ends))
        repairs.append((table, stamps.repairs))
        _place_table(table, stamps, bench, wires, (file, placed))
    placed.repairs = gather_repairs(repairs)
    return placed


def file_edges(tables: Sequence[Table], bench: Bench) -> str:
    """Return how a file begins and ends, as its account keeps it; only exports tell."""
    if bench.source.kind != "table":
        return ""
    rules = ClockRules.of(bench.site, bench.source)
    edges = edges_of(spine_of(tables, bench.is_long), rules)
    return "" if edges is None else edges.to_json()


def _ends(tables: Sequence[Table]) -> tuple[int, int]:
    """Return the stamps of the first and the last row of a file."""
    if not tables:
        return 0, 0
    first = min(tables, key=lambda table: int(table.line[0]))
    last = max(tables, key=lambda table: int(table.line[-1]))
    return int(first.stamp_s[0]), int(last.stamp_s[-1])


def _place_table(
    table: Table,
    stamps: ClockedStamps,
    bench: Bench,
    wires: dict[str, list[Wire]],
    target: tuple[int, Placed],
) -> None:
    file, placed = target
    step, offset = bench.site.axis.nearest(stamps.utc_s)
    refused = dict(stamps.refused)
    known = ~np.logical_or.reduce(list(refused.values())) if refused else True
    refused["before_start"] = known & (step < 0)
    refused["in_future"] = known & (stamps.utc_s > bench.now_s + FUTURE_TOLERANCE_S)
    usable = np.ones(len(step), dtype=bool)
    for reason, rows in refused.items():
        usable &= ~rows
        _refuse_rows(table, rows, reason, placed)
    if usable.any():
        span = int(stamps.utc_s[usable].min()), int(stamps.utc_s[usable].max())
        placed.span = _union(placed.span, span)
    by_quantity: dict[str, list[tuple[Wire, NDArray[np.bool_]]]] = {}
    for channel, values in table.columns.items():
        unclaimed = usable & ~np.isnan(values)
        for wire in wires.get(channel, []):
            rows = unclaimed & _during(stamps.utc_s, wire.start, wire.until)
            unclaimed &= ~rows
            if not wire.at_station:
                tube = bench.site.tube_by_id[wire.tube]
                absent = rows & ~_during(stamps.utc_s, tube.installed, tube.removed)
                _refuse_values(table, channel, absent, "not_installed", placed)
                rows &= ~absent
            by_quantity.setdefault(wire.quantity, []).append((wire, rows))
        _refuse_values(table, channel, unclaimed, "not_wired", placed)
    place_rows = _RowPlacer(table, step, offset, file, bench.axes)
    for quantity, claims in by_quantity.items():
        placed.readings.setdefault(quantity, []).append(place_rows(claims))


@dataclass(frozen=True)
class _RowPlacer:
    """Builds the readings of one quantity from the rows each wire claims, in time order."""

    table: Table
    step: NDArray[np.int64]
    offset: NDArray[np.int64]
    file: int
    axes: Axes

    def __call__(self, claims: list[tuple[Wire, NDArray[np.bool_]]]) -> Readings:
        rows, which = np.nonzero(np.stack([mask for _, mask in claims], axis=1))
        values = np.empty((len(self.step), len(claims)), dtype=np.float32)
        for k, (wire, _) in enumerate(claims):
            convert = conversion(wire.unit, wire.quantity)
            values[:, k] = convert(self.table.columns[wire.channel])
        columns = np.array([self.axes.column(wire) for wire, _ in claims], dtype=np.int64)
        return Readings(
            step=self.step[rows],
            column=columns[which],
            value=values[rows, which],
            file=np.full(len(rows), self.file, dtype=np.int64),
            line=self.table.line[rows].astype(np.int32, copy=False),
            offset_s=self.offset[rows].astype(np.int32),
        )


def _during(
    utc_s: NDArray[np.int64], start: datetime | None, until: datetime | None
) -> NDArray[np.bool_]:
    """Return which instants lie from ``start`` on and before ``until``."""
    inside = np.ones(len(utc_s), dtype=bool)
    if start is not None:
        inside &= utc_s >= int(start.timestamp())
    if until is not None:
        inside &= utc_s < int(until.timestamp())
    return inside


def _refuse_rows(table: Table, rows: NDArray[np.bool_], reason: str, placed: Placed) -> None:
    """Refuse all values of some rows."""
    if not rows.any():
        return
    values = sum(int(np.count_nonzero(~np.isnan(c[rows]))) for c in table.columns.values())
    first = int(np.flatnonzero(rows)[0])
    stamp = np.datetime64(int(table.stamp_s[first]), "s")
    placed.rejects.append(
        Reject(reason, 0, values, int(table.line[first]), f"{stamp}", EXPECTED[reason])
    )


def _refuse_values(
    table: Table, channel: str, rows: NDArray[np.bool_], reason: str, placed: Placed
) -> None:
    """Refuse the values of one channel in some rows."""
    if not rows.any():
        return
    first = int(np.flatnonzero(rows)[0])
    placed.rejects.append(
        Reject(
            reason,
            0,
            int(np.count_nonzero(rows)),
            int(table.line[first]),
            f"channel {channel!r}",
            EXPECTED[reason],
        )
    )


def _union(a: tuple[int, int] | None, b: tuple[int, int]) -> tuple[int, int]:
    return b if a is None else (min(a[0], b[0]), max(a[1], b[1]))
