"""The trace of a limit of the soil's water: the spells and plateaus it is a median of."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.deliver.event_fields import EventField as Field
from pipeline.derive.limits import LimitRules, drainage_spells, dry_plateaus, spells_used
from pipeline.lineage.down import raw_line
from pipeline.lineage.rows import (
    Derivation,
    Group,
    at_text,
    field_of,
    item,
    row_account,
    rows_where,
    water_ask,
)
from pipeline.lineage.view import Sensor, TraceError, View, centimetres
from pipeline.products.limits import TABLE, tube_rows

_WATER, _DAYS = "m3 m-3", "d"
FIELDS = (
    Field("upper", "upper", _WATER, "drained upper limit"),
    Field("upper_error", "upper_error", _WATER, "its standard uncertainty"),
    Field("upper_spells", "upper_spells", "1", "spells that the drained upper limit rests on"),
    Field("days_to_drain", "days_to_drain", _DAYS, "time from the peak until drained"),
    Field("days_to_drain_error", "days_to_drain_error", _DAYS, "its standard uncertainty"),
    Field("days_to_drain_spells", "days_to_drain_spells", "1", "spells that it rests on"),
    Field("lower", "lower", _WATER, "lower limit, or a bound of it"),
    Field("lower_error", "lower_error", _WATER, "its standard uncertainty"),
    Field("lower_spells", "lower_spells", "1", "plateaus that the lower limit rests on"),
    Field("lower_is_bound", "lower_is_bound", "1", "whether the limit lies at or below it"),
    Field("highest", "highest", _WATER, "highest daily mean of the record"),
    Field("days", "days", "1", "days that have a daily mean"),
)
_KEY = "daily/daily_water_content"
_RULES = LimitRules()
_HOW_UPPER = (
    "median of the spells used, the wetter half of those in which soil was drained; each "
    "fitted by peak - scale x ln(1 + t / time) - uptake x t, drained where drainage falls "
    f"below {_RULES.drained_rate} m3 m-3 d-1"
)
_HOW_ERROR = (
    "1.4826 times the median distance of the spells from their median, times the root of "
    "pi / 2 over their number"
)
_HOW = {
    "upper": _HOW_UPPER,
    "days_to_drain": _HOW_UPPER,
    "upper_error": _HOW_ERROR,
    "days_to_drain_error": _HOW_ERROR,
    "lower": "median of the plateaus at the dry end; without one the lowest daily mean",
    "lower_error": _HOW_ERROR,
}


def trace_limit(view: View, sensor: Sensor, name: str) -> dict[str, object]:
    """Return the trace of a limit of one sensor, JSON-ready (`lineage_rows.row_account`).

    Parameters
    ----------
    view : View
    sensor : Sensor
    name : str
        Of the number, "" for the drained upper limit.

    Raises
    ------
    TraceError
        If the state holds no limits of the sensor, or there is no such number.
    """
    told = field_of(FIELDS, name, "upper")
    tube = sensor.tube.tube
    rows = rows_where(view.snapshot.table(TABLE), tube=tube)
    row = next((r for r in rows if r["depth_m"] == sensor.nominal_m), None)
    if row is None:
        known = ", ".join(centimetres(r["depth_m"]) for r in rows) or "none"
        raise TraceError(
            f"{view.site.id}: found no limits of tube {tube!r} at "
            f"{centimetres(sensor.nominal_m)} cm; the state has them at [cm]: {known}"
        )
    days = view.series(_KEY, 0, view.snapshot.days, sensor.row, sensor.column)
    daily = days.astype(np.float64)
    made = tube_rows(view.snapshot, sensor.row, tube)
    return row_account(
        view,
        "soil limits",
        told,
        row,
        Derivation(
            _HOW.get(told.source, "counted in the record"),
            _groups(view, sensor, daily, told.source),
            next((r for r in made if r["depth_m"] == sensor.nominal_m), None),
            f"{row['days']} daily means of the sensor",
        ),
    )


def _groups(view: View, sensor: Sensor, daily: Floats, name: str) -> list[Group]:
    """Return what a limit rests on."""
    if name.startswith(("upper", "days_to_drain")):
        return _spells(view, sensor, daily, name)
    if name.startswith("lower"):
        plateaus = _plateaus(view, sensor, daily)
        return plateaus or [_extreme(view, sensor, daily, int(np.nanargmin(daily)), "lowest")]
    if name == "highest":
        return [_extreme(view, sensor, daily, int(np.nanargmax(daily)), "highest")]
    return []


def _spells(view: View, sensor: Sensor, daily: Floats, name: str) -> list[Group]:
    """Return the spells used, the middle one led to the ground, and those not used."""
    spells = drainage_spells(daily)
    used = spells_used(spells)
    of_water = name.startswith("upper")
    values = spells.drained if of_water else spells.days_to_drain
    units = _WATER if of_water else _DAYS
    column = "upper" if of_water else "days_to_drain"
    said = [_spell(*numbers) for numbers in zip(*spells[1:], strict=True)]

    def items(places: Integers) -> list[dict[str, Any]]:
        first = spells.first[places].tolist()
        return [
            {**_day(view, sensor, day), "value": _known(values[n]), "said": said[n]}
            for n, day in zip(places.tolist(), first, strict=True)
        ]

    told = items(used)
    middle = float(np.median(values[used])) if used.size else None
    if told and middle is not None:
        nearest = int(np.argmin(np.abs(values[used] - middle)))
        for place in {0, nearest, len(told) - 1}:
            told[place]["origin"] = raw_line(view, told[place]["trace"])
    rest = np.setdiff1d(np.arange(len(spells.first)), used)
    return [
        Group("spells used, by their first day: median", units, told, middle, column),
        Group("spells not used: drier ones, and those not seen to drain", units, items(rest)),
    ]


def _spell(days: int, peak: float, low: float, wait: float, misfit: float) -> str:
    """Return a spell in words: its length, its peak, and what its fit gave."""
    told = f"drained at {low:.4f} after {wait:.2f} d" if np.isfinite(low) else "not drained"
    return f"{days} days from {peak:.4f}, {told}, fit to {misfit:.5f} m3 m-3"


def _plateaus(view: View, sensor: Sensor, daily: Floats) -> list[Group]:
    """Return the plateaus that a lower limit is the median of, none where there is none."""
    found = dry_plateaus(daily)
    items = [
        {
            **_day(view, sensor, plateau.first),
            "value": plateau.level,
            "said": f"until {at_text(_begins(view, plateau.last))}",
        }
        for plateau in found
    ]
    if not items:
        return []
    for place in {0, len(items) - 1}:
        items[place]["origin"] = raw_line(view, items[place]["trace"])
    middle = float(np.median([plateau.level for plateau in found]))
    return [Group("dry plateaus, by their first day: median", _WATER, items, middle, "lower")]


def _extreme(view: View, sensor: Sensor, daily: Floats, day: int, which: str) -> Group:
    """Return the day with the lowest or the highest daily mean."""
    found = {**_day(view, sensor, day), "value": float(daily[day])}
    found["origin"] = raw_line(view, found["trace"])
    column = "highest" if which == "highest" else "lower"
    return Group(f"{which} daily mean of the record", _WATER, [found], found["value"], column)


def _day(view: View, sensor: Sensor, day: int) -> dict[str, Any]:
    """Return a day as an item, with what to ask for its daily mean."""
    at = at_text(_begins(view, day))
    ask = water_ask(sensor.tube.tube, sensor.nominal_m, at, "daily_water_content")
    return item(at, None, trace=ask)


def _begins(view: View, day: int) -> int:
    return int(view.site.axis.origin_s + day * DAY_S)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
