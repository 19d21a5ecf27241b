"""What decides a tube's results besides its readings, by date; which days a change touches.

Two descriptions are compared rule by rule and date by date, so that a new calibration from
June on recomputes that tube from June on and nothing else.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.axis import DAY_S, TimeAxis
from pipeline.calibrate.corrected import effective_parameters as corrections_of
from pipeline.calibrate.effective import effective_parameters as calibration_of
from pipeline.qc.effective import effective_parameters as tests_of
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Site
from pipeline.steps import STATION_STEPS, TUBE_STEPS
from pipeline.variables import SIGNALS

# (start in UTC seconds or None for "since ever", canonical JSON of the rules from then on)
Segments = list[tuple[int | None, str]]
CALIBRATE = "calibrate"  # the kind of rules that acts on readings alone
# Kinds whose dates are held against when a reading was taken, not against its step.
BY_READING = (CALIBRATE, "drift")


def effective_rules(site: Site) -> dict[str, dict[str, Segments]]:
    """Return, for each tube, its dated rules by kind.

    Returns
    -------
    dict
        tube → kind ("calibrate", "drift", "qc", "derive", "code") → segments in order of
        time. The empty tube name stands for the stations.
    """
    code: Segments = [(None, _json([(s.name, s.version) for s in TUBE_STEPS]))]
    limits = resolve_limits(site)
    rules: dict[str, dict[str, Segments]] = {
        tube.tube: {
            CALIBRATE: calibration_of(site, tube.tube),
            "drift": corrections_of(site, tube.tube),
            "qc": tests_of(site, tube.tube, limits),
            "derive": _products_of(site, tube.tube),
            "code": code,
        }
        for tube in site.tubes
    }
    rain = [
        [w.source, w.channel, str(w.start), str(w.until)]
        for w in sorted(site.wiring, key=lambda w: (w.source, w.channel))
        if w.at_station
    ]
    # How often each should log; of two gauges on one day the first of the description counts.
    gauges = [
        [source.id, source.interval_s or site.interval_s]
        for source in site.sources
        if source.id in site.stations
    ]
    rules[""] = {
        "derive": [(None, _json([site.derive.day_completeness, rain, gauges]))],
        "code": [(None, _json([(s.name, s.version) for s in STATION_STEPS]))],
    }
    return rules


def _products_of(site: Site, tube: str) -> Segments:
    """Return what decides a tube's products: layers, sensor depths, readings due by date."""
    wires = [w for w in site.wiring if w.tube == tube and w.quantity in SIGNALS]
    interval_of = {source.id: source.interval_s or site.interval_s for source in site.sources}
    depths = sorted({site.sensor_depth_m(tube, w.depth_m) for w in wires if w.depth_m})
    fixed = [site.derive.model_dump(mode="json"), depths]
    edges = {int(t.timestamp()) for w in wires for t in (w.start, w.until) if t is not None}
    segments: Segments = []
    for edge in (None, *sorted(edges)):
        due = sorted(
            {
                (w.depth_m or 0.0, interval_of[w.source])
                for w in wires
                if (w.start is None or (edge is not None and w.start.timestamp() <= edge))
                and (w.until is None or edge is None or edge < w.until.timestamp())
            }
        )
        segments.append((edge, _json([fixed, due])))
    return segments


def rules_table(rules: dict[str, dict[str, Segments]]) -> pa.Table:
    """Return the rules as a table for the store."""
    return pa.table({"tube": sorted(rules), "rules": [_json(rules[t]) for t in sorted(rules)]})


def changed_days(
    old: pa.Table | None,
    new: dict[str, Segments],
    tube: str,
    axis: TimeAxis,
    days: int,
    read: Callable[[], NDArray[np.bool_]] | None = None,
) -> NDArray[np.bool_]:
    """Return which days of one tube are ruled otherwise than in the stored table.

    A tube the table does not know is ruled anew on all days. ``read`` returns on which days it
    has readings: elsewhere its calibration has nothing to act on, as after a removal.
    """
    before = {} if old is None else dict(zip(*old.to_pydict().values(), strict=True))
    marked = np.zeros(days, dtype=bool)
    if tube not in before:
        marked[:] = True
        return marked
    stored: dict[str, Any] = json.loads(before[tube])
    for kind in {*stored, *new}:
        lists = stored.get(kind, []), new.get(kind, [])
        differing = _differing_days(*lists, axis, days, kind in BY_READING)
        if kind == CALIBRATE and read is not None and differing.any():
            differing &= read()
        marked |= differing
    return marked


def _differing_days(
    old: Segments, new: Segments, axis: TimeAxis, days: int, by_reading: bool
) -> NDArray[np.bool_]:
    """Return the days on which two lists of segments say different things.

    ``by_reading``: a reading taken before an end may stand half an interval after it.
    """
    marked = np.zeros(days, dtype=bool)
    after_s = axis.interval_s // 2 if by_reading else 0
    starts = sorted({_instant(s, axis) for s, _ in [*old, *new]} | {axis.origin_s})
    for start, stop in zip(starts, [*starts[1:], None], strict=True):
        if _in_force(old, start, axis) == _in_force(new, start, axis):
            continue
        first = max(0, (start - axis.origin_s) // DAY_S)
        last = days if stop is None else -(-(stop + after_s - axis.origin_s) // DAY_S)
        marked[first : max(first, last)] = True
    return marked


def _in_force(segments: Segments, at_s: int, axis: TimeAxis) -> str | None:
    """Return the rule in force at an instant."""
    rule = None
    for start, text in segments:
        if _instant(start, axis) <= at_s:
            rule = text
    return rule


def _instant(start: int | None, axis: TimeAxis) -> int:
    return axis.origin_s if start is None else max(start, axis.origin_s)


def _json(value: object) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), default=str)
