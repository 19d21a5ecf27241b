"""How many readings a day should have, and how much of it each stands for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.site.models import Site, Wire
from pipeline.site.stretches import Stretch, intervals_at, shortest_within, stretches_of
from pipeline.variables import SIGNALS


def wires_by_place(site: Site, tube: str) -> list[list[Wire]]:
    """Return the wires of each sensor of a tube."""
    here = [w for w in site.wiring if w.quantity in SIGNALS and w.tube == tube]
    depths = sorted({w.depth_m for w in here if w.depth_m is not None})
    return [[w for w in here if w.depth_m == depth] for depth in depths]


class DayPace(NamedTuple):
    """How often values are due at each step of a day in which that changes.

    ``at_s`` (step,) are the steps, UTC [s], ``interval_s`` (step,) the interval in force at
    each, ``fastest_s`` the shortest of the day.
    """

    at_s: NDArray[np.int64]
    interval_s: Floats
    fastest_s: float

    def shares(self, known: NDArray[np.bool_]) -> Floats:
        """Return for how many values at the fastest pace each counts, shaped as ``known``.

        3 where only every third is logged. ``known`` (step, ...) tells where there is a value.
        """
        end_s = int(self.at_s[0]) + DAY_S
        interval_s = self.interval_s.reshape(-1, *[1] * (known.ndim - 1))
        return time_stood_for(self.at_s, interval_s, known, end_s) / self.fastest_s

    def shares_of_totals(self, known: NDArray[np.bool_]) -> Floats:
        """Return the same of totals, (step,), each of which tells of the time before it.

        ``at_s`` are then the steps after the beginning of a day up to its end.
        """
        begin_s = int(self.at_s[-1]) - DAY_S
        behind = -self.at_s[::-1], self.interval_s[::-1], known[::-1], -begin_s
        return time_stood_for(*behind)[::-1] / self.fastest_s


def day_paces(
    places: Sequence[Sequence[Wire]], site: Site, days: NDArray[np.datetime64]
) -> tuple[Floats, dict[int, DayPace]]:
    """Return how many values are due in each day, and where their interval changes in it.

    Parameters
    ----------
    places : list of lists of Wire
        Wires of each sensor; what is made of several is as frequent as the slowest that is
        wired. While none is, the fastest of the day counts: what is missing is missed.
    site : Site
    days : (day,)
        Where each day begins.

    Returns
    -------
    due : (day,)
        Values due in a day, at the fastest pace of the day.
    paces : dict
        By the number of each day in which the interval changes.
    """
    each = [stretches_of(wires, site) for wires in places]
    begin_s = _seconds(days)
    due = np.full(days.size, site.axis.steps_per_day * 1.0)
    if each:
        due = np.min([_due(stretches, site, begin_s) for stretches in each], axis=0)
    paces = {}
    for day in _changing(each, begin_s):
        at_s = begin_s[day] + site.interval_s * np.arange(site.axis.steps_per_day)
        held = np.array([intervals_at(stretches, at_s) for stretches in each])
        interval_s: Floats = np.fmax.reduce(held, axis=0)
        fastest = float(np.fmin.reduce(interval_s))
        if np.isnan(fastest):  # wired between two steps only
            continue
        interval_s = np.where(np.isnan(interval_s), fastest, interval_s)
        due[day] = DAY_S / fastest
        if (interval_s != fastest).any():
            paces[day] = DayPace(at_s, interval_s, fastest)
    return due, paces


def readings_due(
    wires: Sequence[Wire], site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day,) values due from one place: those of the fastest source wired that day."""
    return _due(stretches_of(wires, site), site, _seconds(days))


