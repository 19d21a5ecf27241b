"""The trace of one cell of water content: value, errors, tests, calibration, origin."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.calibrate.reasons import NO_LAW, OUTSIDE_PROBE, OUTSIDE_SOIL
from pipeline.lineage.errors import (
    drift_correction,
    systematic_parts,
    temperature_correction,
)
from pipeline.lineage.gaps import why_no_reading
from pipeline.lineage.laws import calibration_of
from pipeline.lineage.origin import Place, Reading, stored_reading, trace_reading
from pipeline.lineage.verdicts import fired_tests
from pipeline.lineage.view import Moment, Sensor, View, centimetres, number
from pipeline.qc.flags import Quality
from pipeline.variables import SIGNALS

VALUES = (
    "cleaned_water_content",
    "calibrated_water_content",
    "random_error",
    "systematic_error",
    "root_permittivity",
)
# Tests whose verdict may be bad (docs/quality.md).
_MAY_BE_BAD = ("gross_range", "spike", "flat_line", "supply")
_REASONS = {
    OUTSIDE_PROBE: "the reading lies outside the range of the probe's law",
    OUTSIDE_SOIL: "the root permittivity lies outside the range of the soil's law",
    NO_LAW: "no law held for the sensor then",
}


def trace_water(view: View, sensor: Sensor, moment: Moment) -> dict[str, object]:
    """Return everything behind one cell of water content, JSON-ready.

    Parameters
    ----------
    view : View
        The state; what its reader must know besides is added to its remarks.
    sensor : Sensor
    moment : Moment

    Returns
    -------
    dict
        ``value``, ``systematic_parts``, ``quality``, ``tests``, ``corrections``,
        ``calibration``, the parts of `pipeline.lineage.origin.trace_reading` where there is a
        reading, and ``why_missing``, a sentence, where the cell has no water content; else
        None.
    """
    rules = view.rules(sensor.tube.tube)
    stored = _stored(view, sensor, moment)
    flags = {name: int(stored.pop(name)) for name in ("tests", "quality", "outside")}
    account: dict[str, object] = {
        "value": {**{name: number(stored[name]) for name in VALUES}, "units": "m3 m-3"},
        "quality": {
            "flag": flags["quality"],
            "meaning": Quality(flags["quality"]).name.lower(),
            "tests_mask": flags["tests"],
            "outside_calibration": flags["outside"],
        },
        "systematic_parts": systematic_parts(view, rules, sensor, moment),
        "tests": fired_tests(view, rules, sensor, moment, flags["tests"]),
        "calibration": calibration_of(view, rules, sensor, view.taken_s(sensor, moment)),
    }
    readings = _readings(view, sensor, moment)
    if readings:
        account |= trace_reading(view, readings[0], moment)
        account["signals_not_used"] = [
            {"quantity": r.place.quantity, "value": number(r.value)} for r in readings[1:]
        ]
    done = [f(view, sensor, moment) for f in (drift_correction, temperature_correction)]
    account["corrections"] = [c for c in done if c] + _corrections(account)
    account["why_missing"] = _why_missing(view, sensor, moment, account)
    return account


def _stored(view: View, sensor: Sensor, moment: Moment) -> dict[str, Any]:
    """Return what the water cube holds at a cell; what was never computed is missing."""
    at = (moment.step, sensor.row, sensor.column)
    found = {name: view.cell(f"water/{name}", *at) for name in VALUES}
    absent = {"tests": 1, "quality": int(Quality.MISSING), "outside": 0}
    names = {"tests": "tests", "quality": "quality", "outside": "outside_calibration"}
    for name, stored in names.items():
        value = view.cell(f"water/{stored}", *at)
        found[name] = absent[name] if value is None else value
    return found


def _readings(view: View, sensor: Sensor, moment: Moment) -> list[Reading]:
    """Return the readings of a cell from which water content can come, the one used first."""
    found = []
    for quantity in SIGNALS:
        place = place_of(sensor, quantity)
        reading = stored_reading(view, place, moment)
        if reading is not None:
            found.append(reading)
    return found


def place_of(sensor: Sensor, quantity: str) -> Place:
    """Return the cell of a quantity at a sensor."""
    return Place(quantity, sensor.tube.tube, sensor.nominal_m, sensor.row, sensor.column)


def _corrections(account: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what was done to the calibrated value, each with its reason."""
    value = account["value"]
    before, after = value["calibrated_water_content"], value["cleaned_water_content"]
    if before is None or before == after:
        return []
    kind = "removed" if after is None else "changed"
    told = _condemning(account["tests"]) if after is None else account["tests"]
    reason = "; ".join(f"{test['test']}: {test['said']}" for test in told)
    return [{"kind": kind, "before": before, "after": after, "reason": reason}]


def _condemning(tests: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the tests by which a reading may be bad; a decision overrules all others.

    The rest makes suspect at most.
    """
    for names in (("decision",), _MAY_BE_BAD):
        found = [test for test in tests if test["test"] in names]
        if found:
            return found
    return tests


def _why_missing(
    view: View, sensor: Sensor, moment: Moment, account: dict[str, Any]
) -> str | None:
    """Return in a sentence why a cell has no water content; None where it has one."""
    if account["value"]["cleaned_water_content"] is not None:
        return None
    quality = account["quality"]
    if quality["outside_calibration"]:
        return _outside(quality["outside_calibration"], account)
    if account["value"]["calibrated_water_content"] is not None:
        names = " and ".join(test["test"] for test in _condemning(account["tests"]))
        return f"the reading is bad by {names or 'its flag'} and was left out"
    if "signal" in account:
        return "there is a reading, but it has not been computed; run percolog night"
    places = [place_of(sensor, quantity) for quantity in SIGNALS]
    return why_no_reading(view, places, moment, sensor.tube)


def _outside(bits: int, account: dict[str, Any]) -> str:
    """Return why the calibration has no value, with the figures."""
    said = [text for bit, text in _REASONS.items() if bits & bit]
    laws = account["calibration"]
    if bits & OUTSIDE_PROBE and laws["probe_law"] and "signal" in account:
        signal, law = account["signal"], laws["probe_law"]
        said.append(
            f"{np.float32(signal['value'])!s} {signal['units']} is not within "
            f"{law['valid_from']} to {law['valid_to']}"
        )
    root = account["value"]["root_permittivity"]
    if bits & OUTSIDE_SOIL and laws["soil_law"] and root is not None:
        law = laws["soil_law"]
        said.append(
            f"{np.float32(root)!s} is not within {law['valid_from']} to {law['valid_to']}"
        )
    if bits & NO_LAW and not laws["horizon"]:
        said.append(f"no horizon is described at {centimetres(laws['real_depth_m'])} cm")
    return ": ".join(said)
