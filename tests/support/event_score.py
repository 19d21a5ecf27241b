"""How well wetting events, drainage and uptake come out on a field whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as of

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from truth_field import Field
from truth_fronts import true_fronts

from pipeline.derive.conductivity import CLASS_WIDTH, field_conductivity, rates_by_law
from pipeline.derive.drainage import event_drainage
from pipeline.derive.drained_hours import drained_amounts
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.event_tables import front_spans, tube_tables
from pipeline.derive.events import events_of_fronts, join_fronts
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.night_rates import drained_rates, held_above, tube_rates
from pipeline.derive.tube_laws import tube_laws
from pipeline.derive.uptake import daily_pattern

PLACE = (50.0, 10.0)  # of the test field's tubes
NEAR_H = 6.0  # within which a front counts as seen at all
# A front slower than this cannot be timed to ten minutes with these sensors [m3 m-3 h-1].
FAST_PER_H = 0.0024
WEAK_GAIN, WEAK_FALL = 0.006, 0.002  # a front seen is false where truth has not even this
COVERED = 1.96
LEAST_MM, LEAST_SHARE = 1.0, 0.1  # what a drained amount may be off by
SPEEDS_PER_H = (0.0, 3e-4, 6e-4, 1.2e-3, FAST_PER_H, np.inf)  # edges of classes of fronts
SIZES_MM = (-np.inf, 0.0, 1.0, 3.0, 10.0, np.inf)  # edges of classes of true amounts
DAY_S = 86_400
NIGHT_S = 8 * 3600  # about the middle of a night, of which true rates are taken


@dataclass
class EventScore:
    """Rows of scores; frames of several fields are put together by `add`."""

    onsets: list[pd.DataFrame] = of(default_factory=list)
    found: list[pd.DataFrame] = of(default_factory=list)
    drained: list[pd.DataFrame] = of(default_factory=list)
    uptake: list[pd.DataFrame] = of(default_factory=list)
    classes: list[pd.DataFrame] = of(default_factory=list)

    def add(self, other: EventScore) -> None:
        """Add the rows of another field."""
        for name in ("onsets", "found", "drained", "uptake", "classes"):
            getattr(self, name).extend(getattr(other, name))


def score_events(field: Field, result: xr.Dataset) -> EventScore:
    """Return how onsets, drained amounts and uptake of a field without faults compare."""
    score = EventScore()
    water = result["cleaned_water_content"].transpose("time", "tube", "depth")
    times = water["time"].values.astype("datetime64[s]").astype(np.int64)
    fronts = wetting_fronts(water)
    strong, weak = true_fronts(field.truth), true_fronts(field.truth, WEAK_GAIN, WEAK_FALL)
    for number, tube in enumerate(water["tube"].values.tolist()):
        mine = fronts[fronts["tube"] == tube]
        joined = join_fronts(mine)
        score.onsets.append(_nearest(strong[strong["tube"] == tube], joined, times))
        score.found.append(_truths(joined, weak[weak["tube"] == tube], times))
        _score_amounts(field, result, number, joined, score)
    return score


def _nearest(truth: pd.DataFrame, joined: pd.DataFrame, times: NDArray) -> pd.DataFrame:
    """Return for each true front the nearest one seen: how far off [s], and its error."""
    rows = []
    for front in truth.itertuples():
        seen = joined[np.isclose(joined["depth_m"], front.depth)]
        off = (seen["onset_s"] - times[front.onset]).to_numpy()
        place = int(np.abs(off).argmin()) if off.size else -1
        error = seen["onset_error_s"].iloc[place] if off.size else np.nan
        rows.append((front.depth, front.speed, off[place] if off.size else np.inf, error))
    return pd.DataFrame(rows, columns=["depth", "speed", "off_s", "error_s"])


def _truths(joined: pd.DataFrame, truth: pd.DataFrame, times: NDArray) -> pd.DataFrame:
    """Return for each front seen how far off [s] the nearest true one is, and its climb."""
    rows = []
    for front in joined.itertuples():
        there = truth[np.isclose(truth["depth"], front.depth_m)]
        off = front.onset_s - times[there["onset"].to_numpy(np.int64)]
        rows.append((front.climb_per_h, np.abs(off).min() if off.size else np.inf))
    return pd.DataFrame(rows, columns=["climb_per_h", "off_s"])


def _score_amounts(
    field: Field, result: xr.Dataset, number: int, joined: pd.DataFrame, score: EventScore
) -> None:
    """Add drained amounts and daily uptake of one tube."""
    block, depths_m = _block(field, result, number)
    profile = Profile(field.site.tubes[number].tube, depths_m, depths_m)
    numbers = events_of_fronts(joined, depths_m)
    last = block.first_s + block.water.shape[1] * block.interval_s
    spans = front_spans(joined, numbers, last)
    _, rows = tube_tables(profile, block, spans, joined, numbers)
    first = joined["depth_m"] == depths_m[0]
    peaks = np.sort(joined.loc[first, "peak_s"].to_numpy(np.int64))
    pattern = daily_pattern(profile, block, PLACE, peaks)
    laws = tube_laws(pattern)
    rates, table = tube_rates(pattern, laws), field_conductivity(pattern, laws)
    pattern = rates_by_law(drained_rates(pattern, rates), table)
    true = _Sums(field, number, block)
    score.classes.append(_classes(table, pattern, true, depths_m))
    late = set(rows.loc[rows["overlaps"], "number"])
    closed = rows[~rows["number"].isin(spans.index[spans["open"]])]
    for k, depth in enumerate(depths_m):
        here = closed[closed["depth_m"] == depth]
        peak = here["storage_peak_s"].to_numpy(np.int64)
        end = spans["end_s"].reindex(here["number"]).to_numpy(np.int64)
        mine = pattern[pattern["depth_m"] == depth]
        gain = here["storage_gain_mm"].to_numpy(np.float64)
        held = held_above(float(depth), float(depth - depths_m[0]), gain)
        best = drained_amounts(here, end, mine, rates, held)
        nights = event_drainage(peak, end, mine, "night_drainage_mm_d", held)
        law = event_drainage(peak, end, mine, "gradient_drainage_mm_d", held)
        score.drained.append(
            pd.DataFrame(
                {
                    "depth": depth,
                    "true": true.drained(k, peak, end),
                    "best": best[0],
                    "best_error": best[1],
                    "nights": nights[0],
                    "nights_error": nights[1],
                    "known": nights[2],
                    "law": law[0],
                    "law_error": law[1],
                    "overlaps": here["number"].isin(late).to_numpy(),
                }
            )
        )
        day = mine["day_s"].to_numpy(np.int64)
        kept = mine[["depth_m", "uptake_above_mm_d", "uptake_above_error"]]
        score.uptake.append(kept.assign(true=true.used(k, day, day + DAY_S)))


def _classes(
    table: pd.DataFrame, pattern: pd.DataFrame, true: _Sums, depths_m: NDArray
) -> pd.DataFrame:
    """Return the classes of conductivity with the true rate of the nights of each."""
    known = pattern[pattern["night_drainage_mm_d"].notna()]
    rows = []
    for k, depth in enumerate(depths_m):
        mine = known[known["depth_m"] == depth]
        middle = mine["night_s"].to_numpy(np.int64)
        half = NIGHT_S // 2
        rate = true.drained(k, middle - half, middle + half) * DAY_S / NIGHT_S
        place = np.floor(mine["night_water_content"].to_numpy() / CLASS_WIDTH)
        for found in table[table["depth_m"] == depth].itertuples():
            same = place == np.floor(found.water_content / CLASS_WIDTH)
            rows.append(
                (depth, found.conductivity_mm_d, found.conductivity_error, rate[same].mean())
            )
    return pd.DataFrame(rows, columns=["depth", "rate", "error", "true"])


class _Sums:
    """True drainage, and uptake with evaporation, between instants, of one tube."""

    def __init__(self, field: Field, number: int, block: Block) -> None:
        self.first_s, self.interval_s = block.first_s, block.interval_s
        truth = field.truth.isel(tube=number)
        gone = truth["uptake"].values + truth["evaporation"].values[:, None]
        self._drained, self._used = (
            np.vstack([np.zeros(len(x[0])), np.cumsum(x.astype(np.float64), axis=0)])
            for x in (truth["drainage"].values, gone)
        )

    def drained(self, k: int, start_s: NDArray, end_s: NDArray) -> NDArray[np.float64]:
        """Return what passed a depth."""
        return self._between(self._drained[:, k], start_s, end_s)

    def used(self, k: int, start_s: NDArray, end_s: NDArray) -> NDArray[np.float64]:
        """Return what roots and air took above a depth."""
        return self._between(self._used[:, k], start_s, end_s)

    def _between(self, total: NDArray, start_s: NDArray, end_s: NDArray) -> NDArray:
        def at(instant: NDArray) -> NDArray:
            return np.clip((instant - self.first_s) // self.interval_s, 0, len(total) - 1)

        return total[at(end_s)] - total[at(start_s)]


def _block(field: Field, result: xr.Dataset, number: int) -> tuple[Block, NDArray[np.float64]]:
    """Return the readings of a tube over whole days; the field's first is one step late."""
    water = result["cleaned_water_content"].transpose("time", "tube", "depth")
    times = water["time"].values[:2].astype("datetime64[s]").astype(np.int64)
    interval = int(times[1] - times[0])
    series = water.values[:, number].T.astype(np.float64)
    whole = np.hstack([np.full((len(series), 1), np.nan), series])[:, :-1]
    rain = None
    if "rain" in field.station:
        gauge = field.station["rain"].values[:, 0].astype(np.float64)
        rain = np.concatenate([[0.0], gauge])[:-1]
    block = Block(int(times[0]) - interval, interval, np.ascontiguousarray(whole), rain)
    return block, water["depth"].values.astype(np.float64)


