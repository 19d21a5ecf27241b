"""Water stored in layers of the profile, from water content at the sensors' real depths.

Between sensors water content is taken as linear in depth (the trapezoidal rule). Above the
first and below the last sensor it is either constant or unknown, as the site says; it is never
extrapolated along a slope. Because the rule is linear in water content, a layer's storage is a
weighted sum over sensors, and the weights (metres) say which sensors a layer rests on.

Its uncertainty has a part that averages out, the sensors' noise, and one that does not: what
sensors that share a calibration share adds fully, what each has of its own in quadrature, and
so does what the distance between sensors leaves open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.derive.calibrations import UNKNOWN, Calibrations, site_calibrations
from pipeline.derive.integrate import (
    MM_PER_M,
    Cells,
    Geometry,
    Sharing,
    Stored,
    integrate,
)
from pipeline.derive.readings_due import between_readings, longest_interval_s
from pipeline.derive.spacing import VARIOGRAM, out_of_reach, spacing_factors
from pipeline.derive.weights import EndRules, bridged_weights, layer_weights
from pipeline.qc.flags import Quality
from pipeline.site.models import Site
from pipeline.units import metres, plain
from pipeline.variables import SIGNALS, describe, require_labels, require_once, require_some

_MISSING = int(Quality.MISSING)


def sensor_depths_m(
    site: Site, tubes: Sequence[str], nominal_m: Sequence[float]
) -> NDArray[np.float64]:
    """Real depth of every sensor from which water content comes.

    Returns
    -------
    (tube, depth), [m]
        With the tube's set-in offset; NaN where no such sensor was ever wired. A probe that
        came later counts throughout: before it came its readings are missing.
    """
    wired = {
        (w.tube, w.depth_m)
        for w in site.wiring
        if w.quantity in SIGNALS and w.depth_m is not None
    }
    return np.array(
        [
            [site.sensor_depth_m(t, d) if (t, d) in wired else np.nan for d in nominal_m]
            for t in tubes
        ],
        dtype=np.float64,
    ).reshape(len(tubes), len(nominal_m))


def profile_storage(
    water_content: xr.DataArray,
    sensor_depth: xr.DataArray,
    layers: Mapping[str, tuple[float, float]],
    rules: EndRules = EndRules(),  # noqa: B008 (an immutable tuple)
) -> xr.DataArray:
    """Water stored in layers of the soil.

    Parameters
    ----------
    water_content : DataArray, dims with ``depth``, [m3 m-3]
        Stays lazy if it is. May be a Pint quantity of any fitting unit.
    sensor_depth : DataArray, (depth) or (tube, depth), [m]
        Real depths downwards; NaN where a tube has no sensor, and one in the air (below 0) is
        none. Of one tube selected from many its own depths are taken. May be a Pint quantity.
    layers : mapping of name to (top, bottom), [m]
        Bounds may be Pint quantities.
    rules : EndRules
        What holds above the first and below the last sensor.

    Returns
    -------
    DataArray, the dims of ``water_content`` with ``layer`` in place of ``depth``, [mm]
        ``storage`` in float64; NaN where a needed sensor is missing, or where the rules leave
        part of the layer unknown.

    Raises
    ------
    TypeError
        If arrays are no DataArrays, or layers no mapping.
    UnitsError
        If ``water_content`` is not in m3 m-3 or ``sensor_depth`` not in m.
    ValueError
        If the two differ in their depths or have none, a tube is there twice, or
        ``sensor_depth`` lacks a tube or is of others; see `layer_weights`.

    References
    ----------
    Evett, Heng, Moutonnet & Nguyen (eds) (2008), Field Estimation of Soil Water Content,
    IAEA Training Course Series 30.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.derive.storage import profile_storage
    >>> depths = [0.1, 0.2, 0.3, 0.4, 0.6, 1.0]
    >>> theta = xr.DataArray([0.18, 0.22, 0.25, 0.27, 0.30, 0.31], dims="depth")
    >>> depth = xr.DataArray(depths, dims="depth", attrs={"units": "m"})
    >>> layers = {"root zone": (0.0, 0.3), "profile": (0.0, 1.0)}
    >>> stored = profile_storage(theta.assign_attrs(units="m3 m-3"), depth, layers)
    >>> stored.round(2).values.tolist(), stored.attrs["units"]
    ([61.5, 266.5], 'mm')
    """
    water_content = plain(water_content, "m3 m-3")
    sensor_depth = plain(sensor_depth, "m")
    require_labels(sensor_depth, water_content, "depth")
    require_some(water_content, "depth")
    require_once(water_content, "tube")
    sensor_depth = in_soil(of_tubes(sensor_depth, water_content))
    spans = _spans(layers)
    weights = xr.apply_ufunc(
        lambda row: layer_weights(row, spans, rules),
        sensor_depth.compute(),
        input_core_dims=[["depth"]],
        output_core_dims=[["layer", "depth"]],
        vectorize=True,
    ).assign_coords(layer=list(layers))
    total = xr.DataArray(0.0)
    for index in range(weights.sizes["depth"]):  # fixed order: the sum keeps its bits
        weight = weights.isel(depth=index, drop=True)
        theta = water_content.isel(depth=index, drop=True).astype(np.float64)
        total = total + xr.where(weight == 0, 0.0, theta * weight)
    others = [name for name in water_content.dims if name != "depth"]
    storage = (total * MM_PER_M).transpose(*others, ..., "layer")
    return describe(storage, "storage")


def _spans(layers: Mapping[str, tuple[float, float]]) -> list[tuple[float, float]]:
    """Return (top, bottom) of each layer, [m]."""
    if not isinstance(layers, Mapping):
        raise TypeError(
            f"layers: expected a mapping of name to (top, bottom) [m], found "
            f"{type(layers).__name__}"
        )
    bounds = {name: np.asarray(metres(span), np.float64) for name, span in layers.items()}
    for name, span in bounds.items():
        if span.shape != (2,):
            raise ValueError(f"layer {name!r}: expected (top, bottom) [m], found {span}")
    return [(float(top), float(bottom)) for top, bottom in bounds.values()]


def of_tubes(sensor_depth: xr.DataArray, water_content: xr.DataArray) -> xr.DataArray:
    """Return the depths of the tubes of water content, in their order.

    xarray would leave out a tube that lacks, and give one tube's water to all.

    Raises
    ------
    ValueError
        If a tube lacks, or depths are of another tube, or of several where there is one.
    """
    if "tube" not in sensor_depth.coords or "tube" not in water_content.coords:
        if "tube" in sensor_depth.dims and "tube" not in water_content.dims:
            raise ValueError(
                f"{sensor_depth.name!r}: expected the depths of one tube, as "
                f"{water_content.name!r} is of one, found {sensor_depth.sizes['tube']} tubes; "
                f"select its depths"
            )
        return sensor_depth
    tubes, known = water_content["tube"].values, sensor_depth["tube"].values
    found = np.atleast_1d(known).tolist()
    require_once(sensor_depth, "tube")
    lacking = [str(tube) for tube in np.atleast_1d(tubes).tolist() if tube not in found]
    if lacking:
        raise ValueError(
            f"{sensor_depth.name!r}: expected depths of every tube of {water_content.name!r}, "
            f"found none of {', '.join(lacking)}"
        )
    return sensor_depth.sel(tube=tubes) if known.ndim else sensor_depth.drop_vars("tube")


def in_soil(sensor_depth: xr.DataArray) -> xr.DataArray:
    """Return the depths of sensors, NaN where one is in the air: it tells no soil's water."""
    return sensor_depth.where(~(sensor_depth < 0))


