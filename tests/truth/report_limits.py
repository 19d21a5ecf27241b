"""How close limits from a record come to the hydraulics of the soil they were logged in.

Called by ``report.py``; by itself: ``python tests/truth/report_limits.py --seeds 2``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product

import numpy as np
import pandas as pd
from demo_column import FEDDES
from numpy.typing import NDArray
from truth_field import SOILS, UNSEEN_SEEDS, make_field
from truth_ground import PORE_SPREAD, make_patch, soil_parameters
from truth_score import run_steps
from truth_sensors import bell
from truth_site import DEPTHS_M
from truth_tubes import plan_tubes
from truth_weather import draws

from pipeline.derive.limits import LimitRules, sensor_limits

Floats = NDArray[np.float64]
INTERVAL_S, TUBES = 3600, 6
RULES = LimitRules()


def retained(parameters: Floats, suction_cm: float) -> Floats:
    """Return the water content of each cell at a suction (van Genuchten)."""
    residual, full, alpha, n, _ = parameters.T
    return residual + (full - residual) * (1 + (alpha * suction_cm) ** n) ** (1 / n - 1)


def carrying(parameters: Floats, flux_cm_d: float) -> Floats:
    """Return the water content at which gravity alone carries a flux (Mualem)."""
    residual, full, _, n, conductivity = parameters.T
    m = 1 - 1 / n
    low, high = np.zeros_like(n), np.ones_like(n)
    for _ in range(60):
        middle = (low + high) / 2
        carried = conductivity * np.sqrt(middle) * (1 - (1 - middle ** (1 / m)) ** m) ** 2
        less = carried < flux_cm_d
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return residual + (full - residual) * middle


def score_soil(seed: int, soil: str) -> pd.DataFrame:
    """Return a row for each sensor: what its record told and what its soil has."""
    make_patch.cache_clear()
    field = make_field(seed, (soil,), INTERVAL_S, faults=(), sound_tubes=TUBES)
    water = run_steps(field)["cleaned_water_content"].transpose("time", "tube", "depth")
    days = water.sizes["time"] * INTERVAL_S // 86_400
    values = water.values.astype(np.float64).reshape(days, -1, *water.shape[1:])
    daily = values.mean(axis=1)
    rows = []
    for number, tube in enumerate(plan_tubes(seed, (soil,), (), TUBES)):
        spread = draws(seed, f"pores {soil} {tube.patch}").standard_normal()
        ground = soil_parameters(soil, float(np.exp(PORE_SPREAD * spread)))
        for sensor, depth in enumerate(DEPTHS_M):
            found = sensor_limits(daily[:, number, sensor], RULES)
            window = bell(100 * depth)
            # By gravity alone soil above z that falls by a rate everywhere passes rate * z.
            flux = RULES.drained_rate * 100 * depth
            rows.append(
                {
                    "soil": soil,
                    "depth_cm": round(100 * depth),
                    "upper": found.upper.value,
                    "upper_error": found.upper.error,
                    "spells": found.upper.spells,
                    "days": found.days_to_drain.value,
                    "true_upper": carrying(ground, flux) @ window,
                    "lower": found.lower.value,
                    "bound": found.lower_is_bound,
                    "true_lower": retained(ground, FEDDES[-1]) @ window,
                }
            )
    return pd.DataFrame(rows)


def score_limits(seeds: Sequence[int], workers: int) -> pd.DataFrame:
    """Return the rows of all fields."""
    tasks = list(product(seeds, SOILS))
    with ProcessPoolExecutor(workers) as pool:
        return pd.concat(pool.map(score_soil, *zip(*tasks, strict=True)), ignore_index=True)


def sections(rows: pd.DataFrame, seeds: Sequence[int]) -> Iterator[str]:
    """Yield the text of this part of the report."""
    yield "### Limits of the soil from a year's record"
    yield (
        f"Seeds {seeds[0]} to {seeds[-1]}, {TUBES} tubes a soil without faults, hourly. True "
        "upper limit: the water content at which gravity carries what drains from above when "
        f"all of it falls by {RULES.drained_rate:g} m3 m-3 a day (Mualem); true lower limit: "
        f"at {FEDDES[-1]:g} cm of suction, where roots stop (van Genuchten). Calibration "
        "errors of about 0.008 are in the differences."
    )
    head = ["soil", "cm", "upper found", "spells", "off by (mean)", "off by (rms)"]
    head += ["days to drain", "lower found", "off by (rms)", "bounds", "bounds that hold"]
    lines = [head, ["---"] * len(head)]
    for (soil, depth), part in rows.groupby(["soil", "depth_cm"], sort=False):
        lines.append([str(soil), str(depth), *_row(part)])
    yield "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _row(part: pd.DataFrame) -> list[str]:
    seen = part[part["upper"].notna()]
    off = seen["upper"] - seen["true_upper"]
    dry = part[~part["bound"]]
    low = dry["lower"] - dry["true_lower"]
    bounds = part[part["bound"]]
    hold = (bounds["lower"] >= bounds["true_lower"] - 0.016).sum()  # two calibration errors
    return [
        f"{len(seen)} of {len(part)}",
        _shown(seen["spells"].median(), 0),
        _shown(off.mean(), 3),
        _shown(np.sqrt((off**2).mean()), 3),
        _shown(seen["days"].median(), 0),
        f"{len(dry)} of {len(part)}",
        _shown(np.sqrt((low**2).mean()), 3),
        str(len(bounds)),
        str(hold),
    ]


def _shown(value: float, digits: int) -> str:
    return "-" if np.isnan(value) else f"{value:.{digits}f}"


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="how many unseen seeds")
    parser.add_argument("--skip", type=int, default=0, help="how many of them to pass over")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = UNSEEN_SEEDS[options.skip :][: options.seeds]
    print("\n\n".join(sections(score_limits(seeds, options.workers), seeds)))


if __name__ == "__main__":
    main()
