"""The trace of an uncertainty: which parts the systematic error of one cell is made of."""

from __future__ import annotations

import math

import numpy as np

from pipeline.arrays import Floats
from pipeline.axis import iso_utc
from pipeline.calibrate.course import DOMAINS, course, signal_of
from pipeline.calibrate.felt import horizon_edges, steeper_slope
from pipeline.lineage.view import Moment, Rules, Sensor, View, number
from pipeline.site.instruments import Correction


def systematic_parts(
    view: View, rules: Rules, sensor: Sensor, moment: Moment
) -> dict[str, object] | None:
    """Return the parts of a cell's systematic error, JSON-ready; None where none is stated.

    Returns
    -------
    dict
        ``laws``, ``depth``, ``drift`` and ``temperature`` [m3 m-3], which add up in
        quadrature, and ``depth_uncertainty_m``, from which the second comes. The depth's part
        is worked out again from the stored water content of the tube's sensors at the step,
        those of the corrections from what they changed; that of the laws is what they leave.
    """
    whole = number(view.cell("water/systematic_error", moment.step, sensor.row, sensor.column))
    if whole is None:
        return None
    state = rules.at("calibrate", view.taken_s(sensor, moment)) or {}
    doubt_m = state.get("depth_uncertainty_m", view.site.depth_uncertainty_m(sensor.tube.tube))
    depth = _depth_part(view, sensor, moment, doubt_m)
    drift = _drift_part(view, sensor, moment)
    law = (state.get("depths", {}).get(repr(sensor.nominal_m)) or {}).get("soil") or {}
    share = (law.get("temperature") or {}).get("uncertainty", 0.0)
    warmth = share * abs(_changed(view, sensor, moment, "temperature_correction"))
    rest = whole**2 - depth**2 - drift**2 - warmth**2
    return {
        "laws": math.sqrt(max(0.0, rest)),
        "depth": depth,
        "drift": drift,
        "temperature": warmth,
        "depth_uncertainty_m": doubt_m,
        "units": "m3 m-3",
    }


def _changed(view: View, sensor: Sensor, moment: Moment, name: str) -> float:
    """Return what a correction changed of a cell's water content, 0 where nothing."""
    return number(view.cell(f"water/{name}", moment.step, sensor.row, sensor.column)) or 0.0


def temperature_correction(
    view: View, sensor: Sensor, moment: Moment
) -> dict[str, object] | None:
    """Return what freeing a cell of soil temperature did, JSON-ready; None if nothing."""
    change = _changed(view, sensor, moment, "temperature_correction")
    key = (moment.step, sensor.row, sensor.column)
    after = number(view.cell("water/calibrated_water_content", *key))
    if change == 0.0 or after is None:
        return None
    return {
        "kind": "temperature",
        "before": after - change,
        "after": after,
        "reason": "root permittivity brought to the soil law's reference temperature",
    }


def drift_correction(view: View, sensor: Sensor, moment: Moment) -> dict[str, object] | None:
    """Return what was done to a cell's signal against drift, JSON-ready; None if nothing.

    Returns
    -------
    dict
        ``kind`` "drift"; ``before`` and ``after``, the calibrated water content without and
        with it; ``reason``, a sentence; ``signal`` and ``signal_uncertainty``, in ``domain``.
    """
    found = _in_force(view, sensor, moment)
    key = (moment.step, sensor.row, sensor.column)
    change = _changed(view, sensor, moment, "correction")
    final = number(view.cell("water/calibrated_water_content", *key))
    if found is None or change == 0.0 or final is None:
        return None
    after = final - _changed(view, sensor, moment, "temperature_correction")
    correction, value, error = found
    share = "of itself " if correction.form == "proportional" else ""
    since = iso_utc(correction.start_s)
    if correction.form == "two_point":
        share = f"(by standards at {correction.low:g} and {correction.high:g}) "
    span = f"as found by the check of {since}; there is none after it"
    if correction.until_s is not None:
        span = f"on a line its checks tell from {since} to {iso_utc(correction.until_s)}"
    return {
        "kind": "drift",
        "before": after - change,
        "after": after,
        "reason": f"{value:+.4g} {share}added to the {correction.domain} signal, {span}",
        "domain": correction.domain,
        "signal": value,
        "signal_uncertainty": error,
    }


def _in_force(
    view: View, sensor: Sensor, moment: Moment
) -> tuple[Correction, float, float] | None:
    """Return the correction that holds for a cell, its value and its uncertainty there."""
    table, taken_s = view.snapshot.table("corrections"), view.taken_s(sensor, moment)
    for row in [] if table is None else table.to_pylist():
        one = Correction(**row)
        own = (one.tube, one.depth_m) == (sensor.tube.tube, sensor.nominal_m)
        begun = one.start_s <= taken_s
        if own and begun and (one.until_s is None or taken_s < one.until_s):
            at = np.array([moment.at_s], dtype=np.int64)
            value, error = course(one, at, _signal(view, sensor, moment, one.domain))
            return one, float(value[0]), float(error[0])
    return None


def _signal(view: View, sensor: Sensor, moment: Moment, domain: str) -> Floats:
    """Return what was logged of a cell in a domain, (1,); NaN where nothing was."""
    key = (moment.step, sensor.row, sensor.column)
    for name, of_domain in DOMAINS.items():
        if of_domain == domain and view.snapshot.holds(f"readings/{name}"):
            logged = number(view.cell(f"readings/{name}", *key))
            if logged is not None:
                return signal_of(np.array([logged]), name)
    return np.array([np.nan])


def _drift_part(view: View, sensor: Sensor, moment: Moment) -> float:
    """Return the uncertainty of a correction in water content, as its own size is."""
    found = _in_force(view, sensor, moment)
    change = _changed(view, sensor, moment, "correction")
    if found is None or found[1] == 0.0:
        return 0.0
    return abs(found[2] / found[1] * change)


def _depth_part(view: View, sensor: Sensor, moment: Moment, doubt_m: float) -> float:
    tube, labels = sensor.tube.tube, view.snapshot.labels["depth"]
    key = "water/calibrated_water_content"
    profile = [
        (
            view.site.sensor_depth_m(tube, depth_m),
            number(view.cell(key, moment.step, sensor.row, column)),
        )
        for column, depth_m in enumerate(labels)
    ]
    return doubt_m * steeper_slope(horizon_edges(view.site, tube), profile, sensor.real_m)
