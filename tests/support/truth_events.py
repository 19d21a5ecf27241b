"""Wetting events of the test field: when each storm reached each depth, and what it left."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

STORM_GAP_H = 6.0  # without rain, after which the next rain is another storm
LEAST_RAIN_MM = 4.0
LOOK_H = 96.0  # how long after its rain a front is still ascribed to a storm
ONSET_RISE = 0.005  # m3 m-3 above what was there before the storm
LEAST_GAIN = 0.010  # m3 m-3
COLUMNS = ("storm", "tube", "depth", "rain", "onset", "peak", "gain")


def find_events(truth: xr.Dataset) -> pd.DataFrame:
    """Return a row for each storm, tube and depth that it wetted.

    Columns are the storm's number, ``tube``, ``depth`` [m], ``rain`` [mm], the steps of
    ``onset`` and ``peak``, and the ``gain`` [m3 m-3] of the window's water content.
    """
    steps_an_hour = 1 / (np.diff(truth["time"].values[:2])[0] / np.timedelta64(1, "h"))
    rain = truth["rain"].values[:, 0].astype(np.float64)
    water = truth["water_content"].transpose("time", "tube", "depth").values
    tubes, depths = truth["tube"].values.tolist(), truth["depth"].values.tolist()
    rows: list[tuple[object, ...]] = []
    for number, (first, stop, end) in enumerate(storms(rain, steps_an_hour)):
        fallen = float(rain[first:stop].sum())
        start = max(first - 1, 0)
        rows += [
            (number, tubes[t], depths[d], fallen, start + onset, start + peak, gain)
            for t, d, onset, peak, gain in _wetted(water[start:end])
        ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def storms(rain: NDArray[np.float64], steps_an_hour: float) -> Iterator[tuple[int, int, int]]:
    """Yield first step, first step after the rain, and end of the look of each storm."""
    wet = np.flatnonzero(rain > 0)
    if wet.size == 0:
        return
    apart = np.flatnonzero(np.diff(wet) > STORM_GAP_H * steps_an_hour)
    firsts = wet[np.concatenate([[0], apart + 1])]
    stops = wet[np.concatenate([apart, [wet.size - 1]])] + 1
    nexts = np.concatenate([firsts[1:], [rain.size]])
    for first, stop, following in zip(firsts, stops, nexts, strict=True):
        if rain[first:stop].sum() >= LEAST_RAIN_MM:
            yield int(first), int(stop), int(min(following, stop + LOOK_H * steps_an_hour))


def _wetted(part: NDArray[np.float32]) -> Iterator[tuple[int, int, int, int, float]]:
    """Yield tube, depth, onset, peak and gain where a stretch of truth shows a front.

    The front is sought above the lowest water content so far, so that one that comes while the
    depth still drains from the storm before is seen too.
    """
    lowest = np.minimum.accumulate(part, axis=0)
    rise = part - lowest
    peak = rise.argmax(axis=0)
    for t, d in zip(*np.nonzero(rise.max(axis=0) >= LEAST_GAIN), strict=True):
        top = int(peak[t, d])
        before = np.flatnonzero(rise[: top + 1, t, d] < ONSET_RISE)
        onset = int(before[-1]) + 1 if before.size else 0
        yield int(t), int(d), onset, top, float(rise[top, t, d])
