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
from pipeline.history.differences import STORAGE, WATER, Names, Tally, compared_keys, tally
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
)
_LISTED_EVENTS = 1000


def compare_states(
    old: Snapshot, new: Snapshot, tubes: NDArray[np.bool_], stations: NDArray[np.bool_]
) -> dict[str, Any]:
    """Return what differs between two states, JSON-ready.

    Parameters
    ----------
    old, new : Snapshot
    tubes : array (tubes or 1, days), bool
        Where arrays of tubes can differ; one row stands for all tubes.
    stations : array (1, days), bool
        The same for arrays of stations.

    Returns
    -------
    dict
        ``water`` (by tube and depth, m3 m-3), ``storage`` (by tube and layer, mm),
        ``readings`` (by quantity and sensor, their own units), ``arrays`` (cells that differ),
        ``tables`` (rows), ``events`` (rows that appeared or vanished; None without events).
    """
    names = Names(old, new)
    tallies = {
        key: tally(key, old, new, _where(key, tubes, stations), names)
        for key in compared_keys(old, new)
    }
    return {
        "water": list(_water_rows(tallies, new.axis, names)),
        "storage": [
            {"tube": row.pop("column"), "layer": row.pop("level"), **row}
            for row in _rows(STORAGE, tallies, new.axis, names)
        ],
        "readings": list(_reading_rows(tallies, new.axis, names)),
        "arrays": [
            {"array": key, "cells": int(found.cells.sum())}
            for key, found in tallies.items()
            if found.cells.any()
        ],
        "tables": list(_table_rows(old, new)),
        "events": compare_events(old.table(EVENTS), new.table(EVENTS)),
    }


def compare_events(old: pa.Table | None, new: pa.Table | None) -> dict[str, Any] | None:
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
) -> Iterator[dict[str, Any]]:
    """Return the rows of one array with times for positions."""
    spec = SPECS[key]
    step = DAY_S if spec.dims[0] == DAY else axis.interval_s
    if key in tallies:
        for row in tallies[key].rows(*names.of(spec)):
            times = {n: iso_utc(axis.origin_s + row[n] * step) for n in ("first", "last")}
            yield row | times


def _water_rows(
    tallies: dict[str, Tally], axis: TimeAxis, names: Names
) -> Iterator[dict[str, Any]]:
    """Return a row for each sensor whose water or flags differ."""
    rows = {
        (row["column"], row["level"]): {**row, "flags": 0}
        for row in _rows(WATER, tallies, axis, names)
    }
    for row in _rows(QUALITY, tallies, axis, names):
        sensor = row["column"], row["level"]
        empty = {"cells": 0, "appeared": 0, "vanished": 0, "mean": None, "largest": None}
        rows.setdefault(sensor, {**row, **empty})["flags"] = row["cells"]
    tubes, depths = (names.labels[dim] for dim in ("tube", "depth"))
    for tube, depth in sorted(
        rows, key=lambda s: (tubes.index(s[0]), depths[depths.index(s[1])])
    ):
        row = rows[tube, depth]
        del row["column"], row["level"]
        yield {"tube": tube, "depth_cm": round(depth * 100, 2), **row}


def _reading_rows(
    tallies: dict[str, Tally], axis: TimeAxis, names: Names
) -> Iterator[dict[str, Any]]:
    """Return a row for each sensor (or station) whose logged values differ."""
    for key in tallies:
        if SPECS[key].group == "readings":
            for row in _rows(key, tallies, axis, names):
                depth = row.pop("level")
                place = {
                    "quantity": SPECS[key].name,
                    "place": row.pop("column"),
                    "depth_cm": None if depth is None else round(depth * 100, 2),
                }
                yield place | row


def _table_rows(old: Snapshot, new: Snapshot) -> Iterator[dict[str, Any]]:
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
            **{kind: int(mark.sum()) for kind, mark in marks.items()},
        }


def _match(before: pd.DataFrame, after: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
    """Return which rows appeared and changed (of ``after``) and vanished (of ``before``)."""
    before, after = _classed(before), _classed(after)
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