def time_stood_for(
    at_s: NDArray, interval_s: Floats, known: NDArray[np.bool_], end_s: int
) -> Floats:
    """Return for how long the reading of each step stands within a day, or a step of a model.

    That is until the next reading is due, but no longer than until there is one, the interval
    changes or the day ends: the readings of a whole day stand for no more than a day.

    Parameters
    ----------
    at_s : (step,), UTC [s]
        Steps of one day, in order.
    interval_s : (step, ...), [s]
        The interval in force at each.
    known : (step, ...), bool
        Where there is a reading.
    end_s : int
        Where the day ends.

    Returns
    -------
    array (step, ...), [s]
    """
    at = at_s.reshape(-1, *[1] * (known.ndim - 1)).astype(np.float64)
    ends = np.full(known.shape, float(end_s))
    ends[:-1] = np.where((interval_s[1:] != interval_s[:-1]) | known[1:], at[1:], end_s)
    ends = np.minimum.accumulate(ends[::-1], axis=0)[::-1]
    return np.minimum(interval_s, ends - at)


def longest_interval_s(site: Site) -> int:
    """Return the longest logging interval of the site's sources, 0 if it is the axis's."""
    every = [source.interval_s or site.interval_s for source in site.sources]
    longest = max(every, default=site.interval_s)
    return longest if longest > site.interval_s else 0


def between_readings(
    known: NDArray[np.bool_], at_s: NDArray[np.int64], site: Site, tube: str, depth_m: float
) -> NDArray[np.bool_]:
    """Tell at which steps a sensor that logs more slowly than the axis is due none, (step,).

    Parameters
    ----------
    known : (step,), bool
        Where there is a reading; beyond the ends none is known.
    at_s : (step,), UTC [s]
    site : Site
    tube : str
    depth_m : float
        Nominal depth of the sensor.
    """
    wires = [
        w
        for w in site.wiring
        if w.quantity in SIGNALS and w.tube == tube and w.depth_m == depth_m
    ]
    return not_due(known, intervals_at(stretches_of(wires, site), at_s), site.interval_s)


def not_due(known: NDArray[np.bool_], interval_s: Floats, step_s: int) -> NDArray[np.bool_]:
    """Tell at which steps a sensor has none, but one nearer than its interval, (step,).

    Parameters
    ----------
    known : (step,), bool
        Where there is a reading.
    interval_s : (step,), [s]
        How often the sensor should log; NaN while it is not wired.
    step_s : int
    """
    reach = np.maximum(np.ceil(np.nan_to_num(interval_s) / step_s).astype(np.int64) - 1, 0)
    so_far = np.concatenate([[0], np.cumsum(known)])
    place = np.arange(known.size)
    until = so_far[np.minimum(place + reach + 1, known.size)]
    return np.asarray(~known & (until > so_far[np.maximum(place - reach, 0)]))


def values_needed(due: Any, site: Site) -> Any:
    """Return how many of the values due in a day are enough; at least one."""
    # 0.75 * 96 must not become 72.00000000000001.
    return np.maximum(np.ceil(np.round(site.derive.day_completeness * due, 6)), 1)


def total_in_order(values: Floats) -> float:
    """Return the sum of values, added up one after the other: bits depend on the order."""
    running = np.add.accumulate(values)
    return float(running[-1]) if running.size else 0.0


def _due(stretches: Sequence[Stretch], site: Site, begin_s: NDArray[np.int64]) -> Floats:
    shortest = shortest_within(stretches, begin_s, DAY_S)
    # Where nothing is wired all day nothing can be complete.
    return DAY_S / np.where(np.isnan(shortest), site.interval_s, shortest)


def _changing(each: Sequence[Sequence[Stretch]], begin_s: NDArray[np.int64]) -> list[int]:
    """Return the numbers of the days in which what is wired to a place changes."""
    found = np.zeros(begin_s.size, dtype=np.bool_)
    for edge in {stretch.from_s for stretches in each for stretch in stretches}:
        found |= (begin_s < edge) & (edge < begin_s + DAY_S)
    return np.flatnonzero(found).tolist()


def _seconds(days: NDArray[np.datetime64]) -> NDArray[np.int64]:
    return days.astype("datetime64[s]").astype(np.int64)
