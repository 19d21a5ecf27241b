"""Two tables of wetting events: one row an event, and one row an event and sensor.

`wetting_events` makes them from water content, and rain where it is logged. The pipeline calls
`tube_tables` with what a night changed.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.derive.events import (
    LEVEL_S,
    RAIN_LEAD_S,
    Span,
    event_rain,
    event_water,
    events_of_fronts,
    join_fronts,
)
from pipeline.derive.fronts import PAUSE_S, PEAK_DAYS, daily_noise, wetting_fronts
from pipeline.derive.weights import EndRules, layer_weights
from pipeline.variables import require_units

Floats = NDArray[np.float64]
MM_PER_M = 1000.0
# Relative standard uncertainty of a change of water content where no law states one; ours.
RELATIVE_ERROR = 0.03
RAIN_ERROR = 0.05  # of a gauge's catch, standard, relative; a handbook's order of magnitude
MOST_MISSING = 0.1  # share of an event's readings; beyond, the event is marked
COVERAGE = 1.96


class Profile(NamedTuple):
    """What is known of one tube: sensors downwards.

    ``nominal_m`` names the sensors, ``real_m`` is where they are; ``relative_error`` is the
    relative standard uncertainty of a change of water content by calibration.
    """

    tube: str
    nominal_m: Floats
    real_m: Floats
    rules: EndRules = EndRules()
    relative_error: float = RELATIVE_ERROR


class Block(NamedTuple):
    """Readings of one tube over whole days, from ``first_s`` on.

    ``water`` (depth, time) [m3 m-3], ``rain`` (time,) [mm] or None, ``frozen`` and ``suspect``
    (depth, time) or None.
    """

    first_s: int
    interval_s: int
    water: Floats
    rain: Floats | None = None
    frozen: NDArray[np.bool_] | None = None
    suspect: NDArray[np.bool_] | None = None


def weights_above(profile: Profile) -> Floats:
    """Return weights of the sensors in the soil above each of them, (depth, sensor), [m].

    Where nothing may be assumed above the first sensor the soil begins at it, and the first
    row is NaN.
    """
    top = 0.0 if profile.rules.above == "constant" else float(profile.real_m[0])
    layers = [(top, float(z)) for z in profile.real_m if z > top]
    rows = layer_weights(profile.real_m, layers, profile.rules)
    weights = np.full((len(profile.real_m), len(profile.real_m)), np.nan)
    weights[len(profile.real_m) - len(layers) :] = rows
    return weights


def storage_above(water: Floats, weights: Floats) -> Floats:
    """Return the water above each sensor, (depth, time), [mm]; NaN where a sensor is missing.

    Sensors are added from the top, in a fixed order.
    """
    storage = np.empty_like(water)
    for k, row in enumerate(weights):
        total = np.zeros(water.shape[1])
        for j, weight in enumerate(row):
            if weight != 0.0:
                total = total + weight * water[j]
        storage[k] = MM_PER_M * total
    return storage


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
    step = _Steps(block, spans)
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
    depths = _depth_rows(profile, spans, joined[mine], numbers[mine], levels)
    events = _event_rows(profile, block, spans, levels, depths, step)
    return events, depths


class _Steps:
    """Steps of events on a block."""

    def __init__(self, block: Block, spans: pd.DataFrame) -> None:
        count = block.water.shape[1]

        def step(name: str) -> NDArray[np.int64]:
            found = (spans[name].to_numpy(np.int64) - block.first_s) // block.interval_s
            return np.clip(found, 0, count)

        self.start = step("onset_s")
        self.spans = Span(step("foot_s"), self.start, step("end_s"))


def _noise_at(block: Block, start: NDArray[np.int64]) -> Floats:
    """Return the noise of every sensor around the start of each event, (event, depth)."""
    day = DAY_S // block.interval_s
    by_day = np.stack([daily_noise(row, day) for row in block.water], axis=1)
    return by_day[np.minimum(start // day, len(by_day) - 1)]


def _quadrature(noise: Floats, weights: Floats) -> Floats:
    """Return the noise of the water above each sensor, (event, depth), [mm]."""
    total = np.zeros((len(noise), len(weights)))
    for j in range(weights.shape[1]):
        total = total + (weights[:, j] * noise[:, [j]]) ** 2
    return MM_PER_M * np.sqrt(total)


def _depth_rows(
    profile: Profile,
    spans: pd.DataFrame,
    joined: pd.DataFrame,
    numbers: NDArray,
    levels: dict[str, NDArray],
) -> pd.DataFrame:
    """Return a row an event and sensor, whether a front was seen there or not."""
    index = pd.MultiIndex.from_product(
        [spans.index, profile.nominal_m], names=["number", "depth_m"]
    )
    fronts = joined.assign(number=numbers).set_index(["number", "depth_m"]).reindex(index)
    rows = pd.DataFrame(index=index)
    onset = fronts["onset_s"].to_numpy(np.float64).reshape(len(spans), -1)
    error = fronts["onset_error_s"].to_numpy(np.float64).reshape(onset.shape)
    rows["real_depth_m"] = np.tile(profile.real_m, len(spans))
    rows["wetted"] = np.isfinite(onset).ravel()
    rows["onset_s"] = np.where(np.isfinite(onset), onset, -1).astype(np.int64).ravel()
    rows["onset_error_s"] = error.ravel()
    for name, values in _travel(profile.real_m, onset, error).items():
        rows[name] = values.ravel()
    rows["water_content_before"] = fronts["base"].to_numpy(np.float64)
    rows["water_content_peak"] = fronts["peak"].to_numpy(np.float64)
    peak_s = fronts["peak_s"].to_numpy(np.float64)
    rows["peak_s"] = np.where(np.isfinite(peak_s), peak_s, -1).astype(np.int64)
    gain = rows["water_content_peak"] - rows["water_content_before"]
    noise = fronts["noise"].to_numpy(np.float64)
    rows["gain"] = gain
    rows["gain_error"] = np.hypot(noise, profile.relative_error * gain)
    late = onset >= spans["end_s"].to_numpy(np.float64)[:, None]
    rows["overlaps"] = (late & ~spans["open"].to_numpy()[:, None]).ravel()
    rows["storage_gain_mm"] = levels["gain"].ravel()
    rows["storage_gain_error_mm"] = np.hypot(
        levels["gain_error"], profile.relative_error * levels["gain"]
    ).ravel()
    return rows.reset_index()


def _travel(real_m: Floats, onset: Floats, error: Floats) -> dict[str, Floats]:
    """Return lag behind the first onset, rank, and velocity from the wetted sensor above.

    The bounds of the velocity are those of the time it took, 95 %; where that may be nothing
    the upper bound is NaN, as the time resolution tells no upper bound.
    """
    shape = onset.shape
    first = np.nanmin(onset, axis=1)
    first_error = error[np.arange(len(onset)), np.nanargmin(onset, axis=1)]
    lag = onset - first[:, None]
    lag_error = np.where(lag > 0, np.hypot(error, first_error[:, None]), 0.0)
    rank = np.full(shape, -1, np.int64)
    order = np.argsort(onset, axis=1, kind="stable")
    np.put_along_axis(rank, order, np.broadcast_to(np.arange(1, shape[1] + 1), shape), axis=1)
    rank[~np.isfinite(onset)] = -1
    velocity, low, high = (np.full(shape, np.nan) for _ in range(3))
    above_t, above_e = np.full(len(onset), np.nan), np.full(len(onset), np.nan)
    above_z = np.full(len(onset), np.nan)
    for k in range(shape[1]):  # a few sensors
        took, unsure = onset[:, k] - above_t, COVERAGE * np.hypot(error[:, k], above_e)
        way = (real_m[k] - above_z) * DAY_S
        with np.errstate(divide="ignore", invalid="ignore"):
            velocity[:, k] = np.where(took > 0, way / took, np.nan)
            low[:, k] = np.where(took + unsure > 0, way / (took + unsure), np.nan)
            high[:, k] = np.where(took - unsure > 0, way / (took - unsure), np.nan)
        seen = np.isfinite(onset[:, k])
        above_t, above_e = (
            np.where(seen, onset[:, k], above_t),
            np.where(seen, error[:, k], above_e),
        )
        above_z = np.where(seen, real_m[k], above_z)
    return {
        "lag_s": lag,
        "lag_error_s": np.where(np.isfinite(onset), lag_error, np.nan),
        "rank": rank,
        "velocity_m_d": velocity,
        "velocity_low_m_d": low,
        "velocity_high_m_d": high,
    }


def _event_rows(
    profile: Profile,
    block: Block,
    spans: pd.DataFrame,
    levels: dict[str, NDArray],
    depths: pd.DataFrame,
    step: _Steps,
) -> pd.DataFrame:
    """Return a row an event."""
    rows = spans[["onset_s", "end_s", "open"]].copy()
    wetted = depths["wetted"].to_numpy().reshape(len(spans), -1)
    rank = depths["rank"].to_numpy().reshape(wetted.shape)
    real = profile.real_m
    rows["first_depth_m"] = real[np.argmax(rank == 1, axis=1)]
    rows["depth_reached_m"] = np.where(wetted, real, -np.inf).max(axis=1)
    rows["sensors_wetted"] = wetted.sum(axis=1)
    gain, peak_step = levels["gain"][:, -1], levels["peak_step"][:, -1]
    rows["before_mm"], rows["peak_mm"] = levels["before"][:, -1], levels["peak"][:, -1]
    at = block.first_s + peak_step * block.interval_s
    rows["peak_s"] = np.where(peak_step >= 0, at, -1)
    rows["end_mm"] = levels["end"][:, -1]
    rows["gain_mm"] = gain
    rows["gain_random_error_mm"] = levels["gain_error"][:, -1]
    rows["gain_systematic_error_mm"] = profile.relative_error * np.abs(gain)
    rows["gain_spacing_error_mm"] = _spacing_error(profile, block, step, peak_step)
    rows = rows.join(_balance(rows, block, step, peak_step))
    rows["missing"] = np.nanmax(levels["missing"], axis=1)
    rows["doubts"] = _doubts(block, rows, depths, rank, step)
    return rows


def _spacing_error(
    profile: Profile, block: Block, step: _Steps, peak_step: NDArray[np.int64]
) -> Floats:
    """Return what the gain may be wrong by because sensors are apart, [mm].

    Between two sensors that rose by different amounts the front may stand anywhere: a step at
    a place of which nothing is known differs from the line between them by the difference of
    the rises times their distance over the square root of twelve. Half of that is taken above
    the first sensor.
    """
    before, after = step.spans.foot, np.maximum(peak_step, step.spans.foot)
    last = block.water.shape[1] - 1
    rise = block.water[:, np.minimum(after, last)] - block.water[:, np.minimum(before, last)]
    gaps = np.diff(profile.real_m)
    variance = (0.5 * max(profile.real_m[0], 0.0) * rise[0]) ** 2 / 12
    for j, gap in enumerate(gaps):
        variance = variance + (gap * (rise[j + 1] - rise[j])) ** 2 / 12
    return MM_PER_M * np.sqrt(variance)


def _balance(
    rows: pd.DataFrame, block: Block, step: _Steps, peak_step: NDArray[np.int64]
) -> pd.DataFrame:
    """Return rain of the event and after it, and what of the rain was not gained.

    The remainder is interception, evaporation, run-off, and what passed the last sensor
    before the peak; negative where more came than rained, as along a slope.
    """
    none = np.full(len(rows), np.nan)
    during, after = none, none
    if block.rain is not None:
        lead, pause = RAIN_LEAD_S // block.interval_s, PAUSE_S // block.interval_s
        during, after = event_rain(block.rain, step.spans, lead, pause, peak_step)
    error = np.sqrt(
        (RAIN_ERROR * during) ** 2
        + rows["gain_random_error_mm"].to_numpy() ** 2
        + rows["gain_systematic_error_mm"].to_numpy() ** 2
        + rows["gain_spacing_error_mm"].to_numpy() ** 2
    )
    return pd.DataFrame(
        {
            "rain_mm": during,
            "rain_after_mm": after,
            "remainder_mm": during - rows["gain_mm"].to_numpy(),
            "remainder_error_mm": error,
        },
        index=rows.index,
    )


def _doubts(
    block: Block, rows: pd.DataFrame, depths: pd.DataFrame, rank: NDArray, step: _Steps
) -> list[str]:
    """Return for each event why it may be wrong, words in a fixed order, "" for no doubt."""
    shape = rank.shape
    first = rank == 1
    deep = (np.argmax(first, axis=1) > 0) & first.any(axis=1)
    overlaps = depths["overlaps"].to_numpy().reshape(shape).any(axis=1)
    onset_gap = depths["onset_error_s"].to_numpy().reshape(shape) > 3600
    marks = {
        "overlap": overlaps,
        "gap": rows["missing"].to_numpy() > MOST_MISSING,
        "slow_onset": np.nan_to_num(onset_gap).any(axis=1),
        "deep_first": deep,
        "no_peak": ~np.isfinite(rows["gain_mm"].to_numpy()),
        "frost": _any_in(block.frozen, step),
        "suspect": _any_in(block.suspect, step),
    }
    return [
        " ".join(name for name, mask in marks.items() if mask[e]) for e in range(len(rows))
    ]


def _any_in(mask: NDArray[np.bool_] | None, step: _Steps) -> NDArray[np.bool_]:
    """Tell for each event whether a mask holds anywhere in it."""
    found = np.zeros(len(step.start), np.bool_)
    if mask is None:
        return found
    anywhere = mask.any(axis=0)
    for e, (start, end) in enumerate(zip(step.spans.foot, step.spans.end, strict=True)):
        found[e] = anywhere[start:end].any()
    return found


def event_names(tube: str, onset_s: NDArray[np.int64]) -> list[str]:
    """Return names of events: the tube and its first onset in UTC, stable night after night."""
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
        Cleaned; whole days at one interval; NaN where there is no reading.
    sensor_depth : DataArray, (tube, depth), [m]
        Real depths, downwards; NaN where a tube has no sensor.
    rain : DataArray, (time), [mm], optional
        On the same times.
    rules : EndRules
        What holds above the first sensor.

    Returns
    -------
    events, depths : DataFrame
        See docs/events.md for the columns. Instants are UTC seconds, -1 for none.

    Raises
    ------
    UnitsError
        If an array is not in the units above.
    """
    require_units(sensor_depth, "m")
    if rain is not None:
        require_units(rain, "mm")
    array = water_content.transpose("time", "tube", "depth")
    fronts = wetting_fronts(array)
    times = array["time"].values.astype("datetime64[s]").astype(np.int64)
    found: list[tuple[pd.DataFrame, pd.DataFrame]] = []
    for tube in array["tube"].values:
        real = sensor_depth.sel(tube=tube).values.astype(np.float64)
        there = np.isfinite(real)
        nominal = array["depth"].values.astype(np.float64)[there]
        profile = Profile(str(tube), nominal, real[there], rules)
        water = array.sel(tube=tube).values.T[there].astype(np.float64)
        gauge = None if rain is None else rain.values.astype(np.float64)
        block = Block(int(times[0]), int(times[1] - times[0]), np.ascontiguousarray(water), gauge)
        mine = fronts[(fronts["tube"] == str(tube)) & fronts["depth_m"].isin(nominal)]
        if mine.empty:
            continue
        joined = join_fronts(mine)
        numbers = events_of_fronts(joined, nominal)
        spans = front_spans(joined, numbers, int(times[-1]) + block.interval_s)
        found.append(named_tables(profile, *tube_tables(profile, block, spans, joined, numbers)))
    if not found:
        return pd.DataFrame(), pd.DataFrame()
    events, depths = zip(*found, strict=True)
    return pd.concat(events, ignore_index=True), pd.concat(depths, ignore_index=True)


def named_tables(
    profile: Profile, events: pd.DataFrame, depths: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables of one tube with tube and event as the first columns."""
    names: Any = dict(
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
