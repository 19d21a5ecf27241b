"""Who was where when: what was installed, wired and in force, in lanes along one time axis.

A chronicle is made of the site description alone; what was logged is laid over it by
`pipeline.accounts.density`. Text and picture are drawn from the same lanes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.site.cross_wiring import EVER, NEVER, period
from pipeline.site.models import Law, Site, Visit, Wire
from pipeline.site.stretches import Stretch, stretches_of

Kind = Literal["tube", "sensor", "hand", "station", "files", "law"]
Sensor = tuple[str, str, float | None]  # quantity, tube or source, nominal depth

# The letter of each thing that can be done on a visit, the weightier first: of several in one
# column the first is shown.
VISIT_LETTERS = {
    "installation": "I",
    "removal": "X",
    "swap": "S",
    "power": "P",
    "clock": "K",
    "rotation": "O",
    "reference": "R",
    "sample": "M",
    "bench": "B",
    "cleaning": "C",
    "download": "D",
    "inspection": "N",
    "other": "?",
}
# Widths of a column that people can count in, in seconds.
_WIDTHS_S = tuple(
    size * unit
    for unit, sizes in (
        (60, (1, 5, 10, 15, 30)),
        (3600, (1, 2, 3, 6, 12)),
        (DAY_S, (1, 2, 3, 4, 7, 14, 28, 56, 91, 182, 364, 728)),
    )
    for size in sizes
)


@dataclass(frozen=True, order=True)
class Span:
    """A time during which something held, UTC seconds, the end excluded."""

    start_s: float
    stop_s: float
    label: str = ""


@dataclass(frozen=True)
class Mark:
    """Something done at an instant, UTC seconds."""

    time_s: float
    letter: str


@dataclass(frozen=True)
class Lane:
    """One row of a timeline.

    ``sensor`` names what is logged in it; ``interval_s`` how often that is due, at least, and
    ``stretches`` how often when. ``density`` is the share of the readings due in each column
    that is there, NaN where none is due; None where it is not known.
    """

    kind: Kind
    group: str
    name: str
    spans: tuple[Span, ...] = ()
    marks: tuple[Mark, ...] = ()
    sensor: Sensor | None = None
    interval_s: float = 0.0
    density: Floats | None = None
    stretches: tuple[Stretch, ...] = ()

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return where one span follows another of another label: swaps, and new versions."""
        return tuple(b.start_s for a, b in pairwise(self.spans) if a.label != b.label)


@dataclass(frozen=True)
class Timeline:
    """Lanes along columns; ``edges_s`` are the columns' edges, UTC seconds.

    ``state`` is the state of the store whose readings are shown, empty where there is none.
    """

    site: Site
    edges_s: Floats
    lanes: tuple[Lane, ...]
    state: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def count(self) -> int:
        """Return the number of columns."""
        return len(self.edges_s) - 1

    @property
    def width_s(self) -> float:
        """Return the width of a column."""
        return float(self.edges_s[1] - self.edges_s[0])

    def with_lanes(self, lanes: Iterable[Lane], state: str) -> Timeline:
        """Return the same time with other lanes, as of a state of the store."""
        return replace(self, lanes=tuple(lanes), state=state)


def chronicle(site: Site, stop_s: float, most_columns: int) -> Timeline:
    """Return what a site description says of every time.

    Parameters
    ----------
    site : Site
    stop_s : float, [s]
        The end shown, UTC.
    most_columns : int
        Columns there is room for; there are as many as a width that people can count in makes.
    """
    start_s = _first_instant(site, stop_s)
    edges = column_edges(site, start_s, stop_s, most_columns)
    lanes = [*_ground(site), *_stations(site), *_laws(site)]
    return Timeline(site, edges, tuple(lanes))


def dated_until(site: Site, now_s: float) -> float:
    """Return the latest instant, up to now, that the description mentions; UTC seconds."""
    named = [site.start, *(visit.time for visit in site.visits)]
    named += [end for t in site.tubes for end in (t.installed, t.removed) if end]
    named += [end for w in site.wiring for end in (w.start, w.until) if end]
    named += [law.effective for law in site.laws if law.effective]
    past = [instant.timestamp() for instant in named if instant.timestamp() <= now_s]
    return max(past, default=site.start.timestamp()) + DAY_S


def _first_instant(site: Site, stop_s: float) -> float:
    """Return where the time shown begins: at the start, or a little before."""
    start_s = site.start.timestamp()
    done = [tube.installed.timestamp() for tube in site.tubes]
    done += [visit.time.timestamp() for visit in site.visits]
    earliest = start_s - 0.1 * (stop_s - start_s)
    return max(min([start_s, *done]), earliest)


