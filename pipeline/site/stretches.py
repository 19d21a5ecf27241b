"""How often a place should log, over time: one list of stretches for all who ask.

A logger set to another interval is a source of its own from then on, so that how often a
sensor logs is told by the wiring alone. What to expect while nothing is wired is for who asks
to say: an account expects nothing, a day what is missing of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import second_of
from pipeline.site.models import Site, Wire


class Stretch(NamedTuple):
    """A time in which a place should log every ``interval_s``, its end excluded; UTC [s].

    ``interval_s`` is NaN while nothing is wired. The first stretch begins at minus, the last
    ends at plus infinity.
    """

    from_s: float
    until_s: float
    interval_s: float


def stretches_of(wires: Sequence[Wire], site: Site) -> list[Stretch]:
    """Return the stretches of one place in order, without gaps; neighbours differ.

    Parameters
    ----------
    wires : sequence of Wire
        What was wired to the place, in any order. Of several at once the fastest counts.
    site : Site
        Its own interval is the shortest: at most one reading a step is kept.
    """
    every = {s.id: float(s.interval_s or site.interval_s) for s in site.sources}
    rows = [
        (second_of(w.start, -np.inf), second_of(w.until, np.inf), every[w.source])
        for w in wires
    ]
    edges = sorted({-np.inf, np.inf, *(edge for row in rows for edge in row[:2])})
    found: list[Stretch] = []
    for begin, end in pairwise(edges):
        own = [interval for start, until, interval in rows if start <= begin < until]
        held = max(min(own), float(site.interval_s)) if own else np.nan
        if found and np.array_equal(found[-1].interval_s, held, equal_nan=True):
            found[-1] = found[-1]._replace(until_s=end)
        else:
            found.append(Stretch(begin, end, held))
    return found


def intervals_at(stretches: Sequence[Stretch], at_s: NDArray) -> Floats:
    """Return the interval in force at some instants, (instant,) [s]; NaN: nothing is wired.

    Parameters
    ----------
    stretches : sequence of Stretch
        From `stretches_of`.
    at_s : (instant,), UTC [s]
    """
    begins = np.array([stretch.from_s for stretch in stretches])
    held = np.array([stretch.interval_s for stretch in stretches])
    return held[np.searchsorted(begins, at_s, side="right") - 1]


def shortest_within(stretches: Sequence[Stretch], from_s: NDArray, length_s: int) -> Floats:
    """Return the shortest interval that holds for a while in each of some spans, (span,) [s].

    Parameters
    ----------
    stretches : sequence of Stretch
        From `stretches_of`.
    from_s : (span,), UTC [s]
        Where each span begins.
    length_s : int

    Returns
    -------
    array (span,)
        NaN where nothing is wired at any time.
    """
    found = np.full(from_s.size, np.nan)
    for begin, end, interval in stretches:
        meets = (from_s + length_s > begin) & (from_s < end)
        found[meets] = np.fmin(found[meets], interval)
    return found
