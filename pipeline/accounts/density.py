"""How densely each sensor was logged: stored readings counted along a timeline."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import TimeAxis
from pipeline.ingest.ledger import Ledger
from pipeline.site.chronicle import Lane, Mark, Sensor, Span, Timeline, covered
from pipeline.store.cubes import CHUNK_DAYS
from pipeline.store.state import Snapshot

_LEAST_PAIRS = 4  # steps between readings that tell how often a sensor is read


def fill(timeline: Timeline, snapshot: Snapshot, state: str) -> Timeline:
    """Return a timeline with the density of what is stored.

    Parameters
    ----------
    timeline : Timeline
        From `pipeline.site.chronicle.chronicle`.
    snapshot : Snapshot
        The state of the store to look at.
    state : str
        Its id, to be shown.

    Returns
    -------
    Timeline
        Sensors and quantities of the station with their density; sources with their files;
        tubes read by hand with a lane of its own.
    """
    stored_until_s = float(snapshot.axis.origin_s + snapshot.steps * snapshot.axis.interval_s)
    counted = _count_all(timeline, snapshot)
    hand = _hand_marks(snapshot)
    lanes: list[Lane] = []
    for lane in timeline.lanes:
        if lane.sensor is not None:
            lane = _with_density(lane, timeline, counted.get(lane.sensor), stored_until_s)
        lanes.append(lane)
        if lane.kind == "tube" and lane.group in hand:
            lanes.append(Lane("hand", lane.group, "hand rounds", (), hand[lane.group]))
    return timeline.with_lanes(with_files(lanes, _file_spans(snapshot)), state)


def with_files(lanes: Iterable[Lane], files: Mapping[str, tuple[Span, ...]]) -> list[Lane]:
    """Return lanes with the time that each source's raw files cover."""
    return [
        replace(lane, spans=files.get(lane.group, ())) if lane.kind == "files" else lane
        for lane in lanes
    ]


class _Counts:
    """Readings of one sensor in each column, and how many steps lie between them."""

    def __init__(self, columns: int) -> None:
        self.readings = np.zeros(columns, dtype=np.int64)
        self.pace: float | None = None

    def add(self, steps: NDArray[np.int64], column: NDArray[np.int64]) -> None:
        """Count readings at some steps of the axis; ``column`` is the column of each."""
        self.readings += np.bincount(column, minlength=len(self.readings))
        if len(steps) > _LEAST_PAIRS:
            pace = float(np.median(np.diff(steps)))
            self.pace = pace if self.pace is None else min(pace, self.pace)


def _count_all(timeline: Timeline, snapshot: Snapshot) -> dict[Sensor, _Counts]:
    """Return the counts of every sensor that has a lane, reading each quantity once."""
    wanted: dict[str, dict[Sensor, tuple[int, ...]]] = defaultdict(dict)
    for lane in timeline.lanes:
        if lane.sensor is None or not snapshot.holds(f"readings/{lane.sensor[0]}"):
            continue
        place = _place(lane.sensor, snapshot)
        if place is not None:
            wanted[lane.sensor[0]][lane.sensor] = place
    counted: dict[Sensor, _Counts] = {}
    for quantity, known in wanted.items():
        counted |= {sensor: _Counts(timeline.count) for sensor in known}
        for start, values in _blocks(snapshot, f"readings/{quantity}"):
            there = np.isfinite(values)
            for sensor, place in known.items():
                rows = np.flatnonzero(there[(slice(None), *place)])
                steps = rows + start
                column = _columns(timeline, snapshot.axis, steps)
                inside = (column >= 0) & (column < timeline.count)
                counted[sensor].add(steps, column[inside])
    return counted


def _place(sensor: Sensor, snapshot: Snapshot) -> tuple[int, ...] | None:
    """Return where a sensor lies in the arrays, or None while the store knows it not."""
    _, owner, depth_m = sensor
    names = snapshot.labels["station" if depth_m is None else "tube"]
    depths = snapshot.labels["depth"]
    if owner not in names or (depth_m is not None and depth_m not in depths):
        return None
    place = names.index(owner)
    return (place,) if depth_m is None else (place, depths.index(depth_m))


def _blocks(snapshot: Snapshot, key: str) -> Iterator[tuple[int, np.ndarray]]:
    """Yield the first step and the values of runs of steps that are whole chunks."""
    length = CHUNK_DAYS * snapshot.axis.steps_per_day
    for start in range(0, snapshot.steps, length):
        yield start, snapshot.read(key, start, min(start + length, snapshot.steps))


def _columns(
    timeline: Timeline, axis: TimeAxis, steps: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the column of each step."""
    seconds = axis.origin_s + steps * axis.interval_s
    return ((seconds - timeline.edges_s[0]) // timeline.width_s).astype(np.int64)


def _with_density(
    lane: Lane, timeline: Timeline, counts: _Counts | None, stored_until_s: float
) -> Lane:
    """Return a lane with the share of the readings that are due, at the sensor's own pace.

    A sensor read more rarely than its source logs is not short of readings for that. Where
    its logger was set to another interval each time goes by its own.
    """
    begin_s = timeline.site.start.timestamp()
    held = [
        Span(max(span.start_s, begin_s), min(span.stop_s, stored_until_s))
        for span in lane.spans
    ]
    seconds = covered(held, timeline.edges_s)
    pace_s = (counts.pace or 0.0) * timeline.site.interval_s if counts else 0.0
    interval_s = max(lane.interval_s, pace_s)
    read = counts.readings if counts else np.zeros(timeline.count)
    due = np.zeros(timeline.count)
    for begin, end, every_s in lane.stretches:
        own = [Span(max(span.start_s, begin), min(span.stop_s, end)) for span in held]
        if every_s > 0:  # not where nothing was wired
            due += covered(own, timeline.edges_s) / max(every_s, pace_s)
    due = np.maximum(due, 1.0)
    share: Floats = np.where(seconds > 0, np.minimum(read / due, 1.0), np.nan)
    return replace(lane, density=share, interval_s=interval_s)


def _file_spans(snapshot: Snapshot) -> dict[str, tuple[Span, ...]]:
    """Return the time each raw file covers, by source, in order of time."""
    spans: dict[str, list[Span]] = defaultdict(list)
    for entry in Ledger.from_table(snapshot.table("ledger")).entries.values():
        if entry.first_s is not None and entry.last_s is not None:
            spans[entry.source].append(Span(entry.first_s, entry.last_s, entry.path))
    return {
        source: tuple(sorted(found, key=lambda s: (s.start_s, s.stop_s, s.label)))
        for source, found in spans.items()
    }


def _hand_marks(snapshot: Snapshot) -> dict[str, tuple[Mark, ...]]:
    """Return when each tube was read by hand: a mark for each round."""
    table = snapshot.table("rounds")
    if table is None or not len(table):
        return {}
    times, tubes = table["time_s"].to_numpy(), np.array(table["tube"].to_pylist())
    return {
        str(tube): tuple(Mark(float(t), "o") for t in np.unique(times[tubes == tube]))
        for tube in np.unique(tubes)
    }
