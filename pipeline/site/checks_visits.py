"""Visits and decisions that are right in form and of which nothing will come."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import time, timedelta

from pipeline.errors import Problem
from pipeline.site.checks_dates import shown
from pipeline.site.cross_wiring import NEVER
from pipeline.site.models import DISTURBING, Site, Visit
from pipeline.variables import SIGNALS

_MEASURED = ("reference", "sample", "bench")
_COMPARED = ("reference", "bench")  # a sample at a depth without a sensor is for people
_SOMEWHERE = ("cleaning", "swap", "rotation", "power")  # the others may be of the whole site
_CLOSE_M = 0.001


def visits_left_unfinished(site: Site) -> Iterator[Problem]:
    """Name visits that lack what makes them count: a value, a depth, a tube, a source."""
    for visit in site.visits:
        lacking, expected, advice = _lacking(visit)
        if lacking:
            found = f"{visit.action!r} without {' and '.join(lacking)}"
            place = f"line {visit.row}, column {lacking[0]}"
            yield Problem("visits.csv", place, found, expected, advice)


def _lacking(visit: Visit) -> tuple[list[str], str, str]:
    """Return the columns a visit lacks, what was expected, and what comes of it."""
    if visit.action in _MEASURED:
        given = {"tube": visit.tube, "depth_cm": visit.depth_m, "value": visit.value}
        expected = "tube, depth_cm, value and unit of what was measured"
        advice = "As it stands it is compared with nothing; as a mere note call it 'other'."
        return [name for name, cell in given.items() if cell in ("", None)], expected, advice
    if visit.action == "clock" and visit.value is None:
        expected = "how far the clock was ahead of true time, such as -40 and s"
        return ["value"], expected, "Without it no time is corrected; write 0 if it was right."
    if visit.action in _SOMEWHERE and not (visit.tube or visit.source):
        advice = "As it stands no reading is marked as disturbed by it."
        return ["tube", "source"], "the tube or the logger it was at", advice
    if visit.action == "rotation" and not visit.tube:
        return ["tube"], "the tube that was read in several directions", ""
    return [], "", ""


def measured_at_midnight(site: Site) -> Iterator[Problem]:
    """Name measurements and checks whose hour was not noted: a date alone is its midnight."""
    for visit in site.visits:
        local = visit.time + timedelta(seconds=site.utc_offset_s)
        counts = visit.action in (*_MEASURED, "clock") and visit.value is not None
        if counts and local.time() == time():
            found = f"{visit.action!r} at midnight, as a date without a time is read"
            advice = "It is held against what the logger shows then, and not hours later."
            place, expected = f"line {visit.row}, column time", "the time of day it was made"
            yield Problem("visits.csv", place, found, expected, advice)


def visits_beside_sensors(site: Site) -> Iterator[Problem]:
    """Name visits to a depth at which their tube has no sensor."""
    sensors: defaultdict[str, set[float]] = defaultdict(set)
    for wire in site.wiring:
        if wire.depth_m is not None and wire.quantity in SIGNALS:
            sensors[wire.tube].add(wire.depth_m)
    for visit in site.visits:
        depths = sensors.get(visit.tube)
        counts = visit.action in _COMPARED or visit.action in DISTURBING
        if visit.depth_m is None or not depths or not counts or visit.depth_m in depths:
            continue
        found = f"{visit.action!r} at {_cm(visit.depth_m)} cm of tube {visit.tube!r}"
        known = ", ".join(map(_cm, sorted(depths)))
        expected = f"a nominal depth of one of its sensors: {known} cm"
        advice = "As it stands it counts for no sensor."
        metres = [depth for depth in depths if abs(depth - 100 * visit.depth_m) < _CLOSE_M]
        if metres:
            advice = f"If that was metres write {_cm(metres[0])}."
        place = f"line {visit.row}, column depth_cm"
        yield Problem("visits.csv", place, found, expected, advice)


def decisions_out_of_time(site: Site) -> Iterator[Problem]:
    """Name decisions on a time from which their tube has no reading."""
    for decision in site.decisions:
        tube = site.tube_by_id[decision.tube]
        first, last = max(tube.installed, site.start), tube.removed or NEVER
        if decision.until > first and decision.start < last:
            continue
        found = (
            f"{decision.verdict!r} from {shown(decision.start, site)} until "
            f"{shown(decision.until, site)}"
        )
        until = f" until {shown(tube.removed, site)}" if tube.removed else ""
        expected = f"a time of tube {decision.tube!r}, from {shown(first, site)}{until}"
        place = f"line {decision.row}, column from"
        advice = "Look at the year; as it stands it decides on nothing."
        yield Problem("decisions.csv", place, found, expected, advice)


def _cm(depth_m: float) -> str:
    return f"{round(depth_m * 100, 2):g}"
