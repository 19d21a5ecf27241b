"""Water that runs down the wall of a tube, and voids beside it that fill: told by responses.

A front in soil reaches one sensor after the other. Water in a gap along the wall reaches all
of them within minutes of rain, the deep with the shallow or before them, and is gone again
within a day. A void beside one or two sensors fills in heavy rain and empties within hours,
while sensors above and below and neighbours feel nothing of it.

True preferential flow, in cracks and root channels, is as quick. It differs by what stays:
water that reached the soil drains slowly. Where the rise stays, or most neighbours in the same
soil show the same, the finding says "fast flow" and leaves open which of the two it is. What
no record can tell: a channel in the soil that happens to end at the tube.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.qc.findings import Finding, Verdict, centimetres, local_date, percent

HOUR_S = 3600
LEAST_EVENTS = 3
TOGETHER_S = 1800  # minutes of rain: sensors that answer within it answer together
FAST_RISE = 0.010  # m3 m-3 within an hour
LEAST_REACH_M = 0.25  # between the first and the deepest sensor that answer together
LEAST_TOGETHER = 3  # sensors
TOGETHER_PART = 2 / 3  # of the sensors at and above the deepest
LEAST_RAIN_MM = 1.0  # in the hours before, where rain is logged
GONE_H = 24.0  # water in a gap has fallen to half within it
KEPT = 0.5  # or that share of the rise is left at the lowest in a day
FLASH_RISE = 0.020  # m3 m-3 within an hour
FLASH_HALF_H = 3.0
SHARED_PART = 0.5  # of the neighbours: what they show too is the soil's doing
SHARED_S = 2 * HOUR_S
SHARED_RISE = 0.5  # of a rise: so much in a neighbour is the same wetting
MOST_FLASHING = 2 / 3  # of the sensors of a tube: more is no void but a gap


@dataclass(frozen=True)
class Wired:
    """The sensors of a site, by tube.

    ``every_s`` is the time between readings.
    """

    nominal_m: dict[str, tuple[float, ...]]
    real_m: dict[str, tuple[float, ...]]
    neighbours: dict[str, tuple[str, ...]]
    every_s: dict[str, int]


def pairs_within(
    tube: NDArray[np.int64], onset_s: NDArray[np.int64], before_s: int, after_s: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return all pairs (i, j) of one tube where j begins from before to after i.

    Parameters
    ----------
    tube, onset_s : array (n,)
        Ordered by tube, then by onset.

    Returns
    -------
    i, j : array (pairs,)
        Each response is paired with itself too.
    """
    reach = np.int64(1) << 40
    key = tube.astype(np.int64) * reach + onset_s
    low = np.searchsorted(key, key - before_s, side="left")
    high = np.searchsorted(key, key + after_s, side="right")
    count = high - low
    i = np.repeat(np.arange(key.size), count)
    offset = np.arange(i.size) - np.repeat(np.cumsum(count) - count, count)
    return i, np.repeat(low, count) + offset