def onset_shares(score: EventScore, interval_s: int) -> dict[str, float]:
    """Return recall, precision and coverage of onsets, of all fronts and of fast ones."""
    onsets, found = pd.concat(score.onsets), pd.concat(score.found)
    reach = max(600, interval_s)
    fast = onsets["speed"] * 3600 / interval_s >= FAST_PER_H
    quick = found["climb_per_h"] >= FAST_PER_H
    off = onsets["off_s"].abs()
    near = off <= NEAR_H * 3600
    inside = off <= COVERED * onsets["error_s"] + 0.5 * interval_s
    return {
        "fronts": float(len(onsets)),
        "fast fronts": float(fast.sum()),
        "recall within 6 h": float(near.mean()),
        "precision within 6 h": float((found["off_s"] <= NEAR_H * 3600).mean()),
        "recall within a step": float((off <= reach).mean()),
        "precision within a step": float((found["off_s"] <= reach).mean()),
        "recall within a step, fast": float((off <= reach)[fast].mean()),
        "precision within a step, fast": float((found["off_s"] <= reach)[quick].mean()),
        "in their own 95 % interval": float(inside[near].mean()),
    }


def onset_shares_by_speed(score: EventScore, interval_s: int) -> list[dict[str, float]]:
    """Return for each class of `SPEEDS_PER_H` recall and precision within a step."""
    onsets, found = pd.concat(score.onsets), pd.concat(score.found)
    reach = max(600, interval_s)
    true_class = np.searchsorted(SPEEDS_PER_H, onsets["speed"] * 3600 / interval_s, "right")
    seen_class = np.searchsorted(SPEEDS_PER_H, found["climb_per_h"], "right")
    off = onsets["off_s"].abs()
    inside = off <= COVERED * onsets["error_s"] + 0.5 * interval_s
    near = off <= NEAR_H * 3600
    return [
        {
            "fronts": float((true_class == n).sum()),
            "recall within a step": float((off <= reach)[true_class == n].mean()),
            "precision within a step": float(
                (found["off_s"] <= reach)[seen_class == n].mean()
            ),
            "stated error, median min": float(
                onsets["error_s"][true_class == n].median() / 60
            ),
            "in their own 95 % interval": float(inside[near & (true_class == n)].mean()),
        }
        for n in range(1, len(SPEEDS_PER_H))
    ]


