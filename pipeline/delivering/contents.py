"""What a delivery holds: NetCDF, the same as Parquet and CSV, hand rounds, and pictures."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.deliver.fields import KINDS, OF_TUBES
from pipeline.deliver.flat import (
    flat_columns,
    wide_columns,
    write_flat,
    write_spreadsheets,
)
from pipeline.deliver.metadata import Provenance
from pipeline.deliver.model_layers import write_model_layers
from pipeline.deliver.netcdf import write_daily, write_native
from pipeline.deliver.package import Resource
from pipeline.deliver.rounds import write_rounds
from pipeline.delivering.events import conductivity_files, event_files
from pipeline.delivering.space import drift_files, mean_files
from pipeline.derive.layers import model_layers
from pipeline.derive.rounds import hand_readings
from pipeline.derive.storage import sensor_depths_m
from pipeline.nights.handover import cube_part, draw_window, file_origins, of_depths
from pipeline.nights.periods import Period
from pipeline.notebook import site_layer_rules
from pipeline.site.models import Site
from pipeline.store.state import Snapshot
from pipeline.variables import describe

STEPS = ("native", "hourly", "daily")
_WATER = (
    "cleaned_water_content",
    "random_error",
    "systematic_error",
    "quality",
    "tests",
)
_STORAGE = (
    "storage",
    "storage_random_error",
    "storage_systematic_error",
    "storage_quality",
)
_DAILY_WATER = (
    "daily_water_content",
    "daily_random_error",
    "daily_systematic_error",
    "daily_count",
)
_DAILY_STORAGE = (
    "daily_storage",
    "daily_storage_random_error",
    "daily_storage_systematic_error",
)


@dataclass(frozen=True)
class Request:
    """What is to be delivered.

    ``period`` is ``all``, a year ``2026``, a month ``2026-03``, a day, or two days with a
    slash between them, the second not included. ``layers_cm`` are the edges of a model's
    layers; empty: none. ``covariance`` asks for the errors' covariance between them.
    ``pictures`` and ``spreadsheets`` say whether those are wanted.
    """

    period: str = "all"
    steps: tuple[str, ...] = ("native", "daily")
    layers_cm: tuple[float, ...] = ()
    covariance: bool = False
    pictures: bool = True
    spreadsheets: bool = True
    name: str = ""

    @property
    def folder(self) -> str:
        """Return the name of the delivery's folder."""
        if self.name:
            return self.name
        parts = [self.period.replace("/", "--"), *self.steps]
        if self.layers_cm:
            parts.append("-".join(f"{edge:g}" for edge in self.layers_cm) + "cm")
        if self.covariance:
            parts.append("covariance")
        return "_".join(parts)


def contents(
    site: Site,
    snapshot: Snapshot,
    request: Request,
    period: Period,
    provenance: Provenance,
    draft: Path,
    kinds: Collection[str] = KINDS,
) -> Iterable[Resource]:
    """Write the files of a delivery and yield them; of loggers those of some kinds.

    See `pipeline.deliver.fields.KINDS`.
    """
    if kinds:
        yield from _logged(site, snapshot, request, period, provenance, draft, kinds)
    yield from _rounds(site, snapshot, provenance, draft)
    sheets = request.spreadsheets
    yield from event_files(site, snapshot, period, provenance, draft, sheets)
    yield from conductivity_files(site, snapshot, provenance, draft, sheets)
    yield from mean_files(site, snapshot, period, provenance, draft, sheets)
    yield from drift_files(site, snapshot, draft, sheets)
    if request.pictures:
        for path in draw_window(site, snapshot, period, draft / "pictures"):
            yield Resource(path, "picture")


def _logged(
    site: Site,
    snapshot: Snapshot,
    request: Request,
    period: Period,
    provenance: Provenance,
    draft: Path,
    kinds: Collection[str],
) -> Iterable[Resource]:
    """Write what was logged and computed, on the steps and in the layers asked for."""
    stem = f"{site.id}_{period.name}"
    target = draft / "netcdf" / f"{stem}.nc"
    window = _window(snapshot, period)
    water = cube_part(site, snapshot, "water", window)
    if "native" in request.steps:
        products = cube_part(site, snapshot, "products", window)
        readings = cube_part(site, snapshot, "readings", window)
        for path in write_native(site, water, products, readings, provenance, target, kinds):
            yield Resource(path, "soil water on the site's own step, CF NetCDF")
        if OF_TUBES in kinds:
            yield from _native_tables(site, water, products, draft, stem, request)
    if "daily" in request.steps:
        days = slice(period.start_day, period.stop_day)
        daily = of_depths(site, snapshot.dataset("daily").isel(day=days))
        target = target.with_name(f"{stem}_daily.nc")
        for path in write_daily(site, daily, provenance, target, kinds):
            yield Resource(path, "daily soil water, CF NetCDF")
        if OF_TUBES in kinds:
            yield from _daily_tables(site, daily.rename(day="time"), draft, stem, request)
    for step in request.steps if request.layers_cm and OF_TUBES in kinds else ():
        yield from _layers(site, water, request, step, provenance, draft / stem)


def _window(snapshot: Snapshot, period: Period) -> slice:
    """Return the steps of a period's days."""
    per_day = snapshot.axis.steps_per_day
    return slice(period.start_day * per_day, period.stop_day * per_day)


