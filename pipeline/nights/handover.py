"""From a state of the store to files for people: which are out of date, and writing them."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import xarray as xr

from pipeline.axis import DAY_S, second_of
from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.deliver.fields import KINDS
from pipeline.deliver.metadata import FORM, Provenance
from pipeline.deliver.netcdf import write_daily, write_native
from pipeline.deliver.own_files import period_files, restate
from pipeline.deliver.rounds import Origin, write_comparison, write_rounds
from pipeline.derive.rounds import hand_readings
from pipeline.derive.rounds_comparison import ComparisonRow, compare_rounds, comparison_rows
from pipeline.engine.correcting import applied_corrections
from pipeline.nights.manifest import COMPARISON, ROUNDS, SPACE, Manifest
from pipeline.nights.period_states import BUT_VERDICTS, period_states, verdicts_of
from pipeline.nights.periods import Period, kinds_logged, kinds_wired, periods
from pipeline.products.event_blocks import Reader
from pipeline.products.health_pictures import draw_health_pictures
from pipeline.products.neighbour_days import DAILY, daily_tests
from pipeline.products.space import TABLES
from pipeline.products.space_files import draw_space, write_space
from pipeline.report.site_chart import draw_site
from pipeline.report.storage_chart import draw_storage
from pipeline.report.water_chart import draw_water
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site, Tube
from pipeline.steps import STATION_STEPS, TUBE_STEPS
from pipeline.store.state import Snapshot
from pipeline.words import Absent

# A part of a cube up to this size is read at once.
IN_MEMORY_BYTES = 256 * 1024**2


def deliver_periods(
    site: Site, snapshot: Snapshot, commit: str, written: datetime, manifest: Manifest
) -> list[Path]:
    """Write the files of every period whose days were computed since it was last written.

    Also rewritten are periods whose files are gone, and all of them when the description of
    the site or the version of the code is another one, since both stand in every file. A
    period in which no tube logged has no files of tubes, and so for the weather; those it had
    before are removed, and so are those of periods that are no more, as after a change of
    their length. Where nothing but a verdict on a tube is another one, the files keep their
    values and tell it.

    Returns
    -------
    list of Path
        The files written now; those that were up to date are not among them.
    """
    done: list[Path] = []
    provenance = provenance_of(site, snapshot, commit, written)
    found = list(period_states(site, snapshot))
    for period, state in found:
        # A manifest of an older version does not say of what kinds nothing was logged.
        known = "without" in manifest.entry(period.name)
        if known and manifest.is_up_to_date(period.name, state):
            continue
        if known and manifest.is_up_to_date(period.name, state, BUT_VERDICTS):
            done += _restate(site, period.name, state, provenance, manifest)
            continue
        kinds = kinds_logged(snapshot, period.start_day, period.stop_day)
        manifest.put_by(period.name, period_files(site, period.name, manifest.folder))
        files = _write_period(site, snapshot, period, provenance, manifest.folder, kinds)
        made_from = {"commit": commit} if files else {}
        without = [kind for kind in kinds_wired(site) if kind not in kinds]
        # Noted after each period, so that a stop loses one at most.
        manifest.note(period.name, files, state=state, without=without, **made_from)
        done += files
    manifest.keep_only(period.name for period, _ in found)
    return done


def absent_files(site: Site, snapshot: Snapshot, manifest: Manifest) -> Absent:
    """Return which periods lack files, since nothing was logged for them."""
    names = [period.name for period in periods(site, snapshot.days)]
    empty = [name for name in names if not manifest.entry(name)["files"]]
    partly = [name for name in names if name not in empty]
    without = {
        kind: [name for name in partly if kind in manifest.entry(name)["without"]]
        for kind in KINDS
    }
    return {"empty_periods": empty, "periods_without": without}


# As `FORM`, of the comparison alone. 2: tells readings that corrected the logger.
COMPARISON_FORM = 2


def deliver_rounds(
    site: Site, snapshot: Snapshot, commit: str, written: datetime, manifest: Manifest
) -> list[Path]:
    """Write the hand rounds, and their comparison with the loggers, where either changed.

    The rounds depend on the book, the description and the code; the comparison also on the
    days of the loggers that hand readings fall on.

    Returns
    -------
    list of Path
        The files written now.
    """
    table = snapshot.table("rounds")
    if table is None or table.num_rows == 0:
        return []
    book: list[str | int] = [_digest(table), site_hash(site), version("percolog"), FORM]
    nights = [*book, _last_night(snapshot, table["time_s"].to_numpy()), COMPARISON_FORM]
    stale = [
        name
        for name, state in ((ROUNDS, book), (COMPARISON, nights))
        if not manifest.is_up_to_date(name, state)
    ]
    if not stale:
        return []
    readings = hand_readings(table.to_pandas(), site)
    done: list[Path] = []
    if ROUNDS in stale:
        provenance = provenance_of(site, snapshot, commit, written)
        path = manifest.folder / f"{site.id}_rounds.nc"
        manifest.put_by(ROUNDS, [path])
        done.append(write_rounds(site, readings, file_origins(snapshot), provenance, path))
        manifest.note(ROUNDS, [path], state=book, commit=commit)
    if COMPARISON in stale:
        manifest.put_by(COMPARISON)
        paths, rows = _write_comparison(site, snapshot, readings)
        done += paths
        manifest.note(COMPARISON, paths, state=nights, rows=rows, commit=commit)
    return done


def deliver_space(site: Site, snapshot: Snapshot, manifest: Manifest) -> list[Path]:
    """Write the tables of site means and of stability, where any of them changed.

    Returns
    -------
    list of Path
        The files written now.
    """
    tables = [table for name in TABLES if (table := snapshot.table(name)) is not None]
    state = [*(_digest(table) for table in tables), version("percolog")]
    if manifest.is_up_to_date(SPACE, state):
        return []
    manifest.put_by(SPACE)
    paths = write_space(site, snapshot)
    manifest.note(SPACE, paths, state=state)
    return paths


def rounds_rows(site: Site) -> list[ComparisonRow]:
    """Return hand minus logger by sensor, as last delivered; empty where none was compared."""
    rows: list[ComparisonRow] = Manifest(site).entry(COMPARISON).get("rows", [])
    return rows


def draw_pictures(site: Site, snapshot: Snapshot) -> list[Path]:
    """Draw every tube's water, storage and health, and the site in time and in space.

    The pictures show the last ``site.report.days`` days up to the last whole day of the axis.
    """
    period = _newest(site, snapshot)
    return draw_window(site, snapshot, period, site.output / "pictures", remember=True)


def drawn_tubes(site: Site, snapshot: Snapshot) -> tuple[Tube, ...]:
    """Return the tubes that the pictures of a night show."""
    return _in_ground(site, snapshot, _newest(site, snapshot))


def _newest(site: Site, snapshot: Snapshot) -> Period:
    return Period("newest", max(0, snapshot.days - site.report.days), snapshot.days)


def _in_ground(site: Site, snapshot: Snapshot, period: Period) -> tuple[Tube, ...]:
    """Return the tubes that were in the ground at any time of a period."""
    start_s, stop_s = (
        snapshot.axis.origin_s + DAY_S * day for day in (period.start_day, period.stop_day)
    )
    return tuple(
        tube
        for tube in site.tubes
        if tube.installed.timestamp() < stop_s and second_of(tube.removed, np.inf) > start_s
    )


def draw_window(
    site: Site, snapshot: Snapshot, period: Period, folder: Path, remember: bool = False
) -> list[Path]:
    """Draw the pictures of a period into a folder; `draw_health_pictures` may remember."""
    if period.start_day >= period.stop_day:
        return []
    per_day = snapshot.axis.steps_per_day
    window = slice(period.start_day * per_day, period.stop_day * per_day)
    water = cube_part(site, snapshot, "water", window)
    products = cube_part(site, snapshot, "products", window)
    rain = _rain(site, snapshot, period)
    rounds = _rounds(site, snapshot, period.start_day)
    # Tubes that were never there meanwhile would be empty panels, for ever.
    shown = site.model_copy(update={"tubes": _in_ground(site, snapshot, period) or site.tubes})
    drawn = [draw_site(shown, products, rain, rounds, folder / "site_water.png")]
    days = period.start_day, period.stop_day
    drawn += draw_space(shown, snapshot, days, rain, folder)
    for tube in shown.tubes:
        name = tube.tube
        drawn.append(draw_water(site, name, water, rain, rounds, folder / f"{name}_water.png"))
        drawn.append(
            draw_storage(site, name, products, rain, rounds, folder / f"{name}_storage.png")
        )
    return drawn + draw_health_pictures(site, snapshot, folder, remember)


def _write_period(
    site: Site,
    snapshot: Snapshot,
    period: Period,
    provenance: Provenance,
    folder: Path,
    kinds: list[str],
) -> list[Path]:
    """Write the files of one period of some kinds, see `pipeline.deliver.fields.KINDS`."""
    if not kinds:
        return []
    per_day = snapshot.axis.steps_per_day
    window = slice(period.start_day * per_day, period.stop_day * per_day)
    stem = f"{site.id}_{period.name}"
    files = write_native(
        site,
        cube_part(site, snapshot, "water", window),
        cube_part(site, snapshot, "products", window),
        cube_part(site, snapshot, "readings", window),
        provenance,
        folder / f"{stem}.nc",
        kinds,
    )
    days = period.start_day, period.stop_day
    daily = snapshot.dataset("daily").isel(day=slice(*days))
    if snapshot.holds(DAILY):
        dims = ("day", "tube", "depth")
        daily = daily.assign(daily_tests=(dims, daily_tests(snapshot, *days)))
    daily = of_depths(site, daily)
    return [*files, *write_daily(site, daily, provenance, folder / f"{stem}_daily.nc", kinds)]


def _restate(
    site: Site,
    name: str,
    state: list[str | int],
    provenance: Provenance,
    manifest: Manifest,
) -> list[Path]:
    """Let a period's files tell other verdicts; see `own_files.restate`."""
    entry = manifest.entry(name)
    files = [manifest.folder / file for file in entry["files"]]
    manifest.put_by(name, files)
    for path in files:
        restate(site, name, path, provenance)
    made_from = {"commit": provenance.commit} if files else {}
    manifest.note(name, files, state=state, without=entry["without"], **made_from)
    return files


