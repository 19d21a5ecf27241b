"""Two tables of wetting events: one row an event, and one row an event and sensor.

`wetting_events` makes them from water content, and rain where it is logged. The pipeline calls
`tube_tables` with what a night changed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S, utc_seconds
from pipeline.derive.drainage import recessions, time_to_drained
from pipeline.derive.drained_hours import water_after_peak
from pipeline.derive.event_block import (
    MM_PER_M,
    Block,
    Floats,
    Profile,
    Steps,
    relative_error_between,
    storage_above,
    tube_blocks,
    weights_above,
)
from pipeline.derive.event_rows import depth_rows, event_rows
from pipeline.derive.events import LEVEL_S, event_water, events_of_fronts, join_fronts
from pipeline.derive.fronts import (
    NOISE_AFTER,
    NOISE_BEFORE,
    PAUSE_S,
    PEAK_DAYS,
    daily_noise,
    frame_of_none,
    wetting_fronts,
)
from pipeline.derive.weights import EndRules
from pipeline.units import plain
from pipeline.variables import require_dims


def front_spans(joined: pd.DataFrame, numbers: NDArray, last_s: int) -> pd.DataFrame:
    """Return ``foot_s``, ``onset_s``, ``end_s`` and ``open`` of each event, by number.

    ``last_s`` ends the last event, which is open. The foot is that of the fronts that began
    within six hours of the first onset.
    """
    frame = joined.assign(number=numbers)
    onset = frame.groupby("number")["onset_s"].min()
    early = frame[frame["onset_s"] <= onset.reindex(frame["number"]).to_numpy() + PAUSE_S]
    foot = early.groupby("number")["foot_s"].min()
    start = onset.to_numpy(np.int64)
    end = np.append(start[1:], max(last_s, int(start[-1]))) if len(start) else start
    is_open = np.arange(len(start)) == len(start) - 1
    return pd.DataFrame(
        {
            "foot_s": np.minimum(foot.to_numpy(np.int64), start),
            "onset_s": start,
            "end_s": end,
            "open": is_open,
        }
    )


def tube_tables(
    profile: Profile,
    block: Block,
    spans: pd.DataFrame,
    joined: pd.DataFrame,
    numbers: NDArray,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return rows of the events of one tube, and rows by event and sensor.

    Parameters
    ----------
    profile : Profile
    block : Block
        Covers all events of ``spans`` and a week before the first.
    spans : DataFrame
        Some consecutive events, indexed by their number (see `front_spans`).
    joined, numbers
        All fronts of the tube and the event of each.
    """
    step = Steps(block, spans)
    weights = weights_above(profile)
    noise = _noise_at(block, step.start)
    levels = event_water(
        storage_above(block.water, weights),
        _quadrature(noise, weights),
        step.spans,
        max(1, LEVEL_S // block.interval_s),
        PEAK_DAYS * DAY_S // block.interval_s,
    )
    mine = np.isin(numbers, spans.index.to_numpy())
    peaks = _storage_peaks(block, levels)
    last_s = joined["peak_s"].groupby(numbers).max().reindex(spans.index).to_numpy()
    peak_s = peaks["storage_peak_s"].reshape(len(spans), len(weights))
    until_s = np.maximum(peak_s.max(axis=1), last_s)
    levels["relative_error"] = relative_error_between(profile, spans["foot_s"], until_s)
    depths = depth_rows(profile, spans, joined[mine], numbers[mine], levels)
    depths = depths.assign(**peaks, **_recessions(block, depths, step))
    hours = water_after_peak(
        block.water, levels["peak_step"], step.spans.end, block.interval_s
    )
    depths = depths.assign(**hours)
    events = event_rows(profile, block, spans, levels, depths, step)
    return events, depths


def _storage_peaks(block: Block, levels: dict[str, NDArray]) -> dict[str, NDArray]:
    """Return when the water above each sensor had its peak, UTC seconds, -1 for none."""
    steps = levels["peak_step"].ravel()
    at = block.first_s + steps * block.interval_s
    return {"storage_peak_s": np.where(steps >= 0, at, -1)}


def _recessions(block: Block, depths: pd.DataFrame, step: Steps) -> dict[str, NDArray]:
    """Return the recession of each sensor from its peak to the end of the event."""
    shape = (len(step.start), len(block.water))
    peak = (depths["peak_s"].to_numpy(np.int64) - block.first_s) // block.interval_s
    peak = np.where(depths["peak_s"].to_numpy() >= 0, peak, -1).reshape(shape)
    end = np.broadcast_to(step.spans.end[:, None], shape)
    found = recessions(block.water, peak, np.ascontiguousarray(end), block.interval_s)
    constant = found[0].ravel()
    hours = (end - peak).ravel() * block.interval_s / 3600.0
    drained = time_to_drained(constant)
    return {
        "recession_h": constant,
        "drained_water_content": found[1].ravel(),
        "recession_residual": found[3].ravel(),
        "recession_determination": found[4].ravel(),
        "time_to_drained_h": drained,
        "drained": hours >= np.where(np.isfinite(drained), drained, np.inf),
    }


def _noise_at(block: Block, start: NDArray[np.int64]) -> Floats:
    """Return the noise of every sensor around the start of each event, (event, depth)."""
    if not start.size:
        return np.empty((0, len(block.water)))
    day = DAY_S // block.interval_s
    number = np.minimum(start // day, -(-block.water.shape[1] // day) - 1)
    # Of a day the noise is told by days around it, and by the readings beside those.
    first = max(0, int(number.min()) - NOISE_BEFORE - 1)
    stop = int(number.max()) + NOISE_AFTER + 2
    near = block.water[:, first * day : stop * day]
    by_day = np.stack([daily_noise(row, day) for row in near], axis=1)
    return by_day[number - first]


def _quadrature(noise: Floats, weights: Floats) -> Floats:
    """Return the noise of the water above each sensor, (event, depth), [mm]."""
    total = np.zeros((len(noise), len(weights)))
    for j in range(weights.shape[1]):
        total = total + (weights[:, j] * noise[:, [j]]) ** 2
    return MM_PER_M * np.sqrt(total)


def event_names(tube: str, onset_s: NDArray[np.int64]) -> list[str]:
    """Return names of events, tube and first onset in UTC, stable under later nights."""
    stamps = np.datetime_as_string(onset_s.astype("datetime64[s]"), unit="m")
    return [f"{tube}-{stamp.replace('-', '').replace(':', '')}Z" for stamp in stamps]


def wetting_events(
    water_content: xr.DataArray,
    sensor_depth: xr.DataArray,
    rain: xr.DataArray | None = None,
    rules: EndRules = EndRules(),  # noqa: B008 (an immutable tuple)
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Find the wetting events of tubes, and say what each did at every sensor.

    Parameters
    ----------
    water_content : DataArray, (time, tube, depth), [m3 m-3]
        Cleaned; times at one interval, days whole from the first time on; NaN where there is
        no reading. May be a Pint quantity, as all that follow may.
    sensor_depth : DataArray, (depth) or (tube, depth), [m]
        Real depths, downwards; NaN where a tube has no sensor, and one in the air (below 0)
        is none.
    rain : DataArray, (time), [mm], optional
        On the same times.
    rules : EndRules
        What holds above the first sensor.

    Returns
    -------
    events, sensors : DataFrame
        See docs/events.md for the columns, which are there without an event too, all but those
        of drainage. Instants are UTC seconds, -1 for none.

    Raises
    ------
    UnitsError
        If an array is not in the units above.
    ValueError
        If dimensions are others, depths, tubes or times of the arrays differ, or times are
        fewer than two or not at one interval.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.event_tables import wetting_events
    >>> hours = np.arange(96)
    >>> time = np.datetime64("2025-05-01", "ns") + hours * np.timedelta64(1, "h")
    >>> places = {"time": time, "tube": ["T1"], "depth": [0.1]}
    >>> course = 0.20 + 0.08 * (hours >= 48)
    >>> water = xr.DataArray(course[:, None, None], places, ("time", "tube", "depth"))
    >>> water = water.assign_attrs(units="m3 m-3")
    >>> depth = xr.DataArray([0.1], dims="depth", attrs={"units": "m"})
    >>> events, sensors = wetting_events(water, depth)
    >>> events[["event", "gain_mm"]].round(6).values.tolist()
    [['T1-20250503T0000Z', 8.0]]
    """
    array = plain(water_content, "m3 m-3")
    require_dims(array, "time", "tube", "depth")
    array = array.transpose("time", "tube", "depth")
    if array.sizes["time"] < 2:
        raise ValueError(f"'time': expected two or more times, found {array.sizes['time']}")
    blocks = tube_blocks(array, sensor_depth, rain, rules)
    fronts = wetting_fronts(array)
    last_s = int(utc_seconds(array["time"])[-1])
    found: list[tuple[pd.DataFrame, pd.DataFrame]] = []
    for _, profile, block in blocks:
        nominal = profile.nominal_m
        mine = fronts[(fronts["tube"] == profile.tube) & fronts["depth_m"].isin(nominal)]
        if mine.empty:
            continue
        joined = join_fronts(mine)
        numbers = events_of_fronts(joined, nominal)
        spans = front_spans(joined, numbers, last_s + block.interval_s)
        found.append(
            named_tables(profile, *tube_tables(profile, block, spans, joined, numbers))
        )
    events, depths = zip(*(found or [_of_none()]), strict=True)
    return pd.concat(events, ignore_index=True), pd.concat(depths, ignore_index=True)


def _of_none() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the two tables without a row, so that their columns can be asked for."""
    profile = Profile("", np.array([0.1]), np.array([0.1]))
    joined = join_fronts(frame_of_none())
    numbers = events_of_fronts(joined, profile.nominal_m)
    block = Block(0, DAY_S, np.zeros((1, 2)))
    made = tube_tables(profile, block, front_spans(joined, numbers, DAY_S), joined, numbers)
    events, depths = named_tables(profile, *made)
    text = {"tube": str, "event": str}
    return events.astype({**text, "doubts": str}), depths.astype(text)


def named_tables(
    profile: Profile, events: pd.DataFrame, depths: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables of one tube with tube and event as the first columns."""
    names = dict(
        zip(events.index, event_names(profile.tube, events["onset_s"].to_numpy()), strict=True)
    )
    events = events.reset_index(drop=True)
    events.insert(0, "event", list(names.values()))
    events.insert(0, "tube", profile.tube)
    depths = depths.assign(number=depths["number"].map(names)).rename(
        columns={"number": "event"}
    )
    depths.insert(0, "tube", profile.tube)
    return events, depths
