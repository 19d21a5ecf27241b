"""The table of suspected drift, `drift_suspects`, over the whole record of all tubes.

Worked out anew each night from daily means: a series of months and wettings is short, and a
neighbour's new day counts for its neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.qc.drift_suspects import (
    Suspect,
    neighbour_suspect,
    sentence,
    wet_end_suspect,
)
from pipeline.site.models import Site
from pipeline.state import Snapshot

TABLE = "drift_suspects"
LEAST_NEIGHBOURS = 2  # of the same soil and nominal depth
SCHEMA = pa.schema(
    [
        ("tube", pa.string()),
        ("depth_m", pa.float64()),
        ("kind", pa.string()),  # "wet end" or "neighbours"
        ("slope", pa.float64()),  # m3 m-3 a year
        ("p", pa.float64()),
        ("values", pa.int64()),
        ("from_s", pa.int64()),
        ("until_s", pa.int64()),
        ("sentence", pa.string()),
    ]
)
_DAILY = "daily/daily_water_content"
Floats = NDArray[np.float64]


def drift_suspects(
    snapshot: Snapshot, site: Site, computed: NDArray[np.bool_]
) -> Mapping[str, pa.Table]:
    """Return a row for each sensor and kind of evidence whose drift is suspected.

    Parameters
    ----------
    snapshot : Snapshot
    site : Site
    computed : array (tubes, days), bool
        Not needed: see the module.
    """
    rows: list[dict[str, Any]] = []
    if snapshot.holds(_DAILY) and snapshot.days:
        daily = snapshot.read(_DAILY, 0, snapshot.days).astype(np.float64)
        for tube, depth_m, suspect in _suspects(snapshot, site, daily):
            rows.append(_row(snapshot, tube, depth_m, suspect))
    columns = {name: [row[name] for row in rows] for name in SCHEMA.names}
    return {TABLE: pa.table(columns, schema=SCHEMA)}


def _suspects(
    snapshot: Snapshot, site: Site, daily: Floats
) -> list[tuple[str, float, Suspect]]:
    """Return all suspicions by tube and depth, ``daily`` (day, tube, depth)."""
    labels = snapshot.labels
    month = _months(site, snapshot.days)
    ordered = _ordered(snapshot, site, daily)
    found = []
    for tube in sorted(t.tube for t in site.tubes if t.tube in labels["tube"]):
        row, place = labels["tube"].index(tube), site.tube_by_id[tube]
        alike = ordered[place.soil]
        for depth_m in sorted(labels["depth"]):
            column = labels["depth"].index(depth_m)
            own = daily[:, row, column]
            if not np.isfinite(own).any():
                continue
            beside = alike.shape[1] > LEAST_NEIGHBOURS
            both = (
                neighbour_suspect(own, median_of_others(alike[..., column], own))
                if beside
                else None,
                wet_end_suspect(own, month, place.latitude < 0),
            )
            found += [(tube, depth_m, suspect) for suspect in both if suspect is not None]
    return found


def _ordered(snapshot: Snapshot, site: Site, daily: Floats) -> dict[str | None, Floats]:
    """Return by soil the values of all its tubes, (day, tube, depth), each day's upwards."""
    rows: dict[str | None, list[int]] = {}
    for tube in site.tubes:
        if tube.tube in snapshot.labels["tube"]:
            rows.setdefault(tube.soil, []).append(snapshot.labels["tube"].index(tube.tube))
    return {soil: np.sort(daily[:, part], axis=1) for soil, part in rows.items()}


def median_of_others(ordered: Floats, own: Floats) -> Floats:
    """Return for each day the median of all sensors but one.

    Parameters
    ----------
    ordered : array (day, sensor)
        Values of all, each day's upwards and NaN last.
    own : array (day,)
        Of the one, which is among them.

    Returns
    -------
    array (day,)
        NaN where fewer than `LEAST_NEIGHBOURS` others have a value.
    """
    there = np.isfinite(own)
    count = np.isfinite(ordered).sum(axis=1) - there
    # Among the others, what stands behind the one is one place further on.
    place = np.where(there, (ordered < own[:, np.newaxis]).sum(axis=1), ordered.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    last, day = ordered.shape[1] - 1, np.arange(len(ordered))
    low, high = (np.minimum(at + (at >= place), last) for at in (low, high))
    median = 0.5 * (ordered[day, low] + ordered[day, high])
    return np.where(count >= LEAST_NEIGHBOURS, median, np.nan)


def _months(site: Site, days: int) -> NDArray[np.int64]:
    """Return the month, 1 to 12, of each day of the axis in the site's standard time."""
    start_s = site.axis.origin_s + site.utc_offset_s
    stamps = (start_s + np.arange(days, dtype=np.int64) * DAY_S).astype("datetime64[s]")
    months: NDArray[np.int64] = stamps.astype("datetime64[M]").astype(np.int64) % 12 + 1
    return months


def _row(snapshot: Snapshot, tube: str, depth_m: float, suspect: Suspect) -> dict[str, Any]:
    origin_s = snapshot.axis.origin_s
    return {
        "tube": tube,
        "depth_m": depth_m,
        "kind": suspect.kind,
        "slope": suspect.slope,
        "p": suspect.p,
        "values": suspect.values,
        "from_s": origin_s + suspect.first_day * DAY_S,
        "until_s": origin_s + (suspect.last_day + 1) * DAY_S,
        "sentence": sentence(suspect, origin_s),
    }
