"""Wetting fronts of the test field by true water content alone, whatever the rain.

Lows are sought by scipy's `find_peaks` on true water content without noise, and so by other
means than the pipeline's. A front climbs from a low by `LEAST_GAIN` or more before the water
is as low again; it has arrived when the climb is `ONSET_RISE`. Before a low the water has
fallen by `LEAST_FALL`, or has not been as low for ten days. A climb that goes on after a pause
of less than six hours is the same front, as with storms.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.signal import find_peaks
from truth_events import LEAST_GAIN, ONSET_RISE, STORM_GAP_H

LEAST_FALL = 0.003  # m3 m-3 before a low, as seen from it
LONGEST_H = 96.0  # of a climb up to the least gain; slower ones are seasons
PEAK_H = 240.0
# Without a lower reading, after which no fall is asked before a climb.
STILL_H = 240.0
ANY_LOW = 1e-5  # m3 m-3, far above rounding


def true_fronts(
    truth: xr.Dataset, least_gain: float = LEAST_GAIN, fall: float = LEAST_FALL
) -> pd.DataFrame:
    """Return ``tube``, ``depth``, steps of ``onset`` and ``peak``, ``gain``, ``speed``.

    ``speed`` is the climb a step while water arrives [m3 m-3].
    """
    water = truth["water_content"].transpose("time", "tube", "depth").values
    hours = np.diff(truth["time"].values[:2])[0] / np.timedelta64(1, "h")
    rows = []
    for t, tube in enumerate(truth["tube"].values.tolist()):
        for d, depth in enumerate(truth["depth"].values.tolist()):
            series = water[:, t, d].astype(np.float64)
            for front in _joined(list(_fronts(series, least_gain, fall, hours)), hours):
                rows.append((tube, depth, *front))
    return pd.DataFrame(rows, columns=["tube", "depth", "onset", "peak", "gain", "speed"])


def _fronts(
    series: NDArray[np.float64], least_gain: float, fall: float, hours: float
) -> Iterator[list[float]]:
    # A record that climbs from its first step has its low there.
    lows, _ = find_peaks(-np.concatenate([[series[0] + 1], series]), prominence=ANY_LOW)
    lows = lows - 1
    lows = lows[[_begins(series, low, fall, hours) for low in lows.tolist()]]
    for low, following in zip(lows, [*lows[1:], series.size], strict=True):
        part = series[low:following] - series[low]
        reached = np.flatnonzero(part >= least_gain)
        if not reached.size or reached[0] * hours > LONGEST_H:
            continue
        onset = int(np.flatnonzero(part >= ONSET_RISE)[0])
        half = int(np.flatnonzero(part >= 0.5 * ONSET_RISE)[0])
        peak = int(part[: int(PEAK_H / hours)].argmax())
        speed = 0.5 * ONSET_RISE / max(onset - half, 1)
        yield [low + onset, low + peak, float(part[peak]), speed]


def _begins(series: NDArray[np.float64], low: int, fall: float, hours: float) -> bool:
    """Tell whether a low is the foot of a climb after a fall, or after days without any."""
    ahead = series[low:]
    under = np.flatnonzero(ahead < series[low])
    if ahead[: under[0] if under.size else None].max() < series[low] + fall:
        return False
    still = int(STILL_H / hours)
    before = series[max(0, low - still) : low][::-1]
    lower = np.flatnonzero(before < series[low])
    if not lower.size:
        return True  # nothing lower for ten days: it fell to here, or did not move
    return bool(before[: lower[0]].max(initial=-1.0) >= series[low] + fall)


def _joined(fronts: list[list[float]], hours: float) -> Iterator[list[float]]:
    """Join fronts that go on after a short pause."""
    last: list[float] = []
    for front in fronts:
        if last and (front[0] - last[1]) * hours < STORM_GAP_H:
            last[1:3] = [front[1], max(last[2], front[2])]
            continue
        if last:
            yield last
        last = front
    if last:
        yield last
