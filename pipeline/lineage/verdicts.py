"""The quality tests that fired at a cell: limits in force, and the values they looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats
from pipeline.axis import iso_utc
from pipeline.lineage.view import Moment, Rules, Sensor, View, number
from pipeline.qc.constants import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    HOUR_S,
    PLATEAU_RISE,
    RATE_SHORTEST_H,
    ROUNDING,
    SPIKE_LONGEST_STEP_S,
    SPIKE_RETURN,
)
from pipeline.qc.flags import TEST_BITS, Quality

# Limits that bear on a test beside those its evidence names; those a state lacks are left out.
_MORE_LIMITS: dict[str, tuple[str, ...]] = {
    "spike": ("spike_noise", "spike_false", "noise_floor"),
    "flat_line": ("stuck_chance", "dropout_fall"),
    "noise_burst": ("burst_noise", "noise_floor"),
    "step": ("step_suspect", "step_noise", "noise_floor"),
    "frozen": ("frozen_degc", "frozen_fall"),
    "neighbour_depth": ("neighbour_suspect",),
    "timing": ("timing_part",),
    "maintenance": ("maintenance_h",),
    "supply": ("supply_part", "supply_suspect_v", "supply_fail_v"),
}
_SAID = {
    "noise_burst": "the record around the reading is noisier than it usually is",
    "step": "the record stays at another level from a reading near here on",
    "frozen": "the soil was frozen, or may have been",
    "neighbour_depth": "the depths around do not go along with it",
    "timing": "the reading was taken too far from its step",
    "maintenance": "somebody worked at the tube or the logger then",
    "supply": "the logger's supply was low",
    "decision": "a person decided",
    "neighbour_tube": "the tubes around do not go along with it",
}
_LONGEST_LOOK_H = 24.0  # of the flat line where its windows are switched off


@dataclass(frozen=True)
class Record:
    """One sensor's calibrated values around a cell as the tests see them.

    ``at`` is the cell's place in the arrays. ``sound`` lacks what an earlier test failed.
    """

    first_step: int
    at: int
    value: Floats
    sound: Floats


@dataclass(frozen=True)
class Case:
    """One cell before the tests: its record, the rules in force, the site's interval."""

    view: View
    record: Record
    limits: dict[str, Any]
    plateau: float
    stride: int

    def seen(self, place: int, values: Floats | None = None) -> dict[str, Any]:
        """Return a value of the record with its time, JSON-ready; None off the record."""
        of = self.record.value if values is None else values
        value = of[place] if 0 <= place < len(of) else np.nan
        at_s = self.view.site.axis.seconds(
            self.record.first_step + place, self.record.first_step + place + 1
        )
        return {"time": iso_utc(int(at_s[0])), "value": number(value)}

    @property
    def here(self) -> float:
        """Return the cell's own value."""
        return float(self.record.value[self.record.at])


def fired_tests(
    view: View, rules: Rules, sensor: Sensor, moment: Moment, tests: int
) -> list[dict[str, object]]:
    """Return what each test that fired at a cell went by.

    Parameters
    ----------
    view, rules, sensor, moment
        The cell, and the rules its state was computed by.
    tests : int
        Its mask of tests.

    Returns
    -------
    list of dict
        ``test``, ``limits`` [m3 m-3 and h as in site.toml], ``looked_at`` (values with their
        times and what they are) and ``said``, a sentence with the figures.
    """
    told_elsewhere = ("missing", "outside_calibration")
    fired = [n for n, bit in TEST_BITS.items() if tests & bit and n not in told_elsewhere]
    case = _case(view, rules, sensor, moment) if fired else None
    if fired and case is None:
        view.remarks.append("the state holds no thresholds for this sensor")
    told = [_told(name, case) for name in fired]
    for test in told:
        if test["test"] == "decision":
            test["said"] = decided(view, sensor, moment) or test["said"]
    return told


def decided(view: View, sensor: Sensor, moment: Moment) -> str:
    """Return what a person decided of a reading, of several the lowest row; "" for nothing."""
    found = [
        f"line {decision.row}: {decision.verdict}, {decision.why} ({decision.who})"
        for decision in getattr(view.site, "decisions", ())
        if decision.tube == sensor.tube.tube
        and not decision.of_tube
        and decision.depth_m in (None, sensor.nominal_m)
        and decision.start.timestamp() <= moment.at_s < decision.until.timestamp()
    ]
    return found[-1] if found else ""


