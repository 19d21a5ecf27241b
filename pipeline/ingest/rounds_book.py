"""The book of hand rounds: readings taken by walking, kept one by one as they were read."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.clock import to_utc
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.merge import Ranks
from pipeline.ingest.place import FUTURE_TOLERANCE_S, Bench
from pipeline.ingest.records import Reject, RoundReadings
from pipeline.site.layout import Layout
from pipeline.units import conversion

_READING = ["time_s", "tube", "reader", "direction_deg", "depth_m", "quantity", "value"]
COLUMNS = [*_READING, "file", "line"]
_SCHEMA = pa.schema(
    [
        ("time_s", pa.int64()),
        ("tube", pa.string()),
        ("reader", pa.string()),
        ("direction_deg", pa.float64()),
        ("depth_m", pa.float64()),
        ("quantity", pa.string()),
        ("value", pa.float64()),
        ("file", pa.int64()),
        ("line", pa.int32()),
    ]
)


class RoundsBook:
    """All hand readings of a site, in canonical units."""

    def __init__(self, table: pa.Table | None) -> None:
        rows = _SCHEMA.empty_table() if table is None else table
        self._rows: pd.DataFrame = rows.to_pandas()

    def add(
        self, rounds: RoundReadings, bench: Bench, layout: Layout, entry: FileEntry
    ) -> None:
        """Add a file's readings; those that cannot be placed are set aside in its account."""
        form = layout.rounds
        if form is None or not len(rounds.value):
            return
        stamps = to_utc(rounds.stamp_s, bench.source.clock, bench.site.interval_s)
        known = np.isin(rounds.tube, list(bench.site.tube_by_id))
        refused = {
            **stamps.refused,
            "not_installed": ~known,
            "before_start": known & (stamps.utc_s < bench.site.axis.origin_s),
            "in_future": known & (stamps.utc_s > bench.now_s + FUTURE_TOLERANCE_S),
        }
        usable = np.ones(len(known), dtype=bool)
        for reason, rows in refused.items():
            fresh = rows & usable
            usable &= ~rows
            _refuse(entry, rounds, fresh, reason)
        entry.stored += int(usable.sum())
        if not usable.any():
            return
        convert = conversion(form.unit, form.quantity)
        new = pd.DataFrame(
            {
                "time_s": stamps.utc_s,
                "tube": rounds.tube,
                "reader": rounds.reader,
                "direction_deg": rounds.direction_deg,
                "depth_m": rounds.depth_m,
                "quantity": form.quantity,
                "value": convert(rounds.value),
                "file": entry.file,
                "line": rounds.line,
            }
        )[usable]
        entry.seen(int(new["time_s"].min()), int(new["time_s"].max()))
        kept = self._rows[self._rows["file"] != entry.file]
        self._rows = pd.concat([kept, new], ignore_index=True) if len(kept) else new

    def settle(self, ranks: Ranks) -> Counter[int]:
        """Drop readings another file repeats; return how many repeats each file had.

        Two equal lines of one file are two readings: somebody read twice.
        """
        if not len(self._rows):
            return Counter()
        rows = self._rows
        rank = ranks.rank[np.searchsorted(ranks.ids, rows["file"].to_numpy())]
        rows = rows.assign(rank=rank)
        best = rows.groupby(_READING, dropna=False)["rank"].transform("max")
        repeated = rows["rank"] < best
        repeats = Counter(int(file) for file in rows.loc[repeated, "file"])
        self._rows = rows.loc[~repeated, COLUMNS].reset_index(drop=True)
        return repeats

    def forget(self, files: set[int]) -> None:
        """Drop the rows of some files, which are about to be read again."""
        self._rows = self._rows[~self._rows["file"].isin(files)].reset_index(drop=True)

    def to_table(self) -> pa.Table:
        """Return the rows in a fixed order."""
        rows = self._rows[COLUMNS].sort_values(COLUMNS)
        return pa.Table.from_pandas(rows, schema=_SCHEMA, preserve_index=False)


def _refuse(entry: FileEntry, rounds: RoundReadings, rows: np.ndarray, reason: str) -> None:
    """Set readings aside in the file's account."""
    if not rows.any():
        return
    first = int(np.flatnonzero(rows)[0])
    stamp = np.datetime64(int(rounds.stamp_s[first]), "s")
    entry.reject(
        Reject(
            reason,
            0,
            int(rows.sum()),
            int(rounds.line[first]),
            f"tube {rounds.tube[first]!s} at {stamp}",
            "a tube of tubes.csv and a time between the site's start and now",
        )
    )
    entry.retry = entry.retry or reason == "in_future"
