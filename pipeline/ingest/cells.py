"""Gathers readings and merges them into the stored cells, a bounded window at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.ingest.ledger import Ledger
from pipeline.ingest.merge import (
    DUPLICATE,
    STORED,
    SUPERSEDED,
    Outcome,
    Ranks,
    Readings,
    Window,
    merge,
)
from pipeline.ingest.superseded import Superseded
from pipeline.store.cubes import CHUNK_DAYS, CHUNK_TUBES, SPECS
from pipeline.store.state import Snapshot, Writer
from pipeline.variables import STATION_QUANTITIES

# A window is this many chunks wide at most on each axis: about 50 MB of cells for 6 depths.
WINDOW_TIME_CHUNKS, WINDOW_TUBE_CHUNKS = 2, 10


@dataclass(frozen=True)
class Held:
    """What some cells of a window held; ``index`` counts the cells of its ``columns``."""

    quantity: str
    window: tuple[int, int]
    columns: slice
    index: NDArray[np.int64]
    value: NDArray[np.float32]
    offset_s: NDArray[np.int32]


class CellWriter:
    """Merges the readings of one night; remembers which windows it touched."""

    def __init__(self, writer: Writer, ledger: Ledger, superseded: Superseded) -> None:
        self._writer, self._ledger, self._superseded = writer, ledger, superseded
        self._pending: dict[str, list[Readings]] = {}
        self._touched: dict[str, dict[tuple[int, int], slice]] = {}
        self._span = WINDOW_TIME_CHUNKS * CHUNK_DAYS * writer.axis.steps_per_day

    def gather(self, quantity: str, readings: list[Readings]) -> None:
        """Keep readings of one quantity for the next flush."""
        self._pending.setdefault(quantity, []).extend(r for r in readings if len(r))

    def flush(self, ranks: Ranks) -> None:
        """Merge all gathered readings into the store and count them in the ledger."""
        for quantity, parts in sorted(self._pending.items()):
            if parts:
                self._flush(quantity, Readings.concatenate(parts), ranks)
        self._pending.clear()

    def gather_rows(self, rows: pd.DataFrame) -> None:
        """Gather rows of the table of superseded readings anew."""
        depths = len(self._writer.labels["depth"])
        for quantity, part in rows.groupby("quantity", sort=True):
            step, place, *depth = self._positions(str(quantity), part)
            readings = Readings(
                step=step,
                column=place * depths + depth[0] if depth else place,
                value=part["value"].to_numpy(np.float32),
                file=part["file"].to_numpy(np.int64),
                line=part["line"].to_numpy(np.int32),
                offset_s=part["offset_s"].to_numpy(np.int32),
            )
            self.gather(str(quantity), [readings])

    def forget(self, files: set[int], span_s: tuple[int, int] | None = None) -> list[Held]:
        """Empty every cell that holds a reading of one of these files; return what they held.

        ``span_s`` (UTC seconds, first and last reading of the files) says where to look; None:
        everywhere.
        """
        held: list[Held] = []
        doomed = np.array(sorted(files), dtype=np.int64)
        axis = self._writer.axis
        first, last = 0, self._writer.steps
        if span_s is not None:
            first, last = axis.ceil(span_s[0]) - 1, axis.ceil(span_s[1]) + 1
        for quantity in self._quantities():
            for window in self._all_windows(quantity):
                start, stop, _ = self._bounds(quantity, window)
                if start < last and stop > first:
                    held += self._forget_window(quantity, window, doomed)
        return held

    def _forget_window(
        self, quantity: str, window: tuple[int, int], doomed: NDArray[np.int64]
    ) -> list[Held]:
        """Empty the cells of one window that hold a reading of one of these files."""
        key = f"readings/{quantity}"
        start, stop, columns = self._bounds(quantity, window)
        file = self._writer.read(f"{key}_file", start, stop, columns)
        hit = np.isin(file, doomed)
        if not hit.any():
            return []
        at = np.flatnonzero(hit.reshape(*hit.shape[:2], -1).any(axis=(0, 2)))
        inside = _whole_chunks(int(at[0]), int(at[-1]), hit.shape[1])
        narrow = slice(columns.start + inside.start, columns.start + inside.stop)
        self._touch(quantity, window, narrow)
        held, emptied = {}, hit[:, inside]
        for suffix in ("", "_file", "_line", "_offset_s"):
            cells = self._writer.read(key + suffix, start, stop, narrow)
            held[suffix] = cells[emptied]
            cells[emptied] = SPECS[key + suffix].fill
            self._writer.write(key + suffix, start, cells, narrow)
        index = np.flatnonzero(emptied)
        return [Held(quantity, window, narrow, index, held[""], held["_offset_s"])]

    def _touch(self, quantity: str, window: tuple[int, int], columns: slice) -> None:
        """Remember what was written: of a window the columns from first to last."""
        windows = self._touched.setdefault(quantity, {})
        known = windows.get(window, columns)
        windows[window] = slice(min(known.start, columns.start), max(known.stop, columns.stop))

    def no_longer(self, held: Held) -> pd.DataFrame:
        """Return the readings that their cells do not hold any more, as labelled rows."""
        start, stop, _ = self._bounds(held.quantity, held.window)
        key, columns = f"readings/{held.quantity}", held.columns
        value = self._writer.read(key, start, stop, columns)
        offset_s = self._writer.read(f"{key}_offset_s", start, stop, columns)
        same = (value.reshape(-1)[held.index] == held.value) & (
            offset_s.reshape(-1)[held.index] == held.offset_s
        )
        step, place, *depth = np.unravel_index(held.index[~same], value.shape)
        axis = "station" if held.quantity in STATION_QUANTITIES else "tube"
        names = np.array(self._writer.labels[axis], dtype=object)
        depths = np.array(self._writer.labels["depth"], dtype=np.float64)
        return pd.DataFrame(
            {
                "quantity": held.quantity,
                "place": names[place + columns.start],
                "depth_m": depths[depth[0]] if depth else np.nan,
                "step": step + start,
                "offset_s": held.offset_s[~same],
                "value": held.value[~same],
            }
        )

    def changed(self, before: Snapshot | None) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which (tube, day) and which (station, day) differ from before.

        A reading that came at another time within its step differs too.
        """
        writer = self._writer
        tubes = np.zeros((len(writer.labels["tube"]), writer.days), dtype=bool)
        stations = np.zeros((len(writer.labels["station"]), writer.days), dtype=bool)
        for quantity, windows in self._touched.items():
            for window, columns in sorted(windows.items()):
                start, stop, _ = self._bounds(quantity, window)
                key = f"readings/{quantity}"
                differs = self._differs(key, start, stop, columns, before)
                differs |= self._differs(f"{key}_offset_s", start, stop, columns, before)
                per_day = writer.axis.steps_per_day
                by_day = differs.reshape(-1, per_day, *differs.shape[1:])
                days: NDArray[np.bool_] = np.logical_or.reduce(by_day, axis=1)
                first = start // per_day
                if quantity in STATION_QUANTITIES:
                    stations[columns, first : first + len(days)] |= days.T
                else:
                    within = slice(first, first + len(days))
                    tubes[columns, within] |= np.logical_or.reduce(days, axis=2).T
        return tubes, stations

    def winners(self, rows: pd.DataFrame) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
        """Return what the cells of superseded readings hold now: values and offsets."""
        value = np.full(len(rows), np.nan, dtype=np.float32)
        offset_s = np.zeros(len(rows), dtype=np.int32)
        for quantity, part in rows.groupby("quantity", sort=True):
            at = rows.index.get_indexer(part.index)
            index = self._positions(str(quantity), part)
            key = f"readings/{quantity}"
            value[at] = self._writer.array(key).vindex[index]
            offset_s[at] = self._writer.array(f"{key}_offset_s").vindex[index]
        return value, offset_s

    def _positions(self, quantity: str, rows: pd.DataFrame) -> tuple[NDArray[np.int64], ...]:
        """Return where the cells of rows lie: step, tube and depth, or step and station."""
        labels = self._writer.labels
        axes = [("station", "place")]
        if quantity not in STATION_QUANTITIES:
            axes = [("tube", "place"), ("depth", "depth_m")]
        positions = [rows["step"].to_numpy(np.int64)]
        for axis, column in axes:
            of = {label: i for i, label in enumerate(labels[axis])}
            positions.append(rows[column].map(of).to_numpy(np.int64))
        return tuple(positions)

    def _flush(self, quantity: str, readings: Readings, ranks: Ranks) -> None:
        self._writer.extend(int(readings.step.max()) + 1)
        window = readings.step // self._span
        block = np.zeros_like(window)
        if quantity not in STATION_QUANTITIES:
            width = WINDOW_TUBE_CHUNKS * CHUNK_TUBES * len(self._writer.labels["depth"])
            block = readings.column // width
        for time in range(int(window.min()), int(window.max()) + 1):
            inside = window == time
            for place in range(int(block.min()), int(block.max()) + 1):
                here = inside & (block == place)
                if here.all():
                    self._merge_window(quantity, (time, place), readings, ranks)
                elif here.any():
                    self._merge_window(quantity, (time, place), readings.take(here), ranks)

    def _merge_window(
        self, quantity: str, window: tuple[int, int], readings: Readings, ranks: Ranks
    ) -> None:
        """Merge readings that all fall into one window, reading only the chunks they touch."""
        start, stop, columns = self._bounds(quantity, window)
        if quantity not in STATION_QUANTITIES:
            depths = len(self._writer.labels["depth"])
            first, last = int(readings.column.min()), int(readings.column.max())
            wide = _whole_chunks(first // depths, last // depths, columns.stop)
            columns = slice(max(columns.start, wide.start), wide.stop)
        self._touch(quantity, window, columns)
        chunk = CHUNK_DAYS * self._writer.axis.steps_per_day
        start = max(start, int(readings.step.min()) // chunk * chunk)
        stop = min(stop, (int(readings.step.max()) // chunk + 1) * chunk)
        suffixes = ("", "_file", "_line", "_offset_s")
        cells = [
            self._writer.read(f"readings/{quantity}{s}", start, stop, columns)
            for s in suffixes
        ]
        shape = cells[0].shape
        flat = Window(start, *(cell.reshape(len(cell), -1) for cell in cells))
        first_column = columns.start * int(np.prod(shape[2:], dtype=int))
        local = Readings(
            readings.step,
            readings.column - first_column,
            readings.value,
            readings.file,
            readings.line,
            readings.offset_s,
        )
        outcome = merge(flat, local, ranks)
        if (outcome.code == STORED).any():
            for suffix, cell in zip(suffixes, cells, strict=True):
                self._writer.write(f"readings/{quantity}{suffix}", start, cell, columns)
        self._count(readings.file, outcome)
        lost = outcome.displaced.take(~outcome.displaced_same)
        losers = Readings.concatenate([local.take(outcome.code == SUPERSEDED), lost])
        self._keep(quantity, losers, first_column)

    def _count(self, file: NDArray[np.int64], outcome: Outcome) -> None:
        """Enter outcomes into the accounts of the files concerned."""
        entries = self._ledger.entries
        for code, name in (
            (STORED, "stored"),
            (DUPLICATE, "duplicates"),
            (SUPERSEDED, "superseded"),
        ):
            for identity, count in _counts(file, outcome.code == code):
                setattr(entries[identity], name, getattr(entries[identity], name) + count)
        displaced, same = outcome.displaced.file, outcome.displaced_same
        for lost, name in ((same, "duplicates"), (~same, "superseded")):
            for identity, count in _counts(displaced, lost):
                entries[identity].stored -= count
                setattr(entries[identity], name, getattr(entries[identity], name) + count)

    def _keep(self, quantity: str, losers: Readings, first_column: int) -> None:
        """Label superseded readings by place and depth and keep them."""
        if not len(losers):
            return
        labels, columns = self._writer.labels, losers.column + first_column
        if quantity in STATION_QUANTITIES:
            places = [labels["station"][c] for c in columns]
            depths = [np.nan] * len(places)
        else:
            width = len(labels["depth"])
            places = [labels["tube"][c // width] for c in columns]
            depths = [labels["depth"][c % width] for c in columns]
        self._superseded.add(quantity, losers, places, depths)

    def _differs(
        self, key: str, start: int, stop: int, columns: slice, before: Snapshot | None
    ) -> NDArray[np.bool_]:
        """Return where the prepared cells differ from the state before, NaN equal to NaN."""
        now = self._writer.read(key, start, stop, columns)
        then = np.full(now.shape, SPECS[key].fill, dtype=now.dtype)
        if before is not None and before.holds(key):
            old = before.read(key, start, min(stop, max(start, before.steps)), columns)
            then[tuple(slice(n) for n in old.shape)] = old
        return (now != then) & ~(np.isnan(now) & np.isnan(then))

    def _bounds(self, quantity: str, window: tuple[int, int]) -> tuple[int, int, slice]:
        """Return the steps and the tubes (or stations) of a window."""
        time, block = window
        start = time * self._span
        stop = min(start + self._span, self._writer.steps)
        if quantity in STATION_QUANTITIES:
            return start, stop, slice(0, len(self._writer.labels["station"]))
        width = WINDOW_TUBE_CHUNKS * CHUNK_TUBES
        last = min((block + 1) * width, len(self._writer.labels["tube"]))
        return start, stop, slice(block * width, last)

    def _quantities(self) -> list[str]:
        return [
            spec.name[: -len("_file")]
            for key, spec in SPECS.items()
            if spec.name.endswith("_file") and self._writer.holds(key)
        ]

    def _all_windows(self, quantity: str) -> Iterator[tuple[int, int]]:
        """Return every window of the axes as they are."""
        width = WINDOW_TUBE_CHUNKS * CHUNK_TUBES
        blocks = 1
        if quantity not in STATION_QUANTITIES:
            blocks = -(-len(self._writer.labels["tube"]) // width)
        for time in range(-(-self._writer.steps // self._span)):
            for block in range(blocks):
                yield time, block


def _whole_chunks(first: int, last: int, count: int) -> slice:
    """Return the columns of all chunks that hold some columns, so that none is read twice."""
    start = first // CHUNK_TUBES * CHUNK_TUBES
    return slice(start, min((last // CHUNK_TUBES + 1) * CHUNK_TUBES, count))


def _counts(file: NDArray[np.int64], marked: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Return how many marked rows there are in each run of rows of one file."""
    if not len(file):
        return
    starts = np.concatenate(([0], np.flatnonzero(np.diff(file)) + 1))
    counts = np.add.reduceat(marked, starts, dtype=np.int64)
    for start, count in zip(starts.tolist(), counts.tolist(), strict=True):
        if count:
            yield int(file[start]), count
