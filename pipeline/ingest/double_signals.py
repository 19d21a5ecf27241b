"""Two signals of one sensor from two sources at once: which of them counts, and when."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TypedDict

from pipeline.axis import iso_utc
from pipeline.ingest.ledger import Ledger
from pipeline.site.cross_wiring import period
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS

Span = tuple[float, float]  # UTC seconds


class Signal(TypedDict):
    """What a source logs of a sensor."""

    source: str
    quantity: str


# Written so because "from" is a word of the language.
DoubleSignal = TypedDict(
    "DoubleSignal",
    {
        "tube": str,
        "depths_cm": list[float],
        "counts": Signal,
        "beside": Signal,  # counts where the other has no reading
        # The first and the last instant of which both have files while both are wired, ISO
        # 8601, UTC.
        "from": str,
        "until": str,
    },
)


def double_signals(site: Site, ledger: Ledger) -> list[DoubleSignal]:
    """Return where and when two sources have logged one sensor, JSON-ready.

    One quantity twice is a mistake of the description. Of two quantities both are kept as
    logged, and at each step the one that `pipeline.variables.SIGNALS` names first counts; the
    other where that has no reading. It does not matter which file came first.

    Parameters
    ----------
    site : Site
        The description in force.
    ledger : Ledger
        Tells of what time each source has files.
    """
    spans: dict[str, list[Span]] = defaultdict(list)
    for entry in ledger.entries.values():
        if entry.stored and entry.first_s is not None and entry.last_s is not None:
            spans[entry.source].append((entry.first_s, entry.last_s))
    found: dict[tuple[str, ...], list[float]] = defaultdict(list)
    for first, second in _pairs(site):
        shared = list(_shared(site, (first, second), spans))
        if shared and first.depth_m is not None:
            begins, ends = min(span[0] for span in shared), max(span[1] for span in shared)
            names = first.source, first.quantity, second.source, second.quantity
            key = (first.tube, *names, iso_utc(begins), iso_utc(ends))
            found[key].append(round(100 * first.depth_m, 2))
    return [
        {
            "tube": tube,
            "depths_cm": sorted(depths),
            "counts": {"source": source, "quantity": quantity},
            "beside": {"source": other, "quantity": of_other},
            "from": begins,
            "until": ends,
        }
        for (tube, source, quantity, other, of_other, begins, ends), depths in sorted(
            found.items()
        )
    ]


def _pairs(site: Site) -> Iterator[tuple[Wire, Wire]]:
    """Yield rows of two sources at one sensor, the one that counts first."""
    places: dict[tuple[str, float | None], list[Wire]] = defaultdict(list)
    for wire in site.wiring:
        if wire.quantity in SIGNALS:
            places[wire.tube, wire.depth_m].append(wire)
    for wires in places.values():
        ranked = sorted(wires, key=lambda wire: SIGNALS.index(wire.quantity))
        for first, second in combinations(ranked, 2):
            if first.source != second.source and first.quantity != second.quantity:
                yield first, second


def _shared(site: Site, wires: Sequence[Wire], spans: dict[str, list[Span]]) -> Iterator[Span]:
    """Yield the times of which both sources have files while both rows hold."""
    tube = site.tube_by_id[wires[0].tube]
    periods = [period(wire, tube) for wire in wires]
    begin = max(start for start, _ in periods).timestamp()
    end = min(until for _, until in periods).timestamp()
    for first, last in _meeting(*(_joined(spans[wire.source]) for wire in wires)):
        if max(first, begin) <= min(last, end) and first < end:
            yield max(first, begin), min(last, end)


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Return spans in order of time, those that meet made one."""
    found: list[Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((begin, end))
    return found


def _meeting(one: Sequence[Span], other: Sequence[Span]) -> Iterator[Span]:
    """Yield the times that both of two lists of spans hold; each in order and apart."""
    at, to = 0, 0
    while at < len(one) and to < len(other):
        begin, end = max(one[at][0], other[to][0]), min(one[at][1], other[to][1])
        if begin <= end:
            yield begin, end
        if one[at][1] < other[to][1]:
            at += 1
        else:
            to += 1
