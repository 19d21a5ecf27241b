"""Delivery periods: which there are, which days they hold, and whether anything is in them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np

from pipeline.axis import DAY_S
from pipeline.deliver.fields import OF_TUBES, OF_WEATHER
from pipeline.site.models import Site
from pipeline.store.cubes import CHUNK_DAYS_DAILY, DAY, SPECS
from pipeline.store.state import Snapshot
from pipeline.variables import TUBE_QUANTITIES, WEATHER_QUANTITIES

# Where a reading or what was made of one shows: by day first, since one short look finds it
# there as a rule. A supply voltage is no reading of the soil or the weather; no file has it.
_SHOWING = {
    OF_TUBES: (
        *("daily/daily_water_content", "daily/daily_storage"),
        *(f"readings/{name}" for name in TUBE_QUANTITIES),
        *("water/calibrated_water_content", "water/cleaned_water_content"),
        "products/storage",
    ),
    OF_WEATHER: ("daily/daily_rain", *(f"readings/{name}" for name in WEATHER_QUANTITIES)),
}


@dataclass(frozen=True)
class Period:
    """A named run of days of a site's axis."""

    name: str
    start_day: int
    stop_day: int


def periods(site: Site, days: int) -> list[Period]:
    """Return the delivery periods that the first ``days`` days of the axis fall into."""
    found: list[Period] = []
    for day in range(days):
        name = _name(site, day)
        if found and found[-1].name == name:
            found[-1] = Period(name, found[-1].start_day, day + 1)
        else:
            found.append(Period(name, day, day + 1))
    return found


def kinds_logged(snapshot: Snapshot, start_day: int, stop_day: int) -> list[str]:
    """Return which kinds of files days of the axis hold any reading or product for.

    What was flagged counts: it is delivered with its flag. Hand readings do not, they have a
    file of their own.

    Returns
    -------
    list of str
        Of `pipeline.deliver.fields.KINDS`, in their order; empty where nothing was logged.
    """
    return [
        kind
        for kind, keys in _SHOWING.items()
        if any(_shows(snapshot, key, start_day, stop_day) for key in keys)
    ]


def kinds_wired(site: Site) -> list[str]:
    """Return which kinds of files the loggers of a site are described to fill."""
    wired = {wire.quantity for wire in site.wiring}
    filled_by = {OF_TUBES: TUBE_QUANTITIES, OF_WEATHER: WEATHER_QUANTITIES}
    return [kind for kind, quantities in filled_by.items() if not wired.isdisjoint(quantities)]


def _shows(snapshot: Snapshot, key: str, start_day: int, stop_day: int) -> bool:
    """Tell whether an array has any value in days of the axis."""
    if not snapshot.holds(key):
        return False
    scale = 1 if SPECS[key].dims[0] == DAY else snapshot.axis.steps_per_day
    for day in range(start_day, stop_day, CHUNK_DAYS_DAILY):
        last = min(day + CHUNK_DAYS_DAILY, stop_day)
        if np.isfinite(snapshot.read(key, day * scale, last * scale)).any():
            return True
    return False


def read_by_hand(snapshot: Snapshot, start_day: int, stop_day: int) -> bool:
    """Tell whether days of the axis hold any hand reading."""
    table = snapshot.table("rounds")
    if table is None or table.num_rows == 0:
        return False
    day = (table["time_s"].to_numpy() - snapshot.axis.origin_s) // DAY_S
    return bool(((day >= start_day) & (day < stop_day)).any())


def local_day(site: Site, day: int) -> datetime:
    """Return local midnight of a day of the axis, as a plain date in the site's own time."""
    instant = datetime.fromtimestamp(site.axis.origin_s + day * DAY_S, UTC)
    return instant + timedelta(seconds=site.utc_offset_s)


def _name(site: Site, day: int) -> str:
    kind: Literal["month", "year", "all"] = site.delivery.period
    if kind == "all":
        return "all"
    return local_day(site, day).strftime("%Y-%m" if kind == "month" else "%Y")
