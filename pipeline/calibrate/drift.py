"""Drift between checks, as hydrological practice corrects it.

At a check something is known of a sensor's error; between two checks the error is taken to
have grown linearly. Errors count as reference minus reading, so that they are added. All here
is in one domain, that of the sensor's signal: volts, root permittivity, or water content.

A reference and a sensor seldom agree even without drift: the law between them is not exact.
That standing difference is no drift and is not corrected;
`pipeline.calibrate.drift_record` tells how the two are told apart.

References
----------
Wagner, Boulger, Oblinger & Smith (2006), Guidelines and standard procedures for continuous
water-quality monitors, U.S. Geological Survey Techniques and Methods 1-D3 (from memory). The
criterion, the standing difference and the rating are ours: there is no row for soil water.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.calibrate.drift_record import Check, Node, Record

# Upper bounds of the corrections [m3 m-3] that a record may carry and still be called so.
# This rating is our own; published ones are for other quantities.
RATINGS = ((0.01, "excellent"), (0.02, "good"), (0.04, "fair"), (math.inf, "poor"))


def fouling_error(
    after: float, before: float, reference_after: float = 0.0, reference_before: float = 0.0
) -> float:
    """Return what cleaning changed of a reading, less what the soil changed meanwhile.

    ``E_f = (M_a - M_b) - (F_e - F_s)`` of Wagner et al. (2006).
    """
    return (after - before) - (reference_after - reference_before)


def calibration_error(standard: float, reading: float) -> float:
    """Return by how much a sensor is off in a standard: ``E_d = V_s - V_c``."""
    return standard - reading


def prorated(first: float, last: float, part: float) -> float:
    """Return a correction when a part (0 to 1) of the time between two checks has passed."""
    return first + (last - first) * part


def rating(correction: float) -> str:
    """Return our own rating of a record that carries a correction [m3 m-3]."""
    return next(name for bound, name in RATINGS if abs(correction) <= bound)


@dataclass(frozen=True, order=True)
class Cleaning:
    """By how much a reading rose when the sensor was cleaned (`fouling_error`).

    ``doubt`` is that part of its uncertainty by which the soil may have moved meanwhile.
    """

    time_s: int
    step: float
    step_u: float
    slope: float
    doubt: float = 0.0


@dataclass(frozen=True)
class NewLaw:
    """Another law of the soil that begins to hold; ``checks`` are the last visit's by it."""

    time_s: int
    checks: tuple[Check, ...] = ()


@dataclass(frozen=True)
class Rule:
    """When something is corrected; see `pipeline.site.instruments.Drift`."""

    coverage: float = 3.0
    largest: float = 0.15  # m3 m-3
    together_s: int = 7200  # checks no farther apart are one


@dataclass(frozen=True)
class Ramp:
    """A correction from one node to another; ``until_s`` None: until a check ends it."""

    start_s: int
    until_s: int | None
    first: float
    last: float
    first_error: float
    last_error: float
    growth: float = 0.0


@dataclass(frozen=True)
class Verdict:
    """What was made of a check or a cleaning.

    ``error`` is what goes beyond the standing difference, ``limit`` what chance explains.
    ``verdict`` is "within", "corrected", "too large", "no step", "soil moved" where what a
    cleaning changed cannot be told from the soil, or "passed" where a later check found
    nothing of it.
    """

    time_s: int
    kind: str
    error: float
    error_u: float
    limit: float
    correction: float
    slope: float
    verdict: str


def follow(
    start_s: int,
    until_s: int | None,
    checks: Sequence[Check],
    cleanings: Sequence[Cleaning],
    rule: Rule,
    laws: Sequence[NewLaw] = (),
) -> tuple[list[Ramp], list[Verdict]]:
    """Return the corrections of one sensor while nothing but time changed it.

    Parameters
    ----------
    start_s, until_s : int, int or None
        From a fresh sensor to the next, or None. No correction outlives it.
    checks, cleanings : sequence
        In any order. ``error_u`` must be above zero.
    rule : Rule
    laws : sequence of NewLaw
        Laws of the soil that begin meanwhile, after the first.

    Returns
    -------
    list of Ramp, list of Verdict
        In order of time. What holds before a check does not depend on any later one, but for
        the time since the check before it: that is where the error grew. A visit whose
        finding has passed by a later one is no check; it has the verdict "passed".
    """
    others: list[Cleaning | NewLaw] = [*cleanings, *laws]
    parted = {other.time_s for other in others}
    visits = visits_of(checks, rule.together_s, parted)
    passed: list[Verdict] = []
    while True:
        ramps, verdicts, none = _follow(start_s, until_s, visits, others, rule)
        if none is None:
            return ramps, sorted([*verdicts, *passed], key=lambda verdict: verdict.time_s)
        visits = [group for group in visits if group[-1].time_s != none.time_s]
        passed.append(replace(none, correction=0.0, verdict="passed"))


