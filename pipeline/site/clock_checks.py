"""Checks of a logger's clock: what visits found it to be off, in seconds."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import UnitsError
from pipeline.site.models import Site, Visit
from pipeline.units import parse_unit, registry

# An offset of a day or more is no drift: the clock had fallen back to an epoch, or was set
# wrong. Such a check speaks for the stamps it explains and not for those around them.
GROSS_OFFSET_S = 86_400
# Checks no further apart are one visit: the clock as found, and the clock as left.
VISIT_S = 3600


@dataclass(frozen=True)
class ClockCheck:
    """At the instant ``true_s`` (UTC) the logger's clock was ``offset_s`` ahead of it."""

    true_s: int
    offset_s: float

    @property
    def is_gross(self) -> bool:
        """Tell whether the clock was so far off that it cannot have drifted there."""
        return abs(self.offset_s) >= GROSS_OFFSET_S


def seconds_of(value: float, unit: str) -> float:
    """Return a duration in seconds.

    Raises
    ------
    UnitsError
        If the unit is not one of time.
    """
    given = parse_unit(unit)
    if not given.is_compatible_with("s"):
        raise UnitsError(f"{unit!r} is no unit of time")
    return float(registry().Quantity(value, given).to("s").magnitude)


def clock_checks(site: Site, source_id: str) -> tuple[ClockCheck, ...]:
    """Return the checks of a source's clock, in order of time."""
    return tuple(
        ClockCheck(int(visit.time.timestamp()), seconds_of(visit.value or 0.0, visit.unit))
        for visit in clock_visits(site, source_id)
    )


def clock_visits(site: Site, source_id: str) -> list[Visit]:
    """Return the visits that checked a source's clock, in order of time.

    Of two at the same instant the one in the lower row of ``visits.csv`` comes later: the
    clock was set between them.
    """
    visits = [visit for visit in site.visits if _is_check(visit, source_id)]
    return sorted(visits, key=lambda visit: (visit.time, visit.row))


def _is_check(visit: Visit, source_id: str) -> bool:
    return visit.action == "clock" and visit.source == source_id and visit.value is not None
