"""The trace of uptake by day and drainage by night: two nights, sensor by sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import Integers
from pipeline.axis import DAY_S
from pipeline.deliver.event_fields import UPTAKE
from pipeline.derive.event_block import Block, Profile, weights_above
from pipeline.derive.uptake import daily_pattern, night_steps, unseen_top
from pipeline.lineage.down import raw_line
from pipeline.lineage.rows import (
    Derivation,
    Group,
    Row,
    at_text,
    field_of,
    item,
    nearest_days,
    row_account,
    rows_where,
    water_ask,
)
from pipeline.lineage.view import Moment, Sensor, TraceError, View
from pipeline.products.event_blocks import Reader
from pipeline.products.event_drainage import AFTER_DAYS, BEFORE_DAYS
from pipeline.products.event_store import table_of
from pipeline.products.events import tube_profile

_HOW = {
    "night_s": "middle of the night that ends on the day, sunset plus an hour to sunrise",
    "night_water_content": "level in the middle of a line through the night's readings",
    "night_drainage_mm_d": "loss of the water above the sensor in the night: slopes of lines "
    "through readings times the weights of the sensors, and what the unseen top loses",
    "uptake_above_mm_d": "water above the sensor in the night before the day less that in the "
    "night after it, less the mean of both nights' rates over the time between",
    "uptake_mm_d": "uptake_above_mm_d less that of the sensor above",
}
_ERROR = "noise of the readings through the same sums, and what is not seen (docs/events.md)"


@dataclass(frozen=True)
class _Night:
    """Readings of one tube about a day; ``nights`` (2, night) are their steps.

    ``peaks_s`` are those of all fronts at the first sensor.
    """

    view: View
    profile: Profile
    block: Block
    nights: Integers
    peaks_s: Integers

    def at(self, step: int) -> str:
        return at_text(self.block.first_s + step * self.block.interval_s)

    def group(self, number: int, sensor: int, weight: float) -> Group | None:
        """Return one night's readings of a sensor: their line's level and slope."""
        first, stop = self.nights[:, number].tolist()
        values = self.block.water[sensor, max(first, 0) : max(stop, 0)]
        steps = max(first, 0) + np.flatnonzero(np.isfinite(values))
        if steps.size < 2:
            return None
        middle = 0.5 * (first + stop - 1)
        values = self.block.water[sensor, steps]
        slope, level = np.polyfit(steps - middle, values, 1)
        nominal = float(self.profile.nominal_m[sensor])
        items = []
        for step in steps.tolist():
            ask = water_ask(self.profile.tube, nominal, self.at(step))
            items.append(item(self.at(step), self.block.water[sensor, step], trace=ask))
        for shown in (0, -1):
            items[shown]["origin"] = raw_line(self.view, items[shown]["trace"])
        per_day = slope * DAY_S / self.block.interval_s
        what = (
            f"{nominal * 100:g} cm, weight {weight:g} m, night {self.at(first)} to "
            f"{self.at(stop - 1)}: a line of slope {per_day:.6f} a day, level in its middle"
        )
        return Group(what, "m3 m-3", items, float(level))


def trace_uptake(view: View, sensor: Sensor, moment: Moment, name: str) -> dict[str, object]:
    """Return the trace of a number of the day in which a moment lies, JSON-ready.

    Parameters
    ----------
    view : View
    sensor : Sensor
    moment : Moment
    name : str
        Of the number, "" for the uptake of the layer above the sensor.

    Raises
    ------
    TraceError
        If the sensor has no row on that day, or there is no such number.
    """
    told = field_of(UPTAKE, name, "uptake_mm_d")
    tube = sensor.tube.tube
    day = moment.step // view.site.axis.steps_per_day
    day_s = view.site.axis.origin_s + day * DAY_S
    rows = rows_where(view.snapshot.table("uptake"), tube=tube, depth_m=sensor.nominal_m)
    row = next((r for r in rows if r["day_s"] == day_s), None)
    profile = tube_profile(view.site, tube, view.snapshot.labels["depth"])
    if row is None or profile is None:
        raise TraceError(
            f"tube {tube!r}: found no night with readings that ends on the day from "
            f"{at_text(day_s)}; the nearest days with one are {nearest_days(rows, day_s)}"
        )
    night = _night(view, sensor, profile, day)
    return row_account(
        view,
        "events",
        told,
        row,
        Derivation(
            _HOW.get(told.source, _ERROR),
            _groups(night, sensor, (day_s, rows), told.source),
            _anew(night, sensor, day_s),
            f"readings and rain of {BEFORE_DAYS + AFTER_DAYS + 1} days, and the peaks at the "
            f"first sensor",
        ),
    )


def _night(view: View, sensor: Sensor, profile: Profile, day: int) -> _Night:
    reader = Reader(view.snapshot, view.site)
    window = max(0, day - BEFORE_DAYS), min(reader.days, day + 1 + AFTER_DAYS)
    water = reader.water(sensor.row, profile.nominal_m, *window)
    interval_s = view.site.axis.interval_s
    rain, told = reader.fallen(*window) or (None, None)
    block = Block(reader.day_s(window[0]), interval_s, water, rain, rain_told=told)
    place = sensor.tube.latitude, sensor.tube.longitude
    nights = night_steps(block, window[1] - window[0], place)
    fronts = rows_where(
        view.snapshot.table("fronts"), tube=profile.tube, depth_m=profile.nominal_m[0]
    )
    peaks = np.array(sorted(front["peak_s"] for front in fronts), np.int64)
    return _Night(view, profile, block, nights, peaks)


def _anew(night: _Night, sensor: Sensor, day_s: int) -> Row | None:
    """Return the row made again from the readings of some days."""
    place = sensor.tube.latitude, sensor.tube.longitude
    made = daily_pattern(night.profile, night.block, place, night.peaks_s)
    table = table_of("uptake", [made.assign(tube=sensor.tube.tube)])
    return next(iter(rows_where(table, day_s=day_s, depth_m=sensor.nominal_m)), None)


def _groups(
    night: _Night, sensor: Sensor, stored: tuple[int, list[Row]], name: str
) -> list[Group]:
    """Return the nights that a number rests on, sensor by sensor."""
    day_s, rows = stored
    number = (day_s - night.block.first_s) // DAY_S
    place = int(np.argmin(np.abs(night.profile.nominal_m - sensor.nominal_m)))
    if not name.startswith(("uptake", "night_drainage")):
        return [g for g in (night.group(number, place, 1.0),) if g]
    of_day = name.startswith("uptake")
    nights = (number, number + 1) if of_day else (number,)
    found = [
        night.group(n, j, float(weight))
        for n in nights
        for j, weight in enumerate(weights_above(night.profile)[place].tolist())
        if weight
    ]
    found.append(_top(night, sensor, nights))
    if of_day:
        found += [_rates(rows, day_s), _rain(night, number)]
    return [group for group in found if group is not None]


def _top(night: _Night, sensor: Sensor, nights: tuple[int, ...]) -> Group:
    """Return what is taken to be in the soil above the first sensor, night by night."""
    args = night.profile, night.block, night.nights, sensor.tube.latitude, night.peaks_s
    top = unseen_top(*args)
    items = [
        item(
            night.at(int(night.nights[0, n])),
            top.held_mm[n],
            said=f"{min(top.days[n], 999):.2f} days after a peak at the first sensor; "
            f"{top.share[n]:.3f} of it loses what that loses",
        )
        for n in nights
    ]
    return Group("held above the first sensor beyond what that tells", "mm", items)


def _rates(rows: list[Row], day_s: int) -> Group:
    """Return the rates of both nights as stored."""
    items = [
        item(
            at_text(r["night_s"]),
            r["night_drainage_mm_d"],
            trace={
                **water_ask(r["tube"], r["depth_m"], at_text(r["day_s"]), "uptake"),
                "number": "night_drainage_mm_d",
            },
        )
        for r in rows
        if r["day_s"] in (day_s, day_s + DAY_S)
    ]
    return Group("drainage past the sensor in both nights", "mm d-1", items)


def _rain(night: _Night, number: int) -> Group | None:
    """Return the rain between the middles of both nights; with much the day has no value."""
    if night.block.rain is None:
        return None
    middles = [int(0.5 * night.nights[:, n].sum()) for n in (number, number + 1)]
    steps = np.arange(max(middles[0], 0), max(middles[1], 0))
    fell = steps[np.nan_to_num(night.block.rain[steps]) > 0]
    items = [item(night.at(int(step)), night.block.rain[step]) for step in fell]
    total = float(np.nansum(night.block.rain[steps]))
    return Group("rain between the middles of both nights", "mm", items, total)
