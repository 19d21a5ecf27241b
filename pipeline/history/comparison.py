"""Two states of a store told apart: water and storage by sensor, readings, tables, events."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S, TimeAxis, iso_utc, with_instants
from pipeline.derive.conductivity import class_of
from pipeline.history.differences import (
    STORAGE,
    WATER,
    Difference,
    Names,
    Tally,
    compared_keys,
    tally,
)
from pipeline.history.documents import (
    Comparison,
    EventsDifference,
    ReadingDifference,
    TableDifference,
    WaterDifference,
)
from pipeline.history.hand_readings import hand_readings_apart
from pipeline.store.cubes import DAY, SPECS
from pipeline.store.state import Snapshot

QUALITY = "water/quality"
EVENTS = "events"
# What the store keeps for itself: rules, accounts of files and nights, descriptions.
_OWN_TABLES = {
    *("day_nights", "description", "ledger", "rules", "thinned", "undone_description"),
}
# Columns that together tell one row of a table from another, where a table has them.
_KEYS = (
    *("tube", "station", "source", "place", "layer", "depth", "depth_m", "quantity", "kind"),
    *("event", "start_s", "onset_s", "time_s", "day_s", "first_s", "stop_s", "step", "day"),
    *("group", "block", "first_month", "second_month", "class"),
    *("reader", "direction_deg", "occurrence"),
)
# Where a reading came from is no part of the result.
_ORIGIN = ["file", "line"]
_LISTED_EVENTS = 1000


def compare_states(
    old: Snapshot, new: Snapshot, tubes: NDArray[np.bool_], stations: NDArray[np.bool_]
) -> Comparison:
    """Return what differs between two states, JSON-ready.

    Parameters
    ----------
    old, new : Snapshot
    tubes : array (tubes or 1, days), bool
        Where arrays of tubes can differ; one row stands for all tubes.
    stations : array (1, days), bool
        The same for arrays of stations.
    """
    names = Names(old, new)
    tallies = {
        key: tally(key, old, new, _where(key, tubes, stations), names)
        for key in compared_keys(old, new)
    }
    return {
        "water": list(_water_rows(tallies, new.axis, names)),
        "storage": [
            {"tube": tube, "layer": layer, **row}
            for tube, layer, row in _rows(STORAGE, tallies, new.axis, names)
        ],
        "readings": list(_reading_rows(tallies, new.axis, names)),
        "hand_readings": list(hand_readings_apart(old, new)),
        "arrays": [
            {"array": key, "cells": int(found.cells.sum())}
            for key, found in tallies.items()
            if found.cells.any()
        ],
        "tables": list(_table_rows(old, new)),
        "events": compare_events(old.table(EVENTS), new.table(EVENTS)),
    }


def compare_events(old: pa.Table | None, new: pa.Table | None) -> EventsDifference | None:
    """Return how many events appeared, vanished or changed, and the first of them."""
    if old is None and new is None:
        return None
    before, after = _frame(old, new), _frame(new, old)
    marks = _match(before, after)
    appeared, vanished = after[marks["appeared"]], before[marks["vanished"]]
    return {
        "appeared": len(appeared),
        "vanished": len(vanished),
        "changed": int(marks["changed"].sum()),
        "appeared_rows": _records(appeared),
        "vanished_rows": _records(vanished),
    }


def _where(
    key: str, tubes: NDArray[np.bool_], stations: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    return stations if SPECS[key].dims[1] == "station" else tubes


def _rows(
    key: str, tallies: dict[str, Tally], axis: TimeAxis, names: Names
) -> Iterator[tuple[str, Any, Difference]]:
    """Return the column, the level and the difference of each row of one array."""
    spec = SPECS[key]
    step = DAY_S if spec.dims[0] == DAY else axis.interval_s
    if key in tallies:
        columns, levels = names.of(spec)
        yield from tallies[key].rows(
            columns, levels, lambda at: iso_utc(axis.origin_s + at * step)
        )


def _water_rows(
    tallies: dict[str, Tally], axis: TimeAxis, names: Names
) -> Iterator[WaterDifference]:
    """Return a row for each sensor whose water or flags differ."""
    water, flags = (
        {(tube, depth): row for tube, depth, row in _rows(key, tallies, axis, names)}
        for key in (WATER, QUALITY)
    )
    tubes = names.labels["tube"]
    for tube, depth in sorted({**water, **flags}, key=lambda s: (tubes.index(s[0]), s[1])):
        flagged = flags.get((tube, depth))
        yield {
            "tube": tube,
            "depth_cm": round(depth * 100, 2),
            **(water.get((tube, depth)) or _no_water(flags[tube, depth])),
            "flags": flagged["cells"] if flagged else 0,
        }


def _no_water(flags: Difference) -> Difference:
    """Return the difference in water where only flags differ."""
    return {
        "cells": 0,
        "appeared": 0,
        "vanished": 0,
        "mean": None,
        "largest": None,
        "first": flags["first"],
        "last": flags["last"],
    }


def _reading_rows(
    tallies: dict[str, Tally], axis: TimeAxis, names: Names
) -> Iterator[ReadingDifference]:
    """Return a row for each sensor (or station) whose logged values differ."""
    for key in tallies:
        if SPECS[key].group == "readings":
            for place, depth, row in _rows(key, tallies, axis, names):
                yield {
                    "quantity": SPECS[key].name,
                    "place": place,
                    "depth_cm": None if depth is None else round(depth * 100, 2),
                    **row,
                }


def _table_rows(old: Snapshot, new: Snapshot) -> Iterator[TableDifference]:
    """Return a row for each table of results whose rows differ."""
    for name in sorted({*old.tables(), *new.tables()} - _OWN_TABLES):
        before, after = old.table(name), new.table(name)
        if before is not None and after is not None and before.equals(after):
            continue
        frames = _frame(before, after), _frame(after, before)
        marks = _match(*frames)
        if len(frames[0]) == len(frames[1]) and not any(mark.any() for mark in marks.values()):
            continue  # the same rows in another form
        yield {
            "table": name,
            "rows_before": len(frames[0]),
            "rows_after": len(frames[1]),
            "appeared": int(marks["appeared"].sum()),
            "vanished": int(marks["vanished"].sum()),
            "changed": int(marks["changed"].sum()),
        }


def _match(before: pd.DataFrame, after: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
    """Return which rows appeared and changed (of ``after``) and vanished (of ``before``)."""
    before, after = (
        _classed(rows.drop(columns=_ORIGIN, errors="ignore")) for rows in (before, after)
    )
    shared = [name for name in before.columns if name in after.columns]
    key = [name for name in _KEYS if name in shared]
    if "event" in key:  # named by its first onset; when each sensor was reached is a result
        key = [name for name in key if name != "onset_s"]
    if not key or before.duplicated(key).any() or after.duplicated(key).any():
        key = shared
    if not key:
        empty = np.zeros(0, dtype=bool)
        return {"appeared": empty, "vanished": empty, "changed": empty}
    keys = [pd.util.hash_pandas_object(f[key], index=False) for f in (before, after)]
    rows = [pd.util.hash_pandas_object(f[shared], index=False) for f in (before, after)]
    known, here = np.isin(keys[1], keys[0]), np.isin(keys[0], keys[1])
    return {
        "appeared": ~known,
        "vanished": ~here,
        "changed": known & ~np.isin(rows[1], rows[0]),
    }


def _classed(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows of conductivity with their class of water content, whose mean may move."""
    if not {"conductivity_mm_d", "water_content"} <= set(rows):
        return rows
    return rows.assign(**{"class": class_of(rows["water_content"].to_numpy(np.float64))})


def _frame(table: pa.Table | None, other: pa.Table | None) -> pd.DataFrame:
    """Return a table's rows; of a missing one none, with the columns of the other."""
    if table is not None:
        return table.to_pandas()
    return pd.DataFrame() if other is None else other.schema.empty_table().to_pandas()


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    table = pa.Table.from_pandas(rows[:_LISTED_EVENTS], preserve_index=False)
    return [with_instants(row) for row in table.to_pylist()]
