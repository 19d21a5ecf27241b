"""A site's cubes for a notebook: lazily read, with coordinates, units and real depths."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.derive.calibrations import site_calibrations
from pipeline.derive.layers import model_layers
from pipeline.derive.rounds import describe_reason
from pipeline.derive.sensor_means import LayerRules
from pipeline.derive.storage import sensor_depths_m
from pipeline.derive.weights import EndRules
from pipeline.qc.flags import describe_quality, describe_tests
from pipeline.site.load import load_site
from pipeline.site.models import Site, Wire
from pipeline.site.stretches import intervals_at, stretches_of
from pipeline.store.description import in_force
from pipeline.store.site_store import SiteStore
from pipeline.store.state import Snapshot
from pipeline.store.states import commit_of
from pipeline.variables import SIGNALS, VARIABLES, describe

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.units import Amounts

_EVER = np.iinfo(np.int64).min
# Where a reading came from is a matter of the trace; see `percolog trace`.
_ORIGIN = ("_file", "_line", "_offset_s")
_CUBES = ("readings", "water", "products", "daily")
_FLAGS: dict[str, Callable[[xr.DataArray, str], xr.DataArray]] = {
    "quality": describe_quality,
    "storage_quality": describe_quality,
    "tests": lambda mask, _: describe_tests(mask),
    "outside_calibration": lambda reason, _: describe_reason(reason),
}
_ABOUT = {
    "time": "step of the site's axis, UTC",
    "day": "when the day begins, UTC",
    "tube": "access tube",
    "depth": "nominal depth of the sensor below the surface",
    "layer": "layer of the site",
    "station": "source that logs the quantity",
}


@dataclass(frozen=True, repr=False)
class OpenSite:
    """One state of a site. Nothing is read from disk before values are asked for.

    ``readings``, ``water``, ``products`` and ``daily`` are the cubes of the store, each a
    Dataset whose variables carry units, names and the meanings of flags; ``site`` is the
    description. Nothing is written to the store, whatever is done to a Dataset.
    """

    site: Site
    snapshot: Snapshot

    def __repr__(self) -> str:
        """Say in a few lines which state it is and what can be asked of it."""
        cubes = ", ".join(_CUBES)
        return (
            f"<OpenSite {self.site.id}: {self.site.title}\n"
            f"state {self.snapshot.commit_id}, {self.snapshot.days} days from "
            f"{self.site.start:%Y-%m-%dT%H:%MZ} on\n"
            f"tubes {', '.join(self._tubes)}\n"
            f"cubes {cubes}; model_layers(); table(name), see tables>"
        )

    @cached_property
    def readings(self) -> xr.Dataset:
        """Return what was logged, (time, tube, depth) and (time, station)."""
        return self._cube("readings")

    @cached_property
    def water(self) -> xr.Dataset:
        """Return water content, its errors and flags, (time, tube, depth)."""
        return self._cube("water")

    @cached_property
    def products(self) -> xr.Dataset:
        """Return stored water by layer of the site, (time, tube, layer).

        ``layer_top`` and ``layer_bottom`` (layer) [m] are its bounds.
        """
        return self._cube("products")

    @cached_property
    def daily(self) -> xr.Dataset:
        """Return daily values, ``day`` being when each begins (UTC)."""
        return self._cube("daily")

    @property
    def tables(self) -> list[str]:
        """Return the names of the tables of the store."""
        return self.snapshot.tables()

    def table(self, name: str) -> pd.DataFrame:
        """Return a table of the store, such as ``ledger`` or ``soil_limits``; see `tables`.

        Raises
        ------
        KeyError
            If the state holds no such table.
        """
        found = self.snapshot.table(name)
        if found is None:
            raise KeyError(
                f"{self.site.id}: the state holds no table {name!r}, but "
                f"{', '.join(self.tables)}"
            )
        frame: pd.DataFrame = found.to_pandas()
        return frame

    @cached_property
    def layer_rules(self) -> LayerRules:
        """Return the site's own rules for `pipeline.derive.layers.model_layers`."""
        tubes, depths = self._tubes, self.water["depth"].values.tolist()
        return site_layer_rules(self.site, tubes, depths)

    def model_layers(
        self,
        bounds: Amounts | None = None,
        step: str = "daily",
        covariance: bool = False,
        time: slice = slice(None),
        isel: slice = slice(None),
    ) -> xr.Dataset:
        """Return water in the layers of a model by the site's own rules.

        Parameters
        ----------
        bounds, step, covariance
            As in `pipeline.derive.layers.model_layers`; bounds are those of the site's own
            layers, in their order, and ``step`` is daily unless stated.
        time : slice
            Of labels: ``slice("2025-05-01", "2025-05-31")``; all by default. It had better
            begin and end with a day.
        isel : slice
            Of steps of the axis, as another way to say it.

        Returns
        -------
        Dataset, (time, tube, layer)
            As of `pipeline.derive.layers.model_layers`. What is asked for is read whole, and
            takes some 70 bytes of memory a reading: take long records year by year.

        Raises
        ------
        ValueError
            As there, or if no bounds are given and the site describes no layers.
        """
        if bounds is None:
            bounds = [(layer.top_m, layer.bottom_m) for layer in self.site.derive.layers]
            if not bounds:
                raise ValueError(
                    f"bounds: expected edges of layers [m], as {self.site.id} describes no "
                    f"layers of its own, found none; give them, such as [0, 0.1, 0.4, 1.0]"
                )
        part = self.water.isel(time=isel).sel(time=time)
        return model_layers(part, bounds, step, covariance, self.layer_rules)

    @property
    def _tubes(self) -> list[str]:
        return [str(tube) for tube in self.snapshot.labels["tube"]]

    def _cube(self, group: str) -> xr.Dataset:
        """Return a group with depths downwards, units on every variable, and real depths."""
        cube = self.snapshot.dataset(group)
        cube = cube.drop_vars([name for name in cube if str(name).endswith(_ORIGIN)])
        for name in map(str, cube):
            if name in VARIABLES:
                cube[name] = _FLAGS.get(name, describe)(cube[name], name)
        if cube.data_vars:  # in the table's order, with the coordinates that these have
            cube = cube[
                sorted(cube, key=lambda name: [*VARIABLES, str(name)].index(str(name)))
            ]
        for name in set(_ABOUT) & set(cube.coords):
            cube[name].attrs["long_name"] = _ABOUT[name]
        cube = self._with_bounds(cube)
        if "depth" not in cube.dims:
            return cube
        if (np.diff(cube["depth"].values) < 0).any():  # the store keeps them as first seen
            cube = cube.sortby("depth")
        nominal = cube["depth"].values.tolist()
        real = sensor_depths_m(self.site, self._tubes, nominal)
        text = "real depth below the surface, with the tube's set-in offset"
        attributes = {"units": "m", "standard_name": "depth", "positive": "down"}
        return cube.assign_coords(
            sensor_depth=(("tube", "depth"), real, {**attributes, "long_name": text})
        )

    def _with_bounds(self, cube: xr.Dataset) -> xr.Dataset:
        """Return a group with the bounds of the site's layers, where it has layers."""
        if "layer" not in cube.dims:
            return cube
        known = {layer.name: layer for layer in self.site.derive.layers}
        layers = [known.get(str(name)) for name in cube["layer"].values]
        bounds = {
            "layer_top": [np.nan if layer is None else layer.top_m for layer in layers],
            "layer_bottom": [np.nan if layer is None else layer.bottom_m for layer in layers],
        }
        attributes = {"units": "m", "standard_name": "depth", "positive": "down"}
        return cube.assign_coords(
            {
                name: ("layer", depths, {**attributes, "long_name": name.replace("_", " ")})
                for name, depths in bounds.items()
            }
        )


