"""The time axis of a site: a time is an index by arithmetic, never by search."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # the command is quick where no array is labelled
    import xarray as xr

DAY_S = 86_400
INSTANTS = ("onset", "end", "peak", "storage_peak")  # of wetting events


@dataclass(frozen=True)
class TimeAxis:
    """A regular axis of UTC instants that never moves.

    ``origin_s`` is the UTC instant (seconds since 1970-01-01) of midnight, in the site's own
    standard time, of the day the site began; days are therefore whole runs of
    ``steps_per_day`` steps. ``interval_s`` divides a day.
    """

    origin_s: int
    interval_s: int

    @property
    def steps_per_day(self) -> int:
        """Return the number of steps in one day."""
        return DAY_S // self.interval_s

    def nearest(self, utc_s: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the index of the nearest step and the offset from it in seconds.

        An instant midway between two steps belongs to the later one, so the offset lies in
        ``[-interval/2, interval/2)``. Indices before the origin are negative.
        """
        half = self.interval_s // 2
        index = (utc_s - self.origin_s + half) // self.interval_s
        return index, utc_s - (self.origin_s + index * self.interval_s)

    def ceil(self, utc_s: int) -> int:
        """Return the index of the first step at or after an instant."""
        return -((self.origin_s - utc_s) // self.interval_s)

    def seconds(self, start: int, stop: int) -> NDArray[np.int64]:
        """Return the UTC instants of steps ``start`` to ``stop`` (exclusive)."""
        return self.origin_s + np.arange(start, stop, dtype=np.int64) * self.interval_s

    def times(self, start: int, stop: int) -> NDArray[np.datetime64]:
        """Return the same as ``datetime64[ns]``, the unit xarray decodes to."""
        return self.seconds(start, stop).astype("datetime64[s]").astype("datetime64[ns]")


def utc_times(time: xr.DataArray) -> NDArray[np.datetime64]:
    """Return the instants of a coordinate in UTC, those of a time zone converted.

    Parameters
    ----------
    time : DataArray, (time,), datetime64
        Without a time zone it is UTC.

    Raises
    ------
    ValueError
        If it holds anything but instants (numbers, or no coordinate at all), or one is
        missing (NaT).
    """
    zoned = getattr(time.dtype, "tz", None) is not None
    found = time.to_index().to_numpy("datetime64[ns]") if zoned else time.values  # in UTC
    if found.dtype.kind != "M":
        raise ValueError(
            f"{time.name!r}: expected a coordinate of instants (datetime64), found "
            f"{found.dtype}; convert it, as pandas.to_datetime does, and assign_coords"
        )
    missing = int(np.isnat(found).sum())
    if missing:
        raise ValueError(
            f"{time.name!r}: expected an instant for every reading, found {missing} without "
            f"(NaT); leave these readings out"
        )
    return found


def utc_seconds(time: xr.DataArray) -> NDArray[np.int64]:
    """Return the instants of a coordinate, as by `utc_times`, in seconds since 1970, UTC."""
    return utc_times(time).astype("datetime64[s]").astype(np.int64)


def require_days(day: xr.DataArray) -> None:
    """Raise `ValueError` unless each day of a coordinate is the one after that before it.

    Labels that are no instants are taken to be in order.
    """
    if day.dtype.kind != "M":
        return
    steps = np.diff(utc_seconds(day)) / DAY_S
    if (steps != 1).any():
        raise ValueError(
            f"{day.name!r}: expected each day after the other, found steps of {steps.min():g} "
            f"to {steps.max():g} days; sort, and reindex with NaN on days without a value"
        )


def iso_minute(seconds: float) -> str:
    """Return an instant, UTC seconds since 1970, as ISO 8601 text to the minute."""
    return f"{np.datetime64(int(seconds), 's').astype('datetime64[m]')}Z"


def with_instants(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row of a table with its instants once more, as ISO 8601 for programs.

    ``onset`` beside ``onset_s``, and so for all of `INSTANTS`; both None where there is none,
    which tables write as a time before 1970.
    """
    found = {name: row[f"{name}_s"] for name in INSTANTS if f"{name}_s" in row}
    there = {name: None if s is None or s < 0 else s for name, s in found.items()}
    told = {name: None if s is None else iso_utc(s) for name, s in there.items()}
    return {**row, **{f"{name}_s": s for name, s in there.items()}, **told}


def iso_utc(seconds: float) -> str:
    """Return an instant, UTC seconds since 1970, as ISO 8601 text to the second."""
    return f"{np.datetime64(int(seconds), 's')}Z"


def second_of(instant: datetime | None, otherwise: float) -> float:
    """Return an instant in UTC seconds; ``otherwise`` where there is none: an open end."""
    return otherwise if instant is None else instant.timestamp()
