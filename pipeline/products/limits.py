"""The table of soil limits: what each sensor's record tells, kept in the store every night."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.derive.limits import Estimate, SensorLimits, tube_limits
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

TABLE = "soil_limits"
_DAILY = "daily/daily_water_content"
_ESTIMATES = ("upper", "days_to_drain", "lower")
SCHEMA = pa.schema(
    [("tube", pa.string()), ("depth_m", pa.float64())]
    + [
        (f"{name}{part}", kind)
        for name in _ESTIMATES
        for part, kind in (
            ("", pa.float64()),
            ("_error", pa.float64()),
            ("_spells", pa.int32()),
        )
    ]
    + [("lower_is_bound", pa.bool_()), ("highest", pa.float64()), ("days", pa.int32())]
)


def soil_limits_step(
    snapshot: Snapshot, site: Site, computed: NDArray[np.bool_]
) -> dict[str, pa.Table]:
    """Return the limits of every sensor that has a daily mean.

    A tube is worked out anew when any of its days was computed; its rows depend on its own
    daily means and on nothing else.

    Returns
    -------
    dict
        ``soil_limits``, a row a tube and nominal depth, by name of the tube and
        downwards: ``upper``, ``days_to_drain`` and ``lower`` with ``_error`` and ``_spells``
        (see `pipeline.derive.limits`), ``lower_is_bound``, ``highest`` [m3 m-3], and ``days``,
        how many daily means there are; null for what the record does not show.
    """
    stored = snapshot.table(TABLE)
    known = {} if stored is None else _by_tube(stored)
    names: list[str] = snapshot.labels["tube"]
    anew = [row for row, name in enumerate(names) if name not in known or computed[row].any()]
    made: dict[str, list[dict[str, object]]] = {}
    if anew and snapshot.holds(_DAILY):
        lowest, stop = anew[0], anew[-1] + 1  # read at once: neighbours share their chunks
        daily = snapshot.read(_DAILY, 0, snapshot.days, slice(lowest, stop))
        made = {
            names[row]: _rows(snapshot, daily[:, row - lowest], names[row]) for row in anew
        }
    # By name: the order of labels is that of first description, which other nights may change.
    rows = [row for name in sorted(names) for row in made.get(name, known.get(name, []))]
    return {TABLE: pa.Table.from_pylist(rows, schema=SCHEMA)}


def _by_tube(table: pa.Table) -> dict[str, list[dict[str, object]]]:
    found: dict[str, list[dict[str, object]]] = {}
    for row in table.to_pylist():
        found.setdefault(row["tube"], []).append(row)
    return found


def tube_rows(snapshot: Snapshot, row: int, tube: str) -> list[dict[str, object]]:
    """Return the rows of one tube, by its column in the store; downwards."""
    daily = snapshot.read(_DAILY, 0, snapshot.days, slice(row, row + 1))[:, 0]
    return _rows(snapshot, daily, tube)


def _rows(snapshot: Snapshot, stored: NDArray, tube: str) -> list[dict[str, object]]:
    """Return the rows of one tube from its daily means (day, depth) as stored."""
    daily, depths = stored.astype(np.float64), snapshot.labels["depth"]
    count = np.count_nonzero(~np.isnan(daily), axis=0)
    columns = [at for at in sorted(range(len(depths)), key=lambda at: depths[at]) if count[at]]
    found = tube_limits(daily[:, columns])
    return [
        _row(tube, depths[column], limits, int(count[column]))
        for column, limits in zip(columns, found, strict=True)
    ]


def _row(tube: str, depth_m: float, found: SensorLimits, days: int) -> dict[str, object]:
    row: dict[str, object] = {"tube": tube, "depth_m": depth_m}
    for name in _ESTIMATES:
        estimate: Estimate = getattr(found, name)
        row |= {
            name: _or_none(estimate.value),
            f"{name}_error": _or_none(estimate.error),
            f"{name}_spells": estimate.spells,
        }
    return row | {
        "lower_is_bound": found.lower_is_bound,
        "highest": found.highest,
        "days": days,
    }


def _or_none(value: float) -> float | None:
    """Return None for NaN: tables that hold NaN never equal one another."""
    return None if np.isnan(value) else value
