"""From the stamps a logger wrote to UTC, refusing what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.site.models import Clock


@dataclass(frozen=True)
class ClockedStamps:
    """UTC seconds of each stamp, and the stamps that have none, by reason (True: refused)."""

    utc_s: NDArray[np.int64]
    refused: dict[str, NDArray[np.bool_]]


def parse_utc_offset(text: str) -> int:
    """Return the seconds of an offset such as ``+01:00``, ``-0330`` or ``Z``.

    Raises
    ------
    ValueError
        If the text is no offset within 14 hours.
    """
    if text in ("Z", "UTC"):
        return 0
    digits = text[1:].replace(":", "")
    if text[:1] not in ("+", "-") or len(digits) != 4 or not digits.isdigit():
        raise ValueError(f"{text!r} is no UTC offset; write it like +01:00")
    seconds = int(digits[:2]) * 3600 + int(digits[2:]) * 60
    if seconds > timedelta(hours=14).total_seconds() or int(digits[2:]) > 59:
        raise ValueError(f"{text!r} is no UTC offset within 14 hours")
    return -seconds if text[0] == "-" else seconds


def to_utc(stamp_s: NDArray[np.int64], clock: Clock, interval_s: int) -> ClockedStamps:
    """Turn stamps on a logger's clock into UTC.

    Parameters
    ----------
    stamp_s : array (n,)
        Seconds since 1970-01-01 00:00 on the logger's clock.
    clock : Clock
        Fixed offset or named zone, and what a stamp means.
    interval_s : int
        Logging interval; a stamp at its start is moved to its end.

    Returns
    -------
    ClockedStamps
        In a named zone an hour that occurs twice is refused as ``ambiguous_time`` and one that
        does not exist as ``missing_time``: which of two readings is meant cannot be guessed.
    """
    shift = interval_s if clock.stamp == "start" else 0
    if clock.zone is None:
        utc = stamp_s - parse_utc_offset(clock.utc_offset or "Z") + shift
        return ClockedStamps(utc, {})
    local = pd.DatetimeIndex(stamp_s.astype("datetime64[s]"))
    utc_first = _localize(local, clock.zone, np.ones(len(local), dtype=bool))
    utc_second = _localize(local, clock.zone, np.zeros(len(local), dtype=bool))
    missing = utc_first.isna()
    ambiguous = ~missing & (utc_first != utc_second)
    seconds = utc_first.astype("datetime64[s]").to_numpy().astype(np.int64)
    utc = np.where(missing | ambiguous, 0, seconds) + shift
    return ClockedStamps(
        utc, {"ambiguous_time": np.asarray(ambiguous), "missing_time": np.asarray(missing)}
    )


def _localize(
    local: pd.DatetimeIndex, zone: str, summer: NDArray[np.bool_]
) -> pd.DatetimeIndex:
    """Return UTC with the twice-occurring hour read as summer or as winter time."""
    zoned = local.tz_localize(zone, ambiguous=summer, nonexistent="NaT")
    return zoned.tz_convert("UTC").tz_localize(None)
