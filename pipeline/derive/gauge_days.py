"""Days on which one rain gauge gave way to another: the day's rain is the sum over both.

A source is a station with a series of its own, so that a gauge moved to another logger, or
replaced by one there, leaves two series that both hold a part of the day. The day is told by
the gauge that took over, with what was read, while it was not wired, of gauges that gave way
before the day ended. A reading goes by its own time: the last of the old gauge may stand at a
step after the change. No time counts twice, whoever else was wired.

The steps of a day are those after its midnight up to the next one, at which the totals are
stamped that fell in it. So a change at midnight, too, parts the day before: what the new gauge
logs at that very instant fell before it. Where it logged nothing the day is the old gauge's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, second_of
from pipeline.derive.readings_due import DayPace, readings_due, total_in_order
from pipeline.site.models import Site
from pipeline.site.stretches import Stretch, intervals_at, stretches_of


@dataclass(frozen=True)
class GaugeDay:
    """Whose rain counts in a day, and for how much of what is due.

    ``gauges`` are numbers of stations, the one that took over first, then those that gave way
    in the order in which they count; ``wired`` tells of each when it was. ``pace`` is how
    often values are due at each step.
    """

    gauges: tuple[int, ...]
    wired: Mapping[int, Sequence[Stretch]]
    pace: DayPace

    @property
    def due(self) -> float:
        """Return how many values the day should have, at the fastest pace of it."""
        return DAY_S / self.pace.fastest_s

    def is_told(self, counted: NDArray[np.bool_]) -> bool:
        """Tell whether the gauge that took over has a part in the day, by `counted`."""
        return bool(counted[:, self.gauges[0]].any())

    def held(self, counted: NDArray[np.bool_]) -> float:
        """Return for how many values, at the fastest pace, those count that are there."""
        known = np.asarray(counted.any(axis=1))
        return total_in_order(self.pace.shares_of_totals(known)[known])

    def counted(self, rain: NDArray, offset_s: NDArray) -> NDArray[np.bool_]:
        """Return which readings of the day count, (step, station).

        Parameters
        ----------
        rain : (step, station), [mm]
            Of the steps after that day's midnight up to the next, NaN where there is none.
        offset_s : (step, station), [s]
            How far each reading was from its step.
        """
        found = np.zeros(rain.shape, dtype=np.bool_)
        for place, gauge in enumerate(self.gauges):
            found[:, gauge] = np.isfinite(rain[:, gauge])
            taken_s = self.pace.at_s + offset_s[:, gauge]
            for preferred in self.gauges[:place]:
                found[:, gauge] &= np.isnan(intervals_at(self.wired[preferred], taken_s))
        return found


def totals_due(site: Site, station: str, days: NDArray[np.datetime64]) -> Floats:
    """Return how many totals of rain a station should have of each day, (day,).

    Parameters
    ----------
    site : Site
    station : str
    days : (day,)
        Where each day begins; its totals are stamped from one step later on.
    """
    wires = [w for w in site.wiring if w.quantity == "rain" and w.source == station]
    return readings_due(wires, site, days + np.timedelta64(site.interval_s, "s"))


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
        if any(begin + site.interval_s < edge <= begin + DAY_S for edge in edges):
            taken = _taken_over(site, stations, paces, begin)
            if taken is not None:
                found[day, taken.gauges[0]] = taken
    return found


def _taken_over(
    site: Site, stations: Sequence[str], paces: dict[str, list[Stretch]], begin_s: int
) -> GaugeDay | None:
    """Return a day on which a station took over; None where none did, or not alone."""
    at_s = begin_s + site.interval_s * np.arange(1, site.axis.steps_per_day + 1)
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
    rows = [taker, *np.flatnonzero(gave_way.any(axis=1)).tolist()]
    held = np.full(at_s.size, np.nan)
    for row in reversed(rows):
        held = np.where(wired[row], every[row], held)
    fastest = float(np.nanmin(held))
    held = np.where(np.isnan(held), fastest, held)  # what is missing is missed
    gauges = {stations.index(order[row]): paces[order[row]] for row in rows}
    return GaugeDay(tuple(gauges), gauges, DayPace(at_s, held, fastest))
