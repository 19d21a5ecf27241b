"""What must hold between the wiring and the rest: names, units, depths, probes and dates."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from pipeline.errors import Problem
from pipeline.site.draft import Draft, Placed
from pipeline.site.mistakes import BadValueError, Spot, did_you_mean, one_of, show
from pipeline.site.models import Tube, Wire
from pipeline.site.values import check_unit, stated_instant

EVER = datetime.min.replace(tzinfo=UTC)
NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class _Surroundings:
    """What a wiring row is held against."""

    tubes: dict[str, Tube]
    tube_names: frozenset[str] | None
    source_kinds: dict[str, str]
    source_names: frozenset[str] | None
    probes: frozenset[str] | None
    offset_s: int  # of the site's standard time


def period(wire: Wire, tube: Tube | None) -> tuple[datetime, datetime]:
    """Return from when until when a row holds; open ends are those of its tube."""
    first = tube.installed if tube else EVER
    last = (tube.removed if tube else None) or NEVER
    return wire.start or first, wire.until or last


def check_wiring(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with each row, and with rows taken together."""
    around = _surroundings(draft)
    for placed in draft.wires:
        wire, spot = placed.value, placed.spot
        yield from _check_source(wire, spot, around)
        yield from _check_place(wire, spot, around)
        yield from _check_unit(wire, spot)
        yield from _check_probe(wire, spot, around)
        yield from _check_period(wire, spot, around)
    yield from _check_overlaps(draft.wires, around)


def _surroundings(draft: Draft) -> _Surroundings:
    probes = None
    if draft.law_names is not None:
        laws = [placed.value for placed in draft.laws]
        known = (probe for law in laws if law.kind == "probe" for probe in law.probes)
        probes = frozenset((*known, *draft.unread_probes))
    return _Surroundings(
        tubes={placed.value.tube: placed.value for placed in draft.tubes},
        tube_names=None if draft.tube_names is None else frozenset(draft.tube_names),
        source_kinds={placed.value.id: placed.value.kind for placed in draft.sources},
        source_names=None if draft.source_names is None else frozenset(draft.source_names),
        probes=probes,
        offset_s=draft.offset_s,
    )


def unknown_name(
    spot: Spot, key: str | tuple[str | int, ...], name: str, names: frozenset[str], file: str
) -> Problem:
    """Return the problem of a name that another file should describe."""
    expected = f"{one_of(names)} (see {file})"
    return spot.problem(key, show(name), expected, did_you_mean(name, sorted(names)))


def _check_source(wire: Wire, spot: Spot, around: _Surroundings) -> Iterator[Problem]:
    names = around.source_names
    if names is not None and wire.source not in names:
        yield unknown_name(spot, "source", wire.source, names, "site.toml")
    elif around.source_kinds.get(wire.source) == "rounds":
        advice = "Hand rounds name tube and depth themselves; delete the row."
        found = f"{wire.source!r}, a source of hand rounds"
        yield spot.problem("source", found, "a table or sdi12 source", advice)


def _check_place(wire: Wire, spot: Spot, around: _Surroundings) -> Iterator[Problem]:
    """A quantity is measured either in a tube at a depth or at the station."""
    if wire.at_station:
        advice = f"{wire.quantity} is a quantity of the station; leave the cell empty."
        if wire.tube:
            yield spot.problem("tube", show(wire.tube), "an empty cell", advice)
        if wire.depth_m is not None:
            found = f"{wire.depth_m * 100:g}"
            yield spot.problem("depth_cm", found, "an empty cell", advice)
        return
    if not wire.tube:
        yield spot.problem("tube", "nothing", f"the tube whose {wire.quantity} it is")
    elif around.tube_names is not None and wire.tube not in around.tube_names:
        yield unknown_name(spot, "tube", wire.tube, around.tube_names, "tubes.csv")
    if wire.depth_m is None:
        yield spot.problem("depth_cm", "nothing", f"the depth of {wire.quantity} in cm")


def _check_unit(wire: Wire, spot: Spot) -> Iterator[Problem]:
    try:
        check_unit(wire.unit, wire.quantity)
    except BadValueError as error:
        yield spot.problem("unit", show(wire.unit), error.expected, error.advice)