def storage_look(site: Site) -> tuple[int, int]:
    """Return how far `storage_step` looks, in seconds back and ahead.

    Not at all, but where a missing sensor is bridged: one that logs more slowly than the axis
    is not missing between two readings.
    """
    reach = 0 if site.derive.missing_sensor == "none" else longest_interval_s(site)
    return reach, reach


def storage_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Storage of the site's layers with its two errors and its flag.

    A layer is as doubtful as its most doubtful sensor. Where a sensor it needs is missing it
    has no storage, or, as ``site.derive.missing_sensor`` says, the neighbours above and below
    bridge the gap; that is suspect, and less certain because they lie farther apart. Between
    two readings of a sensor that logs more slowly than the axis it is not missing: there its
    layers have none. A layer out of the reach of all sensors is suspect too where their
    calibrations state no error.

    Parameters
    ----------
    block : Dataset, (time, tube, depth)
        ``cleaned_water_content``, ``random_error``, ``systematic_error`` [m3 m-3] and
        ``quality``.
    site : Site

    Returns
    -------
    Dataset, (time, tube, layer)
        ``storage``, ``storage_random_error`` (the sensors' noise), and
        ``storage_systematic_error`` (calibration and the distance between sensors) [mm,
        float32], and ``storage_quality`` [uint8]; NaN and 9 where there is none.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 16, for errors within and between calibrations; for
    the distance between sensors see `pipeline.derive.spacing`.
    """
    order = ("time", "tube", "depth")
    water, random, systematic = (
        np.ascontiguousarray(block[name].transpose(*order).values, dtype=np.float32)
        for name in ("cleaned_water_content", "random_error", "systematic_error")
    )
    quality = np.ascontiguousarray(block["quality"].transpose(*order).values, dtype=np.uint8)
    cells = Cells(water, random, systematic, quality)
    tubes = [str(tube) for tube in block["tube"].values]
    nominal = block["depth"].values.tolist()
    second = block["time"].values.astype("datetime64[s]").astype(np.int64)
    geometry = _site_geometry(cells, site, tubes, nominal, second)
    calibrations = site_calibrations(site, tubes, nominal)
    shape = (*quality.shape[:2], len(site.derive.layers))
    values = np.full((3, *shape), np.nan, dtype=np.float32)
    flags = np.full(shape, _MISSING, dtype=np.uint8)
    out = Stored(values[0], values[1], values[2], flags)
    integrate(cells, geometry, sharing_of(calibrations, block["time"]), VARIOGRAM, out)
    return _storage_dataset(block, site, out)


def sharing_of(calibrations: Calibrations, time: xr.DataArray) -> Sharing:
    """Return who shares a calibration with whom at each step, for the kernel."""
    second = time.values.astype("datetime64[s]").astype(np.int64)
    stretch = np.searchsorted(calibrations.start_s, second, side="right") - 1
    group = calibrations.group.copy()
    group[group == UNKNOWN] = group.shape[2]
    return Sharing(stretch.astype(np.int32), group, calibrations.own_error)


def _site_geometry(
    cells: Cells,
    site: Site,
    tubes: Sequence[str],
    nominal_m: Sequence[float],
    at_s: NDArray[np.int64],
) -> Geometry:
    """Return the sets of sensors that layers rest on; a sensor in the air is none."""
    depths = sensor_depths_m(site, tubes, nominal_m)
    depths[depths < 0] = np.nan
    layers = [(layer.top_m, layer.bottom_m) for layer in site.derive.layers]
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    if site.derive.missing_sensor == "none":
        present = np.ones((1, *depths.shape), dtype=bool)
    else:
        present = ~np.isnan(cells.water) & (cells.quality != _MISSING)
        if longest_interval_s(site):
            for row, column in np.argwhere(np.isfinite(depths)).tolist():
                sensor = present[:, row, column]
                place = tubes[row], nominal_m[column]
                sensor |= between_readings(sensor, at_s, site, *place)
    return sensor_sets(depths, present, layers, rules)


def sensor_sets(
    depths_m: NDArray[np.float64],
    present: NDArray[np.bool_],
    layers_m: Sequence[tuple[float, float]],
    rules: EndRules,
) -> Geometry:
    """Return the geometry of every set of sensors that is met.

    Parameters
    ----------
    depths_m : (tube, depth), [m]
        NaN where a tube has no sensor.
    present : (time or 1, tube, depth), bool
        Which sensors are to be used, if they have a reading or not.
    layers_m : sequence of (top, bottom), [m]
    rules : EndRules
    """
    which = np.zeros(present.shape[:2], dtype=np.int32)
    sets: list[tuple[NDArray, ...]] = []
    for tube, depths in enumerate(depths_m):
        packed = np.packbits(present[:, tube] | np.isnan(depths), axis=1)
        if packed.shape[1] == 1:  # up to eight sensors: bytes sort far faster than rows
            _, first, place = np.unique(packed[:, 0], return_index=True, return_inverse=True)
        else:
            _, first, place = np.unique(packed, axis=0, return_index=True, return_inverse=True)
        which[:, tube] = place.reshape(-1) + len(sets)
        sets += [_one_set(depths, present[step, tube], layers_m, rules) for step in first]
    parts = [np.stack(part) for part in zip(*sets, strict=True)]
    return Geometry(which, *parts)


def _one_set(
    depths: NDArray[np.float64],
    present: NDArray[np.bool_],
    layers_m: Sequence[tuple[float, float]],
    rules: EndRules,
) -> tuple[NDArray, ...]:
    """Return weights, what is bridged, spacing and what is far, of one set of sensors."""
    weights, bridged = bridged_weights(depths, present, layers_m, rules)
    held = np.where(present, depths, np.nan)
    spacing = spacing_factors(held, layers_m, rules)
    variance = np.ascontiguousarray(np.diagonal(spacing.factors, axis1=1, axis2=2))
    far = out_of_reach(held, layers_m)
    return weights, bridged, variance, spacing.following, spacing.distance_m, far


def _storage_dataset(block: xr.Dataset, site: Site, out: Stored) -> xr.Dataset:
    """Return the arrays of `storage_step` with names, dimensions and attributes."""
    coords = {
        "time": block["time"].values,
        "tube": block["tube"].values,
        "layer": [layer.name for layer in site.derive.layers],
    }
    arrays = {
        "storage": out.water,
        "storage_random_error": out.random,
        "storage_systematic_error": out.systematic,
        "storage_quality": out.quality,
    }
    return xr.Dataset(
        {
            name: describe(xr.DataArray(values, coords, tuple(coords)), name)
            for name, values in arrays.items()
        }
    )
