"""One table of days for the whole field: logged and hand-read tubes at the same depths.

What is compared across tubes must be of one depth and one day. A tube that sits deeper or
higher than nominal is brought to nominal depths along straight lines between its sensors, and
by the rule of stored water above the first and below the last. A hand round gives the day's
value where no logger does: the mean over the directions read, each the mean of its repeats.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.derive.layer_errors import spacing_variances
from pipeline.derive.reach import Reach
from pipeline.derive.rounds_comparison import DEPTH_TOLERANCE_M
from pipeline.derive.spacing import spacing_factors
from pipeline.derive.storage import MM_PER_M
from pipeline.derive.weights import THINNEST_M, EndRules, layer_weights
from pipeline.site.models import Site
from pipeline.variables import describe

WATER, STORAGE = "daily_water_content", "daily_storage"
WATER_ERROR, STORAGE_ERROR = "daily_systematic_error", "daily_storage_systematic_error"
_PLACE = ["day", "tube", "depth"]


def field_days(daily: xr.Dataset, hand: pd.DataFrame, site: Site) -> xr.Dataset:
    """Daily values of all tubes of a site, logged or read by hand, at nominal depths.

    Parameters
    ----------
    daily : Dataset, (day, tube, depth) and (day, tube, layer)
        ``daily_water_content`` [m3 m-3], ``daily_storage`` [mm] and their systematic errors;
        ``day`` is where each day begins (UTC). Tubes may be missing and in any order.
    hand : DataFrame
        Hand readings: ``time_s`` (UTC seconds), ``tube``, ``depth_m`` (nominal),
        ``direction_deg``, ``calibrated_water_content``, ``systematic_error`` [m3 m-3], as of
        `pipeline.calibrate.rounds.calibrate_rounds`. May be empty.
    site : Site

    Returns
    -------
    Dataset, (day, tube, depth) and (day, tube, layer), float64
        The same variables for the tubes of the site in its order and all depths that were
        logged or read, downwards; ``by_hand`` (day, tube), True where a hand round gave what
        no logger did.
    """
    depths = _all_depths(daily["depth"].values, hand)
    tubes = [tube.tube for tube in site.tubes]
    logged = _on(daily, tubes, depths, [layer.name for layer in site.derive.layers])
    water, error, read = _with_hand(logged, hand, site, tubes, depths)
    storage = logged[STORAGE].values.copy()
    storage_error = logged[STORAGE_ERROR].values.copy()
    for row, tube in enumerate(site.tubes):
        real = np.array([site.sensor_depth_m(tube.tube, d) for d in depths])
        days = read[:, row].any(axis=1)
        stored = _stored(water[days, row], error[days, row], real, site)
        for target, new in zip((storage, storage_error), stored, strict=True):
            target[days, row] = np.where(
                np.isfinite(target[days, row]), target[days, row], new
            )
        if abs(tube.set_in_m) > DEPTH_TOLERANCE_M:
            # What was read by hand once is no sensor that the other days lack.
            used = np.isfinite(logged[WATER].values[:, row]).any(axis=0) | read[:, row]
            brought = _moved(water[:, row], error[:, row], used, real, depths, site)
            water[:, row], error[:, row] = brought
    by_hand = read.any(axis=2)
    found = {WATER: water, WATER_ERROR: error}
    layers = {STORAGE: storage, STORAGE_ERROR: storage_error}
    coords = {n: logged[n].values for n in ("day", "tube", "depth", "layer")}
    arrays = {n: _described(x, ("day", "tube", "depth"), n) for n, x in found.items()}
    arrays |= {n: _described(x, ("day", "tube", "layer"), n) for n, x in layers.items()}
    arrays["by_hand"] = xr.DataArray(by_hand, dims=("day", "tube"))
    return xr.Dataset(arrays, coords)


def depth_weights(real_m: Floats, targets_m: Sequence[float], rules: EndRules) -> Floats:
    """Weights of sensors in the water content at given depths, by straight lines between them.

    Parameters
    ----------
    real_m : (depth,), [m]
        Real depths of the sensors; NaN where there is none.
    targets_m : (target,), [m]
    rules : EndRules
        What holds above the first and below the last sensor.

    Returns
    -------
    (target, depth), [1]
        A row of NaN where the rules leave a depth unknown.
    """
    weights = np.full((len(targets_m), real_m.size), np.nan)
    present = np.flatnonzero(np.isfinite(real_m) & (real_m >= 0))
    sensors = real_m[present]
    for row, target in zip(weights, targets_m, strict=True):
        if not sensors.size:
            continue
        over, under = target < sensors[0], target > sensors[-1]
        if (over and rules.above == "none") or (under and rules.below == "none"):
            continue
        row[:] = 0.0
        right = int(np.clip(np.searchsorted(sensors, target), 1, max(sensors.size - 1, 1)))
        if sensors.size == 1 or over or under:
            row[present[-1 if under else 0]] = 1.0
            continue
        left = right - 1
        share = (target - sensors[left]) / (sensors[right] - sensors[left])
        row[present[left]], row[present[right]] = 1.0 - share, share
    return weights


def _all_depths(logged: NDArray, hand: pd.DataFrame) -> list[float]:
    """Return the nominal depths that were logged or read by hand, downwards."""
    read = hand["depth_m"].to_numpy(np.float64) if len(hand) else np.empty(0)
    both = np.round(np.concatenate([np.asarray(logged, np.float64), read]), 4)
    found: list[float] = np.unique(both[np.isfinite(both)]).tolist()
    return found


def _on(
    daily: xr.Dataset, tubes: list[str], depths: list[float], layers: list[str]
) -> xr.Dataset:
    """Return the daily values on given axes, NaN where there are none."""
    wanted: dict[str, Sequence[object]] = {"tube": tubes, "depth": depths, "layer": layers}
    days = daily["day"].values
    arrays = {}
    for name, dim in (
        (WATER, "depth"),
        (WATER_ERROR, "depth"),
        (STORAGE, "layer"),
        (STORAGE_ERROR, "layer"),
    ):
        table = np.full((days.size, len(tubes), len(wanted[dim])), np.nan)
        if name in daily:
            held = daily[name].transpose("day", "tube", dim)
            at = [_places(held["tube"].values, tubes), _places(held[dim].values, wanted[dim])]
            kept = [np.flatnonzero(place >= 0) for place in at]
            target = np.ix_(np.arange(days.size), at[0][kept[0]], at[1][kept[1]])
            table[target] = held.values[:, kept[0]][:, :, kept[1]]
        arrays[name] = (("day", "tube", dim), table)
    coords = {"day": days, "tube": np.array(tubes, object), "depth": depths, "layer": layers}
    return xr.Dataset(arrays, coords)


def _places(held: NDArray, wanted: Sequence[object]) -> NDArray[np.int64]:
    """Return the place of each label among those wanted, -1 for others."""
    index = {_key(label): number for number, label in enumerate(wanted)}
    return np.array([index.get(_key(label), -1) for label in held], dtype=np.int64)


def _key(label: object) -> object:
    return round(float(label), 4) if isinstance(label, float | np.floating) else str(label)


def _with_hand(
    logged: xr.Dataset, hand: pd.DataFrame, site: Site, tubes: list[str], depths: list[float]
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return water content, its systematic error, and where a hand round gave it."""
    water, error = logged[WATER].values.copy(), logged[WATER_ERROR].values.copy()
    read = np.zeros(water.shape, dtype=bool)
    rows = _hand_days(hand, site)
    if rows.empty:
        return water, error, read
    cell: tuple[NDArray[np.int64], ...] = (
        rows["day"].to_numpy(np.int64),
        _places(rows["tube"].to_numpy(object), tubes),
        _places(rows["depth"].to_numpy(np.float64), depths),
    )
    inside = (cell[0] >= 0) & (cell[0] < len(water)) & (cell[1] >= 0)
    cell = tuple(part[inside] for part in cell)
    empty = np.isnan(water[cell])
    cell = tuple(part[empty] for part in cell)
    water[cell] = rows["value"].to_numpy(np.float64)[inside][empty]
    error[cell] = rows["error"].to_numpy(np.float64)[inside][empty]
    read[cell] = True
    return water, error, read