def _check_probe(wire: Wire, spot: Spot, around: _Surroundings) -> Iterator[Problem]:
    """Volts mean nothing without the law of the probe that gave them."""
    if wire.quantity != "voltage" or around.probes is None:
        return
    if not wire.probe:
        advice = "A probe law in calibrations.toml turns its volts into permittivity."
        yield spot.problem("probe", "nothing", "the probe that gives the voltage", advice)
    elif wire.probe not in around.probes:
        expected = f"a probe named by a law of kind 'probe': {one_of(around.probes)}"
        advice = did_you_mean(wire.probe, sorted(around.probes))
        advice = advice or "Add a law that names it in 'probes' to calibrations.toml."
        yield spot.problem("probe", show(wire.probe), expected, advice)


def _check_period(wire: Wire, spot: Spot, around: _Surroundings) -> Iterator[Problem]:
    tube, offset_s = around.tubes.get(wire.tube), around.offset_s
    if wire.start and wire.until and wire.until <= wire.start:
        expected = f"a time after 'from' ({stated_instant(wire.start, offset_s)})"
        yield spot.problem("until", stated_instant(wire.until, offset_s), expected)
        return
    if tube is None:
        return
    installed, removed = tube.installed, tube.removed or NEVER
    if wire.start and not installed <= wire.start < removed:
        yield _outside(spot, "from", wire.start, tube, offset_s)
    if wire.until and not installed < wire.until <= removed:
        yield _outside(spot, "until", wire.until, tube, offset_s)


def _outside(spot: Spot, key: str, found: datetime, tube: Tube, offset_s: int) -> Problem:
    end = stated_instant(tube.removed, offset_s) if tube.removed else "now"
    expected = f"a time while tube {tube.tube!r} is in the ground"
    advice = f"It was from {stated_instant(tube.installed, offset_s)} until {end} (tubes.csv)."
    return spot.problem(key, stated_instant(found, offset_s), expected, advice)


def _check_overlaps(wires: list[Placed[Wire]], around: _Surroundings) -> Iterator[Problem]:
    """A channel measures one thing at a time, and one channel measures it."""
    channels: dict[tuple[object, ...], list[Placed[Wire]]] = defaultdict(list)
    sensors: dict[tuple[object, ...], list[Placed[Wire]]] = defaultdict(list)
    for placed in wires:
        wire = placed.value
        channels[wire.source, wire.channel].append(placed)
        owner = wire.source if wire.at_station else wire.tube
        sensors[owner, wire.depth_m, wire.quantity].append(placed)
    told: set[tuple[int, int]] = set()
    for (source_name, channel), rows in channels.items():
        name = f"channel {channel!r} of {source_name!r}"
        for pair, spot in _overlaps(rows, around):
            told.add(pair)
            yield _twice(spot, "channel", name, pair)
    for (named, depth_m, quantity), rows in sensors.items():
        where = f" at {round(depth_m * 100, 2):g} cm" if isinstance(depth_m, float) else ""
        for pair, spot in _overlaps(rows, around):
            if pair not in told:
                yield _twice(spot, "quantity", f"{quantity} of {named!r}{where}", pair)


def _twice(spot: Spot, column: str, name: str, lines: tuple[int, int]) -> Problem:
    advice = (
        "Delete a row written twice; else end one of them: 'until' of one must not lie after "
        "'from' of the other."
    )
    found = f"{name} wired twice at once, on lines {lines[0]} and {lines[1]}"
    return spot.problem(column, found, "one wiring at a time", advice)


def _overlaps(
    rows: list[Placed[Wire]], around: _Surroundings
) -> Iterator[tuple[tuple[int, int], Spot]]:
    """Yield the lines of rows that hold at once, and the spot of the later line."""
    if len(rows) < 2:
        return
    timed = [(*period(row.value, around.tubes.get(row.value.tube)), row) for row in rows]
    timed.sort(key=lambda item: (item[0], item[1], item[2].value.row))
    _, latest, holder = timed[0]
    for start, until, row in timed[1:]:
        if start < latest:
            first, second = sorted((holder, row), key=lambda placed: placed.value.row)
            yield (first.value.row, second.value.row), second.spot
        if until > latest:
            latest, holder = until, row
