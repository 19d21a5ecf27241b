"""The readings that lost their cell to another one: kept, counted, and never silently gone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.merge import Ranks, Readings

_CELL = ["quantity", "place", "depth_m", "step"]
_READING = [*_CELL, "offset_s", "value"]
COLUMNS = [*_READING, "file", "line"]
_KEY_TYPES = {"depth_m": np.float64, "step": np.int64, "offset_s": np.int64}
_SCHEMA = pa.schema(
    [
        ("quantity", pa.string()),
        ("place", pa.string()),
        ("depth_m", pa.float64()),
        ("step", pa.int64()),
        ("offset_s", pa.int32()),
        ("value", pa.float32()),
        ("file", pa.int64()),
        ("line", pa.int32()),
    ]
)
# What the cells of some rows hold: values and offsets, one a row.
Winners = Callable[[pd.DataFrame], tuple[np.ndarray, np.ndarray]]


class Superseded:
    """The table of superseded readings, one row for each distinct reading of a cell."""

    def __init__(self, table: pa.Table | None) -> None:
        rows = _SCHEMA.empty_table() if table is None else table
        self._rows: pd.DataFrame = rows.to_pandas()

    def __len__(self) -> int:
        return len(self._rows)

    def add(
        self, quantity: str, readings: Readings, place: list[str], depth: list[float]
    ) -> None:
        """Add readings of one quantity; ``place`` and ``depth`` label each reading's cell."""
        if not len(readings):
            return
        new = pd.DataFrame(
            {
                "quantity": quantity,
                "place": place,
                "depth_m": np.asarray(depth, dtype=np.float64),
                "step": readings.step,
                "offset_s": readings.offset_s,
                "value": readings.value,
                "file": readings.file,
                "line": readings.line,
            }
        )
        self._rows = pd.concat([self._rows, new], ignore_index=True) if len(self) else new

    def settle(self, ranks: Ranks, winners: Winners) -> Counter[int]:
        """Keep one row for each distinct reading; return how many repeats each file had.

        A row equal to what its cell holds now is a duplicate of it: its value lost the cell to
        another one and came back with a later file. Of other equal readings of a cell, the one
        that goes first in the order of files and lines stands for them. The same line read
        twice is one reading, not a repeat.

        Parameters
        ----------
        ranks : Ranks
            The order between files.
        winners : callable
            Returns for rows of this table what their cells hold: values and offsets.
        """
        if not len(self):
            return Counter()
        rows = self._rows.drop_duplicates(ignore_index=True)
        value, offset_s = winners(rows)
        returned = (rows["value"] == value) & (rows["offset_s"] == offset_s)
        back = Counter(int(file) for file in rows.loc[returned, "file"])
        rows = rows[~returned]
        rank = ranks.rank[np.searchsorted(ranks.ids, rows["file"].to_numpy())]
        rows = rows.assign(rank=rank).sort_values([*_READING, "rank", "line"])
        repeated = rows.duplicated(_READING, keep="last")
        repeats = back + Counter(int(file) for file in rows.loc[repeated, "file"])
        self._rows = rows.loc[~repeated, COLUMNS].reset_index(drop=True)
        return repeats

    def take_freed(self, winners: Winners) -> pd.DataFrame:
        """Take out and return the rows whose cell is empty now: they may have it back."""
        if not len(self):
            return self._rows
        value, _ = winners(self._rows)
        freed = np.isnan(value)
        rows = self._rows[freed].reset_index(drop=True)
        self._rows = self._rows[~freed].reset_index(drop=True)
        return rows

    def forget(self, files: set[int]) -> pd.DataFrame:
        """Take out and return the rows of some files, which are about to be read again."""
        theirs = self._rows["file"].isin(files)
        gone = self._rows[theirs].reset_index(drop=True)
        self._rows = self._rows[~theirs].reset_index(drop=True)
        return gone

    def none(self) -> pd.DataFrame:
        """Return no rows."""
        return self._rows.iloc[:0]

    def lacking(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return those of some rows that no row here equals."""
        if not len(rows):
            return rows
        here, wanted = (
            pd.MultiIndex.from_frame(table[_READING].astype(_KEY_TYPES).fillna(-1.0))
            for table in (self._rows, rows)
        )
        return rows[~wanted.isin(here)]

    def to_table(self) -> pa.Table:
        """Return the rows in a fixed order."""
        rows = self._rows[COLUMNS].sort_values(COLUMNS)
        return pa.Table.from_pandas(rows, schema=_SCHEMA, preserve_index=False)
