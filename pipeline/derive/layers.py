"""Water in the layers of a model, with its observation error, from a profile of sensors.

The profile is what `pipeline.derive.storage` integrates: straight lines between sensors, the
stated rules beyond them. Each layer gets the integral of that profile over its own span, so
that layers which lie edge to edge hold together exactly what the profile holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.binning import Bins, Sensors
from pipeline.derive.calibrations import no_calibrations
from pipeline.derive.integrate import MM_PER_M, Sharing
from pipeline.derive.layer_errors import layer_covariance, layer_variances
from pipeline.derive.readings_due import not_due
from pipeline.derive.sensor_means import (
    LayerRules,
    sensors_by_step,
    times_of,
    with_time_bounds,
)
from pipeline.derive.spacing import Spacing, out_of_reach, spacing_factors
from pipeline.derive.storage import sharing_of
from pipeline.derive.weights import bridged_weights
from pipeline.qc.flags import Quality, describe_quality
from pipeline.units import Amounts, metres, numbers
from pipeline.variables import describe

_MISSING, _SUSPECT = int(Quality.MISSING), int(Quality.SUSPECT)


@dataclass(frozen=True)
class _Set:
    """Cells (time, tube) that rest on the same sensors and calibrations."""

    times: NDArray[np.int64]
    tube: int
    weights: Floats  # (layer, depth) [m]
    bridged: NDArray[np.bool_]  # (layer,)
    far: NDArray[np.bool_]  # (layer,), out of the reach of all sensors
    spacing: Spacing
    group: NDArray[np.int64]  # (depth,)
    own_error: Floats  # (depth,) [m3 m-3]


def model_layers(
    dataset: xr.Dataset,
    bounds: Amounts,
    step: str = "native",
    covariance: bool = False,
    rules: LayerRules = LayerRules(),  # noqa: B008 (frozen)
) -> xr.Dataset:
    """Water in layers of any bounds, with the variance of each value as an observation.

    Parameters
    ----------
    dataset : Dataset, (time, tube, depth)
        ``cleaned_water_content``, ``random_error``, ``systematic_error`` [m3 m-3], ``quality``
        and ``sensor_depth`` (tube, depth) or (depth) [m], downwards, NaN where a tube has no
        sensor. Each may be a Pint quantity of any fitting unit. It is read whole.
    bounds : sequence of float or Pint quantity, [m]
        Edges of layers that lie edge to edge, downwards (0, 0.1, 0.4, 1.0), or (top, bottom)
        pairs of layers that do not.
    step : "native", "hourly" or "daily"
        Means of hours or days are taken of the sensors, which are then remapped; an hour or
        day with too few readings has no value.
    covariance : bool
        Give the error covariance between layers as well.
    rules : LayerRules
        Of `pipeline.derive.sensor_means`.

    Returns
    -------
    Dataset, (time, tube, layer), float64
        ``layer_storage`` [mm], ``layer_water_content`` [m3 m-3], ``layer_random_error`` and
        ``layer_systematic_error`` [mm], ``layer_variance`` [mm2] and ``layer_quality``; on
        request ``layer_covariance`` (..., layer, other_layer) [mm2]. ``layer`` is a layer's
        middle [m] with ``layer_bounds``; ``time`` has ``time_bounds`` where values are means.
        NaN and 9 where a sensor that a layer needs has no value.

    Raises
    ------
    TypeError
        If it is no Dataset.
    UnitsError
        If a variable is in units that do not fit.
    ValueError
        If bounds or sensors do not go downwards, a variable lacks or has other dimensions, a
        tube is there twice, times are no instants or, for means, do not rise or show no
        interval, or the step is unknown.

    References
    ----------
    Kalnay (2003), Atmospheric Modeling, Data Assimilation and Predictability, section 5.4, on
    observation errors and their covariance (from memory). Conservative remapping: the integral
    of one and the same profile over each layer.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.layers import model_layers
    >>> dims, depths = ("time", "tube", "depth"), [0.1, 0.2, 0.3, 0.4, 0.6, 1.0]
    >>> theta = np.array([[[0.18, 0.22, 0.25, 0.27, 0.30, 0.31]]])
    >>> units = {"units": "m3 m-3"}
    >>> data = xr.Dataset(
    ...     {
    ...         "cleaned_water_content": (dims, theta, units),
    ...         "random_error": (dims, np.full(theta.shape, 0.002), units),
    ...         "systematic_error": (dims, np.full(theta.shape, 0.01), units),
    ...         "quality": (dims, np.ones(theta.shape, np.uint8)),
    ...         "sensor_depth": (("tube", "depth"), [depths], {"units": "m"}),
    ...     },
    ...     {"time": [np.datetime64("2025-05-01", "ns")], "tube": ["T1"], "depth": depths},
    ... )
    >>> layers = model_layers(data, [0, 0.1, 0.4, 1.0])
    >>> layers["layer_storage"].values.ravel().round(2).tolist()
    [18.0, 69.5, 179.0]
    >>> float(layers["layer_storage"].sum())
    266.5
    """
    spans = layer_spans(bounds)
    sensors, depths, bins = sensors_by_step(dataset, step, rules)
    time = times_of(dataset["time"], bins)
    shape = (time.size, depths.shape[0], len(spans))
    found = {name: np.full(shape, np.nan) for name in _VALUES}
    found["layer_quality"] = np.full(shape, _MISSING, dtype=np.uint8)
    if covariance:
        found["layer_covariance"] = np.full((*shape, len(spans)), np.nan)
    known = ~np.isnan(sensors.water) & (sensors.quality != _MISSING)
    if rules.missing_sensor == "bridge" and time.size > 1:
        known |= _waiting(known, time, rules)
    sharing = _sharing(rules, time, depths.shape)
    for part in _sets(known, depths, spans, rules, sharing):
        _fill(found, part, sensors)
    return _labelled(found, spans, time, bins, dataset["tube"].values)


_VALUES = ("layer_storage", "layer_random_error", "layer_systematic_error", "layer_variance")


def layer_spans(bounds: Amounts) -> list[tuple[float, float]]:
    """Return (top, bottom) [m] of each layer, from edges or pairs in metres or a quantity.

    Raises
    ------
    ValueError
        If a layer does not have its top above its bottom, or there is none.
    """
    edges = np.asarray(metres(bounds), dtype=np.float64)
    if edges.ndim == 1 and edges.size >= 2:
        pairs = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    elif edges.ndim == 2 and edges.shape[1] == 2 and len(edges):
        pairs = [(top, bottom) for top, bottom in edges.tolist()]
    else:
        raise ValueError(
            f"bounds: expected two or more edges, or (top, bottom) pairs [m], found {bounds!r}"
        )
    for top, bottom in pairs:
        if not 0 <= top < bottom:
            raise ValueError(
                f"bounds: expected 0 <= top < bottom [m], found {(top, bottom)!r}; list the "
                f"edges downwards from the surface"
            )
    return pairs


def _sharing(
    rules: LayerRules, time: NDArray[np.datetime64], shape: tuple[int, ...]
) -> Sharing:
    calibrations = rules.calibrations or no_calibrations(*shape)
    return sharing_of(calibrations, xr.DataArray(time, dims="time"))


def _waiting(
    known: NDArray[np.bool_], time: NDArray[np.datetime64], rules: LayerRules
) -> NDArray[np.bool_]:
    """Tell where sensors that log less often than there are steps are not missing.

    (time, tube, depth), as ``known``, which tells where there are values.
    """
    if rules.interval_s is None:
        return np.zeros_like(known)
    at_s = time.astype("datetime64[s]").astype(np.int64)
    every = np.nan_to_num(np.asarray(numbers(rules.interval_s, "s"), dtype=np.float64))
    if rules.interval_from_s is not None:
        every = every[np.searchsorted(rules.interval_from_s, at_s, side="right") - 1]
    every = np.broadcast_to(every, known.shape)
    step_s = max(1, int(np.median(np.diff(at_s))))
    found = np.zeros_like(known)
    for tube, depth in np.argwhere((every > step_s).any(axis=0)).tolist():
        found[:, tube, depth] = not_due(known[:, tube, depth], every[:, tube, depth], step_s)
    return found


def _sets(
    known: NDArray[np.bool_],
    depths: Floats,
    spans: Sequence[tuple[float, float]],
    rules: LayerRules,
    sharing: Sharing,
) -> Iterator[_Set]:
    """Yield the cells that can be worked out together, each cell once.

    ``known`` (time, tube, depth) tells which sensors are not to be bridged.
    """
    for tube, real in enumerate(depths):
        sure = known[:, tube] | np.isnan(real)
        stretch = sharing.stretch[:, None].view(np.uint8)  # its four bytes
        keys = np.concatenate([np.packbits(sure, axis=1), stretch], axis=1)
        _, first, place = np.unique(keys, axis=0, return_index=True, return_inverse=True)
        for number, step in enumerate(first):
            there = sure[step] & ~np.isnan(real)
            weights, bridged = bridged_weights(real, there, spans, rules.ends)
            if rules.missing_sensor == "none":
                weights[bridged], bridged[:] = np.nan, False
            held = np.where(there, real, np.nan)
            yield _Set(
                np.flatnonzero(place.reshape(-1) == number),
                tube,
                weights,
                bridged,
                out_of_reach(held, spans),
                spacing_factors(held, spans, rules.ends),
                sharing.group[sharing.stretch[step], tube],
                sharing.own_error[sharing.stretch[step], tube],
            )


def _fill(found: dict[str, NDArray], part: _Set, sensors: Sensors) -> None:
    """Put the values of some cells into the results."""
    held = Sensors(*(values[part.times, part.tube] for values in sensors))
    known = np.flatnonzero(~np.isnan(part.weights).any(axis=1))
    if not known.size:
        return
    weights = part.weights[known]
    total = np.zeros((part.times.size, known.size))
    worst = np.zeros(total.shape, dtype=np.uint8)
    for depth in range(weights.shape[1]):  # fixed order: the sum keeps its bits
        weight = weights[:, depth]
        needed = weight != 0
        total += np.where(needed, held.water[:, depth, None] * weight, 0.0)
        flags = np.where(needed, held.quality[:, depth, None], 0)
        worst = np.maximum(worst, flags.astype(np.uint8))
    tube = np.array([part.tube])
    at = np.ix_(part.times, tube, known)
    found["layer_storage"][at] = MM_PER_M * total[:, None]
    who = (part.group, part.own_error)
    random, systematic = layer_variances(held, weights, who, part.spacing, known)
    doubtful = part.bridged[known] | (part.far[known] & np.isnan(systematic))
    suspect = np.where(doubtful, _SUSPECT, 0).astype(np.uint8)
    told = np.where(np.isnan(total), _MISSING, np.maximum(worst, suspect))
    found["layer_quality"][at] = told[:, None]
    found["layer_random_error"][at] = np.sqrt(random)[:, None]
    found["layer_systematic_error"][at] = np.sqrt(systematic)[:, None]
    found["layer_variance"][at] = (random + systematic)[:, None]
    if "layer_covariance" in found:
        matrix = layer_covariance(held, weights, who, part.spacing, known)
        found["layer_covariance"][np.ix_(part.times, tube, known, known)] = matrix[:, None]


def _labelled(
    found: dict[str, NDArray],
    spans: Sequence[tuple[float, float]],
    time: NDArray[np.datetime64],
    bins: Bins | None,
    tubes: NDArray,
) -> xr.Dataset:
    """Return the results with names, coordinates, cells and attributes."""
    edges = np.array(spans)
    middle = edges.mean(axis=1)
    dims = ("time", "tube", "layer", "other_layer")
    arrays = {
        name: (describe_quality if name == "layer_quality" else describe)(
            xr.DataArray(values, dims=dims[: values.ndim]), name
        )
        for name, values in found.items()
    }
    thickness = xr.DataArray(np.diff(edges, axis=1)[:, 0] * MM_PER_M, dims="layer")
    content = arrays["layer_storage"] / thickness
    arrays["layer_water_content"] = describe(content, "layer_water_content")
    result = xr.Dataset(arrays).assign_coords(time=time, tube=tubes, layer=middle)
    result["layer"].attrs = {
        "units": "m",
        "standard_name": "depth",
        "positive": "down",
        "long_name": "middle of the layer below the surface",
        "bounds": "layer_bounds",
    }
    result = result.assign_coords(layer_bounds=(("layer", "bounds"), edges))
    if "layer_covariance" in arrays:
        result = result.assign_coords(other_layer=middle)
        result["other_layer"].attrs = {"units": "m", "long_name": "middle of the other layer"}
    cell = "point" if bins is None else "mean"
    for name, within in (("layer_storage", "sum"), ("layer_water_content", "mean")):
        result[name].attrs["cell_methods"] = f"time: {cell} layer: {within}"
    return result if bins is None else with_time_bounds(result, bins)
