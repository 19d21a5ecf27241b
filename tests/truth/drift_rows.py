"""The report's section on drift between references."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray
from truth_drift import DriftScore, score_drift, suspected
from truth_field import make_field
from truth_site import Instruments

INTERVAL_S = 3600
TARGET = 0.004  # m3 m-3
SOUND_TUBES = (2, 5)  # beside the one that drifts
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
            f"{score.rmse('undrifted'):.4f}",
            f"{score.rmse('left'):.4f}",
            f"{score.moved} of {score.checked}",
        ]


def suspect_cases(seed: int, soil: str) -> dict[int, NDArray[np.int64]]:
    """Return the counts of `suspected` by how many tubes the soil has."""
    counts = {}
    for sound in SOUND_TUBES:
        field = make_field(seed, (soil,), INTERVAL_S, faults=("drift",), sound_tubes=sound)
        counts[sound + 1] = np.array(suspected(field))
    return counts


def suspect_rows(counts: Mapping[int, NDArray[np.int64]]) -> Iterator[list[str]]:
    """Yield the rows of the table of suspects."""
    for tubes, (drifting, found, sound, false) in sorted(counts.items()):
        yield [str(tubes), f"{found} of {drifting}", f"{false} of {sound}"]


HEAD = (
    "laws",
    "monthly references",
    "drifting sensors",
    "before, from the truth",
    "after, from the truth",
    "had it not drifted, from the truth",
    f"after, from had it not drifted (target {TARGET})",
    "sound sensors moved",
)
SUSPECT_HEAD = ("tubes in the soil", "drifting sensors suspected", "sound sensors suspected")
