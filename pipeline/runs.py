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


def widened(marked: NDArray[np.bool_], before: int, after: int) -> NDArray[np.bool_]:
    """Return marked places with so many places before and after each of them.

    Windows around runs of the result never overlap, so that what is made anew in one of them
    is made in no other.
    """
    places = np.flatnonzero(marked)
    edges = np.zeros(marked.size + 1, dtype=np.int64)
    np.add.at(edges, np.maximum(places - before, 0), 1)
    np.add.at(edges, np.minimum(places + 1 + after, marked.size), -1)
    found: NDArray[np.bool_] = np.cumsum(edges[:-1]) > 0
    return found
