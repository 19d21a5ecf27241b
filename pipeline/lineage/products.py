"""The trace of stored water and of rain: which cells, with which weights, by which rules."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.derive.weights import EndRules, bridged_weights, layer_weights
from pipeline.lineage.gaps import why_no_reading
from pipeline.lineage.origin import Place, stored_reading, trace_reading
from pipeline.lineage.view import Moment, TraceError, View, centimetres, number
from pipeline.qc.flags import Quality
from pipeline.site.mistakes import did_you_mean, one_of
from pipeline.site.models import Tube

_MM_PER_M = 1000.0
_STORED = ("storage", "storage_random_error", "storage_systematic_error", "storage_quality")


def trace_storage(view: View, tube: Tube, layer: str, moment: Moment) -> dict[str, object]:
    """Return the cells, weights and end rules behind one layer's stored water, JSON-ready.

    Returns
    -------
    dict
        ``value`` [mm] with errors and flag, ``layer``, ``end_rules``, ``missing_sensor`` (the
        rule), ``bridged`` (nominal depths [m] of sensors that had no reading and whose
        neighbours stood in), ``cells`` (sensors with their weight [m], their water content
        and what is to be asked to trace each),
        ``recomputed`` (mm, from the cells, by the weights), ``agrees`` (to the last bit), and
        ``why_missing``.
    """
    index = layer_index(view, layer)
    row = view.snapshot.labels["tube"].index(tube.tube)
    names = {name: view.cell(f"products/{name}", moment.step, row, index) for name in _STORED}
    name, known = view.snapshot.labels["layer"][index], number(names["storage"]) is not None
    plan = _plan(view, (tube, row), (name, known), moment)
    cells = [_cell(view, tube, row, sensor, moment) for sensor in plan["sensors"]]
    recomputed = _sum(cells, plan["unknown"])
    stored = number(names["storage"])
    flag = int(
        Quality.MISSING if names["storage_quality"] is None else names["storage_quality"]
    )
    return {
        "value": {name: number(names[name]) for name in _STORED[:3]} | {"units": "mm"},
        "quality": {"flag": flag, "meaning": Quality(flag).name.lower()},
        "layer": plan["layer"],
        "end_rules": plan["end_rules"],
        "missing_sensor": plan["missing_sensor"],
        "bridged": plan["bridged"],
        "cells": cells,
        "recomputed": recomputed,
        "agrees": recomputed == stored,
        "why_missing": None if stored is not None else _why_missing(plan, cells),
    }


def layer_index(view: View, name: str) -> int:
    """Return the place of a layer, by name; the only one needs no name."""
    layers = view.snapshot.labels["layer"]
    if name in layers:
        return layers.index(name)
    if not name and len(layers) == 1:
        return 0
    found = f"layer {name!r}" if name else "no --layer"
    raise TraceError(
        f"{view.site.id}: found {found}; expected {one_of(layers)}. "
        f"{did_you_mean(name, layers)}".rstrip()
    )


def _plan(
    view: View, place: tuple[Tube, int], of: tuple[str, bool], moment: Moment
) -> dict[str, Any]:
    """Return the layer, its rules, and the weight of each sensor, as computed with.

    ``place`` is the tube and its row, ``of`` the layer and whether it has stored water:
    without, nothing was bridged.
    """
    (tube, row), (layer, known) = place, of
    rules = view.rules(tube.tube)
    derive = rules.at("derive", moment.at_s)
    state = rules.at("calibrate", moment.at_s)
    if derive is None or state is None:
        raise TraceError(f"{view.site.id}: the state holds no rules for tube {tube.tube!r}")
    settings, real_m = derive[0]
    bounds = next(found for found in settings["layers"] if found["name"] == layer)
    wired = sorted(
        (found["real_depth_m"], float(nominal))
        for nominal, found in state["depths"].items()
        if found["real_depth_m"] in real_m and found["real_depth_m"] >= 0
    )
    ends = EndRules(settings["above_first_sensor"], settings["below_last_sensor"])
    span = bounds["top_m"], bounds["bottom_m"]
    missing = settings.get("missing_sensor", "none")  # states of old know no such rule
    reals = [real for real, _ in wired]
    weights = layer_weights(reals, [span], ends)[0]
    unknown = bool(np.isnan(weights).any()) or not wired
    bridged: list[float] = []
    if missing == "bridge" and known and not unknown:
        there = [_has_reading(view, row, nominal, moment) for _, nominal in wired]
        needed = [n for (_, n), w, t in zip(wired, weights, there, strict=True) if w and not t]
        found, of_layer = bridged_weights(reals, there, [span], ends)
        if of_layer[0]:
            weights, bridged = found[0], needed
    return {
        "layer": {"name": layer, "top_m": span[0], "bottom_m": span[1]},
        "end_rules": {"above_first_sensor": ends.above, "below_last_sensor": ends.below},
        "missing_sensor": missing,
        "bridged": bridged,
        "sensors": [
            {"nominal_depth_m": nominal, "real_depth_m": real, "weight_m": number(weight)}
            for (real, nominal), weight in zip(wired, weights.tolist(), strict=True)
            if weight != 0
        ],
        "unknown": unknown,
    }


def _has_reading(view: View, row: int, nominal: float, moment: Moment) -> bool:
    """Tell whether a sensor had a water content that storage may rest on."""
    at = (moment.step, row, view.snapshot.labels["depth"].index(nominal))
    held = number(view.cell("water/cleaned_water_content", *at))
    return held is not None and view.cell("water/quality", *at) != Quality.MISSING


def _cell(
    view: View, tube: Tube, row: int, sensor: dict[str, Any], moment: Moment
) -> dict[str, Any]:
    """Return a sensor with what it held then and what to ask for its own trace."""
    column = view.snapshot.labels["depth"].index(sensor["nominal_depth_m"])
    at = (moment.step, row, column)
    names = ("cleaned_water_content", "random_error", "systematic_error", "quality")
    ask = {
        "tube": tube.tube,
        "depth_cm": round(sensor["nominal_depth_m"] * 100, 2),
        "time": moment.time,
        "product": "water",
    }
    held = {name: number(view.cell(f"water/{name}", *at)) for name in names}
    return {**sensor, **held, "trace": ask}


def _sum(cells: list[dict[str, Any]], unknown: bool) -> float | None:
    """Return the storage [mm] that cells and weights give, rounded as it is stored."""
    if unknown or any(cell["cleaned_water_content"] is None for cell in cells):
        return None
    total = 0.0
    for cell in cells:  # in order of depth, as it was summed
        total += cell["weight_m"] * cell["cleaned_water_content"]
    return float(np.float32(total * _MM_PER_M))


def _why_missing(plan: dict[str, Any], cells: list[dict[str, Any]]) -> str:
    """Return why a layer has no storage."""
    if plan["unknown"]:
        rules = plan["end_rules"]
        return (
            f"the layer reaches beyond the sensors, and the rules leave that unknown "
            f"(above_first_sensor {rules['above_first_sensor']!r}, below_last_sensor "
            f"{rules['below_last_sensor']!r})"
        )
    lacking = [
        centimetres(c["nominal_depth_m"]) for c in cells if c["cleaned_water_content"] is None
    ]
    return (
        f"a sensor it rests on has no water content: {', '.join(lacking)} cm"
        if lacking
        else "it has not been computed; run percolog night"
    )


def trace_rain(view: View, station: str, moment: Moment) -> dict[str, object]:
    """Return where one value of rain came from, JSON-ready."""
    row = station_index(view, station)
    label = view.snapshot.labels["station"][row]
    place = Place("rain", label, None, row, None)
    reading = stored_reading(view, place, moment)
    account: dict[str, object] = {
        "value": {"rain": number(reading.value) if reading else None, "units": "mm"},
        "station": label,
        "why_missing": None,
    }
    if reading is None:
        account["why_missing"] = why_no_reading(view, [place], moment, None)
        return account
    return account | trace_reading(view, reading, moment)


def station_index(view: View, name: str) -> int:
    """Return the place of a station, by its source; without a name the one that logs rain."""
    stations = view.snapshot.labels["station"]
    if name in stations:
        return stations.index(name)
    gauges = sorted({w.source for w in view.site.wiring if w.quantity == "rain"})
    if not name and len(gauges) == 1 and gauges[0] in stations:
        return stations.index(gauges[0])
    found = f"station {name!r}" if name else "no station (--tube)"
    raise TraceError(
        f"{view.site.id}: found {found}; expected {one_of(gauges)}. "
        f"{did_you_mean(name, gauges)}".rstrip()
    )
