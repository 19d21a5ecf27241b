"""Wetting events of a tube: fronts put together over depth, and the water of each event.

A front at a sensor belongs to the event whose front was last seen above it and has not been
seen at this sensor yet: fronts do not pass each other. A front that nothing above announced
joins an event that began within six hours, deep before shallow (water along the wall or
through coarse pores), else it begins an event of its own. An event lasts until the next one
begins; an *open* one lasts until now. A front that arrives after the next event began is
marked as overlapping.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel
from pipeline.derive.fronts import PAUSE_S

FOLLOW_DAYS = 14  # longest way of a front from the first sensor to the last
LEVEL_S = 3 * 3600  # over which storage before an event and at its end is averaged
TOP_READINGS = 5  # readings of which the highest mean is the peak of storage
RAIN_LEAD_S = DAY_S  # longest time that rain may fall before its front is seen


def join_fronts(fronts: pd.DataFrame) -> pd.DataFrame:
    """Return fronts of one tube with those that only paused joined to one.

    Parameters
    ----------
    fronts : DataFrame
        As from `pipeline.derive.fronts.wetting_fronts`, of one tube.

    Returns
    -------
    DataFrame, ordered by onset, deeper sensors later
        The columns of ``fronts`` but ``continues``; of a front in parts the foot and onset of
        the first and the highest peak of all.
    """
    ordered = fronts.sort_values(["depth_m", "foot_s"], kind="stable").reset_index(drop=True)
    first = ~ordered["continues"].to_numpy(bool)
    first |= ordered["depth_m"].diff().fillna(1.0).to_numpy() != 0
    number = np.cumsum(first) - 1
    joined = ordered[first].drop(columns="continues").reset_index(drop=True)
    # Of equal peaks the first, as in a single front.
    top = ordered.assign(number=number).sort_values(
        ["number", "peak", "peak_s"], ascending=[True, False, True], kind="stable"
    )
    top = top.drop_duplicates("number")
    joined["peak"] = top["peak"].to_numpy()
    joined["peak_s"] = top["peak_s"].to_numpy()
    return joined.sort_values(["onset_s", "depth_m"], kind="stable").reset_index(drop=True)


def events_of_fronts(joined: pd.DataFrame, depths_m: Floats) -> Integers:
    """Return the number of the event each front belongs to, by onset from 0 on.

    Parameters
    ----------
    joined : DataFrame
        Fronts of one tube as from `join_fronts`.
    depths_m : (depth,), [m]
        All sensors of the tube, downwards.
    """
    depth = np.searchsorted(depths_m, joined["depth_m"].to_numpy(np.float64) - 1e-9)
    onset = joined["onset_s"].to_numpy(np.int64)
    return _assign(onset, depth.astype(np.int64), len(depths_m), FOLLOW_DAYS * DAY_S, PAUSE_S)


@kernel
def _assign(
    onset: Integers, depth: Integers, depths: int, longest: int, near: int
) -> Integers:  # pragma: no cover
    """Return the event of each front; fronts are in order of onset."""
    event = np.empty(onset.size, np.int64)
    start = np.empty(onset.size, np.int64)
    seen = np.zeros((onset.size, depths), np.bool_)
    count = 0
    for n in range(onset.size):
        here = depth[n]
        best, closest = -1, -1
        for e in range(count - 1, -1, -1):
            if onset[n] - start[e] > longest or seen[e, here]:
                break  # older events reach no sensor that a newer one has reached
            above = here - 1
            while above >= 0 and not seen[e, above]:
                above -= 1
            if above > closest:
                best, closest = e, above
            elif best < 0 and onset[n] - start[e] <= near:
                best = e
        if best < 0:
            best = count
            start[count] = onset[n]
            count += 1
        seen[best, here] = True
        event[n] = best
    return event


class Span(NamedTuple):
    """Steps of an event on the block: foot, start, end, last step with a known peak."""

    foot: Integers
    start: Integers
    end: Integers


def event_water(
    storage: Floats, noise_mm: Floats, spans: Span, level: int, longest: int
) -> dict[str, NDArray]:
    """Return what each event did to the water above each sensor.

    Parameters
    ----------
    storage : (depth, time), [mm]
        Water above each sensor; NaN where a reading is missing.
    noise_mm : (event, depth), [mm]
        Standard deviation of a single value of ``storage``.
    spans : Span
        Of each event.
    level : int
        Steps over which levels are averaged.
    longest : int
        Steps after its start in which an event's peak is sought.

    Returns
    -------
    dict of (event, depth)
        ``before``, ``peak`` (the highest from the start on; NaN with ``peak_step`` -1 where
        too few readings follow), ``end`` [mm], ``peak_step``; ``gain`` and ``gain_error``,
        peak less before and its random standard uncertainty [mm]; ``end_error``; ``missing``,
        the share of steps from start to end in holes longer than ``level``: sensors may log
        more slowly than the axis.
    """
    events, depths = len(spans.start), len(storage)
    out = np.full((7, events, depths), np.nan)
    steps = np.full((events, depths), -1, np.int64)
    _water(storage, noise_mm, spans, level, longest, out, steps)
    names = ("before", "peak", "end", "gain", "gain_error", "end_error", "missing")
    return {**dict(zip(names, out, strict=True)), "peak_step": steps}


@kernel
def _mean_back(
    series: Floats, stop: int, length: int
) -> tuple[float, int]:  # pragma: no cover
    """Return mean and count of the values in ``length`` steps up to and with ``stop``."""
    total, count = 0.0, 0
    for i in range(max(0, stop - length + 1), min(stop + 1, series.size)):
        if series[i] == series[i]:
            total += series[i]
            count += 1
    return (total / count if count else np.nan), count


@kernel
def _highest(
    series: Floats, first: int, start: int, stop: int
) -> tuple[float, int]:  # pragma: no cover
    """Return the highest mean of a few values in a row, and where its middle is.

    The values are of ``first`` on; the middle is at ``start`` or later.
    """
    best, place = np.nan, -1
    ring = np.empty(TOP_READINGS)
    where = np.empty(TOP_READINGS, np.int64)
    count = 0
    for i in range(first, stop):
        if series[i] != series[i]:
            continue
        ring[count % TOP_READINGS], where[count % TOP_READINGS] = series[i], i
        count += 1
        if count < TOP_READINGS:
            continue
        middle = where[(count - 1 - TOP_READINGS // 2) % TOP_READINGS]
        if middle < start:  # what was there before the event is no peak of it
            continue
        total = 0.0
        for j in range(count - TOP_READINGS, count):
            total += ring[j % TOP_READINGS]
        if not total / TOP_READINGS <= best:
            best, place = total / TOP_READINGS, middle
    return best, place


@kernel
def _steps_in_holes(
    series: Floats, start: int, stop: int, longest: int
) -> int:  # pragma: no cover
    """Return how many steps lie between readings farther apart than ``longest`` steps."""
    lost, last = 0, start - 1
    for i in range(start, stop):
        if series[i] == series[i]:
            if i - last > longest:
                lost += i - last - 1
            last = i
    if stop - last > longest:
        lost += stop - last - 1
    return lost


@kernel
def _water(
    storage: Floats,
    noise: Floats,
    spans: Span,
    level: int,
    longest: int,
    out: Floats,
    steps: Integers,
) -> None:  # pragma: no cover
    foot, start, end = spans
    for e in range(start.size):
        for k in range(storage.shape[0]):
            series = storage[k]
            before, n_before = _mean_back(series, foot[e], level)
            stop = min(end[e], start[e] + longest)
            peak, place = _highest(series, foot[e], start[e], stop)
            last, n_last = _mean_back(series, end[e] - 1, level)
            lost = _steps_in_holes(series, start[e], end[e], level)
            out[0, e, k], out[1, e, k], out[2, e, k] = before, peak, last
            out[3, e, k] = peak - before
            if n_before and place >= 0:
                share = 1.0 / n_before + 1.0 / TOP_READINGS
                out[4, e, k] = noise[e, k] * np.sqrt(share)
            if n_last:
                out[5, e, k] = noise[e, k] / np.sqrt(n_last)
            out[6, e, k] = lost / max(1, end[e] - start[e])
            steps[e, k] = place


class RainSpans(NamedTuple):
    """Steps of the rain of each event, all (event,).

    Rain of the event lies in ``begin`` to ``top``, rain after it in ``top`` to ``stop``, each
    without the last; from ``floor`` on it is asked whether the gauge logged.
    """

    begin: Integers
    top: Integers
    stop: Integers
    floor: Integers


def rain_spans(
    rain: Floats,
    spans: Span,
    pace: tuple[int, int],
    peak: Integers,
    last: Bools,
    told: Integers | None = None,
) -> RainSpans:
    """Return between which steps the rain of each event, and the rain after it, fell.

    Parameters
    ----------
    rain : (time,), [mm]
        NaN where the gauge has no value.
    spans : Span
        Of each event; of all but the first the event before it stands before it.
    pace : (int, int)
        Steps: longest time before the first onset, and longest pause, that rain of the event
        may have.
    peak : (event,)
        Step up to which rain belongs to the event, that of the peak of storage; -1 for none.
    last : (event,), bool
        Whether no event follows, by whose rain the rain after this one would end.
    told : (time,), optional
        At which step the rain of each stands in ``rain``: a later one where a gauge logs
        totals of several. None: at its own.
    """
    out = np.zeros((4, len(spans.start)), np.int64)
    told = np.arange(rain.size) if told is None else told
    _rain_spans(rain, told, (spans.start, spans.end), pace, (peak, last), out)
    return RainSpans(*out)


def event_rain(rain: Floats, spans: RainSpans) -> NDArray:
    """Return the rain of each event, the rain after it [mm], and steps lost, (3, event).

    Notes
    -----
    Rain of the event is that from the beginning of the spell before its first onset to the
    peak of stored water; rain after it fell from then until the rain of the next event. NaN
    where more than a tenth of the steps have no value. Lost are steps without a value of the
    event's rain, and of a pause before it: its spell may have begun there.
    """
    out = np.full((3, len(spans.begin)), np.nan)
    _rain(rain, spans, out)
    return out


@kernel
def _spell(rain: Floats, start: int, first: int, pause: int) -> int:  # pragma: no cover
    """Return the first step of the rain spell that lasts at ``start`` or ended just before."""
    begin, dry, i = start, 0, start
    while i >= first and dry <= pause:
        if rain[i] > 0.0:
            begin, dry = i, 0
        else:
            dry += 1
        i -= 1
    return begin


@kernel
def _sum(rain: Floats, start: int, stop: int) -> float:  # pragma: no cover
    total, lost = 0.0, 0
    for i in range(start, stop):
        if rain[i] == rain[i]:
            total += rain[i]
        else:
            lost += 1
    return total if lost * 10 <= stop - start else np.nan


@kernel
def _lost(rain: Floats, start: int, stop: int) -> int:  # pragma: no cover
    lost = 0
    for i in range(start, stop):
        if rain[i] != rain[i]:
            lost += 1
    return lost


@kernel
def _rain_spans(
    rain: Floats,
    told: Integers,
    spans: tuple[Integers, Integers],
    pace: tuple[int, int],
    peaks: tuple[Integers, Bools],
    out: Integers,
) -> None:  # pragma: no cover
    start, end = spans
    lead, pause = pace
    peak, last = peaks
    for e in range(start.size):
        begin = _spell(rain, start[e], max(0, start[e] - lead), pause)
        floor = max(0, begin - pause)
        if e > 0:  # rain up to the peak of the event before is that one's
            begin = max(begin, min(out[1, e - 1], start[e]))
            floor = max(floor, min(out[1, e - 1], start[e]))
        top = max(peak[e], start[e]) + 1
        if top <= told.size:  # a total that the peak lies in, but none of the next event's
            top = max(top, min(told[top - 1] + 1, end[e]))
        stop = end[e]
        if not last[e]:
            stop = max(top, _spell(rain, end[e], max(top, end[e] - lead), pause))
        out[0, e], out[3, e] = begin, floor
        out[1, e], out[2, e] = min(top, rain.size), min(stop, rain.size)


@kernel
def _rain(rain: Floats, spans: RainSpans, out: Floats) -> None:  # pragma: no cover
    begin, top, stop, floor = spans
    for e in range(begin.size):
        out[0, e] = _sum(rain, begin[e], top[e])
        out[1, e] = _sum(rain, top[e], stop[e])
        out[2, e] = _lost(rain, floor[e], top[e])