def site_layer_rules(site: Site, tubes: list[str], depths: list[float]) -> LayerRules:
    """Return a site's own rules for `pipeline.derive.layers.model_layers`.

    Parameters
    ----------
    site : Site
    tubes : list of str
    depths : list of float, [m]
        Nominal depths.
    """
    derive = site.derive
    from_s, interval_s = _intervals(site, tubes, depths)
    return LayerRules(
        ends=EndRules(derive.above_first_sensor, derive.below_last_sensor),
        missing_sensor=derive.missing_sensor,
        completeness=derive.day_completeness,
        interval_s=interval_s,
        interval_from_s=from_s,
        utc_offset_s=site.utc_offset_s,
        calibrations=site_calibrations(site, tubes, depths),
    )


def _intervals(
    site: Site, tubes: list[str], depths: list[float]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return from when on sensors log how often, (stretch,) and (stretch, tube, depth) [s].

    NaN while nothing is wired.
    """
    places = {
        (tubes.index(tube), depths.index(depth_m)): stretches_of(wires, site)
        for (tube, depth_m), wires in _by_sensor(site).items()
        if tube in tubes and depth_m in depths
    }
    begins = {stretch.from_s for place in places.values() for stretch in place}
    edges = [int(edge) for edge in sorted(begins) if np.isfinite(edge)]
    from_s = np.array([_EVER, *edges], dtype=np.int64)
    found = np.full((from_s.size, len(tubes), len(depths)), np.nan)
    for (tube, depth), stretches in places.items():
        found[:, tube, depth] = intervals_at(stretches, from_s)
    return from_s, found


def _by_sensor(site: Site) -> dict[tuple[str, float | None], list[Wire]]:
    """Return the wires that bring water content by tube and depth."""
    found: dict[tuple[str, float | None], list[Wire]] = {}
    for wire in site.wiring:
        if wire.quantity in SIGNALS:
            found.setdefault((wire.tube, wire.depth_m), []).append(wire)
    return found


def open_site(folder: str | PathLike[str], commit: str | int | None = None) -> OpenSite:
    """Open the newest state of a site, or an earlier one, for reading.

    Parameters
    ----------
    folder : path
        Where ``site.toml`` lies; ``~`` is the home folder.
    commit : str or int, optional
        An earlier state, named as for ``percolog compare``: the number of a night, a date, or
        the beginning of a commit id. The newest unless stated.

    Returns
    -------
    OpenSite

    Raises
    ------
    TypeError
        If folder or commit are no such things.
    SiteError
        If there is no such folder, or with every mistake of the description.
    StoreError
        If there is no store yet, or no such state.

    Examples
    --------
    >>> from pipeline import open_site
    >>> site = open_site("config")  # doctest: +SKIP
    >>> site.water.cleaned_water_content.sel(tube="T1", time="2025-05")  # doctest: +SKIP
    """
    text = fspath(folder) if isinstance(folder, str | PathLike) else None
    if not isinstance(text, str) or not text.strip():
        raise TypeError(f"folder: expected the path of a site's folder, found {folder!r}")
    if not isinstance(commit, str | int | None) or isinstance(commit, bool):
        raise TypeError(
            f"commit: expected the number of a night, a date or the beginning of a commit id "
            f"as text, found {commit!r}"
        )
    site = load_site(Path(text).expanduser().absolute())
    store = SiteStore(site.store, site.axis, site.id)
    snapshot = store.read(commit_of(store, None if commit is None else str(commit)))
    return OpenSite(in_force(site, snapshot).site, snapshot)
