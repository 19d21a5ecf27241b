"""Everything that decides the quality tests of a tube, dated and in a canonical text."""

from __future__ import annotations

import json
from collections.abc import Mapping

from pipeline.qc.plan import Cadence, sensor_cadences, sensor_plateau
from pipeline.qc.spans import (
    nearest_thermometer,
    tells_frost_by_fall,
    visit_window,
    visits_at,
)
from pipeline.site.limits import Key, resolve_limits
from pipeline.site.models import QcLimits, Site, Wire
from pipeline.variables import SIGNALS

# Logged at stations, for tests of every tube.
_OF_ALL = ("rain", "supply_voltage", "air_temperature")
# What holds from one UTC second until before another, in words.
Span = tuple[int, int, str]


def effective_parameters(
    site: Site, tube: str, limits: Mapping[Key, QcLimits] | None = None
) -> list[tuple[int | None, str]]:
    """Return the dated parameters of a tube's quality tests.

    As `pipeline.calibrate.effective.effective_parameters`: rising UTC seconds (None: since
    ever), each with a canonical JSON of all that decides the tests from then on. Visits and
    decisions are in it while they hold, so that one more changes its own time only. ``limits``
    are those of `resolve_limits`, by who asks for many tubes.
    """
    if limits is None:
        limits = resolve_limits(site)
    depths = sorted(
        {w.depth_m for w in site.wiring if w.tube == tube and w.depth_m is not None}
    )
    cadences = {depth: sensor_cadences(site, tube, depth) for depth in depths}
    spans = {depth: _spans(site, tube, depth, limits[tube, depth]) for depth in depths}
    starts = {c.start_s for found in cadences.values() for c in found if c.start_s is not None}
    starts |= {edge for found in spans.values() for span in found for edge in span[:2]}
    wires = [w for w in site.wiring if w.tube == tube or w.quantity in _OF_ALL]
    fixed = {depth: _fixed(site, tube, depth, limits[tube, depth], wires) for depth in depths}
    result: list[tuple[int | None, str]] = []
    for start_s in (None, *sorted(starts)):
        state = {
            repr(depth): {
                **fixed[depth],
                "stride": _stride_at(cadences[depth], start_s),
                **_known_at(spans[depth], start_s),
            }
            for depth in depths
        }
        text = json.dumps(state, sort_keys=True, separators=(",", ":"), allow_nan=False)
        if not result or result[-1][1] != text:
            result.append((start_s, text))
    return result


def _fixed(
    site: Site, tube: str, depth_m: float, limits: QcLimits, wires: list[Wire]
) -> dict[str, object]:
    """Return what holds for a sensor at all times; ``wires``: its tube's and the gauges'."""
    stations = sorted(
        {
            (w.source, w.quantity, str(w.start), str(w.until))
            for w in wires
            if (w.tube == tube and w.depth_m == depth_m and w.quantity in SIGNALS)
            or w.quantity in _OF_ALL
        }
    )
    by_fall = tells_frost_by_fall(site, tube, limits)
    return {
        "limits": limits.model_dump(exclude={"why"}),
        "plateau": sensor_plateau(site, tube, depth_m),
        "thermometer": nearest_thermometer(site, tube, depth_m),
        "latitude": site.tube_by_id[tube].latitude if by_fall else None,
        "stations": [list(row) for row in stations],
    }


def _spans(site: Site, tube: str, depth_m: float, limits: QcLimits) -> list[Span]:
    """Return when visits and decisions hold for a sensor; decisions in their order."""
    found: list[Span] = []
    if limits.maintenance_h is not None:
        for visit in visits_at(site, tube, depth_m):
            first, last = visit_window(visit, limits.maintenance_h)
            found.append((first, last + 1, "maintenance"))
    for decision in (d for d in site.decisions if not d.of_tube):
        if decision.tube == tube and decision.depth_m in (None, depth_m):
            ends = (int(decision.start.timestamp()), int(decision.until.timestamp()))
            found.append((*ends, decision.verdict))
    return found


def _known_at(spans: list[Span], at_s: int | None) -> dict[str, object]:
    """Return whether a visit disturbs at an instant, and the verdict a person gave, if any."""
    held = (
        [] if at_s is None else [word for first, stop, word in spans if first <= at_s < stop]
    )
    verdicts = [word for word in held if word != "maintenance"]
    state: dict[str, object] = {"maintenance": True} if "maintenance" in held else {}
    return state | ({"decision": verdicts} if verdicts else {})


def _stride_at(cadences: list[Cadence], at_s: int | None) -> int:
    started = [
        c for c in cadences if c.start_s is None or (at_s is not None and c.start_s <= at_s)
    ]
    return started[-1].stride