def _told(name: str, case: Case | None) -> dict[str, object]:
    """Return what a test went by; of one without figures of its own, limits and neighbours."""
    if case is None:
        return {"test": name, "limits": {}, "looked_at": [], "said": ""}
    evidence = _EVIDENCE[name](case) if name in _EVIDENCE else _neighbours(case, name)
    more = {key: case.limits[key] for key in _MORE_LIMITS.get(name, ()) if key in case.limits}
    return {"test": name, **evidence, "limits": {**evidence["limits"], **more}}


def _neighbours(case: Case, name: str) -> dict[str, Any]:
    at, stride = case.record.at, case.stride
    looked_at = [
        {"what": "before", **case.seen(at - stride)},
        _named("here", case),
        {"what": "after", **case.seen(at + stride)},
    ]
    return {"limits": {}, "looked_at": looked_at, "said": _SAID.get(name, "")}


def _case(view: View, rules: Rules, sensor: Sensor, moment: Moment) -> Case | None:
    state = (rules.at("qc", moment.at_s) or {}).get(repr(sensor.nominal_m))
    if state is None:
        return None
    limits, stride = state["limits"], int(state["stride"])
    record = _record(view, sensor, moment.step, limits, stride)
    return Case(view, record, limits, float(state["plateau"]), stride)


