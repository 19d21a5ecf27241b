"""Days on which one rain gauge gave way to another: the day's rain is the sum over both.

A source is a station with a series of its own, so that a gauge moved to another logger, or
replaced by one there, leaves two series that both hold a part of the day. The day is told by
the gauge that took over: at steps at which it was not wired yet, by the gauge that was and
gave way before the day ended. A step counts once, whoever else was wired.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S, second_of
from pipeline.derive.readings_due import time_stood_for
from pipeline.site.models import Site
from pipeline.site.stretches import Stretch, intervals_at, stretches_of

NOBODY = -1


@dataclass(frozen=True)
class GaugeDay:
    """Whose rain counts at each step of a day, and for how much of what is due.

    ``gauge`` (step,) is the number of a station, `NOBODY` where none was wired; ``due`` how
    many values the day should have, at the fastest pace of it; ``shares`` (step,) for how many
    of them each counts.
    """

    gauge: NDArray[np.int64]
    due: float
    shares: NDArray[np.float64]

    def values_of(self, rain: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the rain that counts at each step of the day, NaN where there is none.

        ``rain`` (step, station) [mm] is of that day.
        """
        found = rain[np.arange(self.gauge.size), self.gauge].astype(np.float64)
        return np.where(self.gauge == NOBODY, np.nan, found)

    def gave_way(self, taker: int) -> list[int]:
        """Return the stations other than the one that took over which tell of the day."""
        return sorted(set(self.gauge.tolist()) - {NOBODY, taker})


def gauge_days(
    site: Site, stations: Sequence[str], begin_s: NDArray[np.int64]
) -> dict[tuple[int, int], GaugeDay]:
    """Return the days on which a gauge took over, by the numbers of day and station.

    Parameters
    ----------
    site : Site
    stations : sequence of str
        Of several gauges that gave way the first of the description counts.
    begin_s : (day,), UTC [s]
        Where each day begins.

    Returns
    -------
    dict
        Without days on which nothing changed hands, or on which two gauges took over at once:
        whose place each took is not told.
    """
    wires = {
        name: [w for w in site.wiring if w.quantity == "rain" and w.source == name]
        for name in stations
    }
    paces = {name: stretches_of(own, site) for name, own in wires.items() if own}
    edges = [
        second_of(at, np.inf)
        for own in wires.values()
        for w in own
        for at in (w.start, w.until)
    ]
    found = {}
    for day, begin in enumerate(begin_s.tolist()):
        if any(begin < edge < begin + DAY_S for edge in edges):
            taken = _taken_over(site, stations, paces, begin)
            if taken is not None:
                found[day, taken[0]] = taken[1]
    return found


def _taken_over(
    site: Site, stations: Sequence[str], paces: dict[str, list[Stretch]], begin_s: int
) -> tuple[int, GaugeDay] | None:
    """Return which station took over in a day, and the day; None where none alone did."""
    at_s = begin_s + site.interval_s * np.arange(site.axis.steps_per_day)
    order = [name for name in site.stations if name in paces]
    every = np.array([intervals_at(paces[name], at_s) for name in order])
    wired = np.isfinite(every)
    if not wired.any():
        return None
    last = int(np.flatnonzero(wired.any(axis=0))[-1])
    gave_way = wired & ~wired[:, last, None]
    lacking = [
        row
        for row in range(len(order))
        if wired[row, last] and (~wired[row] & gave_way.any(axis=0)).any()
    ]
    if len(lacking) != 1:
        return None
    (taker,) = lacking
    whose = np.where(gave_way.any(axis=0), gave_way.argmax(axis=0), NOBODY)
    whose = np.where(wired[taker], taker, whose)
    held = np.where(whose == NOBODY, np.nan, every[whose, np.arange(at_s.size)])
    fastest = float(np.nanmin(held))
    held = np.where(np.isnan(held), fastest, held)  # what is missing is missed
    shares = time_stood_for(at_s, held, begin_s + DAY_S) / fastest
    numbers = np.array([*(stations.index(name) for name in order), NOBODY])
    return int(numbers[taker]), GaugeDay(numbers[whose], DAY_S / fastest, shares)
