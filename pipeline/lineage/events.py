"""The trace of a number of a wetting event: of the whole tube, or of one sensor in it.

What a number rests on is shown: readings before, at the peak and at the end, rain, nights. The
event is made again with all others of its tube, from every reading of the tube, because
drainage rests on the laws of the tube; the made row is compared with the stored one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from pipeline.axis import DAY_S
from pipeline.deliver.event_fields import BY_DEPTH, EVENTS, EventField
from pipeline.derive.drainage import RECESSION_DAYS
from pipeline.lineage.drainage import drainage_groups
from pipeline.lineage.event_case import Case, find_case, sensor_of
from pipeline.lineage.rows import (
    Derivation,
    Group,
    Row,
    field_of,
    item,
    row_account,
    rows_where,
)
from pipeline.lineage.view import Sensor, TraceError, View
from pipeline.products.event_store import DRAINAGE_COLUMNS
from pipeline.products.events import tube_events_anew

_GAIN = (
    *("gain_mm", "gain_random_error_mm", "gain_systematic_error_mm"),
    *("gain_spacing_error_mm", "storage_gain_mm", "storage_gain_error_mm"),
)
_BALANCE = ("remainder_mm", "remainder_error_mm")
_RECESSION = (
    *("recession_h", "drained_water_content", "recession_residual"),
    *("recession_determination", "time_to_drained_h", "drained"),
)
_FRONT = (
    *("onset_s", "onset_error_s", "wetted", "overlaps", "water_content_before"),
    *("water_content_peak", "peak_s", "gain", "gain_error", "real_depth_m"),
)
_WAY = (
    *("lag_s", "lag_error_s", "rank", "velocity_m_d"),
    *("velocity_low_m_d", "velocity_high_m_d"),
)
_HOW = {
    "before_mm": "mean of the water above the last sensor, to the foot of the first fronts",
    "peak_mm": "highest mean of five readings of the water above the last sensor",
    "end_mm": "mean of the water above the last sensor, to the end of the event",
    "gain_mm": "peak_mm - before_mm",
    "gain_random_error_mm": "noise of the readings through both means",
    "gain_systematic_error_mm": "relative error of the calibration's slope times |gain_mm|",
    "gain_spacing_error_mm": "differences of the rise between sensors over the root of twelve",
    "rain_mm": "sum of the gauge from the beginning of the spell to the peak",
    "rain_after_mm": "sum of the gauge from the peak until rain of the next event begins",
    "remainder_mm": "rain_mm - gain_mm",
    "remainder_error_mm": "5 % of rain_mm and the three errors of the gain, in quadrature",
    "lag_s": "onset_s less the first onset of the event",
    "velocity_m_d": "way from the wetted sensor above over the time between both onsets",
    "gain": "water_content_peak - water_content_before",
    "storage_gain_mm": "peak of the water above the sensor less what it was before",
    "time_to_drained_h": "ln 20 times recession_h",
    **dict.fromkeys(
        _RECESSION[:4],
        "least squares fit of drained + fall x exp(-hours / constant) to readings by the hour",
    ),
    **dict.fromkeys(
        DRAINAGE_COLUMNS,
        "rates past the sensor over the time from the peak of the water above it to the end "
        "(docs/events.md, Day and night)",
    ),
}
_FOUND = "from the front sought in the readings (docs/events.md, Fronts and events)"


def trace_event(
    view: View, asked: tuple[str, str, float | None], sensor: float | None, name: str
) -> tuple[dict[str, object], dict[str, object]]:
    """Return the cell and the trace of a number of an event, JSON-ready.

    Parameters
    ----------
    view : View
    asked : (str, str, float or None)
        Name of the event; else a tube and an instant [UTC seconds].
    sensor : float or None
        Depth [m], for what the event did at one sensor.
    name : str
        Of the number, "" for the gain.

    Raises
    ------
    TraceError
        If there is no such event, sensor or number.
    """
    case = find_case(view, *asked)
    cell: dict[str, object] = {"tube": case.row["tube"], "event": case.row["event"]}
    if sensor is None:
        told = field_of(EVENTS, name, "gain_mm")
        row, table, place = case.row, "events", len(case.profile.nominal_m) - 1
        key: dict[str, object] = {"event": row["event"]}
    else:
        told = field_of(BY_DEPTH, name, "storage_gain_mm")
        there = _row_at(view, case, sensor)
        row, table, place = there, "event_depths", sensor_of(case, there["depth_m"])
        key = {"event": row["event"], "depth_m": row["depth_m"]}
        cell |= {"nominal_depth_m": row["depth_m"], "real_depth_m": row["real_depth_m"]}
    made = tube_events_anew(view.snapshot, view.site, case.row["tube"])
    found = Derivation(
        how=_HOW.get(told.source, _FOUND),
        groups=list(_groups(case, told, row, place)),
        anew=next(iter(rows_where(made[table], **key)), None),
        made_from=_made_from(case),
    )
    return cell, row_account(view, "events", told, row, found)


def _row_at(view: View, case: Case, depth_m: float) -> Row:
    """Return what an event did at the sensor of a depth."""
    sensor: Sensor = view.sensor(view.tube(case.row["tube"]), depth_m)
    for row in case.by_depth:
        if row["depth_m"] == sensor.nominal_m:
            return row
    raise TraceError(f"{case.row['event']}: the sensor at {depth_m * 100:g} cm is not in it")


def _made_from(case: Case) -> str:
    days = case.view.snapshot.days
    return (
        f"all readings of tube {case.profile.tube} on {days} days, by the functions of the "
        f"night: fronts, events, nights, laws and amounts of the whole tube"
    )


Groups = Iterator[Group]


def _groups(case: Case, told: EventField, row: Row, sensor: int) -> Groups:
    """Yield what a number of an event rests on."""
    for names, groups in _RESTS:
        if told.source in names:
            yield from groups(case, row, sensor)
            return
    yield from _fronts(case, row, sensor)


def _level_groups(case: Case, row: Row, sensor: int) -> Groups:
    """Yield the water above a sensor before and at its peak."""
    whole = "gain_mm" in row
    peak_s = row["peak_s"] if whole else row["storage_peak_s"]
    yield _before(case, row, sensor)
    if peak_s >= 0:
        yield case.peak(sensor, peak_s, "peak_mm" if whole else "")


def _before(case: Case, row: Row, sensor: int) -> Group:
    column = "before_mm" if "gain_mm" in row else ""
    return case.level(sensor, case.step(case.foot_s), "before", column)


def _peak(case: Case, row: Row, sensor: int) -> Groups:
    if row["peak_s"] >= 0:
        yield case.peak(sensor, row["peak_s"], "peak_mm")


def _end(case: Case, row: Row, sensor: int) -> Groups:
    yield case.level(sensor, case.step(row["end_s"]) - 1, "at the end", "end_mm")


def _rain(case: Case, row: Row, sensor: int) -> Groups:
    found = case.rain(after=False)
    if found:
        yield found


def _rain_after(case: Case, row: Row, sensor: int) -> Groups:
    found = case.rain(after=True)
    if found:
        yield found


def _balance(case: Case, row: Row, sensor: int) -> Groups:
    yield from _rain(case, row, sensor)
    yield from _level_groups(case, row, sensor)


def _fronts(case: Case, row: Row, sensor: int) -> Groups:
    """Yield the onsets of an event's sensors, or the readings about the front at one."""
    if "onset_error_s" in row:
        yield from _front_at(case, row, sensor)
    else:
        yield from _onsets(case, [r for r in case.by_depth if r["wetted"]])


