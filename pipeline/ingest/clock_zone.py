"""The changes of a time zone's offset, from the IANA database, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S

# Stamps before and after are read with the offset at the edge; no site has logged then.
FIRST_YEAR, LAST_YEAR = 1970, 2100


@dataclass(frozen=True)
class ZoneTable:
    """Offsets of a zone: ``offset_s[k]`` (local minus UTC) holds from ``start_s[k - 1]`` on.

    ``start_s`` (n,) are UTC instants, ``offset_s`` has one element more.
    """

    start_s: NDArray[np.int64]
    offset_s: NDArray[np.int64]

    def to_local(self, utc_s: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what a clock of the zone shows at UTC instants."""
        return utc_s + self.offset_s[np.searchsorted(self.start_s, utc_s, side="right")]


def zone_table(name: str, first_s: int, last_s: int) -> ZoneTable:
    """Return the changes of a zone that stamps from ``first_s`` to ``last_s`` can meet.

    Parameters
    ----------
    name : str
        IANA name.
    first_s, last_s : int
        Seconds since 1970 on a clock of the zone or in UTC.
    """
    first, last = (_year_of(second) for second in (first_s - 2 * DAY_S, last_s + 2 * DAY_S))
    changes = [change for year in range(first, last + 1) for change in _changes(name, year)]
    start = _offset_at(ZoneInfo(name), _year_start(first))
    return ZoneTable(
        np.array([instant for instant, _ in changes], dtype=np.int64),
        np.array([start, *(offset for _, offset in changes)], dtype=np.int64),
    )


@lru_cache(maxsize=1024)
def _changes(name: str, year: int) -> tuple[tuple[int, int], ...]:
    """Return (UTC instant, offset from then on) of each change in a year.

    The database offers no list of changes through the standard library, so that each day is
    asked for its offset and a change within a day is bracketed to the second.
    """
    zone = ZoneInfo(name)
    found = []
    days = range(_year_start(year), _year_start(year + 1) + 1, DAY_S)
    offsets = [_offset_at(zone, day) for day in days]
    for day, before, after in zip(days, offsets, offsets[1:], strict=False):
        if before != after:
            low, high = day, day + DAY_S
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (
                    (middle, high) if _offset_at(zone, middle) == before else (low, middle)
                )
            found.append((high, after))
    return tuple(found)


def _offset_at(zone: ZoneInfo, utc_s: int) -> int:
    offset = datetime.fromtimestamp(utc_s, zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds())


def _year_start(year: int) -> int:
    return int(datetime(year, 1, 1, tzinfo=UTC).timestamp())


def _year_of(second: int) -> int:
    """Return the year of an instant, held to the years of the tables."""
    if second < _year_start(FIRST_YEAR):
        return FIRST_YEAR
    if second >= _year_start(LAST_YEAR + 1):
        return LAST_YEAR
    return datetime.fromtimestamp(second, UTC).year
