"""How well the health of tubes is told where it is known: planted against named.

Called by ``report.py``; by itself: ``python tests/truth/report_health.py --seeds 2``.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import product

from truth_field import SOILS, UNSEEN_SEEDS, make_field, without_rain
from truth_ground import make_patch
from truth_health import (
    confusion,
    health_of_field,
    missed,
    telling_events,
    verdicts_by_role,
)
from truth_score import run_steps

from pipeline.qc.findings import Verdict

INTERVALS_S = (600, 3600)
# Of the unseen seeds the first two were looked at while voids were told from heavy rain.
SEEDS = 3
CASES = tuple(product(INTERVALS_S, (True, False), (True, False)))
Case = tuple[int, bool, bool]  # interval, rain logged, hand rounds walked


@dataclass
class Health:
    """What was counted over fields: named kinds, verdicts, and what was missed."""

    named: Counter[tuple[str, str]] = field(default_factory=Counter)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)
    found: Counter[tuple[str, Case]] = field(default_factory=Counter)
    planted: Counter[tuple[str, Case]] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)

    def add(self, other: Health) -> None:
        """Add what was counted elsewhere."""
        for name in ("named", "verdicts", "found", "planted"):
            getattr(self, name).update(getattr(other, name))
        self.lost += other.lost


def score_soil(seed: int, soil: str) -> Health:
    """Return what was counted in the fields of one seed and soil."""
    make_patch.cache_clear()
    total = Health()
    for interval_s in INTERVALS_S:
        whole = make_field(seed, (soil,), interval_s)
        result = run_steps(whole)
        for rain, rounds in product((True, False), (True, False)):
            known = whole if rain else without_rain(whole)
            health, verdicts = health_of_field(known, result, with_rounds=rounds)
            total.add(_count(known.roles, health, verdicts, (interval_s, rain, rounds)))
            if rounds:
                total.lost += [
                    f"{name}, seed {seed}, {interval_s // 60} min"
                    for name in missed(known.roles, health)
                ]
    return total


def _count(roles, health, verdicts, case: Case) -> Health:
    part = Health(planted=Counter((role, case) for role in roles.values()))
    part.found.update((role, case) for role in telling_events(roles, health))
    if case[2]:
        part.named.update(confusion(roles, health))
        part.verdicts.update(verdicts_by_role(roles, verdicts))
    return part


def score_health(seeds: Sequence[int], workers: int) -> Health:
    """Return what was counted over all seeds and soils."""
    total = Health()
    tasks = list(product(seeds, SOILS))
    with ProcessPoolExecutor(workers) as pool:
        for part in pool.map(score_soil, *zip(*tasks, strict=True)):
            total.add(part)
    return total


def sections(health: Health, seeds: Sequence[int]) -> Iterator[str]:
    """Yield the text of this part of the report."""
    yield "### Health of tubes: what was planted, and what was named"
    yield (
        f"Seeds {seeds[0]} to {seeds[-1]}, soils {', '.join(SOILS)}, a year each at 10 min "
        "and at 1 h, with and without rain logged, with hand rounds in three directions every "
        "30 days. Each tube counts once a case and may be named several things; worn tubes "
        "are sound but for passing faults (spikes, steps, gaps)."
    )
    yield _crossed(health.named)
    yield 'Verdicts on the same tubes (target: no sound tube gets "do not use"):'
    yield _crossed(health.verdicts, [verdict.text for verdict in Verdict])
    yield (
        "Voids, stones and gaps along the wall not named though three or more events told of "
        f"them (target 0): {len(health.lost)}{''.join(f'; {name}' for name in health.lost)}."
    )
    yield "Share named rightly, by what there was to go by:"
    kinds = [kind for kind in dict.fromkeys(role for role, _ in health.planted) if kind]
    head = ["planted", *(_case_text(case) for case in CASES)]
    rows = [[kind, *(_share(health, kind, case) for case in CASES)] for kind in kinds]
    yield _table(head, [row for row in rows if row[0] not in ("sound", "worn")])


def _case_text(case: Case) -> str:
    rain = "rain" if case[1] else "no rain"
    return f"{case[0] // 60} min, {rain}, {'rounds' if case[2] else 'no rounds'}"


def _share(health: Health, kind: str, case: Case) -> str:
    return f"{health.found[kind, case]} of {health.planted[kind, case]}"


def _crossed(counts: Counter[tuple[str, str]], columns: Sequence[str] = ()) -> str:
    """Return counts by planted and named as a table."""
    planted = list(dict.fromkeys(role for role, _ in sorted(counts)))
    named = list(columns) or list(dict.fromkeys(sorted(name for _, name in counts)))
    rows = [[role, *(str(counts[role, name]) for name in named)] for role in planted]
    return _table(["planted", *named], rows)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def main() -> None:
    """Score all fields, two at a time, and print this part of the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=SEEDS, help="how many unseen seeds")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = UNSEEN_SEEDS[: options.seeds]
    print("\n\n".join(sections(score_health(seeds, options.workers), seeds)))


if __name__ == "__main__":
    main()