def _way(case: Case, row: Row, sensor: int) -> Groups:
    """Yield the onsets that a lag or a velocity is taken between."""
    wetted = sorted(
        (r for r in case.by_depth if r["wetted"]), key=lambda r: (r["onset_s"], r["depth_m"])
    )
    over = [r for r in case.by_depth if r["wetted"] and r["depth_m"] < row["depth_m"]]
    rows = [*wetted[:1], *over[-1:], row]
    yield from _onsets(case, [r for n, r in enumerate(rows) if r not in rows[:n]])


def _onsets(case: Case, rows: list[Row]) -> Groups:
    items = [
        case.reading(
            sensor_of(case, r["depth_m"]),
            case.step(r["onset_s"]),
            f"onset at {r['depth_m'] * 100:g} cm, sure to {_seconds(r['onset_error_s'])} s",
        )
        for r in rows
        if r["onset_s"] >= 0
    ]
    yield Group("readings nearest to the onsets", "m3 m-3", items)


def _front_at(case: Case, row: Row, sensor: int) -> Groups:
    """Yield the readings of a sensor at its onset and its peak."""
    if not row["wetted"]:
        return
    marks = (("onset_s", "onset"), ("peak_s", "peak"))
    items = [
        case.reading(sensor, case.step(row[name]), said)
        for name, said in marks
        if row[name] >= 0
    ]
    yield Group("readings of the front", "m3 m-3", items)


def _recession(case: Case, row: Row, sensor: int) -> Groups:
    """Yield the readings by the hour that a recession is fitted to."""
    if row["peak_s"] < 0:
        return
    interval_s = case.view.site.axis.interval_s
    stride = max(1, round(3600 / interval_s))
    first = case.step(row["peak_s"])
    stop = min(case.step(case.row["end_s"]), first + RECESSION_DAYS * DAY_S // interval_s)
    steps = np.arange(first, stop, stride)
    steps = steps[np.isfinite(case.water[sensor][steps])]
    items: list[dict[str, object]] = []
    for step in steps.tolist():
        if step in (steps[0], steps[-1]):
            items.append(case.reading(sensor, step, ""))
        else:
            items.append(item(case.at(step), case.water[sensor, step]))
    yield Group(f"readings by the hour, for {RECESSION_DAYS} days at most", "m3 m-3", items)


def _drainage(case: Case, row: Row, sensor: int) -> Groups:
    at = row
    if "depth_m" not in row:  # past the last sensor
        at = max(case.by_depth, key=lambda r: float(r["depth_m"]))
    yield from drainage_groups(case, at, sensor)


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


_RESTS: tuple[tuple[tuple[str, ...], Callable[[Case, Row, int], Groups]], ...] = (
    (("before_mm",), lambda case, row, sensor: iter((_before(case, row, sensor),))),
    (("peak_mm",), _peak),
    (("end_mm",), _end),
    (_GAIN, _level_groups),
    (("rain_mm",), _rain),
    (("rain_after_mm",), _rain_after),
    (_BALANCE, _balance),
    (_RECESSION, _recession),
    (DRAINAGE_COLUMNS, _drainage),
    (_WAY, _way),
    (_FRONT, _fronts),
)
