"""The part of the report on site means: how often their intervals hold the truth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from itertools import product

import numpy as np
from truth_field import SOILS
from truth_ground import make_patch
from truth_space import CASES, COUNTS, Covered, score_sites

Scores = dict[tuple[str, bool, int], Covered]


def score_space(seed: int, soil: str) -> Scores:
    """Return the scores of one seed and soil."""
    make_patch.cache_clear()
    return score_sites(seed, soil)


def space_sections(pool: Executor, seeds: Sequence[int]) -> Iterator[str]:
    """Yield the text of this part."""
    total: Scores = {}
    for part in pool.map(score_space, *zip(*product(seeds, SOILS), strict=True)):
        for key, covered in part.items():
            mine = total.setdefault(key, Covered([], []))
            mine.share += covered.share
            mine.width += covered.width
    yield "### Site means of few tubes: days whose 95 % interval holds the field's mean"
    head = ["tubes err", "read", *(f"{count} tubes: %, ± m³ m⁻³" for count in COUNTS)]
    rows = [_row(total, *case) for case in CASES]
    yield "\n".join("| " + " | ".join(r) + " |" for r in [head, ["---"] * len(head), *rows])
    sites = len(next(iter(total.values())).share) // 6
    chance = 100 * np.sqrt(0.95 * 0.05 / sites)
    yield (
        f"Of {sites} sites a case, six depths each; by chance alone a share differs from 95 "
        f"by up to {chance:.1f} (one standard deviation, the depths of a site taken as one)."
    )


def _row(total: Scores, errors: str, whole: bool) -> list[str]:
    cells = []
    for count in COUNTS:
        covered = total[errors, whole, count]
        cells.append(f"{100 * np.mean(covered.share):.1f}, {np.mean(covered.width):.4f}")
    read = "every day" if whole else "some later, a third weekly"
    return [errors, read, *cells]
