"""Means over tubes, and what is known of drift, as a delivery holds them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from pipeline.axis import DAY_S
from pipeline.deliver.event_tables import row_files
from pipeline.deliver.metadata import Provenance
from pipeline.deliver.package import Resource
from pipeline.deliver.row_fields import CORRECTIONS, DRIFT_CHECKS, SITE_MEANS
from pipeline.deliver.site_means import write_site_means
from pipeline.nights.periods import Period
from pipeline.products.space import MEANS, groups
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

# Tables of all time: a correction rests on checks before and after a period.
_OF_DRIFT = (
    ("corrections", CORRECTIONS, "drift corrections applied"),
    ("drift_checks", DRIFT_CHECKS, "checks of sensors against references"),
)


def mean_files(
    site: Site,
    snapshot: Snapshot,
    period: Period,
    provenance: Provenance,
    draft: Path,
    spreadsheets: bool,
) -> Iterable[Resource]:
    """Write the means over tubes of a period's days; nothing where there is none.

    Parameters
    ----------
    site : Site
    snapshot : Snapshot
    period : Period
        Days of the axis.
    provenance : Provenance
    draft : Path
        The folder of the revision.
    spreadsheets : bool
        Whether CSV is wanted.
    """
    table = snapshot.table(MEANS)
    if table is None or not table.num_rows:
        return
    rows = table.to_pandas()
    day = (rows["day_s"] - snapshot.axis.origin_s) // DAY_S
    layers = ["", *(layer.name for layer in site.derive.layers)]
    kept = (day >= period.start_day) & (day < period.stop_day) & rows["layer"].isin(layers)
    members = groups(site)
    rows = rows[kept & rows["group"].isin(list(members))].reset_index(drop=True)
    if rows.empty:
        return
    stem = f"{site.id}_{period.name}_site_means"
    path = write_site_means(site, rows, members, provenance, draft / "netcdf" / f"{stem}.nc")
    yield Resource(path, "daily means over tubes, CF NetCDF")
    unit = np.where(rows["quantity"] == "storage", "mm", "m3 m-3")
    rows = rows.assign(unit=unit)
    yield from row_files(rows, SITE_MEANS, draft, stem, "daily means over tubes", spreadsheets)


def drift_files(
    site: Site, snapshot: Snapshot, draft: Path, spreadsheets: bool
) -> Iterable[Resource]:
    """Write the drift corrections applied and the checks behind them, of all time."""
    for name, fields, title in _OF_DRIFT:
        table = snapshot.table(name)
        if table is not None and table.num_rows:
            stem = f"{site.id}_{name}"
            # An older state lacks columns that came later.
            rows = table.to_pandas().reindex(columns=[field.source for field in fields])
            yield from row_files(rows, fields, draft, stem, title, spreadsheets)
