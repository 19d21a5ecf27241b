"""The readings that ``percolog fit`` holds samples against: root permittivity of a sensor."""

from __future__ import annotations

import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.compare import Seen
from pipeline.calibrate.fit_match import ReadRoots
from pipeline.calibrate.steps import root_permittivity_step
from pipeline.calibrate.warmth import NEAR_S, beside, free_root, thermometers
from pipeline.engine.correcting import CORRECTIONS, find_corrections
from pipeline.engine.windows import TABLE, known_windows
from pipeline.qc.flags import TEST_BITS, Quality
from pipeline.site.models import Site
from pipeline.store.state import Snapshot
from pipeline.variables import SIGNALS

_ROOT, _QUALITY, _TESTS = "water/root_permittivity", "water/quality", "water/tests"
_CELSIUS = "readings/soil_temperature"
# Bad by these alone is judged from water content by the law that is to be replaced.
_BY_OLD_LAW = TEST_BITS["outside_calibration"] | TEST_BITS["gross_range"]
_FROZEN = np.uint16(TEST_BITS["frozen"])


def reader(snapshot: Snapshot, site: Site) -> ReadRoots:
    """Return a function that reads a sensor's root permittivity from a state of the store.

    Drift found by water contents in the soil (samples, reference readings, hand rounds) is not
    taken off: those were held against the readings by the law that is to be replaced, so that
    readings corrected by them would say again what that law says. What cleanings and bench
    checks found needs no law of the soil and is taken off. Where the law to be replaced asks
    for it, readings are freed of soil temperature, as the night does. Readings that are
    certainly faulty, or of soil that a thermometer tells to be frozen, are missing.

    Parameters
    ----------
    snapshot : Snapshot
    site : Site
        The description in force.
    """
    drifted = _drifted(snapshot)
    plain = _without_soil_references(snapshot, site) if drifted else site

    def read(tube: str, nominal_m: float, start: int, stop: int) -> NDArray[np.float64]:
        start, stop = max(0, start), min(stop, snapshot.steps)
        known = tube in snapshot.labels["tube"] and nominal_m in snapshot.labels["depth"]
        if not known or start >= stop or not snapshot.holds(_ROOT):
            return np.empty(0)
        place = snapshot.labels["tube"].index(tube), snapshot.labels["depth"].index(nominal_m)
        if (tube, nominal_m) in drifted:
            root = _root(snapshot, plain, start, stop, place)
        else:
            root = _cells(snapshot, _ROOT, start, stop, place)
        root = _freed(snapshot, site, root.astype(np.float64), start, (tube, nominal_m))
        quality, tests = (
            _cells(snapshot, key, start, stop, place) for key in (_QUALITY, _TESTS)
        )
        not_soil = (quality == Quality.BAD) & ((tests & ~np.uint16(_BY_OLD_LAW)) != 0)
        # Of ice, which a core holds all the same, hardly anything is felt. Frost that is told
        # by a fall of the readings alone may be soil that dries.
        frozen = (quality != Quality.GOOD) & ((tests & _FROZEN) != 0) & _has_warmth(site, tube)
        return np.where(not_soil | frozen, np.nan, root)

    return read


def _has_warmth(site: Site, tube: str) -> bool:
    """Tell whether soil temperature is logged in a tube."""
    return any(w.tube == tube and w.quantity == "soil_temperature" for w in site.wiring)


def _cells(
    snapshot: Snapshot, key: str, start: int, stop: int, place: tuple[int, int]
) -> NDArray:
    row, depth = place
    return snapshot.read(key, start, stop, slice(row, row + 1))[:, 0, depth]


def _freed(
    snapshot: Snapshot, site: Site, root: Floats, start: int, sensor: tuple[str, float]
) -> Floats:
    """Return a sensor's roots from a step on at the temperature its newest law asks for."""
    tube, nominal_m = sensor
    soil = site.soils[site.tube_by_id[tube].soil]
    horizon = soil.horizon_at(site.sensor_depth_m(tube, nominal_m))
    versions = [law for law in site.laws if horizon and law.id == horizon.calibration]
    law = max(versions, key=lambda law: law.version, default=None)
    near_m = [d for d in thermometers(site, *sensor) if d in snapshot.labels["depth"]]
    asked = law is not None and law.temperature is not None
    if law is None or not asked or not near_m or not snapshot.holds(_CELSIUS):
        return root
    reach, stop = NEAR_S // snapshot.axis.interval_s, start + root.size
    first, last = max(0, start - reach), min(snapshot.steps, stop + reach)
    row = snapshot.labels["tube"].index(tube)
    places = [(row, snapshot.labels["depth"].index(depth_m)) for depth_m in near_m]
    series = [_cells(snapshot, _CELSIUS, first, last, place) for place in places]
    celsius = beside(
        snapshot.axis.seconds(first, last), [one.astype(np.float64) for one in series]
    )
    return free_root(law, horizon, root, celsius[start - first : stop - first])[0]


def _drifted(snapshot: Snapshot) -> set[tuple[str, float]]:
    """Return the sensors whose readings the night corrected."""
    table = snapshot.table(CORRECTIONS)
    rows = [] if table is None else table.to_pylist()
    return {(row["tube"], row["depth_m"]) for row in rows}


def _without_soil_references(snapshot: Snapshot, site: Site) -> Site:
    """Return the site with what cleanings and bench checks alone would have corrected."""
    known = known_windows(snapshot.table(TABLE))
    nothing = Seen("", math.nan, math.nan, 0)
    found, _ = find_corrections(
        [], lambda asked: {w: known.get(w, nothing) for w in asked}, site
    )
    return site.model_copy(update={"corrections": tuple(found)})


def _root(
    snapshot: Snapshot, site: Site, start: int, stop: int, place: tuple[int, int]
) -> NDArray:
    """Return root permittivity anew from what was logged, with the corrections of a site."""
    dims = "time", "tube", "depth"
    variables = {
        name: (dims, _cells(snapshot, f"readings/{name}", start, stop, place)[:, None, None])
        for quantity in SIGNALS
        for name in (quantity, f"{quantity}_offset_s")
        if snapshot.holds(f"readings/{name}")
    }
    labels = snapshot.labels
    coordinates = {
        "time": snapshot.axis.times(start, stop),
        "tube": np.array([labels["tube"][place[0]]], dtype=object),
        "depth": np.array([labels["depth"][place[1]]]),
    }
    block = xr.Dataset(variables, coords=coordinates)
    return root_permittivity_step(block, site)["root_permittivity"].values[:, 0, 0]
