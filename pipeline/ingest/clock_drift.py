"""Checks of a logger's clock as a correction of its stamps, and the correction undone.

Between two checks the clock is taken to have drifted linearly, as a record is prorated between
two visits. Before the first check nothing is known and nothing is corrected: whoever checks
the clock when a logger is put out gets the time until the next visit corrected too. After the
last check its offset is kept until the next one replaces it.

Two checks within `VISIT_S` are one visit: the clock as found, and the clock as left. Between
them it was set, which is a step at the later one. Where no check came before, the step is
known all the same: what was logged after it is told apart and corrected, what was logged
before it stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clock_order import Borders
from pipeline.site.clock_checks import VISIT_S, ClockCheck

Nodes = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Drift:
    """A clock's rules: rule 0 leaves stamps alone, rule k corrects by ``nodes[k - 1]``."""

    borders: Borders
    nodes: tuple[Nodes, ...]


def drift_rules(checks: Sequence[ClockCheck]) -> Drift | None:
    """Return the rules that checks of a clock make, None without a check.

    Checks that were off by days are left out: no clock drifts there.
    """
    usable = [check for check in checks if not check.is_gross]
    if not usable:
        return None
    parts: list[list[ClockCheck]] = [[usable[0]]]
    set_at: list[ClockCheck] = []
    for before, after in pairwise(usable):
        if after.true_s - before.true_s <= VISIT_S:
            parts.append([])
            set_at.append(after)
        parts[-1].append(after)
    ends = [
        check.true_s + round(part[-1].offset_s)
        for part, check in zip(parts, set_at, strict=False)
    ]
    begins = [check.true_s + round(check.offset_s) for check in set_at]
    if set_at and set_at[0] is usable[1]:  # nothing is known up to this setting
        parts = parts[1:]
    else:
        first = _node(usable[0])[0]
        ends, begins = [first, *ends], [first, *begins]
    # A clock set twice within less than the step has no order on its own dial; keep one.
    low = np.maximum.accumulate(np.array([*map(min, ends, begins)], dtype=np.int64))
    high = np.maximum.accumulate(np.array([*map(max, ends, begins)], dtype=np.int64))
    back = np.array([b < e for b, e in zip(begins, ends, strict=True)])
    return Drift(Borders(low, high, back), tuple(tuple(map(_node, part)) for part in parts))


def first_setting(checks: Sequence[ClockCheck], utc_s: int, interval_s: int) -> str:
    """Say what is missing where a row follows a setting that no check came before; or nothing.

    How far the clock was off as it was found is known of that moment alone: to correct the
    rows just before by it would leave the same step an hour, or a day, earlier.

    Parameters
    ----------
    checks : sequence of ClockCheck
        Of the source, in order of time.
    utc_s : int
        The first row after a step back, as logged.
    interval_s : int
        Logging interval.
    """
    usable = [check for check in checks if not check.is_gross][:2]
    if len(usable) < 2 or usable[1].true_s - usable[0].true_s > VISIT_S:
        return ""
    found, left = usable
    first = left.true_s + round(left.offset_s) - interval_s
    if not first <= utc_s <= left.true_s + round(found.offset_s) + interval_s:
        return ""
    return (
        f"; the visit at {np.datetime64(left.true_s, 's')}Z set it, but no check before that "
        f"visit tells since when it was {found.offset_s:+g} s off: write one at that time"
    )


def _node(check: ClockCheck) -> tuple[int, float]:
    return check.true_s + round(check.offset_s), check.offset_s


def ahead_s(logged_s: NDArray[np.int64], nodes: Nodes) -> NDArray[np.int64]:
    """Return how far a drifting clock was ahead of true time, in whole seconds.

    Parameters
    ----------
    logged_s : array (n,)
        What the clock showed, brought to UTC.
    nodes : tuple of (int, float)
        As in `Repair`.
    """
    at = np.array([node for node, _ in nodes], dtype=np.float64)
    offset = np.array([value for _, value in nodes], dtype=np.float64)
    return np.rint(np.interp(logged_s.astype(np.float64), at, offset)).astype(np.int64)


def undo_drift(true_s: NDArray[np.int64], nodes: Nodes) -> NDArray[np.int64]:
    """Return what the clock showed when it was corrected to ``true_s``.

    A fast clock shows more seconds than there are: where it gained one, two stamps a second
    apart were corrected to the same instant. Of those the one at a full minute is returned, as
    loggers write them, else the earlier.
    """
    # The drift is far slower than time, so two rounds come within a second of the answer.
    guess = true_s + ahead_s(true_s, nodes)
    guess = true_s + ahead_s(guess, nodes)
    best = guess.copy()
    rank = np.full(len(true_s), 3)
    for step in (-2, -1, 0, 1, 2):
        candidate = guess + step
        fits = candidate - ahead_s(candidate, nodes) == true_s
        its_rank = np.where(fits, np.where(candidate % 60 == 0, 0, 1), 3)
        better = its_rank < rank
        best[better], rank[better] = candidate[better], its_rank[better]
    return best
