"""Which trace answers what is asked of a number that stands in a row of a table."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.lineage.conductivity import trace_conductivity
from pipeline.lineage.events import trace_event
from pipeline.lineage.limits import trace_limit
from pipeline.lineage.space import trace_site_mean
from pipeline.lineage.stability import trace_ranks, trace_stability
from pipeline.lineage.trace import Question, Traced, at_sensor, sensor_asked, timed
from pipeline.lineage.uptake import trace_uptake
from pipeline.lineage.view import Moment, View


def _uptake(view: View, question: Question, moment: Moment) -> Traced:
    sensor = sensor_asked(view, question)
    return at_sensor(sensor), trace_uptake(view, sensor, moment, question.number)


def _site_mean(view: View, question: Question, moment: Moment) -> Traced:
    day = moment.step // view.site.axis.steps_per_day
    asked = question.place, day, question.group, question.number
    return _at_place(question), trace_site_mean(view, *asked)


def _event(view: View, question: Question) -> Traced:
    at_s = None if question.time is None else question.time.timestamp()
    asked = question.event, question.tube, at_s
    return trace_event(view, asked, question.place[0], question.number)


def _limits(view: View, question: Question) -> Traced:
    sensor = sensor_asked(view, question)
    return at_sensor(sensor), trace_limit(view, sensor, question.number)


def _conductivity(view: View, question: Question) -> Traced:
    sensor = sensor_asked(view, question)
    asked = question.water, question.number
    return at_sensor(sensor), trace_conductivity(view, sensor, *asked)


def _stability(view: View, question: Question) -> Traced:
    asked = question.place, question.tube, question.number
    return {"tube": question.tube, **_at_place(question)}, trace_stability(view, *asked)


def _ranks(view: View, question: Question) -> Traced:
    asked = question.place, question.months, question.number
    return _at_place(question), trace_ranks(view, *asked)


def _at_place(question: Question) -> dict[str, object]:
    """Return the depth or the layer in which tubes are compared."""
    depth_m, layer = question.place
    return {"layer": layer} if layer else {"nominal_depth_m": depth_m}


ROW_TRACES: dict[str, Callable[[View, Question], Traced]] = {
    "event": _event,
    "uptake": timed(_uptake),
    "conductivity": _conductivity,
    "limits": _limits,
    "site_mean": timed(_site_mean),
    "stability": _stability,
    "rank_correlation": _ranks,
}
