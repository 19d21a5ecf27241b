"""The course of a drift correction in time; no more than numpy, for the trace."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.site.instruments import Correction

Floats = NDArray[np.float64]


def course(correction: Correction, seconds: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return a correction and its standard uncertainty at some instants, in its domain.

    The uncertainties of its two ends are independent. That the error grew linearly is not
    known: in the middle of the time it may have been off by a quarter of what it grew, which
    is taken for a standard uncertainty (ours). After the last check it may go on growing as
    fast as before.
    """
    passed = (seconds - correction.start_s).astype(np.float64)
    until = correction.until_s
    part = np.zeros_like(passed)
    if until is not None:
        part = passed / (until - correction.start_s)
    value = correction.first + (correction.last - correction.first) * part
    bend = (correction.last - correction.first) * part * (1.0 - part)
    variance = ((1.0 - part) * correction.first_error) ** 2
    variance += (part * correction.last_error) ** 2 + bend**2
    variance += (correction.growth * passed) ** 2
    return value, np.sqrt(variance)
