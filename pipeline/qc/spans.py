"""What is known of readings from elsewhere: when a sensor is, or is not, to be trusted.

Visits, a person's decisions, the supply, frozen soil and irregular times are turned into rows
(column, first step, end step, bit, level), which the kernels put on the readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.qc.constants import (
    HOUR_S,
    SUPPLY_BACK_S,
    SUPPLY_HOLDS_S,
    TEMPERATURE_HOLDS_S,
)
from pipeline.qc.flags import TEST_BITS, Quality
from pipeline.qc.frost import (
    cold_season,
    frost_in_air,
    frozen_hours,
    hourly_medians,
    hours_asked,
)
from pipeline.site.models import DISTURBING, QcLimits, Site, Visit, Wire
from pipeline.variables import SIGNALS

SUSPECT, BAD, GOOD = int(Quality.SUSPECT), int(Quality.BAD), int(Quality.GOOD)

Rows = Iterator[tuple[int, int, int, int, int]]
Cells = list[tuple[str, float]]


def known_spans(
    block: xr.Dataset, site: Site, limits: list[QcLimits], runs: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return all spans of a block as rows (S, 5), sorted by column, decisions in their order.

    Parameters
    ----------
    block : Dataset
        ``calibrated_water_content`` (time, tube, depth) and, where logged, ``*_offset_s`` and
        ``soil_temperature`` of the same dims and ``supply_voltage`` (time, station).
    limits : list of QcLimits
        Of every column.
    runs : array (R, 5)
        As in `pipeline.qc.kernels.Plan`.
    """
    cells = [(str(t), float(d)) for t in block["tube"].values for d in block["depth"].values]
    time_s = block["time"].values.astype("datetime64[s]").astype(np.int64)
    found = [
        *_maintenance(site, cells, limits, time_s),
        *_supply(block, site, cells, limits, time_s),
        *_frozen(block, site, cells, limits),
        *_frozen_unlogged(block, site, cells, limits, time_s),
        *_timing(block, site, limits, runs),
        *_decisions(site, cells, time_s),
    ]
    rows = np.array(found, dtype=np.int64).reshape(-1, 5)
    return rows[np.argsort(rows[:, 0], kind="stable")]


def visit_window(visit: Visit, hours: float) -> tuple[int, int]:
    """Return the UTC seconds between which a visit disturbs readings, both included."""
    at = int(visit.time.timestamp())
    return at - round(hours * HOUR_S), at + round(hours * HOUR_S)


def visits_at(site: Site, tube: str, depth_m: float) -> Iterator[Visit]:
    """Yield the disturbing visits to a sensor: to it, its whole tube, or its logger alone."""
    wires = [w for w in site.wiring if w.tube == tube and w.depth_m == depth_m]
    for visit in site.visits:
        if visit.action not in DISTURBING:
            continue
        if visit.tube:
            if visit.tube == tube and visit.depth_m in (None, depth_m):
                yield visit
        elif any(w.source == visit.source and _holds(w, visit.time) for w in wires):
            yield visit


def _holds(wire: Wire, at: datetime) -> bool:
    return (wire.start is None or wire.start <= at) and (wire.until is None or at < wire.until)


def _maintenance(
    site: Site, cells: Cells, limits: list[QcLimits], time_s: NDArray[np.int64]
) -> Rows:
    if not any(visit.action in DISTURBING for visit in site.visits):
        return
    for column, (cell, own) in enumerate(zip(cells, limits, strict=True)):
        if own.maintenance_h is None:
            continue
        for visit in visits_at(site, *cell):
            first, last = visit_window(visit, own.maintenance_h)
            yield from _between(column, (first, last + 1), "maintenance", SUSPECT, time_s)


def _decisions(site: Site, cells: Cells, time_s: NDArray[np.int64]) -> Rows:
    for decision in (d for d in site.decisions if not d.of_tube):
        level = GOOD if decision.verdict == "keep" else BAD
        ends = (int(decision.start.timestamp()), int(decision.until.timestamp()))
        for column, (tube, depth_m) in enumerate(cells):
            if tube == decision.tube and decision.depth_m in (None, depth_m):
                yield from _between(column, ends, "decision", level, time_s)


def _between(
    column: int, ends: tuple[int, int], name: str, level: int, time_s: NDArray[np.int64]
) -> Rows:
    """Yield the span between two instants, the later one excluded, if it has steps."""
    first, stop = np.searchsorted(time_s, ends, side="left").tolist()
    if first < stop:
        yield column, first, stop, TEST_BITS[name], level


