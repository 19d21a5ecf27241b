"""The trace of daily values: which steps of the day counted, and whether they were enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats
from pipeline.axis import DAY_S, iso_utc
from pipeline.derive.gauge_days import GaugeDay, gauge_days, totals_due
from pipeline.derive.readings_due import DayPace, day_paces, total_in_order, wires_by_place
from pipeline.lineage.products import layer_index, station_index
from pipeline.lineage.view import Moment, Sensor, TraceError, View, number
from pipeline.qc.flags import Quality
from pipeline.site.models import Tube, Wire
from pipeline.variables import SIGNALS


@dataclass(frozen=True)
class _Due:
    """How many values a day should have, and which part of them is enough.

    ``values`` None: nothing was wired, so that a value is due at every step. ``pace``: how
    often they are due on a day on which an interval changes; None where all count alike.
    """

    values: float | None
    part: float
    pace: DayPace | None = None


def trace_daily_water(view: View, sensor: Sensor, moment: Moment) -> dict[str, object]:
    """Return the steps behind a daily mean of water content, JSON-ready; see `_account`."""
    day = moment.step // view.site.axis.steps_per_day
    stored = view.cell("daily/daily_water_content", day, sensor.row, sensor.column)
    at = (sensor.row, sensor.column)
    each, part = _due(view, sensor.tube.tube, day)
    wires = [
        wire
        for wire in view.site.wiring
        if wire.tube == sensor.tube.tube and wire.depth_m == sensor.nominal_m
    ]
    signals = [wire for wire in wires if wire.quantity in SIGNALS]
    due = _shared(view, day, _Due(each.get(sensor.nominal_m), part), [signals])
    ask = {"tube": sensor.tube.tube, "depth_cm": round(sensor.nominal_m * 100, 2)}
    account = _account(view, day, _steps(view, "water/cleaned_water_content", day, at), due)
    quality = _steps(view, "water/quality", day, at)
    account["left_out"] = _left_out(quality, account.pop("counts"))
    account["trace"] = {**ask, "product": "water"}
    return _judged(account, "daily_water_content", "m3 m-3", stored)


def trace_daily_storage(
    view: View, tube: Tube, layer: str, moment: Moment
) -> dict[str, object]:
    """Return the steps behind a daily mean of stored water, JSON-ready; see `_account`."""
    index = layer_index(view, layer)
    row = view.snapshot.labels["tube"].index(tube.tube)
    day = moment.step // view.site.axis.steps_per_day
    stored = view.cell("daily/daily_storage", day, row, index)
    each, part = _due(view, tube.tube, day)
    due = _Due(min(each.values(), default=None), part)
    due = _shared(view, day, due, wires_by_place(view.site, tube.tube))
    account = _account(view, day, _steps(view, "products/storage", day, (row, index)), due)
    quality = _steps(view, "products/storage_quality", day, (row, index))
    account["left_out"] = _left_out(quality, account.pop("counts"))
    name = view.snapshot.labels["layer"][index]
    account["trace"] = {"tube": tube.tube, "layer": name, "product": "storage"}
    return _judged(account, "daily_storage", "mm", stored)


def trace_daily_rain(view: View, station: str, moment: Moment) -> dict[str, Any]:
    """Return the steps behind a daily sum of rain, JSON-ready; see `_account`.

    They are those after the day's midnight up to the next, as a total is stamped at its end.
    """
    row = station_index(view, station)
    labels = [str(name) for name in view.snapshot.labels["station"]]
    day = moment.step // view.site.axis.steps_per_day
    stored = view.cell("daily/daily_rain", day, row)
    rain = _of_stations(view, "readings/rain", day, np.nan)
    offset_s = _of_stations(view, "readings/rain_offset_s", day, 0)
    begin_s = np.array([view.site.axis.origin_s + day * DAY_S])
    days = {
        taker: taken
        for (_, taker), taken in gauge_days(view.site, labels, begin_s).items()
        if taken.is_told(taken.counted(rain, offset_s))
    }
    due = _rain_due(view, labels[row], day)
    if row in days:
        account = _taken_account(view, day, days[row], (rain, offset_s), due.part)
    else:
        account = _account(view, day, rain[:, row], due, is_total=True)
    for taker, other in days.items():
        told = number(view.cell("daily/daily_rain", day, taker)) is not None
        if row in other.gauges[1:] and told:
            account |= {"told_by": labels[taker], "recomputed": None}
    missing = int(np.count_nonzero(~account.pop("counts")))
    account["left_out"] = {"missing": missing} if missing else {}
    account["trace"] = {"tube": labels[row], "product": "rain"}
    return _judged(account, "daily_rain", "mm", stored)


def _taken_account(
    view: View, day: int, taken: GaugeDay, logged: tuple[Floats, Floats], part: float
) -> dict[str, Any]:
    """Return the account of a day on which a gauge took over, each step with its station.

    ``logged`` is the rain of the day's steps and its offset from them, (step, station).
    """
    rain, labels = logged[0], view.snapshot.labels["station"]
    counted = taken.counted(*logged)
    there = np.where(counted.any(axis=1), 0.0, np.nan)
    due = _Due(taken.due, part, taken.pace)
    account = _account(view, day, there, due, is_total=True)
    account["steps"] = [
        {
            "time": iso_utc(int(taken.pace.at_s[step])),
            "value": number(rain[step, gauge]),
            "station": str(labels[gauge]),
        }
        for step, gauge in np.argwhere(counted).tolist()
    ]
    if account["recomputed"] is not None:
        total = total_in_order(rain[counted].astype(np.float64))
        account["recomputed"] = float(np.float32(total))
    account["rule"]["counted"] = len(account["steps"])
    return account


def _of_stations(view: View, key: str, day: int, absent: float) -> NDArray[Any]:
    """Return what stations logged at the steps after a day's midnight up to the next one.

    (step, station), ``absent`` at steps after the end of the record.
    """
    per_day = view.site.axis.steps_per_day
    first = day * per_day + 1
    found = _stored(view, key, first, min(first + per_day, view.snapshot.steps), slice(None))
    result = np.full((per_day, *found.shape[1:]), absent, found.dtype)
    result[: len(found)] = found
    return result


def _steps(view: View, key: str, day: int, at: tuple[int, int]) -> NDArray[Any]:
    """Return one cell's values over a day."""
    row, column = at
    per_day = view.site.axis.steps_per_day
    start = day * per_day
    return _stored(view, key, start, start + per_day, slice(row, row + 1))[:, 0, column]


