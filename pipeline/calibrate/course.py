"""The course of a drift correction in time; no more than numpy, for the trace."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.site.instruments import Correction

# In which domain each logged quantity is corrected. Most soil laws are lines in root
# permittivity, and what ages in a probe that logs permittivity adds to the travel time.
DOMAINS = {
    "voltage": "voltage",
    "permittivity": "root_permittivity",
    "root_permittivity": "root_permittivity",
    "water_content": "water_content",
}


def course(
    correction: Correction, seconds: NDArray[np.int64], signal: Floats
) -> tuple[Floats, Floats]:
    """Return a correction and its standard uncertainty at some instants, in its domain.

    Parameters
    ----------
    correction : Correction
    seconds : array (n,), [s]
        UTC.
    signal : array (n,)
        As logged, in the correction's domain; only a two-point correction depends on it.

    Returns
    -------
    value, error : array (n,)

    Notes
    -----
    The uncertainties of its two ends are independent. That the error grew linearly is not
    known: in the middle of the time it may have been off by a quarter of what it grew, which
    is taken for a standard uncertainty (ours). After the last check it may go on growing as
    fast as before.
    """
    times = seconds, correction.start_s, correction.until_s
    value, error = _in_time(
        times,
        (correction.first, correction.last),
        (correction.first_error, correction.last_error, correction.growth),
    )
    if correction.low is None or correction.high is None:
        return value, error
    high, high_error = _in_time(
        times,
        (correction.high_first, correction.high_last),
        (correction.high_first_error, correction.high_last_error, correction.high_growth),
    )
    shown_low, shown_high = correction.low - value, correction.high - high
    share = (signal - shown_low) / (shown_high - shown_low)
    found = value + (high - value) * share
    return found, np.hypot((1.0 - share) * error, share * high_error)


def _in_time(
    times: tuple[NDArray[np.int64], int, int | None],
    ends: tuple[float, float],
    errors: tuple[float, float, float],
) -> tuple[Floats, Floats]:
    """Return what runs linearly between two ends; errors are of the ends, and their growth."""
    seconds, start_s, until_s = times
    (first, last), (first_error, last_error, growth) = ends, errors
    passed = (seconds - start_s).astype(np.float64)
    part = np.zeros_like(passed)
    if until_s is not None:
        part = passed / (until_s - start_s)
    value = first + (last - first) * part
    bend = (last - first) * part * (1.0 - part)
    variance = ((1.0 - part) * first_error) ** 2
    variance += (part * last_error) ** 2 + bend**2
    variance += (growth * passed) ** 2
    return value, np.sqrt(variance)


def signal_of(logged: NDArray, name: str) -> Floats:
    """Return logged values of a quantity in the domain in which it is corrected."""
    plain = logged.astype(np.float64)
    if name != "permittivity":
        return plain
    return np.sqrt(np.where(plain > 0, plain, np.nan))
