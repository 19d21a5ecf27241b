"""When nights are due: a time of day in a zone, and what summer time does to it.

A time that the clock leaps over in spring is due as much later as the leap; one that comes
twice in autumn is due the first time. Prefect's scheduler rules the same way (tested).
"""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from pipeline.errors import PercologError
from pipeline.site.mistakes import did_you_mean

_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_ZONES = "zoneinfo/"


class ScheduleError(PercologError, ValueError):
    """A schedule cannot be used as it was asked for."""


def parse_time(text: str) -> time:
    """Return a time of day.

    Raises
    ------
    ScheduleError
        If the text is no time like 02:30.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ScheduleError(f"found {text!r}; expected a time of day like 02:30 (24 hours)")
    return time(int(match[1]), int(match[2]))


def parse_zone(text: str) -> ZoneInfo:
    """Return an IANA time zone; of an empty text the machine's own.

    Raises
    ------
    ScheduleError
        If there is no such zone.
    """
    name = text or machine_zone()
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        known = did_you_mean(name, sorted(available_timezones()))
        whose = "" if text else " as the machine's own (variable TZ)"
        told = f"found {name!r}{whose}; expected an IANA time zone like Europe/Paris. {known}"
        raise ScheduleError(told.rstrip()) from None


def machine_zone() -> str:
    """Return the name of the machine's zone: TZ, then /etc; UTC where none can be told."""
    name = os.environ.get("TZ", "").removeprefix(":")
    if name:
        return name.rpartition(_ZONES)[2]
    try:
        target = os.path.realpath("/etc/localtime")
        if _ZONES in target:
            return target.rpartition(_ZONES)[2]
        return Path("/etc/timezone").read_text(encoding="ascii").strip() or "UTC"
    except (OSError, UnicodeDecodeError):
        return "UTC"


def next_due(at: str, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the first instant (UTC) after ``now`` at which a night is due."""
    return min(due for due in _around(at, zone, now) if due > now)


def last_due(at: str, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the last instant (UTC) not after ``now`` at which a night was due."""
    return max(due for due in _around(at, zone, now) if due <= now)


def _around(at: str, zone: ZoneInfo, now: datetime) -> list[datetime]:
    today, when = now.astimezone(zone).date(), parse_time(at)
    days = [today + timedelta(days=number) for number in range(-2, 3)]
    return [datetime.combine(day, when, tzinfo=zone).astimezone(UTC) for day in days]


def summer_time(at: str, zone: ZoneInfo, now: datetime) -> str:
    """Return in a sentence what summer time does to this schedule within a year."""
    this = datetime.combine(now.astimezone(zone).date(), parse_time(at), tzinfo=zone)
    days = [this + timedelta(days=number) for number in range(366)]  # by the wall clock
    if len({day.utcoffset() for day in days}) == 1:
        return f"{zone.key} does not change its clocks within a year."
    leapt = [d for d in days if d.astimezone(UTC).astimezone(zone).time() != d.time()]
    twice = [
        d for d in days if d.utcoffset() != d.replace(fold=1).utcoffset() and d not in leapt
    ]
    told = f"{zone.key} changes to and from summer time; the night is at {at} by the clock"
    if leapt:
        late = leapt[0].astimezone(UTC).astimezone(zone)
        told += f". On {late:%Y-%m-%d} the clock leaps over it: it is then at {late:%H:%M}"
    if twice:
        told += f". On {twice[0]:%Y-%m-%d} it comes twice: the night is at the first"
    return told + ("." if leapt or twice else " all the year, once a day.")
