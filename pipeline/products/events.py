"""Wetting events of a site's tubes as tables in its store, night after night.

Fronts depend on bounded looks, so only those near a changed day are sought again. Events are
put together anew from all fronts of a tube, which is cheap; rows whose fronts, span and
readings are the same as before are taken over.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.calibrate.plan import Period, sensor_periods
from pipeline.derive.event_block import EVER_S, RELATIVE_ERROR, Block, Profile
from pipeline.derive.event_tables import (
    event_names,
    front_spans,
    named_tables,
    tube_tables,
)
from pipeline.derive.events import events_of_fronts, join_fronts
from pipeline.derive.fronts import fronts_look, wetting_fronts
from pipeline.derive.storage import sensor_depths_m
from pipeline.derive.weights import EndRules
from pipeline.products.event_blocks import Reader, gauges_of
from pipeline.products.event_drainage import texture_of, with_drainage
from pipeline.products.event_store import (
    TableParts,
    frame_of,
    stored_rows,
    table_of,
    whole_table,
)
from pipeline.runs import runs, widened
from pipeline.site.models import Law, Site
from pipeline.store.state import Snapshot

Days = NDArray[np.bool_]
Rows = dict[str, pa.Table | None]
WHOLE = ("fronts", "events", "event_depths", "conductivity", "drainage_laws")
TABLES = (*WHOLE, "uptake")  # a row a day and sensor: in parts
LEAD_DAYS = 8  # of readings before an event: rain, level and noise before it
TRAIL_DAYS = 2  # after it: noise of the day after its start, and that day's last bend


def events_step(
    snapshot: Snapshot, site: Site, computed: Days
) -> Mapping[str, pa.Table | Mapping[str, pa.Table]]:
    """Find the wetting events of every tube.

    Parameters
    ----------
    snapshot : Snapshot
        The state being prepared.
    site : Site
    computed : array (tubes, days), bool
        Days computed tonight.

    Returns
    -------
    mapping of str to Table
        Those of `TABLES`, in order of tube, time and depth; of ``uptake`` the parts that may
        have changed.
    """
    before = {name: stored_rows(name, snapshot.table(name)) for name in WHOLE}
    uptake = TableParts(snapshot, "uptake")
    reader = Reader(snapshot, site)
    parts: dict[str, list[pa.Table]] = {name: [] for name in WHOLE}
    for column, tube in sorted(enumerate(snapshot.labels["tube"]), key=lambda x: x[1]):
        days = computed[column]
        profile = tube_profile(site, tube, snapshot.labels["depth"])
        if profile is None:
            if days.any():  # rows in parts stay unless others are given: here there are none
                uptake.give(column, tube, table_of("uptake", []))
            continue
        kept: Rows = {name: before[name][tube] for name in WHOLE if tube in before[name]}
        if days.any():
            kept["uptake"] = uptake.rows(column, tube)
            kept = _made(reader, site, (column, profile), days, kept)
            uptake.give(column, tube, kept.pop("uptake"))
        for name in kept:
            parts[name].append(kept[name])
    whole = {name: whole_table(name, parts[name]) for name in WHOLE}
    return {**whole, "uptake": uptake.made()}


def tube_events_anew(snapshot: Snapshot, site: Site, tube: str) -> dict[str, pa.Table]:
    """Return the tables of one tube made again from its readings alone, none of them stored.

    Parameters
    ----------
    snapshot : Snapshot
        A finished state.
    site : Site
    tube : str
        One that the state holds.

    Returns
    -------
    dict of str to Table
        Its rows of `TABLES`; empty where the tube has no sensor in the soil.
    """
    profile = tube_profile(site, tube, snapshot.labels["depth"])
    if profile is None:
        return {name: table_of(name, []) for name in TABLES}
    at = snapshot.labels["tube"].index(tube), profile
    return _made(Reader(snapshot, site), site, at, np.ones(snapshot.days, np.bool_), {})


def _made(
    reader: Reader, site: Site, at: tuple[int, Profile], days: Days, kept: Rows
) -> dict[str, pa.Table]:
    """Return the tables of one tube, given those of the night before."""
    old = {name: frame_of(kept.get(name)) for name in TABLES}
    made = _tube_events(reader, *at, days, old)
    if days.all():  # the rules may be others: no fit of the night before is of use
        del old["drainage_laws"]
    made = with_drainage(reader, site, at, days, made, old)
    return {name: table_of(name, [made[name]]) for name in TABLES}


def events_inputs(snapshot: Snapshot, site: Site) -> dict[str, str]:
    """Tell what events depend on besides readings and rules: place, texture, rain gauges."""
    grounds = {
        name: [[h.top_m, h.bottom_m, texture_of(h)] for h in soil.horizons]
        for name, soil in site.soils.items()
    }
    gauges = gauges_of(site)
    return {
        tube.tube: json.dumps([tube.latitude, tube.longitude, grounds.get(tube.soil), gauges])
        for tube in site.tubes
    }


def tube_profile(site: Site, tube: str, depths_m: list[float]) -> Profile | None:
    """Return the sensors of a tube, downwards; None where it has none in the soil."""
    nominal = np.array(sorted(depths_m), dtype=np.float64)
    if tube not in site.tube_by_id:
        return None
    real = sensor_depths_m(site, [tube], nominal.tolist())[0]
    there = np.isfinite(real) & (real >= 0)
    if not there.any():
        return None
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    errors = relative_slope_errors(site, tube, nominal[there].tolist())
    return Profile(tube, nominal[there], real[there], rules, errors)


def relative_slope_errors(
    site: Site, tube: str, depths_m: list[float]
) -> tuple[tuple[int, float], ...]:
    """Return the relative standard uncertainty of a change of water content, by date.

    That of the slope of the laws in force at the sensors of a tube where they are lines that
    state a covariance, the largest of them; else a round figure of ours. Each stands with the
    instant from which it holds, UTC seconds.
    """
    sensors = [sensor_periods(site, tube, depth_m) for depth_m in depths_m]
    starts = {_start_s(period) for periods in sensors for period in periods}
    errors = []
    for start_s in sorted(starts):
        periods = [[p for p in of_one if _start_s(p) <= start_s][-1] for of_one in sensors]
        errors.append((start_s, _slope_error([period.soil for period in periods])))
    return tuple(errors)


def _start_s(period: Period) -> int:
    return EVER_S if period.start_s is None else period.start_s


def _slope_error(laws: list[Law | None]) -> float:
    found = [
        float(np.sqrt(law.covariance[0][0])) / abs(float(law.coefficients["slope"]))
        for law in laws
        if law is not None and law.covariance and law.coefficients.get("slope")
    ]
    return max(found, default=RELATIVE_ERROR)


def _tube_events(
    reader: Reader,
    column: int,
    profile: Profile,
    computed: Days,
    old: dict[str, pd.DataFrame],
) -> dict[str, pd.DataFrame]:
    """Return the three tables of one tube."""
    fronts = _fronts(reader, column, profile, computed, old["fronts"])
    if fronts.empty:
        none = pd.DataFrame()
        return {"fronts": fronts, "events": none, "event_depths": none}
    joined = join_fronts(fronts)
    numbers = events_of_fronts(joined, profile.nominal_m)
    spans = front_spans(joined, numbers, reader.last_s(column))
    stale = _stale(reader, profile, computed, spans, (joined, numbers), old)
    events, depths = _kept(profile, spans, stale, old)
    for first, last in runs(stale, 1):
        # With the event before, whose peak tells where the rain of the first begins.
        part = spans.iloc[max(0, first - 1) : last]
        block = _block(reader, column, profile, part)
        made = tube_tables(profile, block, part, joined, numbers)
        rows = named_tables(profile, *_from(first, *made))
        events.append(rows[0])
        depths.append(rows[1])
    order = ["onset_s"]
    whole = pd.concat(events, ignore_index=True).sort_values(order, kind="stable")
    by_depth = pd.concat(depths, ignore_index=True)
    by_depth = by_depth.sort_values(["event", "depth_m"], kind="stable")
    return {
        "fronts": fronts,
        "events": whole.reset_index(drop=True),
        "event_depths": by_depth.reset_index(drop=True),
    }


def _fronts(
    reader: Reader, column: int, profile: Profile, computed: Days, old: pd.DataFrame
) -> pd.DataFrame:
    """Return the fronts of a tube: those near changed days sought again, others taken over."""
    back, ahead = (-(-look // DAY_S) for look in fronts_look())
    days, kept, found = len(computed), old, []
    for start, stop in runs(widened(computed, ahead, back), 1):
        window = max(0, start - back), min(days, stop + ahead)
        water = reader.water(column, profile.nominal_m, *window)
        begin_s, end_s = reader.day_s(start), reader.day_s(stop)
        new = wetting_fronts(_labelled(reader, profile, water, window[0]))
        found.append(new[(new["foot_s"] >= begin_s) & (new["foot_s"] < end_s)])
        if not kept.empty:
            kept = kept[(kept["foot_s"] < begin_s) | (kept["foot_s"] >= end_s)]
    frames = [frame for frame in (kept, *found) if not frame.empty]
    if not frames:
        return kept
    whole = pd.concat(frames, ignore_index=True)
    return whole.sort_values(["depth_m", "foot_s"], kind="stable").reset_index(drop=True)


def _labelled(
    reader: Reader, profile: Profile, water: NDArray[np.float64], first_day: int
) -> xr.DataArray:
    """Return (depth, time) of one tube with its coordinates."""
    axis = reader.axis
    start = first_day * axis.steps_per_day
    coords = {
        "time": axis.times(start, start + water.shape[1]),
        "tube": [profile.tube],
        "depth": profile.nominal_m,
    }
    return xr.DataArray(
        water.T[:, np.newaxis], coords, tuple(coords), attrs={"units": "m3 m-3"}
    )


def _stale(
    reader: Reader,
    profile: Profile,
    computed: Days,
    spans: pd.DataFrame,
    parts: tuple[pd.DataFrame, NDArray],
    old: dict[str, pd.DataFrame],
) -> Days:
    """Tell which events must be computed: with changed readings, fronts, or span."""
    joined, numbers = parts
    day = np.concatenate([[0], np.cumsum(computed)])
    last = len(computed)
    origin = reader.axis.origin_s
    first_day = (spans["foot_s"].to_numpy() - origin) // DAY_S - LEAD_DAYS
    stop_day = -(-(spans["end_s"].to_numpy() - origin) // DAY_S) + TRAIL_DAYS
    changed = day[np.clip(stop_day, 0, last)] > day[np.clip(first_day, 0, last)]
    if old["events"].empty or old["event_depths"].empty:  # one may be lost, and mended
        return np.ones(len(spans), np.bool_)
    known = old["events"].set_index("event")
    known = known[~known.index.duplicated(keep=False)]  # two of one name are made anew
    names = pd.Index(event_names(profile.tube, spans["onset_s"].to_numpy()))
    same = names.isin(known.index)
    there = known.reindex(names)
    for name in ("end_s", "open"):
        same &= (there[name] == spans[name].to_numpy()).to_numpy()
    # The event before decides which rain is this one's.
    same &= _same_fronts(names, joined, numbers, old["event_depths"])
    fresh = changed | ~same
    return fresh | np.concatenate([[False], fresh[:-1]])


def _same_fronts(
    names: pd.Index, joined: pd.DataFrame, numbers: NDArray, depths: pd.DataFrame
) -> Days:
    """Tell for each event whether it has the very fronts that its stored rows have."""
    columns = ["depth_m", "onset_s", "onset_error_s", "water_content_before", "peak_s"]
    renamed = joined.rename(columns={"base": "water_content_before"})
    new = _rows_of(renamed[columns], names.to_numpy()[numbers])
    stored = depths[depths["wetted"]]
    odd = {event for event, _ in new ^ _rows_of(stored[columns], stored["event"].to_numpy())}
    return ~names.isin(list(odd))


def _rows_of(numbers: pd.DataFrame, events: NDArray) -> set[tuple[str, bytes]]:
    """Return rows of numbers by the event they belong to, bit for bit."""
    rows = np.ascontiguousarray(numbers.to_numpy(np.float64))
    return {(event, row.tobytes()) for event, row in zip(events, rows, strict=True)}


def _kept(
    profile: Profile, spans: pd.DataFrame, stale: Days, old: dict[str, pd.DataFrame]
) -> tuple[list[pd.DataFrame], list[pd.DataFrame]]:
    """Return the stored rows of the events that are not stale."""
    names = event_names(profile.tube, spans["onset_s"].to_numpy()[~stale])
    if not names:
        return [], []
    events, depths = old["events"], old["event_depths"]
    return [events[events["event"].isin(names)]], [depths[depths["event"].isin(names)]]


def _from(
    first: int, events: pd.DataFrame, depths: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of events from a number on."""
    return events[events.index >= first], depths[depths["number"] >= first]


def _block(reader: Reader, column: int, profile: Profile, part: pd.DataFrame) -> Block:
    """Return the readings that some events rest on."""
    axis = reader.axis
    first = (int(part["foot_s"].min()) - axis.origin_s) // DAY_S - LEAD_DAYS
    stop = -(-(int(part["end_s"].max()) - axis.origin_s) // DAY_S) + TRAIL_DAYS
    window = max(0, first), min(reader.days, stop)
    marks = reader.marks(column, profile.nominal_m, *window)
    rain, told = reader.fallen(*window) or (None, None)
    return Block(
        reader.day_s(window[0]),
        axis.interval_s,
        reader.water(column, profile.nominal_m, *window),
        rain,
        *marks,
        told,
    )
