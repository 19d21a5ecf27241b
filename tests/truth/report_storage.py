"""How well stored water and its stated uncertainty do where both are known.

Called by ``report.py``; by itself: ``python tests/truth/report_storage.py --seeds 2``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np
from truth_field import SOILS, UNSEEN_SEEDS, Field, make_field
from truth_ground import make_patch
from truth_score import COVERED, run_steps, storage_errors
from truth_site import Instruments

INTERVAL_S, TUBES = 43_200, 60
LAYERS = {"root-zone": "0-30 cm", "profile": "0-100 cm"}


@dataclass(frozen=True)
class Score:
    """One field's stored water in one layer: mm a metre of profile, and shares."""

    covered: float  # share of the cells whose nominal 95 % interval holds the truth
    stated: float  # root mean square of the stated standard uncertainty
    total: float  # root mean square error
    spacing: float  # of it, with true water content at the sensors
    sensors: float  # what noise adds, with laws that are right
    calibration: float  # what laws that are wrong add besides


def score_soil(seed: int, soil: str) -> dict[tuple[str, str], Score]:
    """Return the scores of one field, by soil and layer."""
    make_patch.cache_clear()
    wrong, right = (
        make_field(
            seed,
            (soil,),
            INTERVAL_S,
            instruments=Instruments(calibration_error=error),
            faults=(),
            sound_tubes=TUBES,
        )
        for error in (True, False)
    )
    return {(soil, layer): _score(wrong, right, layer) for layer in LAYERS}


def _score(wrong: Field, right: Field, layer: str) -> Score:
    result, sure = run_steps(wrong), run_steps(right)
    span = next(x for x in wrong.site.derive.layers if x.name == layer)
    metres = span.bottom_m - span.top_m
    found = result.sel(layer=layer)
    stated = np.hypot(found["storage_random_error"], found["storage_systematic_error"])
    error = abs(found["storage"] - wrong.truth["storage"].sel(layer=layer))
    known = error.notnull()
    errors = storage_errors(wrong, result, layer)
    sensors = storage_errors(right, sure, layer).rmse("rest")
    return Score(
        float((error <= COVERED * stated).where(known).mean()),
        float(np.sqrt((stated**2).mean())) / metres,
        errors.rmse("total"),
        errors.rmse("spacing"),
        sensors,
        float(np.sqrt(max(errors.rmse("rest") ** 2 - sensors**2, 0.0))),
    )


def score_storage(seeds: Sequence[int], workers: int) -> dict[tuple[str, str], list[Score]]:
    """Return the scores of all fields, by soil and layer."""
    tasks = list(product(seeds, SOILS))
    scores: dict[tuple[str, str], list[Score]] = {}
    with ProcessPoolExecutor(workers) as pool:
        for found in pool.map(score_soil, *zip(*tasks, strict=True)):
            for key, score in found.items():
                scores.setdefault(key, []).append(score)
    return scores


def sections(
    scores: dict[tuple[str, str], list[Score]], seeds: Sequence[int]
) -> Iterator[str]:
    """Yield the text of this part of the report."""
    yield "### Stored water: error and stated uncertainty, mm a metre of profile"
    yield (
        f"Seeds {seeds[0]} to {seeds[-1]}, {TUBES} tubes a soil, a year at 12 h, no faults. "
        "Coverage: cells whose nominal 95 % interval holds the truth (target 93 to 97). All "
        "errors are root mean squares; all = spacing & calibration & sensors, in quadrature "
        "where they are independent."
    )
    head = ["layer", "soil", "coverage, %", "stated", "all", "spacing", "calibration"]
    head += ["sensors", "beyond spacing (target 3)"]
    lines = [head, ["---"] * len(head)]
    for layer, title in LAYERS.items():
        rows = {soil: scores[soil, layer] for soil in SOILS}
        rows["all soils"] = [score for soil in SOILS for score in scores[soil, layer]]
        lines += [[title, soil, *_row(found)] for soil, found in rows.items()]
    yield "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _row(scores: Sequence[Score]) -> list[str]:
    def mean_square(name: str) -> float:
        return float(np.sqrt(np.mean([getattr(score, name) ** 2 for score in scores])))

    covered = 100 * np.mean([score.covered for score in scores])
    names = ("stated", "total", "spacing", "calibration", "sensors")
    beyond = mean_square("total") - mean_square("spacing")
    return [f"{covered:.1f}", *(f"{mean_square(n):.1f}" for n in names), f"{beyond:.1f}"]


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4, help="how many unseen seeds")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = UNSEEN_SEEDS[: options.seeds]
    print("\n\n".join(sections(score_storage(seeds, options.workers), seeds)))


if __name__ == "__main__":
    main()
