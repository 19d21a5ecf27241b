"""The table of suspected drift, `drift_suspects`, over the whole record of all tubes.

Worked out anew each night from daily means: a series of months and wettings is short, and a
neighbour's new day counts for its neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.qc.drift_suspects import (
    Suspect,
    neighbour_suspect,
    sentence,
    wet_end_suspect,
)
from pipeline.qc.neighbours import median_of_others
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

TABLE = "drift_suspects"
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
    rows: list[dict[str, object]] = []
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
    others = _median_of_others(snapshot, site, daily)
    found = []
    for tube in sorted(t.tube for t in site.tubes if t.tube in labels["tube"]):
        row, southern = labels["tube"].index(tube), site.tube_by_id[tube].latitude < 0
        for depth_m in sorted(labels["depth"]):
            column = labels["depth"].index(depth_m)
            own = daily[:, row, column]
            if not np.isfinite(own).any():
                continue
            both = (
                neighbour_suspect(own, others[:, row, column]),
                wet_end_suspect(own, month, southern),
            )
            found += [(tube, depth_m, suspect) for suspect in both if suspect is not None]
    return found


def _median_of_others(snapshot: Snapshot, site: Site, daily: Floats) -> Floats:
    """Return the daily median of all other sensors of the same soil and nominal depth."""
    rows: dict[str, list[int]] = {}
    for tube in site.tubes:
        if tube.tube in snapshot.labels["tube"]:
            rows.setdefault(tube.soil, []).append(snapshot.labels["tube"].index(tube.tube))
    others = np.full(daily.shape, np.nan)
    for part in rows.values():
        others[:, part] = median_of_others(daily[:, part])[0]
    return others


def _months(site: Site, days: int) -> NDArray[np.int64]:
    """Return the month, 1 to 12, of each day of the axis in the site's standard time."""
    start_s = site.axis.origin_s + site.utc_offset_s
    stamps = (start_s + np.arange(days, dtype=np.int64) * DAY_S).astype("datetime64[s]")
    months: NDArray[np.int64] = stamps.astype("datetime64[M]").astype(np.int64) % 12 + 1
    return months


def _row(snapshot: Snapshot, tube: str, depth_m: float, suspect: Suspect) -> dict[str, object]:
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
