"""What the cleanings of a site changed of its sensors, by what those and the soil showed."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

from pipeline.calibrate.cleanings import ABOUT_S, Beside, Soil, make_cleaning
from pipeline.calibrate.compare import Seen, slopes_at_cleanings
from pipeline.calibrate.drift import Cleaning
from pipeline.calibrate.references import Reference
from pipeline.engine.windows import About, Window
from pipeline.qc.arrivals import MM_PER_RISE
from pipeline.site.models import Site

Sensor = tuple[str, float]
# Two references about a cleaning tell of the soil's change where they are as good as this.
_GOOD_PAIR = 0.005


class Untold(NamedTuple):
    """A cleaning that tells nothing; ``is_read`` where readings lie on both sides of it."""

    sensor: Sensor
    time_s: int
    is_read: bool


def told_by_cleanings(
    about: Mapping[tuple[Sensor, int], About],
    shown: Mapping[Window, Seen],
    references: Iterable[Reference],
    site: Site,
) -> tuple[dict[Sensor, list[tuple[str, Cleaning]]], list[Untold]]:
    """Return what cleanings changed of each sensor, with its domain, and what tells nothing.

    Parameters
    ----------
    about : dict
        The windows about each cleaning, by sensor and UTC seconds.
    shown : dict
        What the readings of those windows show.
    references : iterable of Reference
    site : Site
    """
    pairs = [(shown[windows.before], shown[windows.after]) for windows in about.values()]
    worth = slopes_at_cleanings([(*sensor, at) for sensor, at in about], pairs, site)
    of_sensor: dict[Sensor, list[Reference]] = defaultdict(list)
    for reference in references:
        of_sensor[reference.tube, reference.depth_m].append(reference)
    found: dict[Sensor, list[tuple[str, Cleaning]]] = defaultdict(list)
    untold = []
    for ((sensor, at), windows), slope in zip(about.items(), worth, strict=True):
        beside = _beside(windows, shown)
        soil = _soil(at, of_sensor[sensor], shown[windows.rain])
        cleaning = make_cleaning(beside, soil, float(slope))
        if cleaning is not None and site.drift.form == "proportional":
            cleaning = _as_share(cleaning, beside.before)
        if cleaning is not None:
            found[sensor].append((beside.before.domain, cleaning))
        else:
            is_read = beside.before.count > 0 and beside.after.count > 0
            untold.append(Untold(sensor, at, is_read))
    return found, untold


def _beside(windows: About, shown: Mapping[Window, Seen]) -> Beside:
    before, after = windows.before, windows.after
    spans_s = before.stop_s - before.first_s, after.stop_s - after.first_s
    three = shown[before], shown[after], shown[windows.close]
    return Beside(*three, *windows.at_s, spans_s)


def _as_share(cleaning: Cleaning, before: Seen) -> Cleaning | None:
    """Return a cleaning as a share of the reading before it, None of nothing."""
    size = abs(before.median)
    if size == 0.0:
        return None
    return replace(
        cleaning,
        step=cleaning.step / before.median,
        step_u=cleaning.step_u / size,
        slope=cleaning.slope * size,
        doubt=cleaning.doubt / size,
    )


def _soil(at_s: int, own: Iterable[Reference], rain: Seen) -> Soil:
    """Return what references and rain tell of the soil over a cleaning of their sensor."""
    before = [r for r in own if at_s - ABOUT_S <= r.time_s <= at_s]
    after = [r for r in own if at_s < r.time_s <= at_s + ABOUT_S]
    if before and after:
        start, end = before[-1], after[0]
        both = math.hypot(start.error, end.error)
        if start.kind == end.kind and both <= _GOOD_PAIR:
            return Soil(end.water_content - start.water_content, both, is_told=True)
    return Soil(rain=rain.median / MM_PER_RISE if rain.count else 0.0)
