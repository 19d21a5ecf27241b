"""What sensors showed around given instants, read from the store once and kept.

A night with nothing new around an instant does not read there again.
"""

from __future__ import annotations

import json
import math
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S, second_of
from pipeline.calibrate.cleanings import ABOUT_S, NOTED_S
from pipeline.calibrate.compare import Seen, seen
from pipeline.calibrate.references import Reference, visited
from pipeline.calibrate.temperature import is_usable
from pipeline.calibrate.warmth import NEAR_S, beside, thermometers
from pipeline.qc.rain import SHOWER_S
from pipeline.site.models import Site, Wire
from pipeline.store.cubes import CHUNK_DAYS, CHUNK_TUBES
from pipeline.store.state import Writer
from pipeline.variables import SIGNALS

Sensor = tuple[str, float]
TABLE = "check_readings"
_SLABS_KEPT = 8
_SCHEMA = pa.schema(
    [
        ("tube", pa.string()),
        ("depth_m", pa.float64()),
        ("first_s", pa.int64()),
        ("stop_s", pa.int64()),
        ("rejected", pa.string()),
        ("singly", pa.bool_()),
        ("domain", pa.string()),
        ("median", pa.float64()),
        ("error", pa.float64()),
        ("readings", pa.int64()),  # called otherwise while windows went by steps
        ("rise", pa.float64()),
        ("rise_u", pa.float64()),
        ("about_u", pa.float64()),
        ("celsius", pa.float64()),
        ("near", pa.string()),  # JSON
    ]
)


@dataclass(frozen=True, order=True)
class Window:
    """Readings of a sensor from one instant to before another, UTC seconds.

    ``rejected`` tells, as JSON, from when until when a person rejects the readings of steps;
    ``singly`` whether they are wanted one by one. Of no tube, it is of the rain.
    """

    tube: str
    depth_m: float
    first_s: int
    stop_s: int
    rejected: str = "[]"
    singly: bool = False


class About(NamedTuple):
    """The windows about a cleaning, or about some that count as one.

    Before the first and after the last, ``at_s``; ``close``, of both, one by one; and of the
    ``rain`` that may reach a sensor meanwhile.
    """

    before: Window
    after: Window
    close: Window
    rain: Window
    at_s: tuple[int, int]

    def all(self) -> tuple[Window, ...]:
        """Return all windows."""
        return self[:4]


class Around:
    """Windows of time about references and cleanings, of one and the same sensor each.

    They are cut where a probe was swapped or the wiring changed, and where the sensor was
    cleaned: the median of soiled and clean readings would be that of neither.
    """

    def __init__(self, site: Site) -> None:
        self._changes = cache(lambda sensor: frozenset(changes(site, *sensor)))
        self._rejected = cache(lambda sensor: rejected(site, *sensor))
        self._near_s = site.interval_s
        self._together_s = site.drift.together_s
        self._cleaned: dict[Sensor, list[int]] = {}
        for sensor, at in visited(site, "cleaning"):
            self._cleaned.setdefault(sensor, []).append(at)

    def of_reference(self, reference: Reference) -> Window:
        """Return the time whose readings a reference is compared with."""
        sensor = reference.tube, reference.depth_m
        edges = self._changes(sensor).union(self._cleaned.get(sensor, ()))
        return self._cut(
            sensor, edges, reference.time_s, (reference.first_s, reference.stop_s)
        )

    def of_cleanings(self) -> dict[tuple[Sensor, int], About]:
        """Return the windows about each cleaning, by sensor and instant.

        Cleanings close in time are one, at the first of them: between them hands are on the
        sensor. At the very instant of a swap the time before is empty.
        """
        return {
            (sensor, group[0]): self._about(sensor, group[0], group[-1])
            for sensor in sorted(self._cleaned)
            for group in self._groups(sensor)
        }

    def _groups(self, sensor: Sensor) -> list[list[int]]:
        groups: list[list[int]] = []
        for at in self._cleaned[sensor]:
            first = groups[-1][0] if groups else at
            parted = any(first < change <= at for change in self._changes(sensor))
            if groups and at - first <= self._together_s and not parted:
                groups[-1].append(at)
            else:
                groups.append([at])
        return groups

    def _about(self, sensor: Sensor, first: int, last: int) -> About:
        changed, cleaned = self._changes(sensor), self._cleaned[sensor]
        edges = changed.union(at for at in cleaned if not first <= at <= last)
        before = self._cut(sensor, edges, first, (first - ABOUT_S, first))
        after = self._cut(sensor, edges, last, (last, last + ABOUT_S))
        close = self._cut(sensor, edges, first, (before.first_s, after.stop_s))
        rain = first - NOTED_S - SHOWER_S, last + NOTED_S + self._near_s
        return About(
            before, after, replace(close, singly=True), Window("", 0.0, *rain), (first, last)
        )

    def _cut(
        self, sensor: Sensor, edges: Iterable[int], at_s: int, span: tuple[int, int]
    ) -> Window:
        """Return the part of a span about an instant that has no edge in it."""
        known = sorted(edges)
        after = bisect_right(known, at_s)
        first = max([span[0], *known[max(0, after - 1) : after]])
        stop = min([span[1], *known[after : after + 1]])
        left_out = [
            (begin, end)
            for begin, end in self._rejected(sensor)
            if begin < stop + self._near_s and end > first - self._near_s
        ]
        return Window(*sensor, first, stop, json.dumps(left_out))