def _marked(column: int, marked: NDArray[np.bool_], name: str, level: int) -> Rows:
    """Yield the spans in which an array (time,) is True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).view(np.int8)))
    for first, stop in edges.reshape(-1, 2).tolist():
        yield column, first, stop, TEST_BITS[name], level


def _supply(
    block: xr.Dataset,
    site: Site,
    cells: Cells,
    limits: list[QcLimits],
    time_s: NDArray[np.int64],
) -> Rows:
    if "supply_voltage" not in block:
        return
    volts = block["supply_voltage"].transpose("time", "station").values.astype(np.float64)
    held, highest = np.empty_like(volts), np.empty_like(volts)
    hold_last(volts, SUPPLY_HOLDS_S // site.interval_s, held)
    highest_of_last(volts, SUPPLY_BACK_S // site.interval_s, highest)
    stations = {str(name): i for i, name in enumerate(block["station"].values)}
    low: dict[tuple[int, float, float, float], list[NDArray[np.bool_]]] = {}
    for column, ((tube, depth_m), own) in enumerate(zip(cells, limits, strict=True)):
        for wire in _signal_wires(site.wiring, tube, depth_m):
            if wire.source not in stations:
                continue
            station = stations[wire.source]
            key = (
                station,
                own.supply_part or 0.0,
                own.supply_suspect_v or 0.0,
                own.supply_fail_v or 0.0,
            )
            if key not in low:
                low[key] = _low_supply(held[:, station], highest[:, station], *key[1:])
            ends = [wire.start, wire.until]
            inside = np.ones(time_s.size, dtype=bool)
            if ends[0] is not None:
                inside &= time_s >= int(ends[0].timestamp())
            if ends[1] is not None:
                inside &= time_s < int(ends[1].timestamp())
            for marked, level in zip(low[key], (SUSPECT, BAD), strict=True):
                yield from _marked(column, marked & inside, "supply", level)


def _low_supply(
    held: NDArray[np.float64],
    highest: NDArray[np.float64],
    part: float,
    suspect_v: float,
    fail_v: float,
) -> list[NDArray[np.bool_]]:
    """Return where the supply makes readings suspect, and where bad; 0 switches off."""
    return [(held < suspect_v) | (held < part * highest), held < fail_v]


def _signal_wires(wiring: Iterable[Wire], tube: str, depth_m: float) -> list[Wire]:
    return [
        w for w in wiring if w.tube == tube and w.depth_m == depth_m and w.quantity in SIGNALS
    ]


def nearest_thermometer(site: Site, tube: str, depth_m: float) -> float | None:
    """Return the nominal depth of the soil temperature nearest to a sensor."""
    depths = {
        w.depth_m
        for w in site.wiring
        if w.tube == tube and w.quantity == "soil_temperature" and w.depth_m is not None
    }
    return min(depths, key=lambda d: (round(abs(d - depth_m), 4), d), default=None)


def _frozen(block: xr.Dataset, site: Site, cells: Cells, limits: list[QcLimits]) -> Rows:
    if "soil_temperature" not in block:
        return
    temperature = block["soil_temperature"].transpose("time", "tube", "depth").values
    temperature = temperature.reshape(len(temperature), -1)
    number = {cell: column for column, cell in enumerate(cells)}
    with np.errstate(invalid="ignore"):
        coldest = np.fmin.reduce(temperature, axis=0, initial=np.inf)
    held = np.empty((len(temperature), 1))
    for column, ((tube, depth_m), own) in enumerate(zip(cells, limits, strict=True)):
        near = nearest_thermometer(site, tube, depth_m)
        if own.frozen_degc is None or near is None or (tube, near) not in number:
            continue
        source = number[tube, near]
        if not coldest[source] <= own.frozen_degc:
            continue
        series = temperature[:, source : source + 1].astype(np.float64)
        hold_last(series, TEMPERATURE_HOLDS_S // site.interval_s, held)
        yield from _marked(column, held[:, 0] <= own.frozen_degc, "frozen", SUSPECT)


def _frozen_unlogged(
    block: xr.Dataset,
    site: Site,
    cells: Cells,
    limits: list[QcLimits],
    time_s: NDArray[np.int64],
) -> Rows:
    """Yield frost as `pipeline.qc.frost` tells it, in tubes without a thermometer."""
    falls = {
        column: own.frozen_fall
        for column, ((tube, depth_m), own) in enumerate(zip(cells, limits, strict=True))
        if own.frozen_fall is not None
        and tells_frost_by_fall(site, tube, own)
        and _signal_wires(site.wiring, tube, depth_m)
    }
    if not falls or not time_s.size:
        return
    theta = block["calibrated_water_content"].transpose("time", "tube", "depth").values
    theta = theta.reshape(len(theta), -1).astype(np.float32, copy=False)
    per_hour = HOUR_S // site.interval_s
    first = int((time_s[0] - site.axis.origin_s) // site.interval_s)
    hour_of = (first + np.arange(time_s.size)) // per_hour - first // per_hour
    seasons = _cold_hours(block, site, cells, list(falls), hour_of)
    columns = [column for column in falls if seasons[cells[column][0]].any()]
    if not columns:
        return
    asked = hours_asked(np.logical_or.reduce(list(seasons.values())))
    medians = hourly_medians(theta, np.array(columns), first, per_hour, asked)
    frozen = np.empty(asked.size, dtype=bool)
    for column, series in zip(columns, medians, strict=True):
        cold = seasons[cells[column][0]]
        frozen_hours(series, cold, first // per_hour, falls[column], frozen)
        if frozen.any():
            yield from _marked(column, frozen[hour_of], "frozen", SUSPECT)


def tells_frost_by_fall(site: Site, tube: str, limits: QcLimits) -> bool:
    """Tell whether frost at a tube is told from the readings themselves."""
    return (
        limits.frozen_fall is not None
        and HOUR_S % site.interval_s == 0
        and nearest_thermometer(site, tube, 0.0) is None
    )


def _cold_hours(
    block: xr.Dataset,
    site: Site,
    cells: Cells,
    columns: list[int],
    hour_of: NDArray[np.int64],
) -> dict[str, NDArray[np.bool_]]:
    """Return for each tube in which hours frost is possible, by air temperature or season."""
    times = block["time"].values
    in_air = np.full(times.size, 2, dtype=np.uint8)
    if "air_temperature" in block:
        air = block["air_temperature"].transpose("time", "station").values
        in_air = frost_in_air(air.astype(np.float64), site.interval_s)
    starts = np.flatnonzero(np.diff(hour_of, prepend=-1))
    found: dict[str, NDArray[np.bool_]] = {}
    for tube in dict.fromkeys(cells[column][0] for column in columns):
        season = cold_season(times, site.tube_by_id[tube].latitude)
        found[tube] = np.where(in_air == 2, season, in_air == 1)[starts]
    return found


def _timing(
    block: xr.Dataset, site: Site, limits: list[QcLimits], runs: NDArray[np.int64]
) -> Rows:
    """Yield readings that followed the one before too early or too late."""
    names = [name for name in block.data_vars if str(name).endswith("_offset_s")]
    theta = None
    for name in names:
        offsets = block[name].transpose("time", "tube", "depth").values
        offsets = offsets.reshape(len(offsets), -1)
        spread = np.ptp(offsets, axis=0) if len(offsets) else np.zeros(offsets.shape[1])
        for column, start, stop, stride, _ in runs.tolist():
            part = limits[column].timing_part
            if part is None or spread[column] <= part * stride * site.interval_s:
                continue
            if theta is None:
                water = block["calibrated_water_content"].transpose("time", "tube", "depth")
                theta = water.values.reshape(len(offsets), -1)
            there = np.isfinite(theta[:, column])
            late = np.zeros(len(offsets), dtype=bool)
            change = np.abs(offsets[stride:, column] - offsets[:-stride, column])
            late[stride:] = change > part * stride * site.interval_s
            late[stride:] &= there[stride:] & there[:-stride]
            late[:start] = late[stop:] = False
            yield from _marked(column, late, "timing", SUSPECT)


@kernel
def hold_last(
    values: NDArray[np.float64], steps: int, out: NDArray[np.float64]
) -> None:  # pragma: no cover
    """Fill gaps of (time, column) with the last value, for no more than ``steps`` steps."""
    for column in range(values.shape[1]):
        last = -1
        for i in range(values.shape[0]):
            if values[i, column] == values[i, column]:
                last = i
            held = last >= 0 and i - last <= steps
            out[i, column] = values[last, column] if held else np.nan


@kernel
def highest_of_last(
    values: NDArray[np.float64], steps: int, out: NDArray[np.float64]
) -> None:  # pragma: no cover
    """Fill (time, column) with the highest value of the last ``steps`` steps and this one."""
    queue = np.empty(
        values.shape[0], dtype=np.int64
    )  # of falling values, each yet unsurpassed
    for column in range(values.shape[1]):
        head, tail = 0, 0
        for i in range(values.shape[0]):
            value = values[i, column]
            if value == value:
                while tail > head and values[queue[tail - 1], column] <= value:
                    tail -= 1
                queue[tail] = i
                tail += 1
            while tail > head and queue[head] < i - steps:
                head += 1
            out[i, column] = values[queue[head], column] if tail > head else np.nan
