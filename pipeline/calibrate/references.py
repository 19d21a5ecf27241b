"""What is known of the water beside a sensor: references from visits, samples and rounds.

Every reference becomes a water content with its standard uncertainty, at a tube, a nominal
depth and a time. What it says of the sensor is for `pipeline.calibrate.compare` to tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.calibrate.fit_match import Rules, nearest_sensor
from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.calibrate.samples import SamplePoint
from pipeline.site.models import Site, Visit
from pipeline.units import conversion
from pipeline.variables import SIGNALS

# A probe set down again does not repeat better than this (common practice, from memory);
# that three directions agree may be chance.
LEAST_HAND_ERROR = 0.002  # m3 m-3


@dataclass(frozen=True, order=True)
class Reference:
    """A water content known at a sensor; readings from ``first_s`` to ``stop_s`` are its.

    ``felt_warmth`` tells that it went through the soil's law as read, not freed of soil
    temperature.
    """

    tube: str
    depth_m: float
    time_s: int
    kind: str
    water_content: float
    error: float
    first_s: int
    stop_s: int
    felt_warmth: bool = False


def visit_references(site: Site) -> Iterator[Reference]:
    """Yield the reference readings and samples that ``visits.csv`` notes as water content.

    One at a depth without a sensor is left to people. Units and ranges were checked with the
    description (`pipeline.site.cross_settings`).
    """
    half_s = round(site.drift.window_h * 3600)
    wired = sensors_of(site)
    for visit in site.visits:
        place = (visit.tube, visit.depth_m)
        if visit.action not in ("reference", "sample") or place not in wired:
            continue
        found = _water_content(visit, site)
        if found is not None and visit.depth_m is not None:
            at = int(visit.time.timestamp())
            yield Reference(
                visit.tube,
                visit.depth_m,
                at,
                visit.action,
                *found,
                at - half_s,
                at + half_s + 1,
            )


def sensors_of(site: Site) -> set[tuple[str, float | None]]:
    """Return the tubes and nominal depths from which water content comes."""
    return {(wire.tube, wire.depth_m) for wire in site.wiring if wire.quantity in SIGNALS}


def visited(site: Site, action: str) -> list[tuple[tuple[str, float], int]]:
    """Return the sensors on which something was done, and when; all depths if none is told."""
    wired = sorted((tube, depth) for tube, depth in sensors_of(site) if depth is not None)
    found = {
        (sensor, int(visit.time.timestamp()))
        for visit in site.visits
        if visit.action == action
        for sensor in wired
        if visit.tube == sensor[0] and visit.depth_m in (None, sensor[1])
    }
    return sorted(found)


def _water_content(visit: Visit, site: Site) -> tuple[float, float] | None:
    """Return the water content of a visit with its uncertainty, None if it notes none."""
    if visit.value is None:
        return None
    factor = conversion(visit.unit, "water_content").factor
    error = site.uncertainty.reference
    if visit.uncertainty is not None:
        error = visit.uncertainty * factor
    return visit.value * factor, error


def sample_references(points: Iterable[SamplePoint], site: Site) -> Iterator[Reference]:
    """Yield soil samples at the sensors they lie beside, within 5 cm and in one horizon.

    Weighings tell what water a core holds; how like the soil at the sensor it is, is uncertain
    besides, by ``uncertainty.reference`` over √n of its repeats (JCGM 100:2008, 5.1.2: parts
    that do not hang together add in quadrature). Repeats that show more are believed; that
    they agree may be chance.
    """
    half_s, rules = round(site.drift.window_h * 3600), Rules()
    for point in points:
        nominal_m = nearest_sensor(site, point)
        if nominal_m is None or not _is_beside(site, point, nominal_m, rules):
            continue
        first, last = point.when.start_s, point.when.start_s + point.when.length_s
        span = (first, last) if last > first else (first - half_s, first + half_s + 1)
        middle = (first + last) // 2
        place = (point.tube, nominal_m, middle)
        yield Reference(*place, "sample", point.water_content, _error(point, site), *span)


def _error(point: SamplePoint, site: Site) -> float:
    """Return the standard uncertainty [m3 m-3] of a sample as the water at a sensor."""
    count = len(point.lines)
    unlike = site.uncertainty.reference / math.sqrt(count)
    known = math.hypot(np.nan_to_num(point.weighed), unlike)
    return float(np.fmax(known, point.spread / math.sqrt(count)))


def _is_beside(site: Site, point: SamplePoint, nominal_m: float, rules: Rules) -> bool:
    real_m = site.sensor_depth_m(point.tube, nominal_m)
    soil = site.soils[site.tube_by_id[point.tube].soil]
    same = soil.horizon_at(real_m) == soil.horizon_at(point.depth_m)
    return same and round(abs(real_m - point.depth_m), 4) <= rules.depth_tolerance_m


def hand_references(rounds: pd.DataFrame, site: Site) -> Iterator[Reference]:
    """Yield the hand readings of check probes, those of one visit to a depth as one.

    Their median stands; its uncertainty is what the readings show (several directions) or
    what the site states of a reference (one alone).

    Parameters
    ----------
    rounds : DataFrame
        The store's table of rounds.
    site : Site
        ``site.drift.readers`` names the readers that are check probes.
    """
    own = rounds[rounds["reader"].isin(site.drift.readers)].reset_index(drop=True)
    if own.empty:
        return
    theta = calibrate_rounds(own, site)["calibrated_water_content"].astype(np.float64)
    own = own.assign(theta=theta)[theta.notna()]
    own = own.sort_values(["tube", "depth_m", "reader", "time_s", "theta"], kind="stable")
    half_s, wired = round(site.drift.window_h * 3600), sensors_of(site)
    place = own.groupby(["tube", "depth_m", "reader"], sort=True).ngroup().to_numpy()
    time_s = own["time_s"].to_numpy(np.int64)
    begins = np.ones(len(own), dtype=bool)
    begins[1:] = (np.diff(place) != 0) | (np.diff(time_s) > half_s)
    for _, visit in own.groupby(begins.cumsum(), sort=True):
        tube, depth_m = str(visit["tube"].iloc[0]), float(visit["depth_m"].iloc[0])
        if (tube, depth_m) in wired:
            values = visit["theta"].to_numpy(np.float64)
            at = int(np.median(visit["time_s"].to_numpy(np.int64)))
            told = (float(np.median(values)), _hand_error(values, site))
            span = (at - half_s, at + half_s + 1)
            felt = bool((visit["quantity"] != "water_content").all())
            yield Reference(tube, depth_m, at, "hand", *told, *span, felt)


def _hand_error(values: np.ndarray, site: Site) -> float:
    if len(values) == 1:
        return site.uncertainty.reference
    return max(LEAST_HAND_ERROR, float(np.std(values, ddof=1)) / len(values) ** 0.5)
