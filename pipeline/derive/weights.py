"""How much soil each sensor stands for: the geometry behind stored water, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Thinner than this is rounding noise of depths written in centimetres, not soil. Without it a
# layer that ends at a sensor would also need the next one, for a weight of 1e-17 m.
THINNEST_M = 1e-9
_RULES = {"constant", "none"}


class EndRules(NamedTuple):
    """What is assumed above the first and below the last sensor.

    ``"constant"`` carries the nearest sensor's water content on; with ``"none"`` a layer that
    reaches beyond has no storage.
    """

    above: Literal["constant", "none"] = "constant"
    below: Literal["constant", "none"] = "none"


def layer_weights(
    depths_m: ArrayLike,
    layers_m: Sequence[tuple[float, float]],
    rules: EndRules = EndRules(),  # noqa: B008 (an immutable tuple)
) -> NDArray[np.float64]:
    """Thickness of soil that each sensor stands for in each layer.

    Storage in mm is ``1000 * sum(weights * water_content)``. A layer needs exactly the sensors
    whose weight is not zero.

    Parameters
    ----------
    depths_m : (depth,), [m]
        Real sensor depths, downwards; NaN where the tube has no sensor.
    layers_m : sequence of (top, bottom), [m]
    rules : EndRules

    Returns
    -------
    (layer, depth), [m]
        Zero where a sensor has no part. A row of NaN marks a layer that the rules leave
        partly unknown.

    Raises
    ------
    ValueError
        If the sensors do not go downwards, a layer does not have its top above its bottom, or
        a rule is none.
    """
    depths = np.asarray(depths_m, dtype=np.float64)
    present = np.flatnonzero(~np.isnan(depths))
    sensors = depths[present]
    if (np.diff(sensors) <= 0).any():
        raise ValueError(
            f"sensor depths must increase downwards, found {depths.tolist()!r}; sort by depth"
        )
    unknown = {*rules} - _RULES
    if unknown:
        raise ValueError(f"EndRules: expected each of {sorted(_RULES)}, found {unknown}")
    weights = np.full((len(layers_m), depths.size), np.nan)
    for row, (top, bottom) in zip(weights, layers_m, strict=True):
        if not 0 <= top < bottom:
            raise ValueError(f"a layer needs 0 <= top < bottom [m], found {(top, bottom)!r}")
        thickness = _sensor_thickness(sensors, top, bottom, rules)
        if thickness is not None:
            row[:] = 0.0
            row[present] = np.where(thickness > THINNEST_M, thickness, 0.0)
    return weights


def bridged_weights(
    depths_m: ArrayLike,
    present: ArrayLike,
    layers_m: Sequence[tuple[float, float]],
    rules: EndRules = EndRules(),  # noqa: B008 (an immutable tuple)
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return weights as `layer_weights`, over those sensors alone that have a reading.

    A sensor without one is bridged by its neighbours above and below. The first and the last
    sensor of a tube cannot be: what lies beyond their neighbours is not between sensors.

    Parameters
    ----------
    depths_m : (depth,), [m]
        Real depths of all sensors of the tube; NaN where there is none.
    present : (depth,), bool
        Which of them have a reading.
    layers_m, rules
        As in `layer_weights`.

    Returns
    -------
    weights : (layer, depth), [m]
        A row of NaN marks a layer that needs a missing sensor at an end of the tube, or that
        the rules leave partly unknown.
    bridged : (layer,), bool
        Layers that rest on neighbours of a missing sensor.
    """
    depths, there = np.asarray(depths_m, dtype=np.float64), np.asarray(present, dtype=bool)
    weights = layer_weights(depths, layers_m, rules)
    lacking = (weights != 0) & ~there & ~np.isnan(depths)
    bridged = lacking.any(axis=1) & ~np.isnan(weights).any(axis=1)
    if not bridged.any():
        weights[lacking.any(axis=1)] = np.nan
        return weights, bridged
    left = np.flatnonzero(there & ~np.isnan(depths))
    first, last = (left[0], left[-1]) if left.size else (depths.size, -1)
    at_end = lacking[:, :first].any(axis=1) | lacking[:, last + 1 :].any(axis=1)
    bridged &= ~at_end
    weights[bridged] = layer_weights(np.where(there, depths, np.nan), layers_m, rules)[bridged]
    weights[lacking.any(axis=1) & ~bridged] = np.nan
    return weights, bridged


def _sensor_thickness(
    sensors: NDArray[np.float64], top: float, bottom: float, rules: EndRules
) -> NDArray[np.float64] | None:
    """Return the weight of each sensor in one layer, or None where the rules say unknown."""
    if sensors.size == 0:
        return None
    above = max(min(bottom, sensors[0]) - top, 0.0)
    below = max(bottom - max(top, sensors[-1]), 0.0)
    if above > THINNEST_M and rules.above == "none":
        return None
    if below > THINNEST_M and rules.below == "none":
        return None
    thickness = np.zeros(sensors.size)
    upper, lower = sensors[:-1], sensors[1:]
    start = np.clip(top, upper, lower)
    covered = np.clip(bottom, upper, lower) - start
    # The integral of the rising leg of a hat function over the covered part of a segment.
    to_lower = covered * (start + covered / 2 - upper) / (lower - upper)
    thickness[1:] += to_lower
    thickness[:-1] += covered - to_lower
    thickness[0] += above
    thickness[-1] += below
    return thickness
