"""The report's section on drift between references."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from truth_drift import DriftScore, score_drift
from truth_field import make_field
from truth_site import Instruments

INTERVAL_S = 3600
TARGET = 0.004  # m3 m-3
# Whether the laws are exact, and whether hand rounds of a check probe are references.
Case = tuple[bool, bool]


def drift_cases(seed: int, soil: str) -> dict[Case, DriftScore]:
    """Return the scores of one seed and soil, hourly, a drifting sensor in one tube."""
    scores = {}
    for exact in (True, False):
        instruments = Instruments(calibration_error=not exact)
        field = make_field(
            seed, (soil,), INTERVAL_S, instruments=instruments, faults=("drift",)
        )
        for by_hand in (False, True):
            scores[exact, by_hand] = score_drift(field, by_hand)
    return scores


def drift_rows(scores: Mapping[Case, DriftScore]) -> Iterator[list[str]]:
    """Yield the rows of the table."""
    for (exact, by_hand), score in sorted(scores.items(), reverse=True):
        yield [
            "as stated" if exact else "off as in the field",
            "single readings and rounds" if by_hand else "single readings",
            str(score.sensors),
            f"{score.rmse('before'):.4f}",
            f"{score.rmse('after'):.4f}",
            f"{score.moved} of {score.checked}",
        ]


HEAD = (
    "laws",
    "monthly references",
    "drifting sensors",
    "RMSE before",
    f"after (target {TARGET})",
    "sound sensors moved",
)
