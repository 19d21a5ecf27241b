"""Print how well wetting events, drainage and uptake come out where the truth is known.

Kept in docs/truth.md. By hand: ``python tests/truth/report_events.py --seeds 2`` with
``tests/support`` and ``data`` on the path.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product

from event_score import (
    SIZES_MM,
    SPEEDS_PER_H,
    EventScore,
    conductivity_shares,
    drainage_shares,
    onset_shares,
    onset_shares_by_speed,
    score_events,
    uptake_shares,
)
from truth_field import SOILS, UNSEEN_SEEDS, make_field
from truth_ground import make_patch
from truth_score import run_steps
from truth_site import DEPTHS_M

INTERVALS_S = (600, 3600)
SEEDS = 2


def score_seed(seed: int, soil: str, tubes: int = 2) -> dict[int, EventScore]:
    """Return the scores of a year of one soil, by interval."""
    make_patch.cache_clear()
    scores = {}
    for interval_s in INTERVALS_S:
        field = make_field(seed, (soil,), interval_s, faults=(), sound_tubes=tubes)
        scores[interval_s] = score_events(field, run_steps(field))
    return scores


def event_sections(scores: dict[int, EventScore], seeds: Sequence[int]) -> Iterator[str]:
    """Yield the text of the report, part by part."""
    names = [f"{interval // 60} min" for interval in scores]
    span = f"{seeds[0]} to {seeds[-1]}" if len(seeds) > 1 else f"{seeds[0]}"
    yield "### Wetting events"
    yield f"Unseen seeds {span}; soils {', '.join(SOILS)}; a year each; without faults."
    onsets = [onset_shares(score, interval) for interval, score in scores.items()]
    yield _table(["onsets at single sensors", *names], onsets)
    edges = [f"{1e4 * speed:g}" for speed in SPEEDS_PER_H[1:-1]]
    classes = [
        f"below {edges[0]}",
        *(f"to {edge}" for edge in edges[1:]),
        f"above {edges[-1]}",
    ]
    for interval, score in scores.items():
        head = [f"by speed, 0.0001 an hour; {interval // 60} min", *classes]
        yield _table(head, onset_shares_by_speed(score, interval))
    drained = [drainage_shares(score) for score in scores.values()]
    yield _table(["drained past a sensor, events without overlap", *names], drained)
    for interval, score in scores.items():
        columns = [drainage_shares(score, depth) for depth in DEPTHS_M]
        head = [f"the same by depth, {interval // 60} min"]
        yield _table([*head, *(f"{100 * depth:g} cm" for depth in DEPTHS_M)], columns)
        columns = [drainage_shares(score, size=n) for n in range(len(SIZES_MM) - 1)]
        sizes = ["upwards", *(f"to {top:g} mm" for top in SIZES_MM[2:-1])]
        head = [
            f"the same by amount, {interval // 60} min",
            *sizes,
            f"above {SIZES_MM[-2]:g} mm",
        ]
        yield _table(head, columns)
    yield _table(
        ["conductivity in the field, by class of water content", *names],
        [conductivity_shares(score) for score in scores.values()],
    )
    yield _table(
        ["uptake and evaporation above a sensor, by day", *names],
        [uptake_shares(score) for score in scores.values()],
    )


def _table(head: Sequence[str], columns: Sequence[dict[str, float]]) -> str:
    rows = [[name, *(_number(column[name]) for column in columns)] for name in columns[0]]
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _number(value: float) -> str:
    return f"{value:.0f}" if value >= 20 else f"{value:.2f}"


def main() -> None:
    """Score all fields and print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=SEEDS, help="how many unseen seeds")
    parser.add_argument("--first", type=int, default=UNSEEN_SEEDS[0], help="of the seeds")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    tasks = list(product(seeds, SOILS))
    scores = {interval: EventScore() for interval in INTERVALS_S}
    with ProcessPoolExecutor(options.workers) as pool:
        for part in pool.map(score_seed, *zip(*tasks, strict=True)):
            for interval, score in part.items():
                scores[interval].add(score)
    print("\n\n".join(event_sections(scores, seeds)))


if __name__ == "__main__":
    main()