def _stored(view: View, key: str, start: int, stop: int, columns: slice) -> NDArray[Any]:
    """Return some steps of an array, of some columns; TraceError where there is none."""
    if not view.snapshot.holds(key):
        raise TraceError(f"{view.site.id}: the store holds no {key!r} yet; run percolog night")
    return view.snapshot.read(key, start, stop, columns)


def _account(
    view: View, day: int, values: NDArray[np.generic], due: _Due, is_total: bool = False
) -> dict[str, Any]:
    """Return the day, the steps that counted, how many were due and needed, and the result.

    Totals are summed, anything else is averaged.
    """
    axis = view.site.axis
    per_day = axis.steps_per_day
    begin_s = axis.origin_s + day * DAY_S
    seconds = begin_s + axis.interval_s * (np.arange(per_day) + is_total)
    counts = np.isfinite(values)
    shares = _shares(due.pace, counts, is_total)
    # Added up one after the other in the order of time, as the step does.
    weights = np.ones(per_day) if is_total else shares  # a sum is of what fell, however long
    total = total_in_order(values[counts].astype(np.float64) * weights[counts])
    held = total_in_order(shares[counts])
    number_of = int(np.count_nonzero(counts))
    expected = per_day if due.values is None else due.values
    needed = max(1, math.ceil(round(due.part * expected, 6)))
    result = total if is_total else total / max(held, 1)
    enough = round(held, 6) >= needed
    counted_for = {} if due.pace is None else {"counted_for": round(held, 6)}
    return {
        "day": {"from": iso_utc(begin_s), "until": iso_utc(begin_s + DAY_S)},
        "rule": {
            "kind": "sum" if is_total else "mean",
            "day_completeness": due.part,
            "due": expected,
            "needed": needed,
            "counted": number_of,
            **counted_for,
        },
        "steps": [
            {"time": iso_utc(at), "value": number(value)}
            for at, value in zip(seconds[counts].tolist(), values[counts], strict=True)
        ],
        "recomputed": float(np.float32(result)) if enough else None,
        "counts": counts,
    }


