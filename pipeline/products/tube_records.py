"""What is kept of every tube's record for its health: wetting responses, figures of blocks.

Only the readings of changed days are read. Responses are rows of a table, blocks of 28 days
have their noise and daily wave of warmth; rows that no changed day can touch are taken over.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.products.event_blocks import Fallen, Reader, gauges_of
from pipeline.qc.months import BLOCK_DAYS, daily_wave, record_noise
from pipeline.qc.responses import AHEAD_S, BACK_S, find_responses
from pipeline.qc.wall import LEAST_RAIN_MM
from pipeline.site.models import Site
from pipeline.store.cubes import CHUNK_TUBES
from pipeline.store.state import Snapshot

WATER, WARMTH = "water/cleaned_water_content", "readings/soil_temperature"
BACK_DAYS, AHEAD_DAYS = -(-BACK_S // DAY_S), -(-AHEAD_S // DAY_S)
Columns = dict[str, NDArray]
RAIN_BEFORE_S = 3 * 3600
RESPONSES = pa.schema(
    [
        ("tube", pa.string()),
        ("depth_m", pa.float64()),
        ("onset_s", pa.int64()),
        ("rise", pa.float32()),
        ("rise_in_hour", pa.float32()),
        ("half_h", pa.float32()),
        ("kept", pa.float32()),
        ("rain_mm", pa.float32()),
    ]
)
BLOCKS = pa.schema(
    [
        ("tube", pa.string()),
        ("depth_m", pa.float64()),
        ("block", pa.int64()),
        ("noise", pa.float32()),
        ("wave_cosine", pa.float32()),
        ("wave_sine", pa.float32()),
    ]
)


def tube_records(
    state: Snapshot, site: Site, computed: NDArray[np.bool_]
) -> dict[str, pa.Table]:
    """Keep the responses and the blocks of all tubes up to date.

    Parameters
    ----------
    state : Snapshot
    site : Site
    computed : array (tube, day), bool
        Days computed tonight.

    Returns
    -------
    dict
        Tables ``tube_responses`` (one row a response: `RESPONSES`) and ``tube_blocks`` (one
        row a sensor and block: `BLOCKS`), ordered by name of the tube, depth and time.
    """
    touched = _touched(computed)
    stale = np.zeros_like(computed)
    stale_blocks = np.zeros((len(computed), -(-state.days // BLOCK_DAYS)), dtype=bool)
    responses, blocks = [], []
    for part in _parts(state, site, computed, touched) if state.holds(WATER) else ():
        stale[part.columns, part.first : part.stop] = True
        responses.append(part.responses())
        if computed[part.columns, part.block_start : part.block_stop].any():
            stale_blocks[part.columns, part.block] = True
            blocks.append(part.blocks())
    names, origin = state.labels["tube"], state.axis.origin_s
    old = _stored(state, "tube_responses", RESPONSES)
    day = (old["onset_s"] - origin) // DAY_S
    gone = stale[_positions(old["tube"], names), day]
    old_blocks = _stored(state, "tube_blocks", BLOCKS)
    gone_blocks = stale_blocks[_positions(old_blocks["tube"], names), old_blocks["block"]]
    return {
        "tube_responses": _table(_less(old, gone), responses, "onset_s", RESPONSES),
        "tube_blocks": _table(_less(old_blocks, gone_blocks), blocks, "block", BLOCKS),
    }


def record_inputs(state: Snapshot, site: Site) -> str:
    """Tell what the tables depend on besides readings and rules: rain gauges."""
    return json.dumps(gauges_of(site))


def _touched(computed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the days on which a response may begin that saw a changed day."""
    touched = computed.copy()
    for ahead in range(1, AHEAD_DAYS + 1):
        touched[:, :-ahead] |= computed[:, ahead:]
    for back in range(1, BACK_DAYS + 1):
        touched[:, back:] |= computed[:, :-back]
    return touched


