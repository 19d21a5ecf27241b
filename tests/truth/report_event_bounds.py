"""Print what drained amounts would be if some of what no sensor sees were known.

The bounds of docs/truth.md, "What more could be had". By hand:
``python tests/truth/report_event_bounds.py --first 100 --seeds 5`` with ``tests/support`` and
``data`` on the path; tuning seeds, as nothing is measured here that a user gets.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Iterator
from itertools import product

import event_score as scores
import numpy as np
import pandas as pd
from event_score import COVERED, DAY_S, LEAST_MM, LEAST_SHARE, NIGHT_S, PLACE
from truth_field import SOILS, TUNING_SEEDS, Field, make_field
from truth_ground import make_patch
from truth_score import run_steps

from pipeline.derive.drainage import event_drainage
from pipeline.derive.drained_hours import drained_amounts
from pipeline.derive.event_block import Profile
from pipeline.derive.event_tables import front_spans, tube_tables
from pipeline.derive.events import events_of_fronts, join_fronts
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.night_laws import nights_of
from pipeline.derive.night_rates import drained_rates, held_above, tube_rates
from pipeline.derive.uptake import daily_pattern

INTERVAL_S = 600
CASES = {
    "as delivered": "drainage_mm_d",
    "nights alone": "night_drainage_mm_d",
    "true common loss of nights": "uncommon_mm_d",
    "true rates of dry nights": "true_dry_mm_d",
    "true rates of all nights": "true_mm_d",
}


def known_rates(pattern: pd.DataFrame, sums: scores._Sums) -> pd.DataFrame:
    """Return the pattern with the rates of `CASES`, as one who knows them would have them.

    The true common loss of a night is the median over sensors of its rates less the true ones.
    """
    nights = nights_of(pattern)
    half = NIGHT_S // 2
    true = np.stack(
        [
            sums.drained(k, nights.night_s - half, nights.night_s + half) * DAY_S / NIGHT_S
            for k in range(len(nights.depth_m))
        ]
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nights without a rate
        common = np.nanmedian(nights.rate - true, axis=0)
    index = pd.MultiIndex.from_product(
        [nights.depth_m, nights.night_s], names=["depth_m", "night_s"]
    )
    columns = {
        "uncommon": nights.rate - common,
        "true_dry": np.where(np.isfinite(nights.rate), true, np.nan),
        "true": true,
    }
    rates = pd.DataFrame(
        {f"{name}_mm_d": values.ravel() for name, values in columns.items()}, index
    )
    errors = pd.DataFrame({f"{name}_error": 0.0 for name in columns}, index)
    return pattern.join(rates.join(errors), on=["depth_m", "night_s"])


def tube_amounts(field: Field, number: int, block_and_fronts: tuple) -> Iterator[pd.DataFrame]:
    """Yield the amounts of one tube by `CASES`, sensor by sensor, with the true ones."""
    block, depths_m, joined = block_and_fronts
    profile = Profile(field.site.tubes[number].tube, depths_m, depths_m)
    numbers = events_of_fronts(joined, depths_m)
    spans = front_spans(joined, numbers, block.first_s + block.water.shape[1] * INTERVAL_S)
    _, rows = tube_tables(profile, block, spans, joined, numbers)
    first = joined["depth_m"] == depths_m[0]
    peaks = np.sort(joined.loc[first, "peak_s"].to_numpy(np.int64))
    sums = scores._Sums(field, number, block)
    pattern = daily_pattern(profile, block, PLACE, peaks)
    rates = tube_rates(pattern)
    pattern = known_rates(drained_rates(pattern, rates), sums)
    late = set(rows.loc[rows["overlaps"], "number"])
    closed = rows[~rows["number"].isin({*spans.index[spans["open"]], *late})]
    for k, depth in enumerate(depths_m):
        here = closed[closed["depth_m"] == depth]
        peak = here["storage_peak_s"].to_numpy(np.int64)
        end = spans["end_s"].reindex(here["number"]).to_numpy(np.int64)
        mine = pattern[pattern["depth_m"] == depth]
        found = {"depth": depth, "true": sums.drained(k, peak, end)}
        gain = here["storage_gain_mm"].to_numpy(np.float64)
        held = held_above(depth, depth - depths_m[0], gain)
        for name, column in CASES.items():
            # What lies unseen above the sensor at the peak is no part of a rate told truly.
            told = held if name == "nights alone" else (0.0, 0.0)
            found[name], error, _ = (
                drained_amounts(here, end, mine, rates, held)
                if name == "as delivered"
                else event_drainage(peak, end, mine, column, told)
            )
            found[f"{name}, in interval"] = np.abs(found[name] - found["true"]) <= (
                COVERED * error
            )
        yield pd.DataFrame(found)


def field_amounts(seed: int, soil: str) -> pd.DataFrame:
    """Return the amounts of a year of one soil, two sound tubes."""
    make_patch.cache_clear()
    field = make_field(seed, (soil,), INTERVAL_S, faults=(), sound_tubes=2)
    result = run_steps(field)
    water = result["cleaned_water_content"].transpose("time", "tube", "depth")
    fronts = wetting_fronts(water)
    parts: list[pd.DataFrame] = []
    for number, tube in enumerate(water["tube"].values.tolist()):
        joined = join_fronts(fronts[fronts["tube"] == tube])
        made = (*scores._block(field, result, number), joined)
        parts.extend(tube_amounts(field, number, made))
    return pd.concat(parts, ignore_index=True)


def near_enough(rows: pd.DataFrame) -> dict[str, list[float]]:
    """Return for each of `CASES` the share within a tenth or 1 mm, of all and by depth."""
    rows = rows[rows["nights alone"].notna()]
    allowed = np.maximum(LEAST_MM, LEAST_SHARE * rows["true"].abs())
    shares = {}
    for name in CASES:
        there = rows[name].notna()
        near = ((rows[name] - rows["true"]).abs() <= allowed)[there]
        shares[name] = [float(near.mean()), *near.groupby(rows["depth"][there]).mean()]
    return shares


def main() -> None:
    """Score all fields and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5, help="how many tuning seeds")
    parser.add_argument("--first", type=int, default=TUNING_SEEDS[0], help="of the seeds")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    rows = pd.concat([field_amounts(*task) for task in product(seeds, SOILS)])
    depths = [f"{100 * depth:g} cm" for depth in sorted(rows["depth"].unique())]
    head = ["near enough, 10 min", "all", *depths]
    print("\n".join(["| " + " | ".join(x) + " |" for x in (head, ["---"] * len(head))]))
    for name, shares in near_enough(rows).items():
        print("| " + " | ".join([name, *(f"{share:.2f}" for share in shares)]) + " |")
    inside = rows["as delivered, in interval"][rows["as delivered"].notna()]
    print(f"\nin interval, as delivered: {inside.mean():.3f}")


if __name__ == "__main__":
    main()
