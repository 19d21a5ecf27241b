"""Rain that gave way: of a sum nothing may be left out, of water content a reading may."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow.compute as pc

from pipeline.errors import Problem
from pipeline.ingest.ledger import FileEntry
from pipeline.store.state import Snapshot

RAIN = "readings/rain"


def lost_rain(state: Snapshot, read: Iterable[FileEntry]) -> list[Problem]:
    """Name files of which rain gave way to other rain of the same file.

    Of readings that fall on one step one is kept. A copy or a correction in another file
    stands for what it replaces; within a file both are of the same shower.

    Parameters
    ----------
    state : Snapshot
        With tonight's readings.
    read : iterable of FileEntry
        The files read tonight.
    """
    entries = {entry.file: entry for entry in read if entry.superseded}
    table = state.table("superseded") if entries and state.holds(RAIN) else None
    if table is None:
        return []
    rows = table.filter(pc.field("quantity") == "rain").to_pandas()
    rows = rows[rows["file"].isin(list(entries)) & (rows["value"] > 0)]
    if rows.empty:
        return []
    steps = rows["step"].to_numpy()
    stations = rows["place"].map(state.labels["station"].index).to_numpy()
    winner = state.read(f"{RAIN}_file", int(steps.min()), int(steps.max()) + 1)
    own = winner[steps - steps.min(), stations] == rows["file"].to_numpy()
    minutes = state.axis.interval_s / 60
    return [
        Problem(
            entries[file].path,
            f"line {int(lost['line'].min())}",
            f"{np.float64(lost['value'].sum()):.1f} mm of rain in readings that fall on the "
            f"step of another",
            f"one reading every {minutes:g} min, the site's step",
            "Rain is a sum: this is missing from it. Let the site's interval be that of the "
            "gauge, or the gauge log as often as the site.",
        )
        for file, lost in rows[own].groupby("file", sort=False)
    ]