def _write_comparison(
    site: Site, snapshot: Snapshot, readings: pd.DataFrame
) -> tuple[list[Path], list[ComparisonRow]]:
    """Compare hand readings with the loggers; no file where none is beside a sensor."""
    if not snapshot.holds("water/cleaned_water_content"):
        return [], []
    corrected = site.model_copy(update={"corrections": applied_corrections(snapshot)})
    comparison = compare_rounds(corrected, readings, snapshot.dataset("water"))
    if comparison.empty:
        return [], []
    path = site.output / "tables" / f"{site.id}_rounds_comparison.csv"
    return [write_comparison(comparison, path)], comparison_rows(comparison)


def file_origins(snapshot: Snapshot) -> dict[int, Origin]:
    """Return the raw file behind each id."""
    ledger = snapshot.table("ledger")
    if ledger is None:
        return {}
    names = ("file", "path", "sha256")
    columns = (ledger[name].to_pylist() for name in names)
    return {file: Origin(path, sha256) for file, path, sha256 in zip(*columns, strict=True)}


def _last_night(snapshot: Snapshot, time_s: np.ndarray) -> int:
    """Return the last night that computed any of the days around some instants."""
    nights = snapshot.table("day_nights")
    if nights is None or nights.num_rows == 0:
        return 0
    night = nights["night"].to_numpy()
    day = (time_s - snapshot.axis.origin_s) // DAY_S
    # The nearest logged value may lie in the day before or after.
    around = np.unique(np.concatenate([day - 1, day, day + 1]))
    around = around[(around >= 0) & (around < len(night))]
    return int(night[around].max(initial=0))


