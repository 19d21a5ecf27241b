"""Water stored in layers of the profile, from water content at the sensors' real depths.

Between sensors water content is taken as linear in depth (the trapezoidal rule). Above the
first and below the last sensor it is either constant or unknown, as the site says; it is never
extrapolated along a slope. Because the rule is linear in water content, a layer's storage is a
weighted sum over sensors, and the weights (metres) say which sensors a layer rests on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.derive.weights import EndRules, layer_weights
from pipeline.qc.flags import Quality
from pipeline.site.models import Site
from pipeline.variables import SIGNALS, describe, require_units

MM_PER_M = 1000.0
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


def site_weights(
    site: Site, tubes: Sequence[str], nominal_m: Sequence[float]
) -> NDArray[np.float64]:
    """Weights of `layer_weights` for the layers and rules of a site.

    Returns
    -------
    (tube, layer, depth), [m]
        A sensor that stands above the surface, in a tube set too high, has no part.
    """
    depths = sensor_depths_m(site, tubes, nominal_m)
    depths[depths < 0] = np.nan
    layers = [(layer.top_m, layer.bottom_m) for layer in site.derive.layers]
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    weights = [layer_weights(row, layers, rules) for row in depths]
    return np.array(weights).reshape(len(tubes), len(layers), len(nominal_m))


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
        Stays lazy if it is.
    sensor_depth : DataArray, (depth) or (tube, depth), [m]
        Real depths; NaN where a tube has no sensor.
    layers : mapping of name to (top, bottom), [m]
    rules : EndRules
        What holds above the first and below the last sensor.

    Returns
    -------
    DataArray, the dims of ``water_content`` with ``layer`` in place of ``depth``, [mm]
        ``storage`` in float64; NaN where a needed sensor is missing, or where the rules leave
        part of the layer unknown.

    Raises
    ------
    UnitsError
        If ``water_content`` is not in m3 m-3 or ``sensor_depth`` not in m.
    ValueError
        See `layer_weights`.

    References
    ----------
    Evett, Heng, Moutonnet & Nguyen (eds) (2008), Field Estimation of Soil Water Content,
    IAEA Training Course Series 30.
    """
    require_units(water_content, "m3 m-3")
    require_units(sensor_depth, "m")
    weights = xr.apply_ufunc(
        lambda row: layer_weights(row, list(layers.values()), rules),
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


def storage_look(site: Site) -> tuple[int, int]:
    """Return how far `storage_step` looks back and ahead: not at all, (0, 0) seconds."""
    return 0, 0


def storage_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Storage of the site's layers with its two errors and its flag.

    Random errors of sensors are independent and add in quadrature; systematic errors may all
    come from one calibration and add fully. A layer is as doubtful as its most doubtful
    sensor.

    Parameters
    ----------
    block : Dataset, (time, tube, depth)
        ``cleaned_water_content``, ``random_error``, ``systematic_error`` [m3 m-3] and
        ``quality``.
    site : Site

    Returns
    -------
    Dataset, (time, tube, layer)
        ``storage``, ``storage_random_error``, ``storage_systematic_error`` [mm, float32] and
        ``storage_quality`` [uint8]; NaN and 9 where a needed sensor is missing.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 16.
    """
    order = ("time", "tube", "depth")
    names = ("cleaned_water_content", "random_error", "systematic_error")
    fields = tuple(
        np.ascontiguousarray(block[name].transpose(*order).values, dtype=np.float32)
        for name in names
    )
    quality = np.ascontiguousarray(block["quality"].transpose(*order).values, dtype=np.uint8)
    tubes = [str(tube) for tube in block["tube"].values]
    weights = site_weights(site, tubes, block["depth"].values.tolist())
    shape = (*quality.shape[:2], weights.shape[1])
    results = np.full((3, *shape), np.nan, dtype=np.float32)
    flags = np.full(shape, _MISSING, dtype=np.uint8)
    _integrate(fields, quality, weights, results, flags)
    return _storage_dataset(block, site, results, flags)


def _storage_dataset(
    block: xr.Dataset, site: Site, results: NDArray[np.float32], flags: NDArray[np.uint8]
) -> xr.Dataset:
    """Return the arrays of `storage_step` with names, dimensions and attributes."""
    coords = {
        "time": block["time"].values,
        "tube": block["tube"].values,
        "layer": [layer.name for layer in site.derive.layers],
    }
    arrays = {
        "storage": results[0],
        "storage_random_error": results[1],
        "storage_systematic_error": results[2],
        "storage_quality": flags,
    }
    return xr.Dataset(
        {
            name: describe(xr.DataArray(values, coords, tuple(coords)), name)
            for name, values in arrays.items()
        }
    )


@kernel
def _integrate(fields, quality, weights, results, flags):  # type: ignore[no-untyped-def]
    """Fill ``results`` (3, time, tube, layer) and ``flags``, cell by cell in a fixed order."""
    theta, random, systematic = fields
    steps, tubes, layers = flags.shape
    for time in range(steps):
        for tube in range(tubes):
            for layer in range(layers):
                water, variance, bias, flag = 0.0, 0.0, 0.0, 0
                for depth in range(weights.shape[2]):
                    weight = weights[tube, layer, depth]
                    if weight == 0.0:
                        continue
                    value = np.float64(theta[time, tube, depth])
                    cell = quality[time, tube, depth]
                    if np.isnan(weight) or np.isnan(value) or cell == _MISSING:
                        flag = _MISSING
                        break
                    water += weight * value
                    variance += (weight * np.float64(random[time, tube, depth])) ** 2
                    bias += weight * np.float64(systematic[time, tube, depth])
                    flag = max(flag, cell)  # the scale rises with doubt below 9
                if flag == _MISSING:
                    continue
                results[0, time, tube, layer] = water * MM_PER_M
                results[1, time, tube, layer] = np.sqrt(variance) * MM_PER_M
                results[2, time, tube, layer] = bias * MM_PER_M
                flags[time, tube, layer] = flag