def _follow(
    start_s: int,
    until_s: int | None,
    visits: Sequence[list[Check]],
    others: Sequence[Cleaning | NewLaw],
    rule: Rule,
) -> tuple[list[Ramp], list[Verdict], Verdict | None]:
    """Return what `follow` does, or the verdict of a visit that is found to be no check."""
    last, record = Node(start_s), Record(start_s, rule.coverage, clean_s=start_s)
    ramps: list[Ramp] = []
    verdicts: list[Verdict] = []
    for event in _in_order(visits, others):
        if isinstance(event, NewLaw):
            held, last = _under(event, last, visits, record)
            ramps += held
            continue
        if isinstance(event, Cleaning):
            began = record.clean_s
            before, after, verdict, whole = _clean(last, event, record, rule)
            if whole is not None:
                ramps = [*(ramp for ramp in ramps if ramp.start_s < began), *whole]
                last = before = after
        else:
            before, verdict, passed_s = _check(last, event, record, rule)
            if passed_s is not None:
                told = (v for v in verdicts if v.time_s == passed_s and v.kind != "cleaning")
                return [], [], next(told)
            after = before
        verdicts.append(verdict)
        if before is not last:
            ramps += _ramp(last, before)
            last = after
    if last.value != 0.0 and (until_s is None or until_s > last.time_s):
        ramps.append(_held(last, until_s))
    return ramps, verdicts, None


def _in_order(
    visits: Iterable[list[Check]], others: Iterable[Cleaning | NewLaw]
) -> list[list[Check] | Cleaning | NewLaw]:
    """Return all events in order of time; of one instant a visit finds what has begun."""
    events: list[tuple[int, int, list[Check] | Cleaning | NewLaw]] = [
        (other.time_s, int(isinstance(other, NewLaw)), other) for other in others
    ]
    events += [(group[0].time_s, 2, group) for group in visits]
    return [event for _, _, event in sorted(events, key=lambda event: event[:2])]


def _held(last: Node, until_s: int | None) -> Ramp:
    """Return what stands after the last check."""
    held = (last.value, last.value, last.error, last.error, abs(last.rate))
    return Ramp(last.time_s, until_s, *held)


def _under(
    law: NewLaw, last: Node, visits: Sequence[list[Check]], record: Record
) -> tuple[list[Ramp], Node]:
    """Return what a new law of the soil ends, and the node from which drift goes on.

    Drift is the sensor's and goes on. Where by the new law the last visit lies nearer to the
    reading as logged than to the corrected one, the law was made for readings as they had
    drifted: what was known is within it, and the record begins anew.
    """
    visit = next((v for v in reversed(visits) if v[-1].time_s < law.time_s), [])
    known = {(check.time_s, check.kind) for check in visit}
    own = [check for check in law.checks if (check.time_s, check.kind) in known]
    if last.value != 0.0 and own and (record.checks or record.older):
        weights = [check.error_u**-2 for check in own]
        sums = sum(w * check.error for w, check in zip(weights, own, strict=True))
        error = sums / sum(weights)
        if abs(error - last.value) > abs(error):
            record.begin_anew(law.time_s)
            return [_held(last, law.time_s)], Node(law.time_s)
    record.begin_law(law.time_s, last.value, last.error)
    return [], last


