"""The picture of a comparison: which sensors and layers to draw, and their daily changes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.history.differences import Difference
from pipeline.history.documents import StatesApart, StorageDifference, WaterDifference
from pipeline.report.change_chart import Change, draw_change
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

MOST_SENSORS, MOST_LINES = 24, 8
D = TypeVar("D", bound=Difference)


def picture_of(
    site: Site, old: Snapshot, new: Snapshot, account: StatesApart, path: Path
) -> Path:
    """Draw the sensors and layers of a comparison that changed most.

    Parameters
    ----------
    site : Site
    old, new : Snapshot
    account : StatesApart
        Its ``picture`` is not there yet.
    path : Path
        Of the PNG.
    """
    sensors = _most(account["water"], MOST_SENSORS)
    lines = _most(account["storage"], MOST_LINES)
    span = _span(site, new, [*sensors, *lines])
    water = [_sensor(old, new, row, span) for row in sensors]
    storage = [_layer(old, new, row, span) for row in lines]
    length = span.stop - span.start
    change = Change(
        days=(site.axis.origin_s + site.utc_offset_s) // DAY_S
        + np.arange(span.start, span.stop),
        sensors=[f"{row['tube']} {row['depth_cm']:g} cm" for row in sensors],
        water=np.array(water).reshape(len(water), length),
        lines=[f"{row['tube']}, {row['layer']}" for row in lines],
        storage=np.array(storage).reshape(len(storage), length),
        utc_offset_s=site.utc_offset_s,
    )
    about = [f"from {account['from']} to {account['to']}"]
    left_out = len(account["water"]) - len(sensors)
    if left_out > 0:
        about.append(f"the {len(sensors)} sensors that changed most; {left_out} more changed")
    return draw_change(change, f"{site.title}: what changed", about, path)


def _most(rows: list[D], count: int) -> list[D]:
    """Return the rows that changed most, in their own order."""
    weight = [abs(row["mean"] or 0.0) * row["cells"] + 1e-9 * row["cells"] for row in rows]
    first = sorted(range(len(rows)), key=lambda at: -weight[at])[:count]
    return [rows[at] for at in sorted(first) if rows[at]["cells"]]


def _span(site: Site, state: Snapshot, rows: Sequence[Difference]) -> slice:
    """Return the days of the axis that hold every change of some rows."""
    if not rows:
        return slice(max(0, state.days - site.report.days), max(1, state.days))
    ends = [[_seconds(row[end]) for row in rows] for end in ("first", "last")]
    first, last = min(ends[0]), max(ends[1])
    return slice(
        (first - site.axis.origin_s) // DAY_S, (last - site.axis.origin_s) // DAY_S + 1
    )


def _seconds(text: str) -> int:
    return int(np.datetime64(text.removesuffix("Z"), "s").astype(np.int64))


def _sensor(
    old: Snapshot, new: Snapshot, row: WaterDifference, span: slice
) -> NDArray[np.float64]:
    depth = round(row["depth_cm"] / 100, 4)
    key = "daily/daily_water_content"
    before, after = (_daily(s, key, row["tube"], "depth", depth, span) for s in (old, new))
    return after - before


def _layer(
    old: Snapshot, new: Snapshot, row: StorageDifference, span: slice
) -> NDArray[np.float64]:
    key = "daily/daily_storage"
    before, after = (
        _daily(s, key, row["tube"], "layer", row["layer"], span) for s in (old, new)
    )
    return after - before


def _daily(
    state: Snapshot, key: str, tube: str, dim: str, level: str | float, span: slice
) -> NDArray[np.float64]:
    """Return daily values of one tube at one level; NaN where the state has none."""
    result = np.full(span.stop - span.start, np.nan)
    labels = state.labels
    if tube in labels["tube"] and level in labels[dim] and state.holds(key):
        at = labels["tube"].index(tube)
        found = state.read(key, span.start, span.stop, slice(at, at + 1))
        result[: len(found)] = found[:, 0, labels[dim].index(level)]
    return result
