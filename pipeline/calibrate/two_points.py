"""Drift that is another one in dry and in wet: checks in two standards at one visit.

On the bench a sensor is read in a low and in a high standard, such as air and water. Each of
the two is followed by itself as `pipeline.calibrate.drift` does; at every instant the
correction runs linearly in the signal from the one to the other, and beyond them. Single
standards and references in the soil tell one point only and are not used.

References
----------
Hasenmueller (2011), the two-point form of the correction between visits, doi 10.7936/K7N014KS
(cited after the collection of standards this project keeps, from memory):
``C = (m - a) / (b - a) (H - L) + L`` with ``a = L - f (L - L_m)``, ``b = H - f (H - H_m)``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

from pipeline.calibrate.drift import Check, Cleaning, Ramp, Rule, Verdict, follow, visits_of

LOW, HIGH = "low standard", "high standard"
_NONE = Ramp(0, None, 0.0, 0.0, 0.0, 0.0)


class TwoRamps(NamedTuple):
    """A correction over a time: what holds at the low and at the high signal."""

    low: Ramp
    high: Ramp


class Followed(NamedTuple):
    """Corrections and verdicts of a sensor, and the signals that they are told at."""

    ramps: list[TwoRamps]
    verdicts: list[Verdict]
    ends: tuple[float, float]


def follow_two(
    start_s: int,
    until_s: int | None,
    checks: Sequence[Check],
    cleanings: Sequence[Cleaning],
    rule: Rule,
) -> Followed:
    """Return the corrections of one sensor as checks in two standards tell them.

    Parameters and errors as of `pipeline.calibrate.drift.follow`. The two signals are the
    standards of the first visit with two; later visits are taken there along their own line.
    A cleaning moves both alike.
    """
    pairs, single = _pairs(checks, rule.together_s)
    verdicts = [_unused(check) for check in single]
    if not pairs:
        return Followed([], verdicts, (math.nan, math.nan))
    ends = pairs[0][0].signal, pairs[0][1].signal
    found = []
    for kind, at in zip((LOW, HIGH), ends, strict=True):
        own = [_at(pair, at, kind) for pair in pairs]
        ramps, told = follow(start_s, until_s, own, cleanings, rule)
        found.append(ramps)
        verdicts += told if kind == LOW else [v for v in told if v.kind != "cleaning"]
    verdicts.sort(key=lambda verdict: verdict.time_s)
    return Followed(_together(found[0], found[1]), verdicts, ends)


def _pairs(
    checks: Sequence[Check], together_s: int
) -> tuple[list[tuple[Check, Check]], list[Check]]:
    """Return the outermost two standards of each visit, and the checks that are in none."""
    bench = [check for check in checks if check.kind == "bench"]
    single = [check for check in checks if check.kind != "bench"]
    pairs = []
    for visit in visits_of(bench, together_s):
        low = min(visit, key=lambda check: check.signal)
        high = max(visit, key=lambda check: check.signal)
        if low.signal < high.signal:
            pairs.append((low, high))
        else:
            single += visit
    return pairs, single


def _at(pair: tuple[Check, Check], signal: float, kind: str) -> Check:
    """Return what a visit says at a signal, on the line through its two standards."""
    low, high = pair
    share = (signal - low.signal) / (high.signal - low.signal)
    error = (1.0 - share) * low.error + share * high.error
    error_u = math.hypot((1.0 - share) * low.error_u, share * high.error_u)
    time_s = max(low.time_s, high.time_s)
    return replace(low, time_s=time_s, kind=kind, error=error, error_u=error_u, signal=signal)


def _unused(check: Check) -> Verdict:
    told = (check.error, check.error_u, math.nan, 0.0, check.slope, "not used")
    return Verdict(check.time_s, check.kind, *told)


def _together(low: list[Ramp], high: list[Ramp]) -> list[TwoRamps]:
    """Return the times in which either is corrected, cut where one of them begins or ends."""
    edges = {ramp.start_s for ramp in (*low, *high)}
    edges |= {r.until_s for r in (*low, *high) if r.until_s is not None}
    is_open = any(ramp.until_s is None for ramp in (*low, *high))
    found = []
    for start_s, until_s in pairwise([*sorted(edges), *([None] if is_open else [])]):
        if start_s is None:
            continue
        parts = [_part(ramps, start_s, until_s) for ramps in (low, high)]
        if any(part.first or part.last for part in parts):
            found.append(TwoRamps(*parts))
    return found


def _part(ramps: list[Ramp], start_s: int, until_s: int | None) -> Ramp:
    """Return the part of the ramp that holds over a time with no edge in it."""
    for ramp in ramps:
        if ramp.start_s <= start_s and (ramp.until_s is None or start_s < ramp.until_s):
            first, first_error = _value(ramp, start_s)
            last, last_error = (
                (first, first_error) if until_s is None else _value(ramp, until_s)
            )
            return Ramp(start_s, until_s, first, last, first_error, last_error, ramp.growth)
    return replace(_NONE, start_s=start_s, until_s=until_s)


def _value(ramp: Ramp, at_s: int) -> tuple[float, float]:
    """Return a ramp's correction and uncertainty at an instant."""
    passed = at_s - ramp.start_s
    if ramp.until_s is None:
        return ramp.first, math.hypot(ramp.first_error, ramp.growth * passed)
    part = passed / (ramp.until_s - ramp.start_s)
    return (
        ramp.first + (ramp.last - ramp.first) * part,
        ramp.first_error + (ramp.last_error - ramp.first_error) * part,
    )
