"""Hand readings as a picture shows them: one value for each tube, day and depth or layer."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.derive.reach import Reach
from pipeline.derive.storage import MM_PER_M
from pipeline.derive.weights import EndRules, layer_weights
from pipeline.report.style import CM_PER_M, INK, Look
from pipeline.report.time_columns import Columns
from pipeline.site.models import Site


class HandMeans(NamedTuple):
    """Means over directions, each of its repeats, by day and then downwards, all (reading)."""

    days: NDArray[np.float64]  # since 1970 in the site's standard time: mean of the readings
    depth_cm: NDArray[np.float64]  # real, with the tube's set-in offset
    value: NDArray[np.float64]  # m3 m-3
    round: NDArray[np.int64]  # the day as a whole number: readings of one round share it


def hand_means(site: Site, tube: str, rounds: pd.DataFrame, columns: Columns) -> HandMeans:
    """Return the hand readings of water content in one tube within the time of columns.

    Parameters
    ----------
    site : Site
    tube : str
    rounds : DataFrame
        ``time_s`` (UTC), ``tube``, ``depth_m`` (nominal), ``direction_deg``, ``quantity``,
        ``value``. Readings without a value or of another quantity are left out; an empty
        table may lack columns.
    columns : Columns
    """
    empty = np.empty(0)
    if rounds.empty:
        return HandMeans(empty, empty, empty, np.empty(0, np.int64))
    days = (rounds["time_s"].to_numpy(np.float64) + site.utc_offset_s) / DAY_S
    start, stop = columns.edges[[0, -1]]
    chosen = (
        (rounds["tube"].astype(str) == tube).to_numpy()
        & (rounds["quantity"].astype(str) == "water_content").to_numpy()
        & np.isfinite(rounds["value"].to_numpy(np.float64))
        & np.isfinite(rounds["depth_m"].to_numpy(np.float64))
        & (days >= start)
        & (days <= stop)
    )
    frame = pd.DataFrame(
        {
            "round": np.floor(days[chosen]).astype(np.int64),
            "depth": rounds["depth_m"].to_numpy(np.float64)[chosen] + _set_in_m(site, tube),
            "direction": rounds["direction_deg"].to_numpy(np.float64)[chosen],
            "days": days[chosen],
            "value": rounds["value"].to_numpy(np.float64)[chosen],
        }
    )
    each = frame.groupby(["round", "depth", "direction"], dropna=False, sort=True).mean()
    means = each.groupby(["round", "depth"], sort=True).mean().reset_index()
    return HandMeans(
        means["days"].to_numpy(),
        np.round(means["depth"].to_numpy() * CM_PER_M, 2),
        means["value"].to_numpy(),
        means["round"].to_numpy(),
    )


def hand_storage(
    site: Site, hand: HandMeans
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what hand rounds stored in each layer.

    Returns
    -------
    days : (round,), [d]
    storage : (round, layer), [mm]
        NaN where the readings of a round do not reach as far as the site's rules ask.
    """
    layers = [(layer.top_m, layer.bottom_m) for layer in site.derive.layers]
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    days, storage = [], []
    in_soil = hand.depth_cm >= 0
    rounds = [(hand.round == number) & in_soil for number in np.unique(hand.round[in_soil])]
    depths = [hand.depth_cm[of_round] / CM_PER_M for of_round in rounds]
    if not rounds:
        return np.empty(0), np.empty((0, len(layers)))
    reach = Reach.of(*np.array([(depth.min(), depth.max()) for depth in depths]).T)
    for of_round, depth in zip(rounds, depths, strict=True):
        weights = layer_weights(depth, layers, reach.rules(depth.min(), depth.max(), rules))
        days.append(hand.days[of_round].mean())
        storage.append(MM_PER_M * (weights * hand.value[of_round]).sum(axis=1))
    return np.array(days), np.array(storage)


def hand_entry(label: str = "hand round") -> Artist:
    """Return the legend's entry of hand rounds."""
    look: Look = {"ls": "none", "marker": "D", "ms": 5, "mfc": "white", "mec": INK, "mew": 0.9}
    return Line2D([], [], label=label, **look)


def _set_in_m(site: Site, tube: str) -> float:
    return site.tube_by_id[tube].set_in_m
