"""Pictures of a site's wetting events: one a tube, and one an event of a chosen tube."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.accounts.events_report import EventsAccount, stored_events
from pipeline.accounts.limits_documents import SensorLimits
from pipeline.accounts.limits_report import limits_of, sensor_row
from pipeline.derive.event_block import (
    MM_PER_M,
    Floats,
    Profile,
    storage_above,
    weights_above,
)
from pipeline.derive.limits_texture import STANDARD_ERRORS
from pipeline.outcomes import outcome_of, tried
from pipeline.products.event_blocks import Reader
from pipeline.products.events import tube_profile
from pipeline.products.limits import TABLE
from pipeline.report.events_chart import StoredLimit, TubeEvents, draw_events
from pipeline.report.front_chart import draw_front, front_window
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

# What texture leaves open of the lower and of the upper limit, m3 m-3.
TEXTURE_ERROR = dict(zip(("lower", "upper"), STANDARD_ERRORS, strict=False))


def add_pictures(account: EventsAccount, folder: Path, out: Path, tube: str = "") -> None:
    """Draw as `event_pictures`, and enter in an account what was drawn, or why it was not."""

    def draw() -> None:
        account["pictures"] = [str(path) for path in event_pictures(folder, out, tube)]

    if failures := [*account.get("failures", []), *tried("draw", draw)]:
        account |= {"outcome": outcome_of(failures), "failures": failures}


def event_pictures(folder: Path, out: Path, tube: str = "") -> list[Path]:
    """Draw the events of a site as last committed.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    out : Path
        Where pictures go; made where it is missing.
    tube : str
        Only this tube, and each of its events besides.

    Returns
    -------
    list of Path

    Raises
    ------
    SiteError, StoreError
    EventsError
        As `pipeline.accounts.events_report.events_report`.
    """
    opened, tables = stored_events(folder, tube)
    site, snapshot = opened.site, opened.snapshot
    events, depths = tables["events"].to_pandas(), tables["event_depths"].to_pandas()
    reader = Reader(snapshot, site)
    rain = _rain(snapshot, reader)
    drawn = []
    for column, name in enumerate(snapshot.labels["tube"]):
        profile = tube_profile(site, name, snapshot.labels["depth"])
        if profile is None or tube not in ("", name):
            continue
        water = reader.water(column, profile.nominal_m, 0, reader.days)
        mine = events[events["tube"] == name]
        limits = stored_limits(site, snapshot, profile)
        held = TubeEvents(
            name, _stored(snapshot, profile, water), float(profile.real_m[-1]), mine, *limits
        )
        if held.stored.size:
            drawn.append(draw_events(site, held, rain, out / f"{name}-events.png"))
        if tube:
            rows = depths[depths["tube"] == name]
            drawn += _fronts(site, snapshot, profile, water, (mine, rows, rain, out))
    return drawn


def stored_limits(
    site: Site, snapshot: Snapshot, profile: Profile
) -> tuple[StoredLimit | None, StoredLimit | None]:
    """Return what the soil down to the last sensor holds at both limits, [mm].

    None where a sensor has no limit, neither from the record nor from texture. Errors of
    sensors are taken as independent.
    """
    table = snapshot.table(TABLE)
    stored = [] if table is None else table.to_pylist()
    rows = [sensor_row(site, row) for row in stored if row["tube"] == profile.tube]
    weights = weights_above(profile)[-1]
    by_depth = {row["depth_m"]: row for row in rows}
    mine = [by_depth.get(depth) for depth in profile.nominal_m.tolist()]
    if np.isnan(weights).any() or any(row is None for row in mine):
        return None, None
    known = [row for row in mine if row is not None]
    return _stored_limit("upper", known, weights), _stored_limit("lower", known, weights)


def _stored_limit(
    kind: str, rows: Sequence[SensorLimits], weights: Floats
) -> StoredLimit | None:
    """Return one limit, summed over the sensors of a tube, and whence it is."""
    value, variance, sources = 0.0, 0.0, set()
    for row, weight in zip(rows, weights.tolist(), strict=True):
        found = limits_of(row)._asdict()
        if found[kind] is None:
            return None
        source = str(found[f"{kind}_from"])
        errors = {"upper": row["upper_error"], "lower": row["lower_error"]}
        error = errors[kind] if source == "record" else None
        value += weight * found[kind]
        # A single spell tells no error: it is taken to be no surer than texture is.
        variance += (weight * (TEXTURE_ERROR[kind] if error is None else error)) ** 2
        sources.add("at or below" if source == "bound" else source)
    note = " and ".join(sorted(sources))
    return StoredLimit(MM_PER_M * value, MM_PER_M * float(np.sqrt(variance)), note)


def _stored(snapshot: Snapshot, profile: Profile, water: Floats) -> xr.DataArray:
    """Return the water above the last sensor, from the first to the last value."""
    storage = storage_above(water, weights_above(profile))[-1]
    times = snapshot.axis.times(0, len(storage))
    known = np.flatnonzero(np.isfinite(storage))
    span = slice(known[0], known[-1] + 1) if known.size else slice(0, 0)
    return xr.DataArray(storage[span], {"time": times[span]}, ("time",))


def _rain(snapshot: Snapshot, reader: Reader) -> xr.DataArray | None:
    values = reader.rain(0, reader.days)
    if values is None:
        return None
    return xr.DataArray(values, {"time": snapshot.axis.times(0, len(values))}, ("time",))


def _fronts(
    site: Site,
    snapshot: Snapshot,
    profile: Profile,
    water: Floats,
    parts: tuple[pd.DataFrame, pd.DataFrame, xr.DataArray | None, Path],
) -> Iterator[Path]:
    """Draw each event of a tube."""
    events, depths, rain, out = parts
    axis = snapshot.axis
    for _, event in events.iterrows():  # some dozens, each a picture
        rows = depths[depths["event"] == event["event"]]
        first, stop = (
            int(np.clip((instant - axis.origin_s) // axis.interval_s, 0, water.shape[1]))
            for instant in front_window(event, rows)
        )
        part = xr.DataArray(
            water[:, first:stop].T,
            {"time": axis.times(first, stop), "depth": profile.real_m},
            ("time", "depth"),
        )
        gauge = None if rain is None else rain[first : stop + 1]  # stamped at its end
        yield draw_front(site, event, rows, part, gauge, out / f"{event['event']}.png")
