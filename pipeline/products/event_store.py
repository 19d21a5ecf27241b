"""Tables of events as they lie in the store: columns and types, rows by tube, parts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.axis import DAY_S
from pipeline.derive.drained_hours import BELOW, HERE
from pipeline.derive.tube_laws import LAW_COLUMNS
from pipeline.store.cubes import CHUNK_DAYS_DAILY, CHUNK_TUBES
from pipeline.store.state import Snapshot
from pipeline.store.tables import joined, rows_by_tube

_TEXT, _WHEN, _REAL, _FLAG, _COUNT = (
    pa.string(),
    pa.int64(),
    pa.float64(),
    pa.bool_(),
    pa.int64(),
)
_MEAN = pa.float32()  # of readings; no table of results shows it

# Past a sensor, or past the last one: by nights, by conductivity, and how they differ.
_DRAINAGE = (
    ("drainage_mm", _REAL),
    ("drainage_error_mm", _REAL),
    ("drainage_known", _REAL),
    ("gradient_drainage_mm", _REAL),
    ("gradient_drainage_error_mm", _REAL),
    ("gradient_from", _TEXT),
    ("disagreement", _REAL),
)
DRAINAGE_COLUMNS = tuple(name for name, _ in _DRAINAGE)

SCHEMAS: dict[str, pa.Schema] = {
    "fronts": pa.schema(
        [
            ("tube", _TEXT),
            ("depth_m", _REAL),
            ("foot_s", _WHEN),
            ("onset_s", _WHEN),
            ("before_s", _WHEN),
            ("peak_s", _WHEN),
            ("base", _REAL),
            ("peak", _REAL),
            ("onset_error_s", _REAL),
            ("climb_per_h", _REAL),
            ("noise", _REAL),
            ("continues", _FLAG),
        ]
    ),
    "events": pa.schema(
        [
            ("tube", _TEXT),
            ("event", _TEXT),
            ("onset_s", _WHEN),
            ("end_s", _WHEN),
            ("open", _FLAG),
            ("first_depth_m", _REAL),
            ("depth_reached_m", _REAL),
            ("sensors_wetted", _COUNT),
            ("before_mm", _REAL),
            ("peak_mm", _REAL),
            ("peak_s", _WHEN),
            ("end_mm", _REAL),
            ("gain_mm", _REAL),
            ("gain_random_error_mm", _REAL),
            ("gain_systematic_error_mm", _REAL),
            ("gain_spacing_error_mm", _REAL),
            ("rain_mm", _REAL),
            ("rain_after_mm", _REAL),
            ("remainder_mm", _REAL),
            ("remainder_error_mm", _REAL),
            ("missing", _REAL),
            *_DRAINAGE,
            ("doubts", _TEXT),
        ]
    ),
    "event_depths": pa.schema(
        [
            ("tube", _TEXT),
            ("event", _TEXT),
            ("depth_m", _REAL),
            ("real_depth_m", _REAL),
            ("wetted", _FLAG),
            ("onset_s", _WHEN),
            ("onset_error_s", _REAL),
            ("lag_s", _REAL),
            ("lag_error_s", _REAL),
            ("rank", _COUNT),
            ("velocity_m_d", _REAL),
            ("velocity_low_m_d", _REAL),
            ("velocity_high_m_d", _REAL),
            ("water_content_before", _REAL),
            ("water_content_peak", _REAL),
            ("peak_s", _WHEN),
            ("gain", _REAL),
            ("gain_error", _REAL),
            ("overlaps", _FLAG),
            ("storage_gain_mm", _REAL),
            ("storage_gain_error_mm", _REAL),
            ("storage_peak_s", _WHEN),
            ("recession_h", _REAL),
            ("drained_water_content", _REAL),
            ("recession_residual", _REAL),
            ("recession_determination", _REAL),
            ("time_to_drained_h", _REAL),
            ("drained", _FLAG),
            *((name, _MEAN) for name in (*HERE, *BELOW)),
            *_DRAINAGE,
        ]
    ),
    "uptake": pa.schema(
        [
            ("tube", _TEXT),
            ("day_s", _WHEN),
            ("depth_m", _REAL),
            ("night_s", _WHEN),
            ("night_water_content", _REAL),
            ("night_drainage_mm_d", _REAL),
            ("night_drainage_error", _REAL),
            ("uptake_above_mm_d", _REAL),
            ("uptake_above_error", _REAL),
            ("uptake_mm_d", _REAL),
            ("uptake_error", _REAL),
        ]
    ),
    "conductivity": pa.schema(
        [
            ("tube", _TEXT),
            ("depth_m", _REAL),
            ("water_content", _REAL),
            ("conductivity_mm_d", _REAL),
            ("conductivity_error", _REAL),
            ("nights", _COUNT),
            ("intercept", _REAL),
            ("slope", _REAL),
            ("offset_mm_d", _REAL),
            ("scatter_mm_d", _REAL),
        ]
    ),
    "drainage_laws": pa.schema(
        [
            ("tube", _TEXT),
            *((name, _WHEN if name == "until_s" else _REAL) for name in LAW_COLUMNS),
        ]
    ),
}


def table_of(name: str, frames: list[pd.DataFrame]) -> pa.Table:
    """Return rows as the stored table of a name; its columns and no others."""
    schema = SCHEMAS[name]
    filled = [frame for frame in frames if not frame.empty]
    if not filled:
        return schema.empty_table()
    whole = pd.concat(filled, ignore_index=True)
    return pa.Table.from_arrays(
        [
            pa.array(whole[field.name].to_numpy(), type=field.type, from_pandas=True)
            for field in schema
        ],
        schema=schema,
    )


def frame_of(table: pa.Table | None) -> pd.DataFrame:
    """Return the rows of a stored table; none where there is none or of another form."""
    if table is None or table.schema not in SCHEMAS.values():
        return pd.DataFrame()
    frame: pd.DataFrame = table.to_pandas()
    return frame


def stored_rows(name: str, table: pa.Table | None) -> dict[str, pa.Table]:
    """Return the rows of a stored table by tube; none where it is of another form."""
    if table is None or table.schema != SCHEMAS[name]:
        return {}
    return {
        tube: rows[0] if len(rows) == 1 else whole_table(name, rows)
        for tube, rows in rows_by_tube(table).items()
    }


def whole_table(name: str, parts: list[pa.Table]) -> pa.Table:
    """Return the rows of all tubes, put together."""
    return pa.concat_tables([SCHEMAS[name].empty_table(), *parts]).combine_chunks()


class TableParts:
    """A large table by blocks of tubes that lie in the same chunks, and by spans of days.

    Blocks are read when first asked for; only those of which a tube was given new rows are
    written again.
    """

    def __init__(self, snapshot: Snapshot, name: str) -> None:
        self._snapshot, self._name = snapshot, name
        self._rows: dict[int, dict[str, pa.Table]] = {}
        self._given: set[int] = set()

    def rows(self, column: int, tube: str) -> pa.Table | None:
        """Return the rows of a tube, by its column in the store; None where it has none."""
        return self._block(column // CHUNK_TUBES).get(tube)

    def give(self, column: int, tube: str, rows: pa.Table) -> None:
        """Replace the rows of a tube; they are in order of ``day_s``."""
        self._block(column // CHUNK_TUBES)[tube] = rows
        self._given.add(column // CHUNK_TUBES)

    def made(self) -> dict[str, pa.Table]:
        """Return all parts of the blocks that were given new rows, by name."""
        origin_s = self._snapshot.axis.origin_s
        found = {}
        for block in sorted(self._given):
            rows = [rows for _, rows in sorted(self._rows[block].items())]
            days = [(part["day_s"].to_numpy() - origin_s) // DAY_S for part in rows]
            for span in range(-(-self._snapshot.days // CHUNK_DAYS_DAILY)):
                ends = np.array([span, span + 1]) * CHUNK_DAYS_DAILY
                cuts = [np.searchsorted(day, ends).tolist() for day in days]
                cut = [part.slice(a, b - a) for part, (a, b) in zip(rows, cuts, strict=True)]
                found[f"{block:05d}-{span:03d}"] = whole_table(self._name, cut)
        return found

    def _block(self, block: int) -> dict[str, pa.Table]:
        """Return the rows of a block of tubes, by tube."""
        if block not in self._rows:
            parts = [part for part in self._snapshot.parts(self._name) if _of(part, block)]
            tables = [self._snapshot.table(f"{self._name}.{part}") for part in parts]
            rows = joined(tables) if tables else None
            self._rows[block] = stored_rows(self._name, rows)
        return self._rows[block]


def _of(part: str, block: int) -> bool:
    return part.startswith(f"{block:05d}-")


def gain_error_mm(row: Mapping[str, Any]) -> float | None:
    """Return the standard uncertainty of an event's gain, mm; None where a part is not known.

    Parameters
    ----------
    row : mapping
        Of the table of events: noise, laws and what lies between sensors are apart there.
    """
    parts = [row[f"gain_{part}_error_mm"] for part in ("random", "systematic", "spacing")]
    known = [part for part in parts if part is not None and math.isfinite(part)]
    return math.hypot(*known) if len(known) == len(parts) else None