def _native_tables(
    site: Site,
    water: xr.Dataset,
    products: xr.Dataset,
    draft: Path,
    stem: str,
    request: Request,
) -> Iterable[Resource]:
    sensors = _with_depths(water[[n for n in _WATER if n in water]], site)
    yield from _tables(sensors, "depth", draft, f"{stem}_water", request)
    if "layer" in products.dims:
        stored = _with_bounds(products[[n for n in _STORAGE if n in products]], site)
        yield from _tables(stored, "layer", draft, f"{stem}_storage", request)


def _daily_tables(
    site: Site, daily: xr.Dataset, draft: Path, stem: str, request: Request
) -> Iterable[Resource]:
    names = [n for n in _DAILY_WATER if n in daily]
    sensors = _with_depths(daily[names], site)
    yield from _tables(sensors, "depth", draft, f"{stem}_daily_water", request)
    if "daily_storage" in daily:
        stored = _with_bounds(daily[[n for n in _DAILY_STORAGE if n in daily]], site)
        yield from _tables(stored, "layer", draft, f"{stem}_daily_storage", request)


def _tables(
    cube: xr.Dataset, across: str, draft: Path, stem: str, request: Request
) -> Iterable[Resource]:
    """Write a cube as Parquet and, if wanted, as CSV."""
    if not cube.data_vars or not cube.sizes["tube"]:
        return
    path = write_flat(cube, across, draft / "parquet" / f"{stem}.parquet")
    yield Resource(path, f"{stem}, a value a row", flat_columns(cube, across))
    if request.spreadsheets:
        for path in write_spreadsheets(cube, across, draft / "csv" / stem):
            yield Resource(path, f"{stem}, a time a row", wide_columns(cube, across))


def _layers(
    site: Site,
    water: xr.Dataset,
    request: Request,
    step: str,
    provenance: Provenance,
    target: Path,
) -> Iterable[Resource]:
    """Write the layers of a model on one step."""
    names = ["cleaned_water_content", "random_error", "systematic_error", "quality"]
    if any(name not in water for name in names):
        return
    draft, stem = target.parent, f"{target.name}_layers_{step}"
    layers = site_layers(site, _with_depths(water[names], site), request, step)
    path = write_model_layers(site, layers, provenance, draft / "netcdf" / f"{stem}.nc")
    yield Resource(path, f"{step} water in the layers of a model, CF NetCDF")
    flat = layers.drop_vars(["layer_covariance", "other_layer"], errors="ignore")
    edges = flat["layer_bounds"].values
    labels = [f"{100 * top:g}-{100 * bottom:g} cm" for top, bottom in edges]
    flat = flat.drop_vars(["layer_bounds", "time_bounds"], errors="ignore")
    flat = flat.assign_coords(
        layer=np.array(labels, dtype=object),
        layer_top=("layer", edges[:, 0]),
        layer_bottom=("layer", edges[:, 1]),
    )
    yield from _tables(flat, "layer", draft, stem, request)


def site_layers(site: Site, water: xr.Dataset, request: Request, step: str) -> xr.Dataset:
    """Return water in the layers asked for, a tube at a time to bound memory, as float32."""
    tubes = water["tube"].values.tolist()
    depths = water["depth"].values.tolist()
    parts = []
    for tube in tubes:
        rules = site_layer_rules(site, [tube], depths)
        one = water.sel(tube=[tube]).load()
        one = one.assign({name: describe(one[name], str(name)) for name in one.data_vars})
        edges = [edge / 100 for edge in request.layers_cm]
        found = model_layers(one, edges, step, request.covariance, rules)
        real = [name for name, array in found.data_vars.items() if array.dtype.kind == "f"]
        parts.append(found.assign({name: found[name].astype(np.float32) for name in real}))
    return xr.concat(
        parts,
        "tube",
        data_vars="minimal",
        coords="minimal",
        join="exact",
        compat="override",
        combine_attrs="override",
    )


def _rounds(
    site: Site, snapshot: Snapshot, provenance: Provenance, draft: Path
) -> Iterable[Resource]:
    table = snapshot.table("rounds")
    if table is None or table.num_rows == 0:
        return
    readings = hand_readings(table.to_pandas(), site)
    path = draft / "netcdf" / f"{site.id}_rounds.nc"
    write_rounds(site, readings, file_origins(snapshot), provenance, path)
    yield Resource(path, "hand rounds, all readings ever, CF NetCDF")


def _with_depths(cube: xr.Dataset, site: Site) -> xr.Dataset:
    """Return a cube of the site's own tubes with the real depth of every sensor."""
    known = [tube.tube for tube in site.tubes if tube.tube in cube["tube"].values]
    cube = cube.sel(tube=known)
    depths = sensor_depths_m(site, known, cube["depth"].values.tolist())
    return cube.assign_coords(sensor_depth=(("tube", "depth"), depths, {"units": "m"}))


def _with_bounds(cube: xr.Dataset, site: Site) -> xr.Dataset:
    """Return a cube of the site's own tubes and layers with the layers' bounds."""
    known = [tube.tube for tube in site.tubes if tube.tube in cube["tube"].values]
    layers = site.derive.layers
    cube = cube.sel(tube=known, layer=[layer.name for layer in layers])
    return cube.assign_coords(
        layer_top=("layer", [layer.top_m for layer in layers]),
        layer_bottom=("layer", [layer.bottom_m for layer in layers]),
    )