def rained(responses: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which responses followed rain; where none is logged nothing speaks against it."""
    rain = responses["rain_mm"].to_numpy()
    return ~(rain < LEAST_RAIN_MM)


def gap_events(responses: pd.DataFrame, wired: Wired) -> pd.DataFrame:
    """Return the storms in which a tube's sensors answered together down to a depth.

    Parameters
    ----------
    responses : DataFrame
        ``tube``, ``depth_m`` (nominal), ``onset_s``, ``rise``, ``rise_in_hour``, ``half_h``,
        ``kept``, ``rain_mm`` (NaN: not logged).
    wired : Wired

    Returns
    -------
    DataFrame
        One row a tube and storm: ``tube``, ``onset_s``, ``depth_m`` of the deepest sensor,
        ``top_m`` of the first, ``sensors`` that answered, ``lag_s`` of the deepest behind the
        first, its ``rise`` and ``kept``, and ``gone`` (half of it within a day).
    """
    fast = responses[(responses["rise_in_hour"] >= FAST_RISE) & rained(responses)]
    fast = fast.sort_values(["tube", "onset_s", "depth_m"], ignore_index=True)
    if fast.empty:
        return _no_events()
    tube = pd.factorize(fast["tube"])[0]
    depth = _real_depths(fast, wired)
    onset = fast["onset_s"].to_numpy()
    every = fast["tube"].map(wired.every_s).to_numpy()
    together_s = np.maximum(TOGETHER_S, every)
    most = int(together_s.max())
    i, j = pairs_within(tube, onset, most, most)
    above = (depth[j] <= depth[i]) & (np.abs(onset[j] - onset[i]) <= together_s[i])
    pairs = pd.DataFrame({"i": i[above], "depth": depth[j[above]], "onset": onset[j[above]]})
    each = pairs.groupby("i")
    sensors, top = each["depth"].nunique().to_numpy(), each["depth"].min().to_numpy()
    first = each["onset"].min().to_numpy()
    above_count = np.array(
        [
            np.sum(np.array(wired.real_m[t]) <= z + 1e-9)
            for t, z in zip(fast["tube"], depth, strict=True)
        ]
    )
    needed = np.maximum(LEAST_TOGETHER, np.ceil(TOGETHER_PART * above_count))
    telling = (sensors >= needed) & (depth - top >= LEAST_REACH_M)
    events = fast.assign(
        top_m=top, sensors=sensors, lag_s=onset - first, gone=_gone(fast), reach=depth
    )
    return _one_a_storm(events[telling], most)


def _gone(responses: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which rises were gone again within a day."""
    gone: NDArray[np.bool_] = (
        (responses["half_h"] <= GONE_H) | (responses["kept"] <= KEPT)
    ).to_numpy()
    return gone


def _real_depths(responses: pd.DataFrame, wired: Wired) -> NDArray[np.float64]:
    known = {
        (tube, nominal): real
        for tube, depths in wired.nominal_m.items()
        for nominal, real in zip(depths, wired.real_m[tube], strict=True)
    }
    cells = zip(responses["tube"], responses["depth_m"], strict=True)
    return np.array([known.get(cell, cell[1]) for cell in cells], dtype=np.float64)


def _one_a_storm(events: pd.DataFrame, apart_s: int) -> pd.DataFrame:
    """Return of the events of one storm the one that reaches deepest."""
    if events.empty:
        return _no_events()
    rows = events.sort_values(["tube", "onset_s", "reach"], ignore_index=True)
    new = (rows["tube"] != rows["tube"].shift()) | (rows["onset_s"].diff() > apart_s)
    rows["storm"] = new.cumsum()
    deepest = rows.sort_values(["storm", "reach"], kind="stable").groupby("storm").tail(1)
    return deepest.sort_values(["tube", "onset_s"], ignore_index=True)[_EVENT_COLUMNS]


_EVENT_COLUMNS = [
    "tube",
    "onset_s",
    "depth_m",
    "top_m",
    "sensors",
    "lag_s",
    "rise",
    "kept",
    "gone",
    "rain_mm",
]


def _no_events() -> pd.DataFrame:
    return pd.DataFrame({name: [] for name in _EVENT_COLUMNS})


def shared(events: pd.DataFrame, wired: Wired) -> NDArray[np.bool_]:
    """Tell which events at least half of a tube's neighbours show at the same time.

    Parameters
    ----------
    events : DataFrame
        ``tube``, ``onset_s``; one row an event.
    """
    result = np.zeros(len(events), dtype=bool)
    by_tube = {name: rows["onset_s"].to_numpy() for name, rows in events.groupby("tube")}
    for name, rows in events.groupby("tube"):
        others = wired.neighbours.get(str(name), ())
        if not others:
            continue
        onset = rows["onset_s"].to_numpy()
        seen = np.zeros(onset.size)
        for other in others:
            theirs = by_tube.get(other)
            if theirs is not None:
                near = np.searchsorted(theirs, onset - SHARED_S)
                there = near < theirs.size
                there &= theirs[np.minimum(near, theirs.size - 1)] <= onset + SHARED_S
                seen += there
        result[events.index.get_indexer(rows.index)] = seen >= SHARED_PART * len(others)
    return result


def gap_findings(events: pd.DataFrame, wired: Wired, offset_s: int = 0) -> Iterator[Finding]:
    """Yield the tubes whose sensors answered together in three storms or more.

    ``offset_s`` is the site's standard time less UTC, for dates.
    """
    if events.empty:
        return
    soil = shared(events, wired)
    for name, rows in events.groupby("tube", sort=True):
        if len(rows) < LEAST_EVENTS:
            continue
        gone = float(rows["gone"].mean())
        common = float(soil[events.index.get_indexer(rows.index)].mean())
        is_gap = gone >= 0.5 and common < 0.5
        first, last = (local_date(rows["onset_s"].iloc[at], offset_s) for at in (0, -1))
        yield _gap_finding(str(name), rows, is_gap, common, f"{first} to {last}")


def _gap_finding(
    tube: str, rows: pd.DataFrame, is_gap: bool, common: float, days: str
) -> Finding:
    depth = float(rows["depth_m"].max())
    lag, rise = float(rows["lag_s"].median()) / 60, float(rows["rise"].median())
    seen = (
        f"in {len(rows)} storms ({days}) sensors down to {centimetres(depth)} cm "
        f"answered within {lag:.0f} min of each other, by {percent(rise)} %"
    )
    if is_gap:
        told = f"{seen}, and the rise was gone within a day: water along the wall"
    else:
        reason = "neighbours show the same" if common >= 0.5 else "the water stayed"
        told = f"{seen}; {reason}: flow in cracks or channels, or along the wall"
    return Finding(
        tube,
        "bypass" if is_gap else "fast flow",
        np.nan,
        np.nan,
        int(rows["onset_s"].iloc[0]),
        int(rows["onset_s"].iloc[-1]),
        len(rows),
        float(len(rows)),
        float(LEAST_EVENTS),
        "storms",
        Verdict.DO_NOT_USE if is_gap else Verdict.USE_WITH_CARE,
        told,
    )


def flashes(responses: pd.DataFrame, wired: Wired) -> pd.DataFrame:
    """Return responses that filled and emptied within hours, and not with neighbours.

    Returns
    -------
    DataFrame
        The rows of ``responses`` that tell of a void beside the sensor.
    """
    quick = (responses["rise_in_hour"] >= FLASH_RISE) & (responses["half_h"] <= FLASH_HALF_H)
    found = responses[quick & rained(responses)]
    found = found.sort_values(["tube", "onset_s", "depth_m"], ignore_index=True)
    return found[~_as_neighbours(found, responses, wired)].reset_index(drop=True)


def _as_neighbours(
    found: pd.DataFrame, responses: pd.DataFrame, wired: Wired
) -> NDArray[np.bool_]:
    """Tell which quick rises at least half of the neighbours show at the same depth and time.

    Half as much counts, and it need not be gone as soon: then rain was heavy and soil quick.
    """
    result = np.zeros(len(found), dtype=bool)
    for depth, rows in found.groupby("depth_m"):
        others = responses[(responses["depth_m"] == depth) & rained(responses)]
        by_tube = {name: part for name, part in others.groupby("tube")}
        for at, row in zip(rows.index, rows.to_dict("records"), strict=True):
            near = wired.neighbours.get(row["tube"], ())
            seen = sum(_rose(by_tube.get(other), row) for other in near)
            result[at] = bool(near) and seen >= SHARED_PART * len(near)
    return result


def _rose(others: pd.DataFrame | None, row: dict[Hashable, Any]) -> bool:
    """Tell whether another tube rose half as much at about the same time."""
    if others is None:
        return False
    near = (others["onset_s"] - row["onset_s"]).abs() <= SHARED_S
    return bool((near & (others["rise_in_hour"] >= SHARED_RISE * row["rise_in_hour"])).any())


def void_findings(found: pd.DataFrame, wired: Wired) -> Iterator[Finding]:
    """Yield the sensors that filled and emptied in three storms or more.

    Parameters
    ----------
    found : DataFrame
        From `flashes`.
    """
    for name, rows in found.groupby("tube", sort=True):
        counts = rows.groupby("depth_m").size()
        depths = counts.index[counts >= LEAST_EVENTS]
        if len(depths) > max(2, MOST_FLASHING * len(wired.nominal_m[str(name)])):
            continue  # the whole tube: a gap, told by `gap_findings`
        for depth in depths:
            yield _void_finding(str(name), float(depth), rows[rows["depth_m"] == depth])


def _void_finding(tube: str, depth: float, rows: pd.DataFrame) -> Finding:
    rise, half = float(rows["rise_in_hour"].median()), float(rows["half_h"].median())
    return Finding(
        tube,
        "void",
        depth,
        np.nan,
        int(rows["onset_s"].iloc[0]),
        int(rows["onset_s"].iloc[-1]),
        len(rows),
        half,
        FLASH_HALF_H,
        "h",
        Verdict.USE_WITH_CARE,
        f"at {centimetres(depth)} cm the logged sensor rose by {percent(rise)} % within an "
        f"hour and fell to half within {half:.1f} h in {len(rows)} storms, other than its "
        f"neighbours: a void beside it fills",
    )