def _digest(table: pa.Table) -> str:
    """Return a hash of a table's values, whatever its memory holds where there is none."""
    rows = pd.util.hash_pandas_object(table.to_pandas(), index=False)
    return hashlib.sha256(rows.to_numpy(np.uint64).tobytes()).hexdigest()


def cube_part(site: Site, snapshot: Snapshot, group: str, window: slice) -> xr.Dataset:
    """Return a window of a group, without the origin of the readings, see `of_depths`.

    A window that fits is read at once, which is several times faster than in slabs; a larger
    one stays in the store.
    """
    dataset = snapshot.dataset(group).isel(time=window)
    origin = [n for n in dataset if str(n).endswith(("_file", "_line", "_offset_s"))]
    dataset = dataset.drop_vars(origin)
    if dataset.nbytes <= IN_MEMORY_BYTES:
        dataset = dataset.load()
    return of_depths(site, dataset)


def of_depths(site: Site, cube: xr.Dataset) -> xr.Dataset:
    """Return a cube with the depths that the site describes, downwards.

    The store keeps them as they were first seen, and remembers those described no more.
    """
    stored = cube["depth"].values.tolist() if "depth" in cube.dims else []
    wanted = [depth for depth in site.depths_m if depth in stored] or sorted(stored)
    return cube.sel(depth=wanted) if stored != wanted else cube