def column_edges(site: Site, start_s: float, stop_s: float, most: int) -> Floats:
    """Return edges of columns, whole steps of the site's axis counted from its origin."""
    origin, step = site.axis.origin_s, site.interval_s
    widths = [width for width in _WIDTHS_S if width >= step and width % step == 0]

    def places(width: float) -> tuple[int, int]:
        low = int((start_s - origin) // width)
        return low, max(low + 1, -int(-(stop_s - origin) // width))

    fits = (w for w in widths if np.ptp(places(w)) <= most)
    longest = widths[-1] if widths else DAY_S
    width = next(fits, longest * -(-int(np.ptp(places(longest))) // most))
    low, high = places(width)
    return origin + np.arange(low, high + 1, dtype=np.float64) * width


def _ground(site: Site) -> Iterator[Lane]:
    """Yield the lanes of each tube: when it was in the ground, and its sensors downwards."""
    by_tube: dict[str, list[Wire]] = defaultdict(list)
    for wire in site.wiring:
        by_tube[wire.tube].append(wire)
    for tube in site.tubes:
        marks = _marks(visit for visit in site.visits if visit.tube == tube.tube)
        there = (_span(tube.installed, tube.removed or NEVER, tube.soil),)
        yield Lane("tube", tube.tube, tube.tube, there, marks)
        yield from _sensors(site, by_tube[tube.tube], tube.tube)


def _stations(site: Site) -> Iterator[Lane]:
    """Yield the lanes of each source: visits to it, and the quantities of its station."""
    for source in site.sources:
        marks = _marks(v for v in site.visits if v.source == source.id and not v.tube)
        yield Lane("files", source.id, source.id, (), marks)
        wires = [w for w in site.wiring if w.source == source.id and w.at_station]
        yield from _sensors(site, wires, source.id)


def _sensors(site: Site, wires: list[Wire], group: str) -> Iterator[Lane]:
    """Yield a lane for each quantity and depth, in order of both."""
    lanes: dict[Sensor, list[Wire]] = defaultdict(list)
    for wire in wires:
        lanes[wire.quantity, group, wire.depth_m].append(wire)
    interval_of = {source.id: source.interval_s or site.interval_s for source in site.sources}
    first_row = {key[0]: min(w.row for w in lanes[key]) for key in reversed(list(lanes))}
    for key in sorted(lanes, key=lambda k: (first_row[k[0]], k[2] or 0.0)):
        quantity, _, depth_m = key
        spans = sorted(
            (
                _span(*period(w, site.tube_by_id.get(w.tube)), w.probe or w.channel)
                for w in lanes[key]
            ),
            key=lambda span: span.start_s,
        )
        name = quantity if depth_m is None else f"{depth_m * 100:g} cm {quantity}"
        interval = max(interval_of[w.source] for w in lanes[key])
        kind: Kind = "station" if depth_m is None else "sensor"
        stretches = tuple(stretches_of(lanes[key], site))
        yield Lane(kind, group, name, tuple(spans), (), key, interval, stretches=stretches)


def _laws(site: Site) -> Iterator[Lane]:
    """Yield a lane for each law with its versions, each until a higher one takes its place."""
    versions: dict[str, list[Law]] = defaultdict(list)
    for law in site.laws:
        versions[law.id].append(law)
    for name, laws in versions.items():
        ordered = sorted(laws, key=lambda law: law.version)
        starts = [(law.effective or EVER).timestamp() for law in ordered]
        spans = []
        for place, law in enumerate(ordered):
            stop = min([*starts[place + 1 :], NEVER.timestamp()])
            if stop > starts[place]:  # else a later version was in force all along
                spans.append(Span(starts[place], stop, str(law.version)))
        yield Lane("law", ordered[0].kind, name, tuple(spans))


def _span(start: datetime, stop: datetime, label: str) -> Span:
    return Span(start.timestamp(), stop.timestamp(), label)


def _marks(visits: Iterable[Visit]) -> tuple[Mark, ...]:
    return tuple(Mark(v.time.timestamp(), VISIT_LETTERS[v.action]) for v in visits)


def covered(spans: Iterable[Span], edges_s: Floats) -> Floats:
    """Return how many seconds of each column the spans cover, (column,)."""
    total = np.zeros(len(edges_s) - 1)
    for span in spans:
        inside = np.minimum(span.stop_s, edges_s[1:]) - np.maximum(span.start_s, edges_s[:-1])
        total += np.clip(inside, 0.0, None)
    return total