@dataclass(frozen=True)
class _Part:
    """Some days of one block of days and of a few tubes that lie in the same chunks.

    ``first`` and ``stop`` are the days for which responses are sought.
    """

    state: Snapshot
    columns: slice
    reader: Reader
    block: int
    first: int
    stop: int
    rain: dict[tuple[int, int], Fallen | None]

    @property
    def block_start(self) -> int:
        """Return the first day of the block."""
        return self.block * BLOCK_DAYS

    @property
    def block_stop(self) -> int:
        """Return the first day after the block, or after the axis."""
        return min(self.block_start + BLOCK_DAYS, self.state.days)

    @cached_property
    def days(self) -> tuple[int, int]:
        """Return the days read: the block, and what the responses look at."""
        first = max(0, min(self.block_start, self.first - BACK_DAYS))
        return first, min(self.state.days, max(self.block_stop, self.stop + AHEAD_DAYS))

    def _read(self, key: str) -> NDArray[np.float32]:
        """Return (step, tube x depth) of the days read."""
        values = self.reader.block(key, self.columns, *self.days)
        return values.reshape(len(values), -1)

    @cached_property
    def water(self) -> NDArray[np.float32]:
        """Return the cleaned water content of the days read."""
        return self._read(WATER)

    @cached_property
    def sensors(self) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
        """Return tube and nominal depth of each column."""
        labels = self.state.labels
        tubes = np.array(labels["tube"][self.columns], dtype=object)
        depths = np.array(labels["depth"], dtype=np.float64)
        return np.repeat(tubes, depths.size), np.tile(depths, tubes.size)

    def responses(self) -> Columns:
        """Return the responses that begin on the days from ``first`` to ``stop``."""
        per_day, interval_s = self.state.axis.steps_per_day, self.state.axis.interval_s
        skip = self.days[0]
        begin, end = ((day - skip) * per_day for day in (self.first, self.stop))
        found = find_responses(self.water, interval_s, begin, end)
        step = found["step"] + skip * per_day
        tubes, depths = self.sensors
        return found | {
            "tube": tubes[found["sensor"]],
            "depth_m": depths[found["sensor"]],
            "onset_s": self.state.axis.origin_s + step * interval_s,
            "rain_mm": self._rain_before(step),
        }

    def _rain_before(self, step: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the rain of three hours before each step and one after [mm].

        A total of several steps that the last one lies in counts whole. NaN where no gauge
        tells, or an incomplete one shows less than counts as rain.
        """
        per_day = self.state.axis.steps_per_day
        if self.days not in self.rain:
            self.rain[self.days] = self.reader.fallen(*self.days)
        fallen = self.rain[self.days]
        if fallen is None or not step.size:
            return np.full(step.size, np.nan)
        rain, told = fallen
        reach = max(1, RAIN_BEFORE_S // self.state.axis.interval_s)
        at = step[:, None] - self.days[0] * per_day + np.arange(-reach, 2)
        inside = (at >= 0) & (at < rain.size)
        at = np.clip(at, 0, rain.size - 1)
        at[:, -1] = told[at[:, -1]]  # nothing stands at the steps between
        window = np.where(inside, rain[at], np.nan)
        total = np.where(np.isfinite(window), window, 0.0).sum(axis=1)
        unsure = ~np.isfinite(window).all(axis=1) & (total < LEAST_RAIN_MM)
        return np.where(unsure, np.nan, total)

    def blocks(self) -> Columns:
        """Return noise and daily wave of the sensors over the block, where either is known."""
        interval_s = self.state.axis.interval_s
        tubes, depths = self.sensors
        noise = record_noise(self._whole_block(self.water))
        wave = np.full((2, noise.size), np.nan)
        if self.state.holds(WARMTH):
            wave = daily_wave(self._whole_block(self._read(WARMTH)), interval_s)
        columns = {
            "tube": tubes,
            "depth_m": depths,
            "block": np.full(noise.size, self.block),
            "noise": noise,
            "wave_cosine": wave[0],
            "wave_sine": wave[1],
        }
        told = np.isfinite(noise) | np.isfinite(wave[0])
        return {name: values[told] for name, values in columns.items()}

    def _whole_block(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the block's part of what was read; days not there yet are empty.

        Always of one length, so that sums do not depend on how far the axis reaches.
        """
        per_day = self.state.axis.steps_per_day
        whole = np.full((BLOCK_DAYS * per_day, values.shape[1]), np.nan, dtype=np.float32)
        skip = (self.block_start - self.days[0]) * per_day
        count = (self.block_stop - self.block_start) * per_day
        whole[:count] = values[skip : skip + count]
        return whole


def _parts(
    state: Snapshot, site: Site, computed: NDArray[np.bool_], touched: NDArray[np.bool_]
) -> list[_Part]:
    """Cut the touched days into parts: of one chunk, the tubes that were touched."""
    parts = []
    rain: dict[tuple[int, int], Fallen | None] = {}
    reader = Reader(state, site)
    for start in range(0, len(computed), CHUNK_TUBES):
        tubes = start + np.flatnonzero(touched[start : start + CHUNK_TUBES].any(axis=1))
        if not tubes.size:
            continue
        columns = slice(int(tubes[0]), int(tubes[-1]) + 1)
        days = np.flatnonzero(touched[columns].any(axis=0))
        for block in np.unique(days // BLOCK_DAYS):
            inside = days[days // BLOCK_DAYS == block]
            span = int(inside[0]), int(inside[-1]) + 1
            parts.append(_Part(state, columns, reader, int(block), *span, rain))
    return parts


def _stored(state: Snapshot, name: str, schema: pa.Schema) -> Columns:
    """Return the columns of a table of the night before, empty where there is none."""
    table = state.table(name)
    rows = (schema.empty_table() if table is None else table).to_pandas()
    return {column: rows[column].to_numpy() for column in schema.names}


def _positions(tubes: NDArray[np.object_], names: list[str]) -> NDArray[np.intp]:
    """Return the position of each row's tube."""
    place = {name: at for at, name in enumerate(names)}
    return np.array([place[tube] for tube in tubes], dtype=np.intp)


def _less(rows: Columns, gone: NDArray[np.bool_]) -> Columns:
    """Return rows without those that are made anew."""
    return {name: values[~gone] for name, values in rows.items()}


def _table(kept: Columns, made: list[Columns], then: str, schema: pa.Schema) -> pa.Table:
    """Return rows of before and new ones as a table, ordered by tube, depth and ``then``."""
    parts = [kept, *made]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in schema.names}
    # By name: labels are in the order in which tubes were first described.
    order = np.lexsort((columns[then], columns["depth_m"], columns["tube"].astype(str)))
    # A number that is not known is null, as pandas has it: null equals itself.
    arrays = [
        pa.array(columns[field.name][order], from_pandas=True).cast(field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema)
