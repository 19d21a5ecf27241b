"""Wetting events, uptake by day, and conductivity in the field, as a delivery holds them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.axis import DAY_S
from pipeline.deliver.conductivity import write_conductivity
from pipeline.deliver.event_fields import BY_DEPTH, EVENTS
from pipeline.deliver.event_tables import row_files
from pipeline.deliver.events import uptake_cube, write_events, write_uptake
from pipeline.deliver.flat import flat_columns, wide_columns, write_flat, write_spreadsheets
from pipeline.deliver.metadata import Provenance
from pipeline.deliver.package import Resource
from pipeline.deliver.row_fields import CONDUCTIVITY
from pipeline.derive.storage import sensor_depths_m
from pipeline.nights.periods import Period
from pipeline.products.event_store import frame_of
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

EVENT_TABLES = ("events", "event_depths")


def event_files(
    site: Site,
    snapshot: Snapshot,
    period: Period,
    provenance: Provenance,
    draft: Path,
    spreadsheets: bool,
) -> Iterable[Resource]:
    """Write the events that began in a period, and uptake on its days; nothing where none is.

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
    span = _span_s(snapshot, period)
    stem = f"{site.id}_{period.name}"
    events = _within(frame_of(snapshot.table("events")), "onset_s", span, site)
    if not events.empty:
        events = events.sort_values(["onset_s", "tube"], kind="stable", ignore_index=True)
        depths = frame_of(snapshot.table("event_depths"))
        depths = depths[depths["event"].isin(events["event"])].reset_index(drop=True)
        target = draft / "netcdf" / f"{stem}_events.nc"
        yield Resource(
            write_events(site, events, depths, provenance, target), "wetting events, CF NetCDF"
        )
        for name, rows, fields in (
            ("events", events, EVENTS),
            ("event_depths", depths, BY_DEPTH),
        ):
            named = f"{stem}_{name}"
            yield from row_files(
                rows, fields, draft, named, f"{named}, a row each", spreadsheets
            )
    uptake = _within(frame_of(snapshot.table("uptake")), "day_s", span, site)
    if not uptake.empty:
        target = draft / stem
        yield from _uptake(site, snapshot, period, uptake, provenance, target, spreadsheets)


def conductivity_files(
    site: Site, snapshot: Snapshot, provenance: Provenance, draft: Path, spreadsheets: bool
) -> Iterable[Resource]:
    """Write conductivity by class of water content, of the whole record; nothing without one.

    A conductivity is the soil's, and the better known the longer the record: no part of it is
    taken for a period.

    Parameters
    ----------
    site : Site
    snapshot : Snapshot
    provenance : Provenance
    draft : Path
        The folder of the revision.
    spreadsheets : bool
        Whether CSV is wanted.
    """
    rows = frame_of(snapshot.table("conductivity"))
    if not rows.empty:
        rows = rows[rows["tube"].isin(list(site.tube_by_id))].reset_index(drop=True)
    if rows.empty:
        return
    tubes, depths = rows["tube"].unique().tolist(), sorted(set(rows["depth_m"]))
    real = pd.DataFrame(sensor_depths_m(site, tubes, depths), tubes, depths).stack()
    real_m = real.reindex(list(zip(rows["tube"], rows["depth_m"], strict=True))).to_numpy()
    rows = rows.assign(real_depth_m=real_m)
    stem, first_s = f"{site.id}_conductivity", snapshot.axis.origin_s
    span = first_s, first_s + snapshot.days * DAY_S
    path = draft / "netcdf" / f"{stem}.nc"
    title = "hydraulic conductivity in the field, of all time"
    made = write_conductivity(site, rows, CONDUCTIVITY, span, provenance, path)
    yield Resource(made, f"{title}, CF NetCDF")
    yield from row_files(rows, CONDUCTIVITY, draft, stem, title, spreadsheets)


def _span_s(snapshot: Snapshot, period: Period) -> tuple[int, int]:
    """Return when a period begins and ends, UTC seconds."""
    origin = snapshot.axis.origin_s
    return origin + period.start_day * DAY_S, origin + period.stop_day * DAY_S


def _within(
    rows: pd.DataFrame, column: str, span: tuple[int, int], site: Site
) -> pd.DataFrame:
    """Return the rows of a time span and of tubes that the site describes."""
    if rows.empty:
        return rows
    inside = (rows[column] >= span[0]) & (rows[column] < span[1])
    return rows[inside & rows["tube"].isin(list(site.tube_by_id))].reset_index(drop=True)


def _uptake(
    site: Site,
    snapshot: Snapshot,
    period: Period,
    rows: pd.DataFrame,
    provenance: Provenance,
    target: Path,
    sheets: bool,
) -> Iterable[Resource]:
    draft, stem = target.parent, f"{target.name}_uptake"
    begin_s, end_s = _span_s(snapshot, period)
    days_s = np.arange(begin_s, end_s, DAY_S)
    depths = list(site.depths_m) or sorted(snapshot.labels["depth"])
    cube = uptake_cube(site, rows, days_s, depths)
    path = write_uptake(site, cube, provenance, draft / "netcdf" / f"{stem}.nc")
    yield Resource(path, "uptake and drainage by day, CF NetCDF")
    real = sensor_depths_m(site, cube["tube"].values.tolist(), depths)
    cube = cube.drop_vars("night_time").assign_coords(sensor_depth=(("tube", "depth"), real))
    path = write_flat(cube, "depth", draft / "parquet" / f"{stem}.parquet")
    yield Resource(path, f"{stem}, a value a row", flat_columns(cube, "depth"))
    if sheets:
        for path in write_spreadsheets(cube, "depth", draft / "csv" / stem):
            yield Resource(path, f"{stem}, a day a row", wide_columns(cube, "depth"))
