"""How many readings a day should have, and how much of it each stands for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S, second_of
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS


def wires_by_place(site: Site, tube: str) -> list[list[Wire]]:
    """Return the wires of each sensor of a tube."""
    here = [w for w in site.wiring if w.quantity in SIGNALS and w.tube == tube]
    depths = sorted({w.depth_m for w in here if w.depth_m is not None})
    return [[w for w in here if w.depth_m == depth] for depth in depths]


def day_shares(
    places: Sequence[Sequence[Wire]], site: Site, days: NDArray[np.datetime64]
) -> tuple[NDArray[np.float64], dict[int, NDArray[np.float64]]]:
    """Return how many values are due in each day, and what each step counts for.

    Parameters
    ----------
    places : list of lists of Wire
        Wires of each sensor; what is made of several is as frequent as the slowest.
    site : Site
    days : (day,)
        Where each day begins.

    Returns
    -------
    due : (day,)
        Values due in a day, at the fastest pace of the day.
    shares : dict
        For the number of each day in which a sensor's interval changes, (step,): for how many
        values at the fastest pace one counts, 3 where only every third is logged.
    """
    each = [readings_due(wires, site, days) for wires in places]
    due = np.min(each, axis=0) if each else np.full(days.size, site.axis.steps_per_day * 1.0)
    changes = [_changes(wires, site, days) for wires in places]
    shares = {}
    for day in np.flatnonzero(np.any(changes, axis=0)).tolist() if changes else ():
        pace = np.min([_pace(wires, site, days[day]) for wires in places], axis=0)
        due[day] = pace.max()
        if (pace != pace.max()).any():
            shares[day] = pace.max() / pace
    return due, shares


def readings_due(
    wires: Sequence[Wire], site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day,) values due from one place: those of the fastest source wired that day."""
    per_source = _source_steps(site)
    due = np.zeros(days.size)
    for wire in wires:
        wired = _wired(wire, days)
        due[wired] = np.maximum(due[wired], per_source[wire.source])
    due[due == 0] = site.axis.steps_per_day  # nothing is wired, so nothing can be complete
    return due


def _changes(
    wires: Sequence[Wire], site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.bool_]:
    """Tell for each day whether sources of different intervals are wired to one place."""
    fastest = readings_due(wires, site, days)
    per_source = _source_steps(site)
    found = np.zeros(days.size, dtype=np.bool_)
    for wire in wires:
        found |= _wired(wire, days) & (per_source[wire.source] != fastest)
    return found


def _pace(wires: Sequence[Wire], site: Site, day: np.datetime64) -> NDArray[np.float64]:
    """Return (step,) values a day that were due at each step of a day.

    While nothing is wired, those of the fastest source of the day: what is missing is missed.
    """
    per_source = _source_steps(site)
    begin = int(day.astype("datetime64[s]").astype(np.int64))
    at_s = begin + site.interval_s * np.arange(site.axis.steps_per_day)
    pace = np.zeros(at_s.size)
    for wire in wires:
        wired = (at_s >= second_of(wire.start, -np.inf)) & (
            at_s < second_of(wire.until, np.inf)
        )
        pace[wired] = np.maximum(pace[wired], per_source[wire.source])
    most = pace.max() or readings_due(wires, site, np.array([day]))[0]
    return np.where(pace > 0, pace, most)


def _source_steps(site: Site) -> dict[str, float]:
    """Return how many values a day each source should log; at most one a step is kept."""
    most = site.axis.steps_per_day
    return {
        source.id: min(DAY_S / (source.interval_s or site.interval_s), most)
        for source in site.sources
    }


def _wired(wire: Wire, days: NDArray[np.datetime64]) -> NDArray[np.bool_]:
    """Tell on which days a channel is wired for a while."""
    day_s = days.astype("datetime64[s]").astype(np.int64)
    found: NDArray[np.bool_] = (day_s + DAY_S > second_of(wire.start, -np.inf)) & (
        day_s < second_of(wire.until, np.inf)
    )
    return found
