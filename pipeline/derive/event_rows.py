"""The columns of the two tables of events, from fronts and levels of one tube."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.derive.event_block import MM_PER_M, Block, Profile, Steps, top_m
from pipeline.derive.events import LEVEL_S, RAIN_LEAD_S, event_rain, rain_spans
from pipeline.derive.fronts import PAUSE_S

RAIN_ERROR = 0.05  # of a gauge's catch, standard, relative; a handbook's order of magnitude
MOST_MISSING = 0.1  # share of an event's readings; beyond, the event is marked
COVERAGE = 1.96
UNCLEAR_DRAINAGE = "unclear_drainage"  # the last of the doubts
# A standard uncertainty of a drained amount that leaves no doubt, whatever it is.
NEAR_MM = 1.0
UNSURE_S = 3600  # an onset less sure than this is marked


def depth_rows(
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
    onset = fronts["onset_s"].to_numpy(np.float64).reshape(len(spans), len(profile.real_m))
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
    rows["gain_error"] = np.hypot(
        noise, np.repeat(levels["relative_error"], len(profile.real_m)) * gain
    )
    late = onset >= spans["end_s"].to_numpy(np.float64)[:, None]
    rows["overlaps"] = (late & ~spans["open"].to_numpy()[:, None]).ravel()
    rows["storage_gain_mm"] = levels["gain"].ravel()
    rows["storage_gain_error_mm"] = np.hypot(
        levels["gain_error"], levels["relative_error"][:, None] * levels["gain"]
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


def event_rows(
    profile: Profile,
    block: Block,
    spans: pd.DataFrame,
    levels: dict[str, NDArray],
    depths: pd.DataFrame,
    step: Steps,
) -> pd.DataFrame:
    """Return a row an event."""
    rows = spans[["onset_s", "end_s", "open"]].copy()
    wetted = depths["wetted"].to_numpy().reshape(len(spans), len(profile.real_m))
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
    rows["gain_systematic_error_mm"] = levels["relative_error"] * np.abs(gain)
    rows["gain_spacing_error_mm"] = _spacing_error(profile, block, step, peak_step)
    rows = rows.join(_balance(rows, block, step, peak_step))
    rows["missing"] = np.nanmax(levels["missing"], axis=1)
    rows["doubts"] = _doubts(block, rows, depths, rank, step)
    return rows.drop(columns="rain_lost")


def _spacing_error(
    profile: Profile, block: Block, step: Steps, peak_step: NDArray[np.int64]
) -> Floats:
    """Return what the gain may be wrong by because sensors are apart, [mm].

    Between two sensors that rose by different amounts the front may stand anywhere: a step at
    a place of which nothing is known differs from the line between them by the difference of
    the rises times their distance over the square root of twelve. Half of that is taken above
    the first sensor, where soil above it counts.
    """
    before, after = step.spans.foot, np.maximum(peak_step, step.spans.foot)
    most = max(1, LEVEL_S // block.interval_s)
    rise = _latest(block.water, after, most) - _latest(block.water, before, most)
    gaps = np.diff(profile.real_m)
    variance = (0.5 * top_m(profile) * rise[0]) ** 2 / 12
    for j, gap in enumerate(gaps):
        variance = variance + (gap * (rise[j + 1] - rise[j])) ** 2 / 12
    return np.where(peak_step >= 0, MM_PER_M * np.sqrt(variance), np.nan)


def _latest(water: Floats, at: NDArray[np.int64], most: int) -> Floats:
    """Return each sensor's last reading in ``most`` steps up to and with ``at``, (depth, at).

    A sensor that logs more slowly than the axis has none at most steps.
    """
    place = np.minimum(at, water.shape[1] - 1)
    found: Floats = water[:, place]
    for back in range(1, most):
        if not np.isnan(found).any():
            break
        earlier = np.where(place >= back, water[:, np.maximum(place - back, 0)], np.nan)
        found = np.where(np.isnan(found), earlier, found)
    return found


def _balance(
    rows: pd.DataFrame, block: Block, step: Steps, peak_step: NDArray[np.int64]
) -> pd.DataFrame:
    """Return rain of the event and after it, and what of the rain was not gained.

    The remainder is interception, evaporation, run-off, and what passed the last sensor
    before the peak; negative where more came than rained, as along a slope.
    """
    none = np.full(len(rows), np.nan)
    during, after, lost = none, none, none
    if block.rain is not None:
        pace = RAIN_LEAD_S // block.interval_s, PAUSE_S // block.interval_s
        last = rows["open"].to_numpy(np.bool_)  # of the tube, not of what is computed now
        told = block.rain_told
        fell = rain_spans(block.rain, step.spans, pace, peak_step, last, told)
        during, after, lost = event_rain(block.rain, fell)
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
            "rain_lost": np.where(np.isnan(during), 0, lost),
            "remainder_mm": during - rows["gain_mm"].to_numpy(),
            "remainder_error_mm": error,
        },
        index=rows.index,
    )


def _doubts(
    block: Block, rows: pd.DataFrame, depths: pd.DataFrame, rank: NDArray, step: Steps
) -> list[str]:
    """Return for each event why it may be wrong, words in a fixed order, "" for no doubt."""
    shape = rank.shape
    first = rank == 1
    deep = (np.argmax(first, axis=1) > 0) & first.any(axis=1)
    overlaps = depths["overlaps"].to_numpy().reshape(shape).any(axis=1)
    unsure = depths["onset_error_s"].to_numpy(np.float64).reshape(shape) > UNSURE_S
    gain = rows["gain_mm"].to_numpy(np.float64)
    noise = rows["gain_random_error_mm"].to_numpy(np.float64)
    lost = rows["rain_lost"].to_numpy() > 0
    short = rows["remainder_mm"].to_numpy() + COVERAGE * rows["remainder_error_mm"].to_numpy()
    marks = {
        "overlap": overlaps,
        "gap": rows["missing"].to_numpy() > MOST_MISSING,
        "slow_onset": unsure.any(axis=1),
        "deep_first": deep,
        "no_peak": np.isnan(gain),
        "frost": _any_in(block.frozen, step),
        "suspect": _any_in(block.suspect, step),
        "no_gain": gain <= COVERAGE * noise,
        # Not where rain or gain is unknown: NaN is not below. Nor where some may have fallen
        # while the gauge logged none.
        "beyond_rain": (short < 0) & ~lost,
        "rain_gap": lost,
    }
    found = np.stack(list(marks.values()))
    names = list(marks)
    return [" ".join(names[n] for n in np.flatnonzero(column)) for column in found.T]


def with_drainage_doubt(events: pd.DataFrame) -> pd.Series:
    """Return ``doubts`` of events with `UNCLEAR_DRAINAGE` where, and only where, it holds.

    It does where the 95 % interval of the drained amount reaches nothing and is wide, or lies
    below nothing whole. Drained amounts rest on the laws of a tube and may change long after
    an event's other columns, so the word is told anew each time.
    """
    amount, half = events["drainage_mm"], COVERAGE * events["drainage_error_mm"]
    wide = events["drainage_error_mm"] > NEAR_MM
    unclear = (wide & (amount - half <= 0)) | (amount + half < 0)
    without = events["doubts"].str.replace(rf" ?{UNCLEAR_DRAINAGE}$", "", regex=True)
    return without.where(~unclear, (without + f" {UNCLEAR_DRAINAGE}").str.strip())


def _any_in(mask: NDArray[np.bool_] | None, step: Steps) -> NDArray[np.bool_]:
    """Tell for each event whether a mask holds anywhere in it."""
    found = np.zeros(len(step.start), np.bool_)
    if mask is None:
        return found
    anywhere: NDArray[np.bool_] = np.logical_or.reduce(mask, axis=0)
    for e, (start, end) in enumerate(zip(step.spans.foot, step.spans.end, strict=True)):
        found[e] = anywhere[start:end].any()
    return found
