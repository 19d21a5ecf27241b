"""The book of hand rounds: readings taken by walking, kept one by one as they were read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.ingest.clock import to_utc
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.merge import Ranks
from pipeline.ingest.place import EXPECTED, FUTURE_TOLERANCE_S, Bench
from pipeline.ingest.records import Reject, RoundReadings
from pipeline.site.layout import Layout
from pipeline.site.models import Site
from pipeline.units import conversion

# Where and when a reading was taken, by whom, of what.
_PLACE = ["time_s", "tube", "reader", "direction_deg", "depth_m", "quantity"]
# ``occurrence`` counts the equal readings of one file from 0: somebody read twice.
_READING = [*_PLACE, "value", "occurrence"]
COLUMNS = [*_READING, "source", "file", "line"]
SCHEMA = pa.schema(
    [
        ("time_s", pa.int64()),
        ("tube", pa.string()),
        ("reader", pa.string()),
        ("direction_deg", pa.float64()),
        ("depth_m", pa.float64()),
        ("quantity", pa.string()),
        ("value", pa.float64()),
        ("occurrence", pa.int32()),
        ("source", pa.string()),
        ("file", pa.int64()),
        ("line", pa.int32()),
    ]
)

# What to do about a line of a book, in which no logger's clock is to be looked at.
_ADVICE = {
    "ambiguous_time": "The hour came twice (end of daylight saving). Put such lines into a "
    "book of their own, whose source states a utc_offset in place of a zone.",
    "missing_time": "The hour never was (start of daylight saving); correct it in the book.",
    "before_start": "Correct the time in the book.",
    "in_future": "Correct the time in the book.",
    "not_installed": "Correct the tube or the day in the book, or tubes.csv.",
}


class RoundsBook:
    """All hand readings of a site, in canonical units.

    Parameters
    ----------
    table, superseded : Table or None
        As `to_table` and `superseded_table` returned them; None where there are none yet.
    """

    def __init__(self, table: pa.Table | None, superseded: pa.Table | None = None) -> None:
        self._rows = _frame(table)
        self._superseded = _frame(superseded)

    def add(
        self, rounds: RoundReadings, bench: Bench, layout: Layout, entry: FileEntry
    ) -> None:
        """Add a file's readings; those that cannot be placed are set aside in its account."""
        self.forget({entry.file})
        form = layout.rounds
        if form is None or not len(rounds.value):
            return
        stamps = to_utc(rounds.stamp_s, bench.source.clock, bench.site.interval_s)
        refused = {
            **stamps.refused,
            "before_start": stamps.utc_s < bench.site.axis.origin_s,
            "in_future": stamps.utc_s > bench.now_s + FUTURE_TOLERANCE_S,
            "not_installed": ~in_the_ground(bench.site, rounds.tube, stamps.utc_s),
        }
        usable = np.ones(len(rounds.value), dtype=bool)
        for reason, rows in refused.items():
            fresh = rows & usable
            usable &= ~rows
            _refuse(entry, rounds, fresh, reason)
        entry.stored += int(usable.sum())
        if not usable.any():
            return
        new = pd.DataFrame(
            {
                "time_s": stamps.utc_s,
                "tube": rounds.tube,
                "reader": rounds.reader,
                "direction_deg": rounds.direction_deg,
                "depth_m": rounds.depth_m,
                "quantity": form.quantity,
                "value": conversion(form.unit, form.quantity)(rounds.value),
                "source": bench.source.id,
                "file": entry.file,
                "line": rounds.line,
            }
        )[usable]
        equal = new.sort_values("line", kind="stable").groupby(
            [*_PLACE, "value"], dropna=False
        )
        new["occurrence"] = equal.cumcount()
        entry.seen(int(new["time_s"].min()), int(new["time_s"].max()))
        self._rows = pd.concat([self._rows, new[COLUMNS]]) if len(self._rows) else new[COLUMNS]

    def settle(
        self, files: Mapping[int, tuple[str, ...]]
    ) -> tuple[Counter[int], Counter[int]]:
        """Drop readings another file repeats, and set apart those a newer revision corrects.

        Two equal lines of one file are two readings: somebody read twice. Of readings that
        several files hold, as many stay as the file has that holds most of them. Where a file
        was rewritten, a reading of the old revision gives way if the new one has any of the
        same time, tube, reader, direction, depth and quantity; the others stay.

        Parameters
        ----------
        files : mapping
            For each file its path, source and revision, which also decide which of equal
            readings stands for all.

        Returns
        -------
        (Counter, Counter)
            How many repeats, and how many superseded readings, each file had.
        """
        if not len(self._rows):
            return Counter(), Counter()
        ranks = Ranks.of(dict(files))
        file = self._rows["file"].to_numpy()
        rows = self._rows.assign(rank=ranks.rank[np.searchsorted(ranks.ids, file)])
        best = rows.groupby(_READING, dropna=False)["rank"].transform("max")
        repeated = rows["rank"] < best
        repeats = Counter(int(file) for file in rows.loc[repeated, "file"])
        rows = rows[~repeated]
        # Revisions of one path and source: the highest rank that holds a place is the newest.
        rows = rows.assign(
            book=rows["file"].map({f: "\0".join(k[:2]) for f, k in files.items()})
        )
        newest = rows.groupby([*_PLACE, "book"], dropna=False)["rank"].transform("max")
        corrected = rows["rank"] < newest
        superseded = Counter(int(file) for file in rows.loc[corrected, "file"])
        gone = rows.loc[corrected, COLUMNS]
        if len(gone):
            self._superseded = pd.concat([self._superseded, gone], ignore_index=True)
        self._rows = rows.loc[~corrected, COLUMNS].reset_index(drop=True)
        return repeats, superseded

    def forget(self, files: set[int]) -> None:
        """Drop the rows of some files, which are about to be read again."""
        for name in ("_rows", "_superseded"):
            rows: pd.DataFrame = getattr(self, name)
            setattr(self, name, rows[~rows["file"].isin(files)].reset_index(drop=True))

    def to_table(self) -> pa.Table:
        """Return the readings in a fixed order."""
        return _table(self._rows)

    def superseded_table(self) -> pa.Table:
        """Return the readings that a newer revision of their file corrects."""
        return _table(self._superseded)


