"""Files for people about space: tables of means and of stability, maps, section and ranks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.axis import DAY_S, second_of
from pipeline.deliver.tables import iso_times, write_table
from pipeline.products.space import MEANS, RANKS, STABILITY, TABLES, site_days
from pipeline.qc.findings import Verdict
from pipeline.report.site_map import DAYS as MAP_DAYS
from pipeline.report.site_map import draw_map
from pipeline.report.slope_section import draw_section
from pipeline.report.stability_chart import draw_stability
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

_CELL_HEADS = {"quantity": "quantity", "depth_m": "depth [m]", "layer": "layer"}
_HEADS = {
    STABILITY: {
        "tube": "tube",
        "days": "days",
        "mean_relative_difference": "mean relative difference [1]",
        "lower": "lower 95 % of it [1]",
        "upper": "upper 95 % of it [1]",
        "relative_difference_spread": "standard deviation of relative difference [1]",
        "stability_index": "stability index [1]",
        "offset": "offset [unit of the quantity]",
        "offset_spread": "standard deviation of offset [unit of the quantity]",
        "independent_dates": "independent dates",
        "direct": "nearest to the site mean",
        "direct_share": "share of resampled records",
        "with_offset": "steadiest with offset",
        "offset_share": "share of resampled records with offset",
        "first_half": "nearest in the first half",
        "second_half": "nearest in the second half",
        "block_days": "block [d]",
        "blocks": "blocks",
    },
    MEANS: {
        "group": "group",
        "day_s": "day begins [UTC]",
        "mean": "mean [unit]",
        "lower": "lower 95 % [unit]",
        "upper": "upper 95 % [unit]",
        "sampling_error": "standard uncertainty from few tubes [unit]",
        "systematic_error": "standard uncertainty shared by tubes [unit]",
        "spread": "standard deviation between tubes [unit]",
        "degrees_of_freedom": "degrees of freedom",
        "measured": "tubes measured",
        "members": "tubes counted",
        "unit": "unit",
    },
    RANKS: {
        "first_month": "first month",
        "second_month": "second month",
        "tubes": "tubes",
        "rank_correlation": "rank correlation [1]",
    },
}
_COUNTS = ("days", "day_s", "measured", "members", "tubes", "block_days", "blocks")


def write_space(site: Site, snapshot: Snapshot) -> list[Path]:
    """Write the tables of space of a state as comma-separated text; none where it has none.

    Returns
    -------
    list of Path
        ``tables/<site>_stability.csv``, ``_site_means.csv`` and ``_rank_correlations.csv``.
    """
    written = []
    for name in TABLES:
        table = snapshot.table(name)
        if table is None or table.num_rows == 0:
            continue
        rows = table.to_pandas()
        if name == MEANS:
            unit = np.where(rows["quantity"] == "storage", "mm", "m3 m-3")
            rows = rows.assign(day_s=iso_times(rows["day_s"]), unit=unit)
        heads = {**_CELL_HEADS, **_HEADS[name]}
        decimals = {
            heads[column]: 5
            for column in heads
            if column not in _COUNTS and pd.api.types.is_float_dtype(rows[column])
        }
        found = rows[list(heads)].rename(columns=heads)
        path = site.output / "tables" / f"{site.id}_{name}.csv"
        written.append(write_table(found, path, decimals))
    return written


def draw_space(
    site: Site,
    snapshot: Snapshot,
    days: tuple[int, int],
    rain: xr.DataArray | None,
    folder: Path,
) -> list[Path]:
    """Draw the maps, the section and the ranks of a site; none for fewer than two tubes.

    Parameters
    ----------
    site : Site
    snapshot : Snapshot
    days : (int, int)
        First and last day of the axis, exclusive, that map and section show.
    rain : DataArray, (time), [mm], or None
        Of these days.
    folder : Path
    """
    table = snapshot.table(STABILITY)
    if table is None or len(site.tubes) < 2:
        return []
    stability = table.to_pandas()
    at_depths = stability[(stability["layer"] == "") & stability["direct"]]
    named = {float(depth): set(rows["tube"]) for depth, rows in at_depths.groupby("depth_m")}
    shown = site_days(snapshot, site).isel(day=slice(*days))
    # A map is of now: a tube taken out before the days it shows would be a cross for ever.
    since_s = snapshot.axis.origin_s + DAY_S * (days[1] - MAP_DAYS)
    there = tuple(tube for tube in site.tubes if second_of(tube.removed, np.inf) > since_s)
    mapped = site.model_copy(update={"tubes": there or site.tubes})
    of_mapped = shown.sel(tube=[tube.tube for tube in mapped.tubes])
    return [
        draw_map(mapped, of_mapped, named, folder / "site_map.png"),
        draw_section(site, shown, rain, folder / "site_section.png"),
        draw_stability(site, stability, folder / "site_stability.png", _doubtful(snapshot)),
    ]


def _doubtful(snapshot: Snapshot) -> set[str]:
    """Return the tubes that are not sound."""
    verdicts = snapshot.table("tube_verdicts")
    rows = [] if verdicts is None else verdicts.to_pylist()
    return {str(row["tube"]) for row in rows if row["verdict"] != Verdict.SOUND}