def visits_of(
    checks: Sequence[Check], together_s: int, cleaned: Collection[int] = ()
) -> list[list[Check]]:
    """Return the checks in order, those close in time as one unless a cleaning parts them."""
    groups: list[list[Check]] = []
    for check in sorted(checks):
        first_s = groups[-1][0].time_s if groups else check.time_s
        parted = any(first_s < at <= check.time_s for at in cleaned)
        if groups and check.time_s - first_s <= together_s and not parted:
            groups[-1].append(check)
        else:
            groups.append([check])
    return groups


def _check(
    last: Node, checks: list[Check], record: Record, rule: Rule
) -> tuple[Node, Verdict, int | None]:
    """Return the node at a check, and the time of a visit that was none.

    The node holds the correction if drift shows, else none.
    """
    found = record.judge(checks, rule.largest)
    kinds = " and ".join(sorted({check.kind for check in checks}))
    time_s, slope = checks[-1].time_s, checks[-1].slope
    word = "too large" if found.refused else "corrected" if found.shows else "within"
    value = last.value if found.refused else record.known
    error = record.known_u
    if found.shows:
        value, error = value + found.drift, found.error
    told = (found.drift, found.error, found.limit, value, slope, word)
    verdict = Verdict(time_s, kinds, *told)
    if found.refused or found.passed is not None:
        return last, verdict, found.passed
    return _node(last, time_s, value, error), verdict, None


def _clean(
    last: Node, cleaning: Cleaning, record: Record, rule: Rule
) -> tuple[Node, Node, Verdict, list[Ramp] | None]:
    """Return the nodes before and after a cleaning, and what settles the time before it.

    What was corrected and did not go with the dirt stays. Where it all went, and the checks
    since the sensor was last clean lie on one line to what the cleaning found, that line
    replaces what was made of them one by one.
    """
    limit = rule.coverage * cleaning.step_u
    head = (cleaning.time_s, "cleaning", cleaning.step, cleaning.step_u, limit)
    large = abs(cleaning.step) * cleaning.slope > rule.largest
    if abs(cleaning.step) <= limit or large:
        sure_u = math.sqrt(max(cleaning.step_u**2 - cleaning.doubt**2, 0.0))
        moved = abs(cleaning.step) > rule.coverage * sure_u
        word = "too large" if large else "soil moved" if moved else "no step"
        return last, last, Verdict(*head, last.value, cleaning.slope, word), None
    rest = last.value - cleaning.step
    rest_u = math.hypot(last.error, cleaning.step_u)
    stays = rest * last.value > 0 and abs(rest) > rule.coverage * rest_u
    rest, rest_u = (rest, rest_u) if stays else (0.0, 0.0)
    before = _node(
        last, cleaning.time_s, cleaning.step + rest, math.hypot(cleaning.step_u, rest_u)
    )
    after = Node(cleaning.time_s, rest, rest_u)
    whole = None if stays else _settled(cleaning, record)
    record.begin_anew(cleaning.time_s)
    return before, after, Verdict(*head, before.value, cleaning.slope, "corrected"), whole


def _settled(cleaning: Cleaning, record: Record) -> list[Ramp] | None:
    """Return the course of the drift up to a cleaning, None if the checks refuse it."""
    nodes = record.settle(cleaning.time_s, cleaning.step, cleaning.step_u)
    if nodes is None:
        return None
    return [
        Ramp(a.time_s, b.time_s, a.value, b.value, a.error, b.error)
        for a, b in pairwise(nodes)
    ]


def _node(last: Node, time_s: int, value: float, error: float) -> Node:
    passed = time_s - last.time_s
    return Node(time_s, value, error, (value - last.value) / passed if passed > 0 else 0.0)


def _ramp(first: Node, last: Node) -> list[Ramp]:
    """Return the ramp between two nodes, none where nothing is to be corrected."""
    if last.time_s <= first.time_s or (first.value == 0.0 and last.value == 0.0):
        return []
    ends = (first.value, last.value, first.error, last.error)
    return [Ramp(first.time_s, last.time_s, *ends)]


def stretches(start_s: int, resets: Iterable[int]) -> list[tuple[int, int | None]]:
    """Return the times between the instants at which a sensor was another one."""
    edges: list[int | None] = [start_s, *sorted({r for r in resets if r > start_s}), None]
    return [(first, last) for first, last in pairwise(edges) if first is not None]
