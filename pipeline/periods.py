"""Delivery periods: which there are, which days they hold, and which are out of date."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from pipeline.axis import DAY_S
from pipeline.site.models import Site


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


def local_day(site: Site, day: int) -> datetime:
    """Return local midnight of a day of the axis, as a plain date in the site's own time."""
    instant = datetime.fromtimestamp(site.axis.origin_s + day * DAY_S, UTC)
    return instant + timedelta(seconds=site.utc_offset_s)


def _name(site: Site, day: int) -> str:
    kind: Literal["month", "year", "all"] = site.delivery.period
    if kind == "all":
        return "all"
    return local_day(site, day).strftime("%Y-%m" if kind == "month" else "%Y")
