"""One wetting event as a trace looks at it: its rows, its span, and its readings."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.derive.event_block import Profile, storage_above, weights_above
from pipeline.derive.event_tables import front_spans
from pipeline.derive.events import (
    LEVEL_S,
    RAIN_LEAD_S,
    TOP_READINGS,
    RainSpans,
    Span,
    events_of_fronts,
    join_fronts,
    rain_spans,
)
from pipeline.derive.fronts import PAUSE_S
from pipeline.lineage.down import raw_line
from pipeline.lineage.rows import Group, Row, at_text, item, rows_where, summed, water_ask
from pipeline.lineage.view import TraceError, View
from pipeline.products.event_blocks import Reader, gauges_of
from pipeline.products.event_store import frame_of
from pipeline.products.events import LEAD_DAYS, TRAIL_DAYS, tube_profile

_SHOWN_EVENTS = 3


@dataclass
class Case:
    """An event: its row, the rows of its sensors, and its readings from ``first_day`` on."""

    view: View
    row: Row
    by_depth: list[Row]
    profile: Profile
    reader: Reader
    foot_s: int
    first_day: int
    stop_day: int

    @cached_property
    def water(self) -> Floats:
        """Return cleaned water content of the tube, (depth, time)."""
        return self.reader.water(
            self.column, self.profile.nominal_m, self.first_day, self.stop_day
        )

    @cached_property
    def weights(self) -> Floats:
        """Return weights of the sensors in the soil above each of them, (depth, sensor)."""
        return weights_above(self.profile)

    @cached_property
    def above(self) -> Floats:
        """Return the water above each sensor, (depth, time), [mm]."""
        return storage_above(self.water, self.weights)

    @property
    def column(self) -> int:
        """Return the tube's column in the store."""
        return self.view.snapshot.labels["tube"].index(self.profile.tube)

    @property
    def first_s(self) -> int:
        """Return when the readings begin, UTC seconds."""
        return self.reader.day_s(self.first_day)

    def step(self, seconds: int) -> int:
        """Return the place of an instant in the readings."""
        return (seconds - self.first_s) // self.view.site.axis.interval_s

    def at(self, step: int) -> str:
        """Return the instant of a place in the readings as text."""
        return at_text(self.first_s + step * self.view.site.axis.interval_s)

    @property
    def level_steps(self) -> int:
        """Return over how many steps a level is averaged."""
        return max(1, LEVEL_S // self.view.site.axis.interval_s)

    def level(self, sensor: int, last: int, what: str, column: str = "") -> Group:
        """Return the mean of the water above a sensor in the hours up to a step."""
        steps = np.arange(max(0, last - self.level_steps + 1), last + 1)
        return self._mean(sensor, steps, f"{what}: mean over {LEVEL_S // 3600} hours", column)

    def peak(self, sensor: int, peak_s: int, column: str = "") -> Group:
        """Return the mean of the five readings about the peak of the water above a sensor."""
        known = np.flatnonzero(np.isfinite(self.above[sensor]))
        place = int(np.searchsorted(known, self.step(peak_s)))
        half = TOP_READINGS // 2
        steps = known[max(0, place - half) : place + half + 1]
        return self._mean(sensor, steps, "at its peak: mean of five readings", column, half)

    def _mean(
        self, sensor: int, steps: NDArray, what: str, column: str, decisive: int = -1
    ) -> Group:
        """Return a mean of the water above a sensor, its decisive step led to the ground."""
        steps = steps[np.isfinite(self.above[sensor][steps])]
        items = [self._stored(sensor, int(step)) for step in steps]
        if items:
            for part in items[decisive]["parts"]:
                part["origin"] = raw_line(self.view, part["trace"])
        values = self.above[sensor][steps]
        mean = summed(values) / len(steps) if len(steps) else None
        depth = f"{self.profile.real_m[sensor] * 100:g} cm"
        return Group(f"water above {depth} {what}", "mm", items, mean, column)

    def _stored(self, sensor: int, step: int) -> dict[str, Any]:
        """Return the water above a sensor at a step, with the readings it is made of."""
        parts = [
            {
                "depth_m": float(self.profile.nominal_m[j]),
                "weight_m": float(weight),
                "value": float(self.water[j, step]),
                "trace": water_ask(
                    self.profile.tube, self.profile.nominal_m[j], self.at(step)
                ),
            }
            for j, weight in enumerate(self.weights[sensor])
            if weight != 0.0
        ]
        return item(self.at(step), self.above[sensor, step], parts=parts)

    def reading(self, sensor: int, step: int, said: str) -> dict[str, object]:
        """Return one reading of a sensor, led down to its raw line."""
        nominal = float(self.profile.nominal_m[sensor])
        ask = water_ask(self.profile.tube, nominal, self.at(step))
        found = item(self.at(step), self.water[sensor, step], said=said, trace=ask)
        return found | {"origin": raw_line(self.view, ask)}

    def rain(self, after: bool) -> Group | None:
        """Return the rain of the event, or that after its peak; None where none is logged."""
        fallen = self.reader.fallen(self.first_day, self.stop_day)
        if fallen is None:
            return None
        rain = fallen[0]
        spans = self._rain_spans(*fallen)
        begin, stop = (spans.top, spans.stop) if after else (spans.begin, spans.top)
        steps = np.arange(int(begin[-1]), int(stop[-1]))
        fell = steps[np.nan_to_num(rain[steps]) > 0]
        items = [item(self.at(int(s)), rain[s], trace=self._gauge(int(s))) for s in fell]
        for shown in {0, len(items) - 1} if items else ():
            items[shown]["origin"] = raw_line(self.view, items[shown]["trace"])
        column = "rain_after_mm" if after else "rain_mm"
        told = steps[np.isfinite(rain[steps])]
        few = (steps.size - told.size) * 10 > steps.size
        value = None if few else summed(rain[told])
        when = "after the peak, until that of the next event" if after else "of the event"
        ends = f"{self.at(int(begin[-1]))} to {self.at(int(stop[-1]))}"
        return Group(f"rain {when}, {ends}", "mm", items, value, column)

    def _rain_spans(self, rain: Floats, told: Integers) -> RainSpans:
        """Return the spans of the rain, of the event before and of this one."""
        before = [
            row
            for row in rows_where(self.view.snapshot.table("events"), tube=self.profile.tube)
            if row["onset_s"] <= self.row["onset_s"]
        ][-2:]
        start, end, peak = (
            np.array([max(self.step(row[name]), -1) for row in before], np.int64)
            for name in ("onset_s", "end_s", "peak_s")
        )
        pace = (
            RAIN_LEAD_S // self.view.site.axis.interval_s,
            PAUSE_S // self.view.site.axis.interval_s,
        )
        span = Span(start, np.maximum(start, 0), np.minimum(end, rain.size))
        last = np.array([row["open"] for row in before])
        return rain_spans(rain, span, pace, peak, last, told)

    def _gauge(self, step: int) -> dict[str, object]:
        """Return what to ask for the rain of a step: of the first gauge that has it."""
        labels = self.view.snapshot.labels["station"]
        axis = self.view.site.axis
        place = self.first_day * axis.steps_per_day + step
        for name, _ in gauges_of(self.view.site):
            if name in labels:
                value = self.view.cell("readings/rain", place, labels.index(name))
                if value is not None and np.isfinite(value):
                    return {"tube": name, "time": self.at(step), "product": "rain"}
        return {"tube": "", "time": self.at(step), "product": "rain"}


def find_case(view: View, event: str, tube: str, at_s: float | None) -> Case:
    """Return an event by its name, or that of a tube in which an instant lies.

    Raises
    ------
    TraceError
        If there is no such event; it names those nearest in time, or of the tube.
    """
    table = view.snapshot.table("events")
    if table is None or not table.num_rows:
        raise TraceError(f"{view.site.id}: the state holds no wetting event")
    if event:
        found = rows_where(table, event=event)
        if not found:
            names = table["event"].to_pylist()
            near = get_close_matches(event, names, _SHOWN_EVENTS) or names
            raise TraceError(_no_event(view, event, near))
        return _case(view, found[0])
    rows = rows_where(table, tube=view.tube(tube).tube)
    if at_s is None:
        raise TraceError("found neither --event nor --time; expected one of them")
    for row in rows:
        if row["onset_s"] <= at_s < row["end_s"]:
            return _case(view, row)
    near = [r["event"] for r in sorted(rows, key=lambda r: abs(r["onset_s"] - at_s))]
    raise TraceError(_no_event(view, f"of {tube} at {at_text(at_s)}", near))


def _no_event(view: View, asked: str, near: list[str]) -> str:
    """Return that there is no such event, and the nearest there are."""
    shown = ", ".join(near[:_SHOWN_EVENTS])
    if not near:
        return f"{view.site.id}: found no wetting event {asked}; the tube has none"
    return (
        f"{view.site.id}: found no wetting event {asked}; the nearest are {shown} (percolog "
        f"events lists all)"
    )


def _case(view: View, row: Row) -> Case:
    tube = row["tube"]
    profile = tube_profile(view.site, tube, view.snapshot.labels["depth"])
    if profile is None:
        raise TraceError(f"{view.site.id}: tube {tube!r} is described without sensors now")
    reader = Reader(view.snapshot, view.site)
    by_depth = rows_where(view.snapshot.table("event_depths"), event=row["event"])
    column = view.snapshot.labels["tube"].index(tube)
    rows = frame_of(view.snapshot.table("fronts"))
    joined = join_fronts(rows[rows["tube"] == tube])
    numbers = events_of_fronts(joined, profile.nominal_m)
    spans = front_spans(joined, numbers, reader.last_s(column))
    foot = spans.loc[spans["onset_s"] == row["onset_s"], "foot_s"]
    foot_s = int(foot.iloc[0]) if len(foot) else row["onset_s"]
    origin = view.site.axis.origin_s
    first = (foot_s - origin) // DAY_S - LEAD_DAYS
    stop = -(-(row["end_s"] - origin) // DAY_S) + TRAIL_DAYS
    window = max(0, first), min(reader.days, stop)
    return Case(view, row, by_depth, profile, reader, foot_s, *window)


def sensor_of(case: Case, nominal_m: float) -> int:
    """Return the place of a sensor among those of the tube."""
    return int(np.argmin(np.abs(case.profile.nominal_m - nominal_m)))
