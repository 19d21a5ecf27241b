"""Reading windows of single tubes from the store, each chunk of it once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.qc.flags import TEST_BITS
from pipeline.site.models import Site
from pipeline.store.cubes import CHUNK_DAYS, CHUNK_TUBES
from pipeline.store.state import Snapshot

MOST_CHUNKS = 400  # kept at a time, about 40 MB of six depths at ten minutes
CHUNKS_AT_ONCE = 8
FROST_TESTS = ("frozen",)
SUSPECT_TESTS = ("step", "noise_burst", "flat_line", "supply")
Fallen = tuple[Floats, Integers]  # rain of steps [mm], and the step at which each one's stands


class Reader:
    """Windows of whole days of one tube at a time; neighbours in a chunk are kept."""

    def __init__(self, snapshot: Snapshot, site: Site | None = None) -> None:
        self.axis, self.days = snapshot.axis, snapshot.days
        # In the order of the description: that of the store is how they were first described.
        stored = snapshot.labels["station"]
        gauges = [(name, 1) for name in stored] if site is None else gauges_of(site)
        self._gauges = [(stored.index(name), n) for name, n in gauges if name in stored]
        self._snapshot = snapshot
        self._kept: dict[tuple[str, int, int], NDArray] = {}
        self._depths = np.array(snapshot.labels["depth"], dtype=np.float64)

    def day_s(self, day: int) -> int:
        """Return the instant at which a day begins."""
        return self.axis.origin_s + day * DAY_S

    def water(self, column: int, nominal_m: Floats, first_day: int, stop_day: int) -> Floats:
        """Return cleaned water content of a tube, (depth, time)."""
        return self._part(
            "water/cleaned_water_content", column, nominal_m, first_day, stop_day
        ).astype(np.float64)

    def marks(
        self, column: int, nominal_m: Floats, first_day: int, stop_day: int
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return where tests found frost, and where they doubt a sensor, (depth, time)."""
        tests = self._part("water/tests", column, nominal_m, first_day, stop_day)
        frost = _bits(FROST_TESTS, tests.dtype.type)
        doubt = _bits(SUSPECT_TESTS, tests.dtype.type)
        return (tests & frost) != 0, (tests & doubt) != 0

    def rain(self, first_day: int, stop_day: int) -> Floats | None:
        """Return rain [mm], of each step that of the first gauge that has it; or None.

        A total of several steps stands at the last of them; at those before nothing fell.
        """
        fallen = self.fallen(first_day, stop_day)
        return None if fallen is None else fallen[0]

    def fallen(self, first_day: int, stop_day: int) -> Fallen | None:
        """Return rain as of `rain`, and at which step that of each stands, (time,)."""
        if not self._snapshot.holds("readings/rain"):
            return None
        per_day = self.axis.steps_per_day
        logged = self._snapshot.read("readings/rain", first_day * per_day, stop_day * per_day)
        rain, told = np.full(len(logged), np.nan), np.arange(len(logged))
        for place, stride in self._gauges:
            gauge, own = _spread(logged[:, place].astype(np.float64), stride)
            untold = np.isnan(rain)
            rain, told = np.where(untold, gauge, rain), np.where(untold, own, told)
        return rain, told

    def last_s(self, column: int) -> int:
        """Return the instant one step after a tube's last reading; else the origin."""
        block, place = divmod(column, CHUNK_TUBES)
        for chunk in range((self.days - 1) // CHUNK_DAYS, -1, -1):
            part = self._chunk("water/cleaned_water_content", chunk, block)[:, place]
            steps = np.flatnonzero(np.isfinite(part).any(axis=1))
            if steps.size:
                step = chunk * CHUNK_DAYS * self.axis.steps_per_day + int(steps[-1]) + 1
                return self.axis.origin_s + step * self.axis.interval_s
        return self.axis.origin_s

    def _part(
        self, key: str, column: int, nominal_m: Floats, first_day: int, stop_day: int
    ) -> NDArray:
        """Return some depths of a tube over a window of days, (depth, time)."""
        whole = self.block(key, slice(column, column + 1), first_day, stop_day)[:, 0]
        rows = [int(np.flatnonzero(self._depths == depth)[0]) for depth in nominal_m]
        return np.ascontiguousarray(whole[:, rows].T)

    def block(self, key: str, columns: slice, first_day: int, stop_day: int) -> NDArray:
        """Return tubes that lie in one chunk over a window of days, (time, tube, depth)."""
        first, last = first_day // CHUNK_DAYS, max(stop_day - 1, first_day) // CHUNK_DAYS
        block, place = divmod(columns.start, CHUNK_TUBES)
        inside = slice(place, place + columns.stop - columns.start)
        self._fetch(key, range(first, last + 1), block)
        parts = [self._chunk(key, chunk, block)[:, inside] for chunk in range(first, last + 1)]
        per_day = self.axis.steps_per_day
        skip = (first_day - first * CHUNK_DAYS) * per_day
        return np.concatenate(parts)[skip : skip + (stop_day - first_day) * per_day]

    def _fetch(self, key: str, chunks: range, block: int) -> None:
        """Read chunks that are not kept, those beside each other at once: each costs 3 ms."""
        missing = [c for c in chunks if (key, c, block) not in self._kept]
        for first in range(0, min(len(missing), MOST_CHUNKS), CHUNKS_AT_ONCE):
            some = missing[first : first + CHUNKS_AT_ONCE]
            if some[-1] - some[0] == len(some) - 1:
                self._read(key, some[0], some[-1], block)

    def _read(self, key: str, first: int, last: int, block: int) -> None:
        """Read some chunks and keep them, each by itself."""
        while len(self._kept) > MOST_CHUNKS - (last + 1 - first):
            self._kept.pop(next(iter(self._kept)))
        steps = CHUNK_DAYS * self.axis.steps_per_day
        stop = min((last + 1) * CHUNK_DAYS, self.days) * self.axis.steps_per_day
        columns = slice(block * CHUNK_TUBES, (block + 1) * CHUNK_TUBES)
        values = self._snapshot.read(key, first * steps, stop, columns)
        for chunk in range(first, last + 1):
            start = (chunk - first) * steps
            self._kept[key, chunk, block] = values[start : start + steps].copy()

    def _chunk(self, key: str, chunk: int, block: int) -> NDArray:
        """Return a chunk, (time, tube, depth)."""
        if (key, chunk, block) not in self._kept:
            self._read(key, chunk, chunk, block)
        return self._kept[key, chunk, block]


def gauges_of(site: Site) -> list[tuple[str, int]]:
    """Return the sources that may log rain, in the order in which `Reader` asks them.

    With how many steps of the axis lie between two of their readings.
    """
    strides = site.strides
    return [(name, strides[name]) for name in site.stations]


def _bits(names: tuple[str, ...], kind: type) -> np.integer:
    """Return the bits of some tests in one number."""
    found: np.integer = kind(0)
    for name in names:
        found = found | kind(TEST_BITS[name])
    return found


def _spread(gauge: Floats, stride: int) -> Fallen:
    """Return totals over ``stride`` steps as steps, nothing at all but the last of each.

    With the step at which the rain of each stands, its own where none does.
    """
    known, place = ~np.isnan(gauge), np.arange(gauge.size)
    steps, told = gauge.copy(), place.copy()
    for behind in range(1, stride):
        # Of a total that is missing nothing is known: that of later steps does not tell it.
        covered = known[behind:] & np.isnan(steps[:-behind])
        steps[:-behind][covered] = 0.0
        told[:-behind][covered] = place[behind:][covered]
    return steps, told
