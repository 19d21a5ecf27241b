"""How well the mean of a few tubes tells that of a field whose water is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from truth_field import Field, make_field
from truth_ground import PROFILES
from truth_score import run_steps
from truth_site import DEPTHS_M, LAW_ERROR, covariance

from pipeline.derive.means import mean_columns

Array = NDArray[np.float64]
STEPS_A_DAY = 2
# Whether tubes err each for itself or all alike; whether all are read every day.
CASES = (("each its own", True), ("each its own", False), ("all alike", True))
COUNTS = (3, 6, 12)  # tubes of a site
WEEKLY = 7


@dataclass
class Covered:
    """Sites drawn: share of days whose interval holds the truth, and half its width."""

    share: list[float]
    width: list[float]


def make_tubes(seed: int, soil: str, days: int, tubes: int) -> tuple[Field, Array, Array]:
    """Return a field without faults, and water content and its stated shared error by day.

    Returns
    -------
    field : Field
    water, error : (day, tube, depth), [m3 m-3]
    """
    field = make_field(
        seed, (soil,), 86_400 // STEPS_A_DAY, days, faults=(), sound_tubes=tubes
    )
    result = run_steps(field)
    names = ("cleaned_water_content", "systematic_error")
    water, error = (by_day(result[name].values) for name in names)
    return field, water, error


def by_day(values: NDArray) -> Array:
    """Return means of days from (time, tube, depth)."""
    return values.astype(np.float64).reshape(-1, STEPS_A_DAY, *values.shape[1:]).mean(axis=1)


def score_sites(
    seed: int, soil: str, days: int = 120, tubes: int = 120, sites: int = 40
) -> dict[tuple[str, bool, int], Covered]:
    """Return how often the interval of the site mean holds the true mean of the field.

    Sites are tubes drawn at random from a field of many, which stand for its places without
    end; the truth is the mean over all of them.
    """
    field, water, error = make_tubes(seed, soil, days, tubes)
    truth = by_day(field.truth["water_content"].values)
    field_mean = truth.mean(axis=1)
    random = np.random.default_rng(seed)
    found = {(*case, count): Covered([], []) for case in CASES for count in COUNTS}
    for (errors, complete, count), covered in found.items():
        for _ in range(sites):
            drawn = random.choice(tubes, count, replace=False)
            read = water[:, drawn]
            if errors == "all alike":
                read = truth[:, drawn] + shared_error(truth[:, drawn], soil, random)
            if not complete:
                read = with_gaps(read, random)
            _count(covered, read, error[:, drawn], field_mean)
    return found


def shared_error(water: Array, soil: str, random: np.random.Generator) -> Array:
    """Return one error of the law, the same in all tubes, drawn from what the law states."""
    slope, offset = random.multivariate_normal(np.zeros(2), covariance())
    layers = [
        next(x for x in PROFILES[soil] if 100 * depth < x.bottom_cm) for depth in DEPTHS_M
    ]
    stated = np.array([(layer.slope, layer.offset) for layer in layers])
    root = (water - stated[:, 1]) / stated[:, 0]
    return slope * root + offset + LAW_ERROR * random.standard_normal(len(DEPTHS_M))


def with_gaps(water: Array, random: np.random.Generator) -> Array:
    """Return the values of tubes of which some come later and a third is read once a week."""
    days, tubes = water.shape[:2]
    read = water.copy()
    for tube in range(tubes):
        if tube % 3 == 2:
            weekly = np.arange(days) % WEEKLY != tube % WEEKLY
            read[weekly, tube] = np.nan
        elif tube % 3 == 1:
            read[: int(random.uniform(0.0, 0.6) * days), tube] = np.nan
    return read


def _count(covered: Covered, water: Array, error: Array, truth: Array) -> None:
    for depth in range(water.shape[2]):
        columns, _ = mean_columns(water[:, :, depth], error[:, :, depth])
        inside = (columns["lower"] <= truth[:, depth]) & (truth[:, depth] <= columns["upper"])
        told = np.isfinite(columns["lower"])
        covered.share.append(float(inside[told].mean()))
        covered.width.append(float((columns["upper"] - columns["lower"])[told].mean() / 2))
