"""Columns of a picture: a record of any length cut into as many as can be seen.

A column is a run of steps of the site's axis that starts at a multiple of its own length from
the origin, so its edges fall on midnights, hours or whole intervals. Positions along the time
axis are days since 1970-01-01 in the site's standard time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.site.models import Site
from pipeline.variables import SIGNALS

MOST_COLUMNS = 1000  # one for each pixel across the panel

MONTHS = tuple("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split())
MOST_TICKS = 7
# Spacings of ticks, finest first: unit of datetime64 and how many.
_LADDER = (
    ("h", 1), ("h", 3), ("h", 6), ("h", 12), ("D", 1), ("D", 2), ("D", 7), ("M", 1), ("M", 2),
    ("M", 3), ("M", 6), ("Y", 1), ("Y", 2), ("Y", 5), ("Y", 10), ("Y", 50), ("Y", 100),
)  # fmt: skip


@dataclass(frozen=True)
class Columns:
    """Columns of ``width`` steps; the first begins at step ``first`` of the site's axis."""

    site: Site
    first: int
    width: int
    count: int

    @property
    def edges(self) -> Floats:
        """Return the edges, (count + 1) [d]. A step reaches half an interval to each side."""
        steps = self.first + np.arange(self.count + 1) * self.width
        return local_days(self.site, steps - 0.5)

    @property
    def middles(self) -> Floats:
        """Return the middle of each column, (count) [d]."""
        edges = self.edges
        return 0.5 * (edges[1:] + edges[:-1])

    def counts(self, time: NDArray[np.datetime64], present: NDArray[np.bool_]) -> Floats:
        """Return how many values each column has: (time, ...) to (column, ...)."""
        return self._fold(time, present.astype(np.float64), 0.0).sum(axis=1)

    def sums(self, time: NDArray[np.datetime64], values: Floats) -> Floats:
        """Return the sum of the values there are in each column; 0 where there are none."""
        return np.nansum(self._fold(time, values, np.nan), axis=1)

    def means(self, time: NDArray[np.datetime64], values: Floats) -> Floats:
        """Return the mean of the values there are in each column; NaN where there are none."""
        number = self.counts(time, np.isfinite(values))
        total = self.sums(time, values)
        return np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)

    def _fold(self, time: NDArray[np.datetime64], values: Floats, fill: float) -> Floats:
        """Return values as (column, step in column, ...), whatever steps are absent."""
        dense = np.full((self.count * self.width, *values.shape[1:]), fill)
        place = step_index(self.site, time) - self.first
        inside = (place >= 0) & (place < len(dense))
        dense[place[inside]] = values[inside]
        return dense.reshape(self.count, self.width, *values.shape[1:])

    def __str__(self) -> str:
        """Return the length of a column in words: ``3 h``."""
        return duration(self.width * self.site.interval_s)


