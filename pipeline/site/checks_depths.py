"""Depths that do not fit the probe, its siblings or the soil."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import datetime
from itertools import combinations

from pipeline.errors import Problem
from pipeline.site.cross_wiring import period
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS

# Fewer tubes than this show no pattern that one of them could break.
_LEAST_TUBES = 3


def probe_in_two_tubes(site: Site) -> Iterator[Problem]:
    """Name probes wired in two tubes at once: they can be in one hole only."""
    wires: dict[str, list[Wire]] = defaultdict(list)
    for wire in site.wiring:
        if wire.probe and wire.tube:
            wires[wire.probe].append(wire)
    for probe, rows in wires.items():
        told: set[tuple[str, str]] = set()
        for first, second in combinations(rows, 2):
            pair = (first.tube, second.tube)
            if first.tube == second.tube or pair in told or not _meet(site, first, second):
                continue
            told.add(pair)
            found = (
                f"probe {probe!r} in tube {second.tube!r} while line {first.row} has it in "
                f"tube {first.tube!r}"
            )
            advice = "Look at the probe's name, or end the earlier row with 'until'."
            place = f"line {second.row}, column probe"
            yield Problem("wiring.csv", place, found, "a probe in one tube at a time", advice)


def _meet(site: Site, first: Wire, second: Wire) -> bool:
    """Tell whether two rows hold at the same time."""
    (a, b), (c, d) = (period(w, site.tube_by_id.get(w.tube)) for w in (first, second))
    return a < d and c < b


def probe_at_other_depths(site: Site) -> Iterator[Problem]:
    """Name probes whose sensors were at other depths before: a probe's sensors do not move."""
    stays: dict[tuple[str, str], dict[tuple[str, datetime], list[Wire]]]
    stays = defaultdict(lambda: defaultdict(list))
    for wire in site.wiring:
        if wire.probe and wire.depth_m is not None:
            start, _ = period(wire, site.tube_by_id.get(wire.tube))
            stays[wire.probe, wire.quantity][wire.tube, start].append(wire)
    for (probe, _), groups in stays.items():
        ordered = sorted(groups.values(), key=lambda rows: rows[0].row)
        for rows in ordered[1:]:
            swapped = _substitution(_depths(rows), _depths(ordered[0]))
            if swapped is not None:
                depth, likely = swapped
                row = next(wire for wire in rows if wire.depth_m == depth)
                other = ordered[0][0].row
                found = f"a sensor of probe {probe!r} at {_cm(depth)}"
                expected = f"{_cm(likely)}, as from line {other} on"
                advice = f"Did you mean '{likely * 100:g}'?"
                yield _at(row, found, expected, advice)


def depth_unlike_siblings(site: Site) -> Iterator[Problem]:
    """Name a tube's one depth that no other tube has, where it lacks one that most have."""
    tubes: dict[str, list[Wire]] = defaultdict(list)
    for wire in site.wiring:
        if wire.tube and wire.depth_m is not None:
            tubes[wire.tube].append(wire)
    if len(tubes) < _LEAST_TUBES:
        return
    used = Counter(depth for wires in tubes.values() for depth in _depths(wires))
    for tube, wires in tubes.items():
        swapped = _substitution(
            {depth for depth in _depths(wires)},
            {depth for depth, count in used.items() if count > len(tubes) / 2},
        )
        if swapped is None or used[swapped[0]] > 1:
            continue
        depth, likely = swapped
        row = next(wire for wire in wires if wire.depth_m == depth)
        found = f"a sensor at {_cm(depth)} in tube {tube!r}, a depth no other tube has"
        expected = f"{_cm(likely)}, which most tubes have and this one lacks"
        yield _at(row, found, expected, f"Did you mean '{likely * 100:g}'?")


def _depths(wires: list[Wire]) -> set[float]:
    return {wire.depth_m for wire in wires if wire.depth_m is not None}


def _substitution(found: set[float], usual: set[float]) -> tuple[float, float] | None:
    """Return (odd depth, depth it stands for) where exactly one depth was exchanged."""
    odd, lacking = found - usual, usual - found
    if len(odd) == 1 and len(lacking) == 1 and len(found) > 1:
        return odd.pop(), lacking.pop()
    return None


def below_the_soil(site: Site) -> Iterator[Problem]:
    """Name sensors of other quantities below the described soil; of signals it is an error."""
    for wire in site.wiring:
        tube = site.tube_by_id.get(wire.tube)
        if tube is None or wire.depth_m is None or wire.quantity in SIGNALS:
            continue
        real_m = site.sensor_depth_m(tube.tube, wire.depth_m)
        horizons = site.soils[tube.soil].horizons
        if not horizons[0].top_m <= real_m < horizons[-1].bottom_m:
            found = f"{wire.quantity} at {_cm(real_m)} real depth in tube {tube.tube!r}"
            top, bottom = horizons[0].top_m * 100, horizons[-1].bottom_m * 100
            expected = f"a depth from {top:g} to {bottom:g} cm, where soil {tube.soil!r} is"
            yield _at(wire, found, expected, "Look at the depth, or add a horizon.")


def _at(wire: Wire, found: str, expected: str, advice: str) -> Problem:
    place = f"line {wire.row}, column depth_cm"
    return Problem("wiring.csv", place, found, expected, advice)


def _cm(depth_m: float) -> str:
    return f"{depth_m * 100:g} cm"