def _rain(site: Site, snapshot: Snapshot, period: Period) -> xr.DataArray | None:
    """Return the rain of a period, (time) [mm], as events take it; None for none.

    With what is stamped at the midnight that ends it, and fell before.
    """
    stop_day = min(period.stop_day + 1, snapshot.days)
    rain = Reader(snapshot, site).rain(period.start_day, stop_day)
    if rain is None:
        return None
    per_day = snapshot.axis.steps_per_day
    start, stop = period.start_day * per_day, stop_day * per_day
    times = snapshot.axis.times(start, stop)
    shown = slice(None, (period.stop_day - period.start_day) * per_day + 1)
    found = xr.DataArray(rain, {"time": times}, ("time",), "rain", {"units": "mm"})[shown]
    return found if np.isfinite(found).any() else None


def _rounds(site: Site, snapshot: Snapshot, start_day: int) -> pd.DataFrame:
    """Return the hand readings from a day of the axis on, as water content."""
    table = snapshot.table("rounds")
    if table is None:
        return pd.DataFrame({"time_s": [], "tube": []})
    rows = table.to_pandas()
    theta = calibrate_rounds(rows, site)["calibrated_water_content"].astype(np.float64)
    rows = rows.assign(quantity="water_content", value=theta)
    first = snapshot.axis.seconds(start_day * snapshot.axis.steps_per_day, snapshot.steps)[0]
    return rows[rows["time_s"] >= first].reset_index(drop=True)


def provenance_of(
    site: Site, snapshot: Snapshot, commit: str, written: datetime
) -> Provenance:
    """Return what the files of a state say of where they come from."""
    ledger = snapshot.table("ledger")
    return Provenance(
        commit=commit,
        code_version=version("percolog"),
        site_hash=site_hash(site),
        steps=tuple(step.name for step in (*TUBE_STEPS, *STATION_STEPS)),
        # The state's own time, not the present: the same state gives the same bytes.
        created=written.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        inputs=0 if ledger is None else ledger.num_rows,
        verdicts=verdicts_of(snapshot),
    )