def rejected(site: Site, tube: str, depth_m: float) -> list[tuple[int, int]]:
    """Return from when until when a person rejects a sensor's readings, UTC seconds.

    Of two decisions that meet, the lower row wins.
    """
    rows = [
        (int(one.start.timestamp()), int(one.until.timestamp()), one.verdict == "reject")
        for one in site.decisions
        if not one.of_tube and one.tube == tube and one.depth_m in (None, depth_m)
    ]
    edges = sorted({edge for row in rows for edge in row[:2]})
    found = []
    for begin, end in pairwise(edges):
        verdicts = [rejects for start, until, rejects in rows if start <= begin < until]
        if verdicts and verdicts[-1]:
            found.append((begin, end))
    return found


def changes(site: Site, tube: str, depth_m: float) -> set[int]:
    """Return when other hardware took over: where wiring begins or ends, and at swaps.

    A named probe that goes on at its channel under another source is no other one: that is how
    a logger set to another interval is described.
    """
    wires = [
        wire
        for wire in site.wiring
        if (wire.tube, wire.depth_m) == (tube, depth_m) and wire.quantity in SIGNALS
    ]
    ends = {end.timestamp() for wire in wires for end in (wire.start, wire.until) if end}
    found = {int(at) for at in ends if _hardware(wires, at - 1.0) != _hardware(wires, at)}
    return found | {at for sensor, at in visited(site, "swap") if sensor == (tube, depth_m)}


def _hardware(wires: list[Wire], at_s: float) -> set[tuple[str, str, str]]:
    """Return what is wired at an instant: channel, and probe, or source of a nameless one."""
    return {
        (wire.quantity, wire.probe or f"source {wire.source}", wire.channel)
        for wire in wires
        if second_of(wire.start, -math.inf) <= at_s < second_of(wire.until, math.inf)
    }


def read_windows(
    writer: Writer,
    windows: Iterable[Window],
    changed: NDArray[np.bool_],
    rained: NDArray[np.bool_],
    site: Site,
) -> dict[Window, Seen]:
    """Return what sensors showed in some windows; windows not asked for are forgotten.

    Parameters
    ----------
    writer : Writer
        The state being prepared; keeps the table of the windows.
    windows : iterable of Window
        Of tubes and depths the store has.
    changed : array (tubes, days), bool
        Days with readings that differ from the state before.
    rained : array (days,), bool
        The same of stations.
    site : Site
        Tells whose soil temperature speaks for a sensor.
    """
    known = known_windows(writer.table(TABLE))
    slabs = _Slabs(writer)
    warm_m = cache(lambda tube, depth_m: thermometers(site, tube, depth_m))
    found: dict[Window, Seen] = {}
    for window in sorted(set(windows), key=lambda w: (w.first_s, w)):
        stored = known.get(window)
        near_m = warm_m(window.tube, window.depth_m) if window.tube else []
        far_s = NEAR_S if near_m else 0
        days = changed[writer.labels["tube"].index(window.tube)] if window.tube else rained
        if stored is not None and not _touched(writer, window, days, far_s):
            found[window] = stored
        elif not window.tube:
            found[window] = _rain(writer, window)
        else:
            found[window] = _read(writer, window, slabs, near_m)
    table = _table(found)
    if found or known:
        stored_table = writer.table(TABLE)
        # As data frames, in which what is missing equals what is missing.
        if stored_table is None or not stored_table.to_pandas().equals(table.to_pandas()):
            writer.put_table(TABLE, table)
    return found


