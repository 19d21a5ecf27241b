"""The trace of daily values: which steps of the day counted, and whether they were enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools
from pipeline.axis import DAY_S, iso_utc
from pipeline.derive.gauge_days import GaugeDay, gauge_days
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
    """Return the steps behind a daily sum of rain, JSON-ready; see `_account`."""
    row = station_index(view, station)
    label = view.snapshot.labels["station"][row]
    day = moment.step // view.site.axis.steps_per_day
    stored = view.cell("daily/daily_rain", day, row)
    due, values = _rain_due(view, label, day), _steps(view, "readings/rain", day, (row, None))
    labels = [str(name) for name in view.snapshot.labels["station"]]
    begin_s = np.array([view.site.axis.origin_s + day * DAY_S])
    days = gauge_days(view.site, labels, begin_s)
    taken = days.get((0, row))
    if taken is None:
        account = _account(view, day, values, due, mean=False)
    else:
        account = _taken_account(view, day, taken, labels, due.part)
    for (_, taker), other in days.items():
        told = number(view.cell("daily/daily_rain", day, taker)) is not None
        if row in other.gauges[1:] and told:
            account |= {"told_by": labels[taker], "recomputed": None}
    missing = int(np.count_nonzero(~account.pop("counts")))
    account["left_out"] = {"missing": missing} if missing else {}
    account["trace"] = {"tube": label, "product": "rain"}
    return _judged(account, "daily_rain", "mm", stored)


def _taken_account(
    view: View, day: int, taken: GaugeDay, labels: list[str], part: float
) -> dict[str, object]:
    """Return the account of a day on which a gauge took over, each step with its station."""
    rain, offset_s = (
        np.stack([_steps(view, key, day, (row, None)) for row in range(len(labels))], axis=1)
        for key in ("readings/rain", "readings/rain_offset_s")
    )
    counted = taken.counted(rain, offset_s)
    there = np.where(counted.any(axis=1), 0.0, np.nan)
    due = _Due(taken.due, part, taken.pace)
    account = _account(view, day, there, due, mean=False)
    account["steps"] = [
        {
            "time": iso_utc(int(taken.pace.at_s[step])),
            "value": number(rain[step, gauge]),
            "station": labels[gauge],
        }
        for step, gauge in np.argwhere(counted).tolist()
    ]
    if account["recomputed"] is not None:
        total = total_in_order(rain[counted].astype(np.float64))
        account["recomputed"] = float(np.float32(total))
    account["rule"]["counted"] = len(account["steps"])
    return account


def _steps(view: View, key: str, day: int, at: tuple[int, int | None]) -> NDArray[Any]:
    """Return one cell's values over a day."""
    row, column = at
    per_day = view.site.axis.steps_per_day
    start = day * per_day
    if not view.snapshot.holds(key):
        raise TraceError(f"{view.site.id}: the store holds no {key!r} yet; run percolog night")
    found = view.snapshot.read(key, start, start + per_day, slice(row, row + 1))[:, 0]
    return found if column is None else found[:, column]


def _account(
    view: View, day: int, values: NDArray[np.generic], due: _Due, mean: bool = True
) -> dict[str, Any]:
    """Return the day, the steps that counted, how many were due and needed, and the result."""
    axis = view.site.axis
    per_day = axis.steps_per_day
    seconds = axis.seconds(day * per_day, (day + 1) * per_day)
    counts = np.isfinite(values)
    # Added up one after the other in the order of time, as the step does.
    shares = np.ones(per_day) if due.pace is None else due.pace.shares(counts)
    weights = shares if mean else np.ones(per_day)  # a sum is of what fell, however long
    total = total_in_order(values[counts].astype(np.float64) * weights[counts])
    held = total_in_order(shares[counts])
    number_of = int(np.count_nonzero(counts))
    expected = per_day if due.values is None else due.values
    needed = max(1, math.ceil(round(due.part * expected, 6)))
    result = total / max(held, 1) if mean else total
    enough = round(held, 6) >= needed
    counted_for = {} if due.pace is None else {"counted_for": round(held, 6)}
    return {
        "day": {"from": iso_utc(int(seconds[0])), "until": iso_utc(int(seconds[0]) + DAY_S)},
        "rule": {
            "kind": "mean" if mean else "sum",
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
    axis = view.site.axis
    start = axis.origin_s + day * DAY_S
    wired = any(
        (wire.start is None or wire.start.timestamp() < start + DAY_S)
        and (wire.until is None or wire.until.timestamp() > start)
        for wire in view.site.wiring
        if (wire.source, wire.quantity) == (station, "rain")
    )
    source = next((s for s in view.site.sources if s.id == station), None)
    rule = view.rules("").at("derive", start)
    part = view.site.derive.day_completeness if rule is None else float(rule[0])
    if not wired or source is None:
        return _Due(None, part)
    every = source.interval_s or view.site.interval_s
    return _Due(min(DAY_S / every, axis.steps_per_day), part)
