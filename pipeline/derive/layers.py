"""Water in the layers of a model, with its observation error, from a profile of sensors.

The profile is what `pipeline.derive.storage` integrates: straight lines between sensors, the
stated rules beyond them. Each layer gets the integral of that profile over its own span, so
that layers which lie edge to edge hold together exactly what the profile holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, utc_seconds, utc_times
from pipeline.derive.binning import Bins, Sensors, bin_means, bins_of, changing_pace, pace_of
from pipeline.derive.calibrations import Calibrations, no_calibrations
from pipeline.derive.integrate import MM_PER_M, Sharing
from pipeline.derive.layer_errors import layer_covariance, layer_variances
from pipeline.derive.spacing import Spacing, out_of_reach, spacing_factors
from pipeline.derive.storage import sharing_of
from pipeline.derive.weights import EndRules, bridged_weights
from pipeline.qc.flags import Quality, describe_quality
from pipeline.units import Amount, Amounts, metres, numbers, plain
from pipeline.variables import describe, require_dims

_MISSING, _SUSPECT = int(Quality.MISSING), int(Quality.SUSPECT)
_ORDER = ("time", "tube", "depth")
_WATER = ("cleaned_water_content", "random_error", "systematic_error")


@dataclass(frozen=True)
class LayerRules:
    """What holds where sensors do not say.

    ``ends`` is for above the first and below the last sensor, ``missing_sensor`` ("none",
    "bridge") for one between two others without a reading. ``completeness`` is the share of
    the readings due that an hour or a day needs, ``interval_s`` [s] how often sensors should
    log, (tube, depth) or one for all (None: at the one step of the dataset's times); where it
    changed it is (stretch, tube, depth), and ``interval_from_s`` (stretch,) tells from when
    each stretch lasts, UTC seconds, in order. NaN while nothing is wired: that part of a day
    goes by the day's fastest, a whole day by the fastest ever. In a day in which it changes a
    reading counts for the time it stands for, as in daily values. ``utc_offset_s`` [s] tells
    where days begin. ``calibrations`` tells which sensors share one (None: they all do).

    Raises
    ------
    ValueError
        If ``missing_sensor`` or ``completeness`` is none of these.
    """

    ends: EndRules = EndRules()  # noqa: RUF009 (an immutable tuple)
    missing_sensor: Literal["none", "bridge"] = "none"
    completeness: float = 0.75
    interval_s: Amount | None = None
    interval_from_s: NDArray[np.int64] | None = None
    utc_offset_s: int = 0
    calibrations: Calibrations | None = None

    def __post_init__(self) -> None:
        """Refuse what would be taken for another rule."""
        if self.missing_sensor not in ("none", "bridge"):
            raise ValueError(
                f"missing_sensor: expected 'none' or 'bridge', found {self.missing_sensor!r}"
            )
        if not 0 <= self.completeness <= 1:
            raise ValueError(
                f"completeness: expected a share from 0 to 1, found {self.completeness!r}"
            )


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
    rules: LayerRules = LayerRules(),
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
        If bounds or sensors do not go downwards, a variable lacks or has other dimensions,
        times are no instants or, for means, do not rise or show no interval, or the step is
        unknown.

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
    sensors, depths = _sensors(dataset)
    bins = bins_of(dataset["time"], step, rules.utc_offset_s)
    if bins is not None:
        interval = _intervals(dataset["time"], rules, depths.shape)
        if rules.interval_from_s is None:
            pace = pace_of(interval)
        else:
            at_s = utc_seconds(dataset["time"])
            pace = changing_pace(sensors, bins, at_s, rules.interval_from_s, interval)
        sensors = bin_means(sensors, bins, pace, rules.completeness)
    time = _time(dataset["time"], bins)
    shape = (time.size, depths.shape[0], len(spans))
    found = {name: np.full(shape, np.nan) for name in _VALUES}
    found["layer_quality"] = np.full(shape, _MISSING, dtype=np.uint8)
    if covariance:
        found["layer_covariance"] = np.full((*shape, len(spans)), np.nan)
    for part in _sets(sensors, depths, spans, rules, _sharing(rules, time, depths.shape)):
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


def _sensors(dataset: xr.Dataset) -> tuple[Sensors, Floats]:
    """Return the sensors' values in float64, and their depths; a sensor in the air is none."""
    if not isinstance(dataset, xr.Dataset):
        raise TypeError(f"dataset: expected a Dataset, found {type(dataset).__name__}")
    lacking = sorted({*_WATER, "quality", "sensor_depth"} - {*dataset.variables})
    if lacking:
        raise ValueError(
            f"dataset: expected variables {[*_WATER, 'quality', 'sensor_depth']}, found no "
            f"{', '.join(lacking)}"
        )

    def values(name: str) -> Floats:
        array = plain(dataset[name], "m3 m-3")
        require_dims(array, *_ORDER)
        return np.ascontiguousarray(array.transpose(*_ORDER).values, dtype=np.float64)

    flags = dataset["quality"].fillna(_MISSING)
    require_dims(flags, *_ORDER)
    quality = flags.transpose(*_ORDER).values.astype(np.uint8)
    depth = plain(dataset["sensor_depth"], "m")
    if "tube" not in depth.dims:
        depth = depth.expand_dims(tube=dataset["tube"])
    require_dims(depth, "tube", "depth")
    depths = np.array(depth.transpose("tube", "depth").values, dtype=np.float64)
    depths[depths < 0] = np.nan
    water, random, systematic = (values(name) for name in _WATER)
    return Sensors(water, random, systematic, quality), depths


def _intervals(time: xr.DataArray, rules: LayerRules, shape: tuple[int, ...]) -> Floats:
    """Return how often each sensor should log, (tube, depth) or (stretch, tube, depth) [s]."""
    if rules.interval_s is not None and rules.interval_from_s is not None:
        return np.asarray(numbers(rules.interval_s, "s"))
    if rules.interval_s is not None:
        return np.broadcast_to(numbers(rules.interval_s, "s"), shape)
    second = utc_seconds(time)
    if not second.size:
        return np.full(shape, float(DAY_S))
    if second.size < 2:
        raise ValueError(
            f"{time.name!r}: one time does not show how often sensors log; "
            f"state interval_s in the rules"
        )
    steps = np.diff(second)
    usual = int(np.median(steps))
    if (steps % max(usual, 1) != 0).any():  # neither one interval nor one with gaps
        raise ValueError(
            f"{time.name!r}: steps of {steps.min()} to {steps.max()} s, most of them {usual}, "
            f"do not show how often sensors log; state interval_s in the rules"
        )
    return np.full(shape, float(usual))


def _time(time: xr.DataArray, bins: Bins | None) -> NDArray[np.datetime64]:
    """Return the times of the result: the readings' own, or where each step begins."""
    if bins is None:
        return utc_times(time).astype("datetime64[ns]")
    return bins.start_s.astype("datetime64[s]").astype("datetime64[ns]")


def _sharing(
    rules: LayerRules, time: NDArray[np.datetime64], shape: tuple[int, ...]
) -> Sharing:
    calibrations = rules.calibrations or no_calibrations(*shape)
    return sharing_of(calibrations, xr.DataArray(time, dims="time"))


def _sets(
    sensors: Sensors,
    depths: Floats,
    spans: Sequence[tuple[float, float]],
    rules: LayerRules,
    sharing: Sharing,
) -> Iterator[_Set]:
    """Yield the cells that can be worked out together, each cell once."""
    known = ~np.isnan(sensors.water) & (sensors.quality != _MISSING)
    for tube, real in enumerate(depths):
        sure = known[:, tube] | np.isnan(real)
        stretch = sharing.stretch.astype(np.uint8)[:, None]
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
    found["layer_quality"][at] = np.maximum(worst, suspect)[:, None]
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
    if bins is not None:
        second = np.stack([bins.start_s, bins.start_s + bins.length_s], axis=1)
        ends = second.astype("datetime64[s]").astype("datetime64[ns]")
        result = result.assign_coords(time_bounds=(("time", "bounds"), ends))
        result["time"].attrs["bounds"] = "time_bounds"
    return result