def _touched(writer: Writer, window: Window, days: NDArray[np.bool_], far_s: int) -> bool:
    origin = writer.axis.origin_s
    far_s += writer.axis.interval_s // 2 + 1  # a reading stands up to so far from its time
    first = max(0, (window.first_s - far_s - origin) // DAY_S)
    stop = max(first, -(-(window.stop_s + far_s - origin) // DAY_S))
    return bool(days[first:stop].any())


def _rain(writer: Writer, window: Window) -> Seen:
    """Return the rain [mm] of a window, at the station with the most, as its median."""
    start, stop = max(0, writer.axis.ceil(window.first_s)), writer.axis.ceil(window.stop_s)
    stop = min(stop, writer.steps)
    if start >= stop or not writer.holds("readings/rain"):
        return Seen("rain", np.nan, np.nan, 0)
    logged = writer.read("readings/rain", start, stop).astype(np.float64)
    count = int(np.isfinite(logged).sum(axis=0).max(initial=0))
    most = float(np.nansum(logged, axis=0).max(initial=0.0))
    return Seen("rain", most if count else np.nan, np.nan, count)


def _read(writer: Writer, window: Window, slabs: _Slabs, near_m: Sequence[float]) -> Seen:
    """Return what the best signal with a reading in a window shows.

    A reading belongs to the window its own time lies in: one taken just before a swap may
    stand at a step after it.
    """
    axis = writer.axis
    half = axis.interval_s // 2 + 1
    start = max(0, axis.ceil(window.first_s - half))
    stop = max(start, min(writer.steps, axis.ceil(window.stop_s + half)))
    steps = axis.ceil(window.stop_s) - axis.ceil(window.first_s)
    row = writer.labels["tube"].index(window.tube)
    column = writer.labels["depth"].index(window.depth_m)
    for quantity in SIGNALS:
        if writer.holds(f"readings/{quantity}") and start < stop:
            values = slabs.read(quantity, start, stop, row, column)
            if not np.isfinite(values).any():
                continue
            offset_s = slabs.read(f"{quantity}_offset_s", start, stop, row, column)
            taken_s = axis.seconds(start, stop) + offset_s.astype(np.int64)
            own = (taken_s >= window.first_s) & (taken_s < window.stop_s)
            for begin, end in json.loads(window.rejected):
                step_s = axis.seconds(start, stop)  # by which the quality tests go
                own &= (step_s < begin) | (step_s >= end)
            values = np.where(own, values, np.nan)
            result = seen(quantity, values, steps, taken_s if window.singly else None)
            if result.count:
                at = start + np.flatnonzero(np.isfinite(values))
                return replace(result, celsius=_celsius(writer, at, row, slabs, near_m))
    return Seen("", np.nan, np.nan, 0)


def _celsius(
    writer: Writer, at: NDArray[np.int64], row: int, slabs: _Slabs, near_m: Sequence[float]
) -> float | None:
    """Return the soil temperature at some steps of a sensor, None unless most have one.

    It is that by which the step of calibration frees its readings.
    """
    if not near_m or not writer.holds("readings/soil_temperature"):
        return None
    reach = NEAR_S // writer.axis.interval_s
    start, stop = max(0, int(at[0]) - reach), min(writer.steps, int(at[-1]) + reach + 1)
    columns = [writer.labels["depth"].index(depth_m) for depth_m in near_m]
    series = [slabs.read("soil_temperature", start, stop, row, column) for column in columns]
    found = beside(writer.axis.seconds(start, stop), series)[at - start]
    usable = found[is_usable(found)]
    return float(np.median(usable)) if 2 * usable.size > at.size else None


class _Slabs:
    """Parts of the readings' arrays, whole chunks at a time, the last few kept."""

    def __init__(self, writer: Writer) -> None:
        self.writer = writer
        self.length = CHUNK_DAYS * writer.axis.steps_per_day
        self.kept: OrderedDict[tuple[str, int, int], NDArray] = OrderedDict()

    def read(
        self, quantity: str, start: int, stop: int, row: int, column: int
    ) -> NDArray[np.float64]:
        """Return one sensor's readings of some steps."""
        parts = []
        for chunk in range(start // self.length, (stop - 1) // self.length + 1):
            first = chunk * self.length
            inside = slice(max(start - first, 0), stop - first)
            slab = self._slab(quantity, chunk, row // CHUNK_TUBES)
            parts.append(slab[inside, row % CHUNK_TUBES, column])
        return np.concatenate(parts).astype(np.float64)

    def _slab(self, quantity: str, chunk: int, group: int) -> NDArray:
        key = (quantity, chunk, group)
        if key not in self.kept:
            start = chunk * self.length
            stop = min(start + self.length, self.writer.steps)
            columns = slice(group * CHUNK_TUBES, (group + 1) * CHUNK_TUBES)
            self.kept[key] = self.writer.read(f"readings/{quantity}", start, stop, columns)
            while len(self.kept) > _SLABS_KEPT:
                self.kept.popitem(last=False)
        return self.kept[key]


def known_windows(table: pa.Table | None) -> dict[Window, Seen]:
    """Return what the store's table of windows tells, nothing where there is none."""
    if table is None or table.schema.names != _SCHEMA.names:
        return {}  # none yet, or of an earlier version
    columns = [table[name].to_pylist() for name in _SCHEMA.names]
    return {
        Window(*row[:6]): replace(Seen(*row[6:-1]), near=_one_by_one(row[-1]))
        for row in zip(*columns, strict=True)
    }


def _one_by_one(text: str) -> tuple[tuple[int, float], ...]:
    return tuple((at_s, value) for at_s, value in json.loads(text))


def _table(found: dict[Window, Seen]) -> pa.Table:
    rows = [
        (*vars(w).values(), *list(vars(s).values())[:-1], json.dumps(s.near))
        for w, s in sorted(found.items(), key=lambda pair: pair[0])
    ]
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(_SCHEMA)
    arrays = [
        pa.array(column, type=field.type)
        for column, field in zip(columns, _SCHEMA, strict=True)
    ]
    return pa.table(arrays, schema=_SCHEMA)
