"""Space: site and group means day by day, and which tube stands for the site.

Every value rests on the offsets of all tubes, and those on the whole record, so the tables are
made anew whenever a day or a hand reading changes; from daily values that is quick.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import DAY_S
from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.derive.field_days import (
    STORAGE,
    STORAGE_ERROR,
    WATER,
    WATER_ERROR,
    field_days,
)
from pipeline.derive.means import mean_columns
from pipeline.derive.ranks import monthly_places, rank_correlations
from pipeline.derive.stability import COLUMNS, differences, stability_columns
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

STABILITY, MEANS, RANKS = "stability", "site_means", "rank_correlations"
_CELL = [("quantity", pa.string()), ("depth_m", pa.float64()), ("layer", pa.string())]
_NAMED = ("direct", "with_offset", "first_half", "second_half")
_MEAN_COLUMNS = (
    "mean",
    "lower",
    "upper",
    "sampling_error",
    "systematic_error",
    "spread",
    "degrees_of_freedom",
)
SCHEMAS = {
    STABILITY: pa.schema(
        [
            *_CELL,
            ("tube", pa.string()),
            *((name, pa.float64()) for name in COLUMNS),
            *((name, pa.bool_()) for name in _NAMED),
            ("block_days", pa.int32()),
            ("blocks", pa.int32()),
        ]
    ),
    MEANS: pa.schema(
        [
            *_CELL,
            ("group", pa.string()),
            ("day_s", pa.int64()),
            *((name, pa.float32()) for name in _MEAN_COLUMNS),
            ("measured", pa.int16()),
            ("members", pa.int16()),
        ]
    ),
    RANKS: pa.schema(
        [
            *_CELL,
            ("first_month", pa.string()),
            ("second_month", pa.string()),
            ("tubes", pa.int16()),
            ("rank_correlation", pa.float64()),
        ]
    ),
}
TABLES = tuple(SCHEMAS)


Columns = dict[str, NDArray]


@dataclass(frozen=True)
class Cell:
    """One quantity that tubes are compared in: water content at a depth, or a layer's storage.

    ``values`` and ``error`` (day, tube) as of `field_days`.
    """

    quantity: str
    depth_m: float
    layer: str
    values: Floats
    error: Floats

    def named(self, columns: Columns) -> Columns:
        """Return rows with the columns by which a table names the quantity."""
        size = len(next(iter(columns.values())))
        text = {"quantity": self.quantity, "layer": self.layer}
        names = {name: np.full(size, value, dtype=object) for name, value in text.items()}
        return {**names, "depth_m": np.full(size, self.depth_m), **columns}


def space_step(state: Snapshot, site: Site, computed: Bools) -> Mapping[str, pa.Table]:
    """Return the tables `TABLES` of a state; see docs/space.md for their columns."""
    days = site_days(state, site)
    found: dict[str, list[Columns]] = {name: [] for name in TABLES}
    for cell in cells(days):
        for name, rows in _rows(cell, site, instants(days)).items():
            found[name] += rows
    return {name: _table(found[name], SCHEMAS[name]) for name in TABLES}


def cell_tables(cell: Cell, site: Site, day_s: Integers) -> dict[str, pa.Table]:
    """Return the rows of `TABLES` that are of one quantity.

    Parameters
    ----------
    cell : Cell
        Of `cells`.
    site : Site
    day_s : (day,)
        When its days begin, UTC seconds.
    """
    return {
        name: _table(rows, SCHEMAS[name]) for name, rows in _rows(cell, site, day_s).items()
    }


def instants(days: xr.Dataset) -> Integers:
    """Return when days begin, UTC seconds, of `site_days`."""
    return days["day"].values.astype("datetime64[s]").astype(np.int64)


def months_of(site: Site, day_s: Integers) -> NDArray:
    """Return the month in which each day lies at the site."""
    local_day = (day_s + site.utc_offset_s) // DAY_S
    return local_day.astype("datetime64[D]").astype("datetime64[M]")


def space_inputs(state: Snapshot, site: Site) -> str:
    """Return a text that changes with the hand rounds and the description of the site."""
    digest = hashlib.sha256(site_hash(site).encode())
    if state.holds("tables/rounds"):
        digest.update(np.asarray(state.array("tables/rounds")[:]).tobytes())
    return digest.hexdigest()


def site_days(state: Snapshot, site: Site) -> xr.Dataset:
    """Return the daily values of all tubes of a state (see `field_days`)."""
    return field_days(_daily(state, site), _hand(state, site), site)


def cells(days: xr.Dataset) -> Iterator[Cell]:
    """Yield the quantities that tubes are compared in: depths downwards, then layers."""
    water, error = (days[name].values for name in (WATER, WATER_ERROR))
    for at, depth in enumerate(days["depth"].values.tolist()):
        yield Cell("water_content", depth, "", water[:, :, at], error[:, :, at])
    storage, error = (days[name].values for name in (STORAGE, STORAGE_ERROR))
    for at, layer in enumerate(days["layer"].values.tolist()):
        yield Cell("storage", np.nan, str(layer), storage[:, :, at], error[:, :, at])


def groups(site: Site) -> dict[str, list[str]]:
    """Return the tubes of each group; "" is the whole site.

    A group that holds all tubes is the whole site and is not named again.
    """
    found = {"": [tube.tube for tube in site.tubes]}
    for tube in site.tubes:
        if tube.group:
            found.setdefault(tube.group, []).append(tube.tube)
    return {name: tubes for name, tubes in found.items() if not name or tubes != found[""]}


def _daily(state: Snapshot, site: Site) -> xr.Dataset:
    """Return the daily values of a state, whole, with the labels of its axes.

    Depths at which a sensor was described once and is no more are left out: tubes that sit
    deeper would be brought to them.
    """
    axis, count, labels = state.axis, state.days, state.labels
    coords = {
        "day": axis.times(0, count * axis.steps_per_day)[:: axis.steps_per_day],
        "tube": np.array(labels["tube"], dtype=object),
        "depth": np.array(labels["depth"], dtype=np.float64),
        "layer": np.array(labels["layer"], dtype=object),
    }
    arrays = {}
    for name, dim in (
        (WATER, "depth"),
        (WATER_ERROR, "depth"),
        (STORAGE, "layer"),
        (STORAGE_ERROR, "layer"),
    ):
        if state.holds(f"daily/{name}"):
            arrays[name] = (("day", "tube", dim), state.read(f"daily/{name}", 0, count))
    return xr.Dataset(arrays, coords).isel(depth=np.isin(coords["depth"], site.depths_m))


def _hand(state: Snapshot, site: Site) -> pd.DataFrame:
    """Return the hand readings of a state with their water content."""
    table = state.table("rounds")
    if table is None or table.num_rows == 0:
        return pd.DataFrame({"depth_m": []})
    rows = table.to_pandas()
    return pd.concat([rows, calibrate_rounds(rows, site)], axis=1)


def _rows(cell: Cell, site: Site, day_s: Integers) -> dict[str, list[Columns]]:
    """Return the rows of one quantity, by table."""
    tubes = np.array([tube.tube for tube in site.tubes], dtype=object)
    relative, absolute = differences(cell.values)
    return {
        STABILITY: [_stability_rows(cell, tubes, relative, absolute)],
        MEANS: list(_mean_rows(cell, site, day_s)),
        RANKS: [_rank_rows(cell, relative, months_of(site, day_s))],
    }


def _stability_rows(cell: Cell, tubes: NDArray, relative: Floats, absolute: Floats) -> Columns:
    """Return a row a tube that has a place in the site."""
    columns, about = stability_columns(relative, absolute)
    kept = columns["days"] > 0
    rows = {name: column[kept] for name, column in {"tube": tubes, **columns}.items()}
    size = int(kept.sum())
    return cell.named(rows | {name: np.full(size, value) for name, value in about.items()})


def _mean_rows(cell: Cell, site: Site, day_s: Integers) -> Iterator[Columns]:
    """Yield a row a day that has a mean, for each group."""
    order = [tube.tube for tube in site.tubes]
    for group, tubes in groups(site).items():
        at = [order.index(tube) for tube in tubes]
        columns, members = mean_columns(cell.values[:, at], cell.error[:, at])
        told = np.isfinite(columns["mean"])
        rows = {name: column[told] for name, column in {"day_s": day_s, **columns}.items()}
        size = int(told.sum())
        rows["group"] = np.full(size, group, dtype=object)
        rows["members"] = np.full(size, int(members.sum()))
        yield cell.named(rows)


def _rank_rows(cell: Cell, relative: Floats, month: NDArray) -> Columns:
    """Return a row a pair of months that have three tubes or more in common."""
    months, places = monthly_places(relative, month)
    correlation = rank_correlations(places)
    first, second = np.nonzero(np.triu(np.isfinite(correlation), 1))
    known, name = np.isfinite(places), months.astype(str).astype(object)
    return cell.named(
        {
            "first_month": name[first],
            "second_month": name[second],
            "tubes": (known[first] & known[second]).sum(axis=1),
            "rank_correlation": correlation[first, second],
        }
    )


def _table(rows: list[Columns], schema: pa.Schema) -> pa.Table:
    """Return rows below each other, in the columns and types of a schema.

    NaN becomes null, which equals itself, so that equal tables are seen to be equal.
    """
    if not rows:
        return schema.empty_table()
    columns = {field.name: np.concatenate([r[field.name] for r in rows]) for field in schema}
    arrays = [pa.array(columns[f.name], from_pandas=True).cast(f.type) for f in schema]
    return pa.Table.from_arrays(arrays, schema=schema)