def _record(
    view: View, sensor: Sensor, step: int, limits: dict[str, Any], stride: int
) -> Record:
    """Read the cell's past as far as a flat line may reach, and one neighbour ahead."""
    hours = [h for h in (limits["flat_suspect_h"], limits["flat_fail_h"]) if h is not None]
    look_s = max([_LONGEST_LOOK_H, *hours]) * HOUR_S + 2 * FLAT_ENTRY_S + FLAT_GAP_S
    start = max(0, step - int(look_s // view.site.interval_s))
    stop = step + stride + 1
    where = (start, stop, sensor.row, sensor.column)
    value = view.series("water/calibrated_water_content", *where).astype(np.float64)
    tests = view.series("water/tests", *where)
    quality = view.series("water/quality", *where)
    failed = _failed_early(value, tests, quality, limits)
    return Record(start, step - start, value, np.where(failed, np.nan, value))


def _failed_early(
    value: Floats,
    tests: NDArray[np.uint16],
    quality: NDArray[np.uint8],
    limits: dict[str, Any],
) -> Bools:
    """Tell which readings gross range or spike failed; later tests do not see them."""
    failed = ((tests & TEST_BITS["spike"]) != 0) & (quality == Quality.BAD)
    failed &= (tests & TEST_BITS["flat_line"]) == 0
    if limits["gross_fail"] is not None:
        low, high = (float(np.float32(x)) for x in limits["gross_fail"])
        failed |= (value < low) | (value > high)
    return failed


def _gross_range(case: Case) -> dict[str, object]:
    names = ("gross_fail", "gross_suspect")
    limits = {name: case.limits[name] for name in names}
    said = []
    for name in names:
        bounds = limits[name]
        if bounds is not None and not bounds[0] <= case.here <= bounds[1]:
            side, bound = (
                ("below", bounds[0]) if case.here < bounds[0] else ("above", bounds[1])
            )
            said.append(f"{side} {bound:g}, the limit of {name}")
    text = f"{case.here:.4f} m3 m-3 lies {' and '.join(said[:1]) or 'at a limit'}"
    return {"limits": limits, "looked_at": [_named("here", case)], "said": text}


def _spike(case: Case) -> dict[str, object]:
    at, stride = case.record.at, case.stride
    before, after = (_at(case.record.value, at + k) for k in (-stride, stride))
    size = min(abs(case.here - before), abs(case.here - after))
    step_s = stride * case.view.site.interval_s
    comes_back = abs(after - before) <= SPIKE_RETURN * size + ROUNDING
    limits = {
        "spike_suspect": case.limits["spike_suspect"],
        "spike_fail": case.limits["spike_fail"],
        "returns_within_part": SPIKE_RETURN,
        "longest_step_for_bad_s": SPIKE_LONGEST_STEP_S,
    }
    text = (
        f"stands out by {size:.4f} m3 m-3 from both neighbours; they differ by "
        f"{abs(after - before):.4f}, so the record "
        f"{'comes' if comes_back else 'does not come'} back to where it was"
    )
    if step_s > SPIKE_LONGEST_STEP_S:
        text += f"; steps of {step_s} s are too long for a certain fault"
    looked_at = [
        {"what": "before", **case.seen(at - stride)},
        _named("here", case),
        {"what": "after", **case.seen(at + stride)},
    ]
    return {"limits": limits, "looked_at": looked_at, "said": text}


def _rate_of_change(case: Case) -> dict[str, object]:
    at, sound = case.record.at, case.record.sound
    before = _at(sound, at - case.stride)
    step_h = max(case.stride * case.view.site.interval_s / HOUR_S, RATE_SHORTEST_H)
    rate = case.limits["rate_suspect_per_h"]
    limits = {"rate_suspect_per_h": rate, "shortest_step_h": RATE_SHORTEST_H}
    most = "" if rate is None else f"; {rate * step_h:.4f} m3 m-3 is the most allowed"
    text = f"changed by {abs(case.here - before):.4f} m3 m-3 since the reading before{most}"
    looked_at = [
        {"what": "before", **case.seen(at - case.stride, sound)},
        _named("here", case),
    ]
    return {"limits": limits, "looked_at": looked_at, "said": text}


def _flat_line(case: Case) -> dict[str, object]:
    at, sound, step_s = case.record.at, case.record.sound, case.view.site.interval_s
    start = run_start(sound, at, case.limits["flat_tolerance"], FLAT_GAP_S // step_s)
    hours = (at - start) * step_s / HOUR_S
    entry = sound[max(0, start - FLAT_ENTRY_S // step_s) : start]
    lowest = float(np.nanmin(entry)) if np.isfinite(entry).any() else np.nan
    names = ("flat_suspect_h", "flat_fail_h", "flat_tolerance")
    limits = {name: case.limits[name] for name in names}
    limits |= {"plateau_from": case.plateau, "plateau_rise": PLATEAU_RISE}
    text = f"has stood still for {'more than ' if start == 0 else ''}{hours:.1f} h"
    if case.here >= case.plateau:
        text += f"; at {case.plateau:.3f} m3 m-3 or more soil may be saturated: never bad"
    looked_at = [{"what": "the run began", **case.seen(start, sound)}, _named("here", case)]
    if np.isfinite(lowest):
        place = max(0, start - FLAT_ENTRY_S // step_s) + int(np.nanargmin(entry))
        looked_at.insert(0, {"what": "lowest in the day before", **case.seen(place, sound)})
    return {"limits": limits, "looked_at": looked_at, "said": text}


def run_start(values: Floats, at: int, tolerance: float, gap: int) -> int:
    """Return where the run of equal readings that ends at ``at`` began.

    The longest stretch back in which all readings lie within ``tolerance`` of each other and
    none is more than ``gap`` steps after the one before, as in `pipeline.qc.kernels`.
    """
    places = np.flatnonzero(np.isfinite(values[: at + 1]))[::-1]
    if not len(places) or places[0] != at:
        return at
    back = values[places]
    spread = np.maximum.accumulate(back) - np.minimum.accumulate(back)
    band = tolerance + ROUNDING if tolerance > 0 else 0.0
    ended = spread > band
    ended[1:] |= -np.diff(places) > gap
    length = int(np.argmax(ended)) if ended.any() else len(places)
    return int(places[length - 1])


def _named(what: str, case: Case) -> dict[str, object]:
    return {"what": what, **case.seen(case.record.at)}


def _at(values: Floats, place: int) -> float:
    return float(values[place]) if 0 <= place < len(values) else np.nan


_EVIDENCE: dict[str, Callable[[Case], dict[str, Any]]] = {
    "gross_range": _gross_range,
    "spike": _spike,
    "rate_of_change": _rate_of_change,
    "flat_line": _flat_line,
}
