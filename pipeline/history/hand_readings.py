"""How the hand readings of two states differ: they stand in a table, not in the cube."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from pipeline.axis import iso_utc
from pipeline.history.documents import ReadingDifference
from pipeline.ingest.rounds_book import SCHEMA
from pipeline.store.state import Snapshot

# Columns that tell one hand reading from another, and where it stands in what is told.
_READING = ["time_s", "tube", "reader", "direction_deg", "depth_m", "quantity", "occurrence"]
_PLACE = ["quantity", "tube", "depth_m"]


def hand_readings_apart(old: Snapshot, new: Snapshot) -> Iterator[ReadingDifference]:
    """Yield a row for each place whose hand readings differ, in the order of their names."""
    before, after = _readings(old, "before"), _readings(new, "after")
    if before.empty and after.empty:  # which a merge of texts does not take
        return
    both = before.merge(after, "outer", _READING)
    changed = both[~both["before"].eq(both["after"])]
    for _, rows in changed.groupby(_PLACE, sort=True):
        quantity, tube, depth_m = rows.iloc[0][_PLACE]
        was, now = (rows[name].to_numpy(np.float64) for name in ("before", "after"))
        moved = (now - was)[np.isfinite(now - was)]
        times_s = rows["time_s"].to_numpy(np.int64)
        yield {
            "quantity": quantity,
            "place": tube,
            "depth_cm": round(depth_m * 100, 2),
            "cells": len(rows),
            "appeared": int(np.isnan(was).sum()),
            "vanished": int(np.isnan(now).sum()),
            "mean": float(moved.mean()) if len(moved) else None,
            "largest": float(moved[np.abs(moved).argmax()]) if len(moved) else None,
            "first": iso_utc(int(times_s.min())),
            "last": iso_utc(int(times_s.max())),
        }


def _readings(state: Snapshot, name: str) -> pd.DataFrame:
    """Return the hand readings of a state, their values in a column of this name."""
    table = state.table("rounds")
    if table is None:
        table = SCHEMA.empty_table()
    frame: pd.DataFrame = table.select([*_READING, "value"]).to_pandas()
    return frame.rename(columns={"value": name})
