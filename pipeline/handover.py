"""From a state of the store to files for people: which are out of date, and writing them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.deliver.atomic import replacing
from pipeline.deliver.metadata import Provenance
from pipeline.deliver.netcdf import write_daily, write_native
from pipeline.periods import Period, periods
from pipeline.report.site_chart import draw_site
from pipeline.report.storage_chart import draw_storage
from pipeline.report.water_chart import draw_water
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.state import Snapshot
from pipeline.steps import STATION_STEPS, TUBE_STEPS

_MANIFEST = "delivered.json"
# A part of a cube up to this size is read at once.
IN_MEMORY_BYTES = 256 * 1024**2


def deliver_periods(
    site: Site, snapshot: Snapshot, commit: str, written: datetime
) -> list[Path]:
    """Write the files of every period whose days were computed since it was last written.

    Also rewritten are periods whose files are gone, and all of them when the description of
    the site or the version of the code is another one, since both stand in every file.

    Returns
    -------
    list of Path
        The files written now; those that were up to date are not among them.
    """
    folder = site.output / "netcdf"
    known = _read_manifest(folder)
    done: list[Path] = []
    provenance = _provenance(site, snapshot, commit, written)
    for period in periods(site, snapshot.days):
        state = _state(site, snapshot, period)
        entry = known.get(period.name, {})
        there = all((folder / name).exists() for name in entry.get("files", []))
        if entry.get("state") == state and there:
            continue
        files = _write_period(site, snapshot, period, provenance, folder)
        known[period.name] = {"state": state, "files": [path.name for path in files]}
        _write_manifest(folder, known)  # after each period, so that a stop loses one at most
        done += files
    return done


def draw_pictures(site: Site, snapshot: Snapshot) -> list[Path]:
    """Draw every tube's water and storage, and the site as a whole.

    The pictures show the last ``site.report.days`` days up to the last whole day of the axis.
    """
    per_day = snapshot.axis.steps_per_day
    start = max(0, snapshot.days - site.report.days)
    window = slice(start * per_day, snapshot.steps)
    folder = site.output / "pictures"
    if snapshot.steps == 0:
        return []
    water = _part(snapshot, "water", window)
    products = _part(snapshot, "products", window)
    rain = _rain(snapshot, window)
    rounds = _rounds(snapshot, start)
    drawn = [draw_site(site, products, rain, folder / "site_water.png")]
    for tube in site.tubes:
        name = tube.tube
        drawn.append(draw_water(site, name, water, rain, rounds, folder / f"{name}_water.png"))
        drawn.append(
            draw_storage(site, name, products, rain, rounds, folder / f"{name}_storage.png")
        )
    return drawn


def _write_period(
    site: Site, snapshot: Snapshot, period: Period, provenance: Provenance, folder: Path
) -> list[Path]:
    """Write the files of one period."""
    per_day = snapshot.axis.steps_per_day
    window = slice(period.start_day * per_day, period.stop_day * per_day)
    stem = f"{site.id}_{period.name}"
    files = write_native(
        site,
        _part(snapshot, "water", window),
        _part(snapshot, "products", window),
        _part(snapshot, "readings", window),
        provenance,
        folder / f"{stem}.nc",
    )
    daily = snapshot.dataset("daily").isel(day=slice(period.start_day, period.stop_day))
    return [*files, *write_daily(site, daily, provenance, folder / f"{stem}_daily.nc")]


def _part(snapshot: Snapshot, group: str, window: slice) -> xr.Dataset:
    """Return a window of a group, without the origin of the readings.

    A window that fits is read at once, which is several times faster than in slabs; a larger
    one stays in the store. Depths are put in order where they are not: the store keeps them
    as they were first seen.
    """
    dataset = snapshot.dataset(group).isel(time=window)
    origin = [n for n in dataset if str(n).endswith(("_file", "_line", "_offset_s"))]
    dataset = dataset.drop_vars(origin)
    if dataset.nbytes <= IN_MEMORY_BYTES:
        dataset = dataset.load()
    if "depth" not in dataset.dims or bool((np.diff(dataset["depth"]) > 0).all()):
        return dataset
    return dataset.sortby("depth")


def _rain(snapshot: Snapshot, window: slice) -> xr.DataArray | None:
    """Return the rain of the first gauge that logged any, (time) [mm]."""
    if not snapshot.holds("readings/rain"):
        return None
    rain = snapshot.dataset("readings")["rain"].isel(time=window).load()
    for station in range(rain.sizes["station"]):
        gauge = rain.isel(station=station)
        if bool(np.isfinite(gauge).any()):
            return gauge
    return None


def _rounds(snapshot: Snapshot, start_day: int) -> pd.DataFrame:
    """Return the hand readings from a day of the axis on."""
    table = snapshot.table("rounds")
    if table is None:
        return pd.DataFrame({"time_s": [], "tube": []})
    rows = table.to_pandas()
    first = snapshot.axis.seconds(start_day * snapshot.axis.steps_per_day, snapshot.steps)[0]
    return rows[rows["time_s"] >= first].reset_index(drop=True)


def _provenance(site: Site, snapshot: Snapshot, commit: str, written: datetime) -> Provenance:
    ledger = snapshot.table("ledger")
    return Provenance(
        commit=commit,
        code_version=version("percolog"),
        site_hash=site_hash(site),
        steps=tuple(step.name for step in (*TUBE_STEPS, *STATION_STEPS)),
        # The state's own time, not the present: the same state gives the same bytes.
        created=written.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        inputs=0 if ledger is None else ledger.num_rows,
    )


def _state(site: Site, snapshot: Snapshot, period: Period) -> list[str | int]:
    """Return what a period's files depend on: its days' last nights, description and code."""
    nights = snapshot.table("day_nights")
    last = 0
    if nights is not None:
        span = nights["night"].to_numpy()[period.start_day : period.stop_day]
        last = int(span.max(initial=0))
    days = period.stop_day - period.start_day
    return [last, days, site_hash(site), version("percolog")]


def _read_manifest(folder: Path) -> dict[str, dict]:
    path = folder / _MANIFEST
    try:
        found: dict[str, dict] = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):  # lost or damaged: everything is written again
        return {}
    return found


def _write_manifest(folder: Path, known: dict[str, dict]) -> None:
    text = json.dumps(known, indent=1, sort_keys=True) + "\n"
    with replacing(folder / _MANIFEST) as temporary:
        temporary.write_text(text, encoding="utf-8")