def _shares(pace: DayPace | None, counts: Bools, is_total: bool) -> Floats:
    """Return for how many values each step of a day counts."""
    if pace is None:
        return np.ones(counts.size)
    return pace.shares_of_totals(counts) if is_total else pace.shares(counts)


def _shared(view: View, day: int, due: _Due, places: list[list[Wire]]) -> _Due:
    """Return what is due with what each step counts for, where an interval changes."""
    begin_s = view.site.axis.origin_s + day * DAY_S
    days = np.array([begin_s], dtype="datetime64[s]")
    values, paces = day_paces(places, view.site, days)
    return replace(due, values=float(values[0]), pace=paces[0]) if paces else due


def _judged(account: dict[str, Any], name: str, units: str, stored: object) -> dict[str, Any]:
    """Return the account with its value first, whether it agrees, and why it is missing."""
    value, rule = number(stored), account["rule"]
    why = None
    if value is None and "told_by" in account:
        why = f"the day is told by {account['told_by']!r}, the gauge that took over in it"
    elif value is None:
        held = rule.get("counted_for", rule["counted"])
        why = (
            f"{held:g} of the {rule['due']:g} values due in the day are there; "
            f"{rule['needed']} are needed (day_completeness {rule['day_completeness']:g})"
        )
    return {
        "value": {name: value, "units": units},
        **account,
        "agrees": account["recomputed"] == value,
        "why_missing": why,
    }


def _left_out(quality: NDArray[np.uint8], counts: Bools) -> dict[str, int]:
    """Return how many steps did not count, by their quality."""
    flags, times = np.unique(quality[~counts], return_counts=True)
    return {
        Quality(int(flag)).name.lower(): int(n)
        for flag, n in zip(flags.tolist(), times.tolist(), strict=True)
    }


def _due(view: View, tube: str, day: int) -> tuple[dict[float, float], float]:
    """Return how many values each sensor of a tube should have in a day, and the part asked.

    Raises
    ------
    TraceError
        If the state holds no rules for the tube.
    """
    axis = view.site.axis
    start = axis.origin_s + day * DAY_S
    found = view.rules(tube).during("derive", start, start + DAY_S)
    if not found:
        raise TraceError(f"{view.site.id}: the state holds no rules for tube {tube!r}")
    intervals: dict[float, int] = {}
    for _, due in found:
        for depth_m, interval_s in due:
            intervals[depth_m] = min(interval_s, intervals.get(depth_m, interval_s))
    due_at = {d: min(DAY_S / every, axis.steps_per_day) for d, every in intervals.items()}
    return due_at, float(found[0][0][0]["day_completeness"])


def _rain_due(view: View, station: str, day: int) -> _Due:
    """Return how many values of rain a station should have had in a day."""
    start = view.site.axis.origin_s + day * DAY_S
    rule = view.rules("").at("derive", start)
    part = view.site.derive.day_completeness if rule is None else float(rule[0])
    due = totals_due(view.site, station, np.array([start], dtype="datetime64[s]"))
    return _Due(float(due[0]), part)