def _frame(table: pa.Table | None) -> pd.DataFrame:
    rows: pd.DataFrame = (SCHEMA.empty_table() if table is None else table).to_pandas()
    return rows


def _table(rows: pd.DataFrame) -> pa.Table:
    ordered = rows[COLUMNS].sort_values(COLUMNS)
    table = pa.Table.from_pandas(ordered, schema=SCHEMA, preserve_index=False)
    # What is noted of pandas' own types depends on how the rows came together.
    return table.replace_schema_metadata()


def in_the_ground(
    site: Site, tubes: NDArray[np.str_], utc_s: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return which readings are of a tube that was in the ground on that day.

    Whole days, in the site's standard time: a book often notes the day alone, and a tube is
    read on the very day it is set or taken out.
    """

    def day(instant_s: NDArray[np.int64] | int) -> NDArray[np.int64] | int:
        return (instant_s + site.utc_offset_s) // DAY_S

    inside = np.zeros(len(tubes), dtype=bool)
    for name in np.unique(tubes):
        tube = site.tube_by_id.get(str(name))
        if tube is None:
            continue
        rows = tubes == name
        rows &= day(utc_s) >= day(int(tube.installed.timestamp()))
        if tube.removed is not None:
            rows &= day(utc_s) <= day(int(tube.removed.timestamp()))
        inside |= rows
    return inside


def _refuse(entry: FileEntry, rounds: RoundReadings, rows: np.ndarray, reason: str) -> None:
    """Set readings aside in the file's account."""
    if not rows.any():
        return
    first = int(np.flatnonzero(rows)[0])
    expected = EXPECTED[reason]
    if reason == "not_installed":
        expected = "a tube of tubes.csv, in the ground on that day"
    entry.reject(
        Reject(
            reason,
            0,
            int(rows.sum()),
            int(rounds.line[first]),
            f"tube {rounds.tube[first]!s} at {np.datetime64(int(rounds.stamp_s[first]), 's')}",
            expected,
            advice=_ADVICE[reason],
        )
    )
    entry.retry = entry.retry or reason == "in_future"