def _hand_days(hand: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Return one row for each day, tube and nominal depth read by hand."""
    names = ["time_s", "tube", "depth_m", "direction_deg"]
    order = [*names, "calibrated_water_content", "systematic_error"]
    if hand.empty:
        return pd.DataFrame(columns=[*_PLACE, "value", "error"])
    # Sorted by all that counts, so that a mean does not depend on the order of the book.
    rows = hand[hand["calibrated_water_content"].notna()].sort_values(order)
    frame = pd.DataFrame(
        {
            "day": (rows["time_s"].to_numpy(np.int64) - site.axis.origin_s) // DAY_S,
            "tube": rows["tube"].astype(str).to_numpy(object),
            "depth": np.round(rows["depth_m"].to_numpy(np.float64), 4),
            "direction": rows["direction_deg"].to_numpy(np.float64),
            "value": rows["calibrated_water_content"].to_numpy(np.float64),
            "error": rows["systematic_error"].to_numpy(np.float64),
        }
    )
    each = frame.groupby([*_PLACE, "direction"], dropna=False, sort=True).mean()
    return each.groupby(_PLACE, sort=True).mean().reset_index()


def _stored(water: Floats, error: Floats, real_m: Floats, site: Site) -> tuple[Floats, Floats]:
    """Return the storage of the site's layers and its systematic error, (day, layer), [mm].

    Days with values at the same depths are done together. The error is that of calibrations,
    taken as shared by all depths, and of the distance between them.
    """
    layers = [(layer.top_m, layer.bottom_m) for layer in site.derive.layers]
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    storage = np.full((len(water), len(layers)), np.nan)
    shared = storage.copy()
    known = np.isfinite(water) & (real_m >= -THINNEST_M)
    told = known.any(axis=1)
    if not told.any():
        return storage, shared
    depths = np.where(known, real_m, np.nan)[told]
    reach = Reach.of(np.nanmin(depths, axis=1), np.nanmax(depths, axis=1))
    for pattern in np.unique(known[told], axis=0):
        days = (known == pattern).all(axis=1)
        held, values = np.where(pattern, real_m, np.nan), np.where(pattern, water[days], 0.0)
        own = reach.rules(float(np.nanmin(held)), float(np.nanmax(held)), rules)
        weights = layer_weights(held, layers, own)
        weights = np.where(pattern, weights, np.where(np.isnan(weights), np.nan, 0.0))
        storage[days] = MM_PER_M * _weighted(weights, values)
        law = _weighted(weights, np.where(pattern, error[days], 0.0))
        apart = spacing_variances(values, spacing_factors(held, layers, own))
        shared[days] = MM_PER_M * np.sqrt(law**2 + apart)
    return storage, shared


def _moved(
    water: Floats,
    error: Floats,
    used: NDArray[np.bool_],
    real_m: Floats,
    nominal_m: Sequence[float],
    site: Site,
) -> tuple[Floats, Floats]:
    """Return the values of one tube (day, depth) brought from real to nominal depths.

    ``used`` (day, depth) tells between which sensors lines go; one without a value is missed.
    Beyond them the rules hold up to the nominal depths of the first and the last one, and no
    farther: a tube that is not set otherwise tells nothing there.
    """
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    moved = np.full((2, *water.shape), np.nan)
    for held in np.unique(used, axis=0):
        days = (used == held).all(axis=1)
        weights = depth_weights(np.where(held, real_m, np.nan), nominal_m, rules)
        weights[_beyond(held, real_m, np.asarray(nominal_m))] = np.nan
        needed = weights != 0
        for target, values in zip(moved, (water[days], error[days]), strict=True):
            known = np.isfinite(values)
            lacking = (needed[np.newaxis] & ~known[:, np.newaxis, :]).any(axis=2)
            total = _weighted(weights, np.where(known, values, 0.0))
            target[days] = np.where(lacking, np.nan, total)
    return moved[0], moved[1]


def _beyond(held: NDArray[np.bool_], real_m: Floats, nominal_m: Floats) -> NDArray[np.bool_]:
    """Tell which nominal depths lie above or below all sensors, real and nominal ones."""
    places = np.concatenate([real_m[held & (real_m >= 0)], nominal_m[held & (real_m >= 0)]])
    if not places.size:
        return np.ones(nominal_m.size, dtype=np.bool_)
    above, below = places.min() - THINNEST_M, places.max() + THINNEST_M
    return np.asarray((nominal_m < above) | (nominal_m > below))


def _weighted(weights: Floats, values: Floats) -> Floats:
    """Return (day, target) from weights (target, depth) and values (day, depth)."""
    total = np.zeros((len(values), len(weights)))
    for column in range(values.shape[1]):  # a fixed order of summation
        total += values[:, column, np.newaxis] * weights[:, column]
    return total


def _described(values: Floats, dims: tuple[str, ...], name: str) -> xr.DataArray:
    return describe(xr.DataArray(values, dims=dims), name)