def drainage_shares(
    score: EventScore, depth: float | None = None, size: int | None = None
) -> dict[str, float]:
    """Return how often drained amounts are near enough and inside their intervals.

    Of all, of one depth [m], or of one class of `SIZES_MM`.
    """
    rows = pd.concat(score.drained)
    rows = rows[~rows["overlaps"] & rows["nights"].notna()]
    if depth is not None:
        rows = rows[rows["depth"] == depth]
    if size is not None:
        rows = rows[np.searchsorted(SIZES_MM, rows["true"], "right") == size + 1]
    shares: dict[str, float] = {"events": float(len(rows))}
    allowed = np.maximum(LEAST_MM, LEAST_SHARE * rows["true"].abs())
    for name in ("best", "nights", "law"):
        off = rows[name] - rows["true"]
        known = off.notna()
        shares[f"{name}, near enough"] = float((off.abs() <= allowed)[known].mean())
        inside = off.abs() <= COVERED * rows[f"{name}_error"]
        shares[f"{name}, in interval"] = float(inside[known].mean())
        shares[f"{name}, median error mm"] = float(off.median())
    return shares


def conductivity_shares(score: EventScore) -> dict[str, float]:
    """Return how classes of conductivity compare with the true rates of their nights."""
    rows = pd.concat(score.classes)
    off = rows["rate"] - rows["true"]
    return {
        "classes": float(len(rows)),
        "median error mm/d": float(off.median()),
        "in interval": float((off.abs() <= COVERED * rows["error"]).mean()),
    }


def uptake_shares(score: EventScore) -> dict[str, float]:
    """Return the error of daily uptake above the sensors [mm d-1] and its coverage."""
    rows = pd.concat(score.uptake).dropna(subset=["uptake_above_mm_d"])
    off = rows["uptake_above_mm_d"] - rows["true"]
    inside = off.abs() <= COVERED * rows["uptake_above_error"]
    return {
        "days": float(len(rows)),
        "true, mean mm/d": float(rows["true"].mean()),
        "bias mm/d": float(off.mean()),
        "rms mm/d": float(np.sqrt((off**2).mean())),
        "in interval": float(inside.mean()),
    }
