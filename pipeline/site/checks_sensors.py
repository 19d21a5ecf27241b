"""Sensors that a tube had for part of its time only: stored water rests on all of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta

from pipeline.errors import Problem
from pipeline.site.cross_wiring import period
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS

_TOLERATED = timedelta(days=1)
Span = tuple[datetime, datetime]


def sensors_for_a_while(site: Site) -> Iterator[Problem]:
    """Name sensors that came later or went earlier than others of their tube.

    Stored water of a layer goes by one set of sensors, so that it makes no jump that no water
    made: while a sensor it needs is not wired it has none, also before that sensor came.
    """
    places: dict[str, dict[float, list[Wire]]] = defaultdict(lambda: defaultdict(list))
    for wire in site.wiring:
        if wire.quantity in SIGNALS and wire.depth_m is not None and wire.tube:
            places[wire.tube][wire.depth_m].append(wire)
    for tube, sensors in places.items():
        spans = {depth: _span(site, wires) for depth, wires in sorted(sensors.items())}
        begin = min(span[0] for span in spans.values())
        end = max(span[1] for span in spans.values())
        told = [
            f"{depth * 100:g} cm ({' '.join(_while(site, span, begin, end))})"
            for depth, span in spans.items()
            if _while(site, span, begin, end) and _is_needed(site, tube, depth, list(spans))
        ]
        if told:
            yield Problem(
                "wiring.csv",
                f"tube {tube!r}",
                f"sensors wired for part of the tube's time: {', '.join(told)}",
                "all sensors of a tube wired as long as the tube is",
                "Stored water of layers that need one is missing while it is not wired, also "
                "before it came. Where sensors were set otherwise describe the tube anew from "
                "then on: end it in tubes.csv ('removed') and give it a row of another name.",
            )


def _span(site: Site, wires: list[Wire]) -> Span:
    spans = [period(wire, site.tube_by_id.get(wire.tube)) for wire in wires]
    return min(span[0] for span in spans), max(span[1] for span in spans)


def _while(site: Site, span: Span, begin: datetime, end: datetime) -> list[str]:
    """Return since when and until when a sensor was wired, where others were so for longer."""
    told = []
    if span[0] - begin > _TOLERATED:
        told.append(f"from {site.date_of(span[0])}")
    if end - span[1] > _TOLERATED:
        told.append(f"until {site.date_of(span[1])}")
    return told


def _is_needed(site: Site, tube: str, depth_m: float, depths_m: list[float]) -> bool:
    """Tell whether any layer rests on a sensor, beside the others that a tube ever had."""
    at = depths_m.index(depth_m)
    inner = 0 < at < len(depths_m) - 1
    if inner and site.derive.missing_sensor == "bridge":
        return False
    real_m = [site.sensor_depth_m(tube, depth) for depth in depths_m]
    if real_m[at] < 0:
        return False
    above = real_m[at - 1] if at and real_m[at - 1] >= 0 else -1.0
    below = real_m[at + 1] if at + 1 < len(real_m) else float("inf")
    return any(above < layer.bottom_m and layer.top_m < below for layer in site.derive.layers)
