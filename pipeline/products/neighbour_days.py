"""Days on which a tube departs from its neighbours: the test "neighbour tubes", by day.

Suspect only. The rows are kept apart from the tests of single readings, because those see one
tube each; here a changed day of one tube may change what its neighbours are held against.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.neighbours import (
    AHEAD_DAYS,
    BACK_DAYS,
    at_nominal_depths,
    flag_neighbour_tubes,
    neighbour_groups,
)
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

DAILY = "daily/daily_water_content"
NEIGHBOUR_DAYS = pa.schema(
    [
        ("tube", pa.string()),
        ("depth_m", pa.float64()),
        ("day_s", pa.int64()),
        ("departure", pa.float32()),
    ]
)
# Days of record taken at once where all of it is new.
SLAB_DAYS = 364


def neighbour_inputs(state: Snapshot, site: Site) -> str:
    """Return who are neighbours, and where their sensors are: what the flags depend on."""
    return json.dumps([[t.tube, t.soil, t.group, t.set_in_m] for t in site.tubes])


def neighbour_days(
    state: Snapshot, site: Site, computed: NDArray[np.bool_]
) -> dict[str, pa.Table]:
    """Keep the days on which tubes depart from their neighbours up to date.

    Returns
    -------
    dict
        ``neighbour_days``, one row a flagged tube, depth (nominal) and day: `NEIGHBOUR_DAYS`;
        ``departure`` [m3 m-3] is how far outside of what neighbours showed.
    """
    names = state.labels["tube"]
    order = np.argsort(state.labels["depth"], kind="stable")
    depths = np.array(state.labels["depth"], dtype=np.float64)[order]
    stale = np.zeros(computed.shape, dtype=bool)
    fresh: list[pd.DataFrame] = []
    for group in neighbour_groups(site, names) if state.holds(DAILY) else ():
        days = np.flatnonzero(_touched(np.logical_or.reduce(computed[group], axis=0)))
        for first, stop in _runs(days):
            stale[group, first:stop] = True
            fresh.append(_flagged(state, site, group, (first, stop), (depths, order)))
    old = _stored(state)
    at = pd.Index(names, dtype=object).get_indexer(pd.Index(old["tube"], dtype=object))
    day = (old["day_s"].to_numpy() - state.axis.origin_s) // DAY_S
    rows = pd.concat([old[~stale[at, day]], *fresh], ignore_index=True)
    place = {name: number for number, name in enumerate(names)}
    rows = rows.assign(_tube=rows["tube"].map(place)).sort_values(
        ["_tube", "depth_m", "day_s"]
    )
    table = pa.Table.from_pandas(
        rows[NEIGHBOUR_DAYS.names], schema=NEIGHBOUR_DAYS, preserve_index=False
    )
    return {"neighbour_days": table.replace_schema_metadata(None)}


def _touched(computed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the days whose flag may see a computed day."""
    touched = computed.copy()
    for ahead in range(1, AHEAD_DAYS + 1):
        touched[:-ahead] |= computed[ahead:]
    for back in range(1, BACK_DAYS + 1):
        touched[back:] |= computed[:-back]
    return touched


def _runs(days: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Return runs of days, cut into slabs at fixed days."""
    if not days.size:
        return []
    breaks = np.flatnonzero((np.diff(days) > 1) | (np.diff(days // SLAB_DAYS) > 0)) + 1
    return [(int(run[0]), int(run[-1]) + 1) for run in np.split(days, breaks)]


def _flagged(
    state: Snapshot,
    site: Site,
    group: NDArray[np.intp],
    span: tuple[int, int],
    axis: tuple[NDArray[np.float64], NDArray[np.intp]],
) -> pd.DataFrame:
    """Return the flagged days of one group in a span."""
    depths, order = axis
    names = [state.labels["tube"][at] for at in group]
    first, stop = max(0, span[0] - BACK_DAYS), min(state.days, span[1] + AHEAD_DAYS)
    columns = slice(int(group.min()), int(group.max()) + 1)
    water = state.read(DAILY, first, stop, columns)[:, group - group.min()][..., order]
    real = np.array([[site.sensor_depth_m(name, depth) for depth in depths] for name in names])
    profiles = at_nominal_depths(water.astype(np.float64), depths, real)
    suspect, departure = flag_neighbour_tubes(profiles, [np.arange(len(names))])
    suspect[: span[0] - first] = False
    suspect[span[1] - first :] = False
    day, tube, depth = np.nonzero(suspect)
    return pd.DataFrame(
        {
            "tube": np.array(names, dtype=object)[tube],
            "depth_m": depths[depth],
            "day_s": state.axis.origin_s + DAY_S * (first + day),
            "departure": departure[day, tube, depth].astype(np.float32),
        }
    )


def daily_tests(state: Snapshot, first: int, stop: int) -> NDArray[np.uint16]:
    """Return the tests that fired on whole days, (day, tube, depth) in the store's order.

    ``missing`` where there is no daily value, ``neighbour_tube`` where the tube departs from
    its neighbours.
    """
    water = state.read(DAILY, first, stop)
    tests = np.where(np.isfinite(water), 0, TEST_BITS["missing"]).astype(np.uint16)
    rows = neighbour_rows(state, first, stop)
    tube = pd.Index(state.labels["tube"], dtype=object).get_indexer(
        pd.Index(rows["tube"], dtype=object)
    )
    depth = pd.Index(state.labels["depth"]).get_indexer(pd.Index(rows["depth_m"]))
    day = (rows["day_s"].to_numpy() - state.axis.origin_s) // DAY_S - first
    tests[day, tube, depth] |= np.uint16(TEST_BITS["neighbour_tube"])
    return tests


def neighbour_rows(state: Snapshot, first: int, stop: int) -> pd.DataFrame:
    """Return the flagged days from ``first`` to ``stop`` (exclusive)."""
    rows = _stored(state)
    day = (rows["day_s"] - state.axis.origin_s) // DAY_S
    return rows[(day >= first) & (day < stop)]


def _stored(state: Snapshot) -> pd.DataFrame:
    table = state.table("neighbour_days")
    rows: pd.DataFrame = (NEIGHBOUR_DAYS.empty_table() if table is None else table).to_pandas()
    return rows
