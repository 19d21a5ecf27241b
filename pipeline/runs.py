"""Runs of changed days."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray


def runs(marked: NDArray[np.bool_], gap: int) -> Iterator[tuple[int, int]]:
    """Yield first place and end of runs of marked places, more than ``gap`` apart."""
    places = np.flatnonzero(marked)
    if not len(places):
        return
    breaks = np.flatnonzero(np.diff(places) > gap)
    starts = np.concatenate([[0], breaks + 1])
    stops = np.concatenate([breaks, [len(places) - 1]])
    for start, stop in zip(starts, stops, strict=True):
        yield int(places[start]), int(places[stop]) + 1