def make_columns(site: Site, time: NDArray[np.datetime64], base: int = 1) -> Columns:
    """Return at most `MOST_COLUMNS` columns over a record, of multiples of ``base`` steps.

    An empty record gets one day of columns, so that a picture can still be drawn.
    """
    index = step_index(site, time)
    day = site.axis.steps_per_day
    start, stop = (int(index.min()), int(index.max()) + 1) if index.size else (0, day)
    span = stop - start
    widths = [w for w in range(1, day + 1) if day % w == 0 and w % base == 0]
    width = next((w for w in widths if span <= w * MOST_COLUMNS), 0)
    if not width:
        width = day * -(-span // (day * MOST_COLUMNS))
    first = start // width * width
    return Columns(site, first, width, -(-(stop - first) // width))


def logged_every(site: Site, tube: str) -> int:
    """Return the longest interval of the sources that log a tube's water, in steps."""
    sources = {w.source for w in site.wiring if w.tube == tube and w.quantity in SIGNALS}
    intervals = [s.interval_s or site.interval_s for s in site.sources if s.id in sources]
    return max(1, max(intervals, default=site.interval_s) // site.interval_s)


def step_index(site: Site, time: NDArray[np.datetime64]) -> NDArray[np.int64]:
    """Return the step of the site's axis for each instant (UTC)."""
    seconds = time.astype("datetime64[s]").astype(np.int64)
    return site.axis.nearest(seconds)[0]


def local_days(site: Site, steps: NDArray[Any]) -> Floats:
    """Return steps of the site's axis as days since 1970 in the site's standard time."""
    seconds = site.axis.origin_s + site.utc_offset_s + steps * site.interval_s
    return np.asarray(seconds / DAY_S, dtype=np.float64)


def duration(seconds: int) -> str:
    """Return a length of time in its largest whole unit."""
    for unit, size in (("d", DAY_S), ("h", 3600), ("min", 60)):
        if seconds % size == 0:
            return f"{seconds // size} {unit}"
    return f"{seconds} s"


def time_label(utc_offset_s: int) -> str:
    """Return what stands below an axis of dates, with the zone: ``UTC+01:00``."""
    hours, minutes = divmod(abs(utc_offset_s) // 60, 60)
    zone = f"UTC{'-' if utc_offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"
    return f"date in the site's standard time ({zone})"


def period_text(columns: Columns) -> str:
    """Return the first and the last day of a record: ``1 Mar to 28 Jun 2025``."""
    # The last edge lies half an interval before the midnight that ends the last day.
    ends = columns.edges[[0, -1]] + np.array([1, -1]) * columns.site.interval_s / DAY_S
    first, last = np.floor(ends).astype(np.int64).astype("datetime64[D]")
    if first == last:
        return day_text(last, True)
    same_year = first.astype("datetime64[Y]") == last.astype("datetime64[Y]")
    return f"{day_text(first, not same_year)} to {day_text(last, True)}"


def show_time(axes: Axes, columns: Columns, label: bool = True) -> None:
    """Give axes the time axis of columns: limits, ticks with dates, and what time it is."""
    start, stop = columns.edges[[0, -1]]
    axes.set_xlim(start, stop)
    if not label:
        axes.set_xticks([])
        return
    major, labels, minor = time_ticks(start, stop)
    axes.set_xticks(major, labels)
    axes.set_xticks(minor, minor=True)
    axes.set_xlabel(time_label(columns.site.utc_offset_s))


def time_ticks(start: float, stop: float) -> tuple[Floats, list[str], Floats]:
    """Return places and labels of at most `MOST_TICKS` ticks, and the places of minor ones.

    Written out here because the usual formatters take names of months from the machine's
    language and dates from global settings.
    """
    ladder = [_ticks(start, stop, unit, step) for unit, step in _LADDER]
    chosen = next(i for i, ticks in enumerate(ladder) if ticks.size <= MOST_TICKS)
    unit = _LADDER[chosen][0]
    finer = ladder[max(chosen - 1, 0)]
    minor = finer if finer.size <= 10 * MOST_TICKS else finer[:0]
    return _as_days(ladder[chosen]), _labels(ladder[chosen], unit), _as_days(minor)


def _ticks(start: float, stop: float, unit: str, step: int) -> NDArray[np.datetime64]:
    """Return the multiples of a spacing between two times, as datetime64[m]."""
    ends = np.array([np.ceil(start * 1440), np.floor(stop * 1440)]).astype("datetime64[m]")
    low, high = ends.astype(f"datetime64[{unit}]").astype(np.int64)
    whole = np.arange(low // step * step, high + 1, step)
    ticks = whole.astype(f"datetime64[{unit}]").astype("datetime64[m]")
    return ticks[(ticks >= ends[0]) & (ticks <= ends[1])]


def _as_days(ticks: NDArray[np.datetime64]) -> Floats:
    return ticks.astype(np.int64) / 1440.0


def _labels(ticks: NDArray[np.datetime64], unit: str) -> list[str]:
    """Return a label for each tick; what changes rarely stands in a second line."""
    if unit == "Y":
        return [str(tick.astype("datetime64[Y]")) for tick in ticks]
    labels, before = [], ""
    for tick in ticks:
        day, year = day_text(tick, False), str(tick.astype("datetime64[Y]"))
        above, below = (str(tick)[11:16], day) if unit == "h" else (day, year)
        labels.append(above if below == before else f"{above}\n{below}")
        before = below
    return labels


def day_text(instant: np.datetime64, with_year: bool) -> str:
    """Return ``1 Mar`` or ``1 Mar 2025``."""
    year, month, day = str(instant.astype("datetime64[D]")).split("-")
    text = f"{int(day)} {MONTHS[int(month) - 1]}"
    return f"{text} {year}" if with_year else text
