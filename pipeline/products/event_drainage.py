"""Daily pattern, conductivity and drainage of a tube's events, from what a night changed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.derive.conductivity import field_conductivity, rates_by_law
from pipeline.derive.drainage import event_drainage
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.fronts import PEAK_DAYS, fronts_look
from pipeline.derive.uptake import daily_pattern
from pipeline.products.event_blocks import Reader
from pipeline.products.event_runs import runs
from pipeline.products.event_store import DRAINAGE_COLUMNS
from pipeline.site.models import Site

Tables = dict[str, pd.DataFrame]
BEFORE_DAYS, AFTER_DAYS = 5, 4  # readings a day's pattern rests on: nights, and their noise
FADE_DAYS = 3  # after a peak at the first sensor
BRIDGE_DAYS = 30


def with_drainage(
    reader: Reader,
    site: Site,
    tube: tuple[int, Profile],
    computed: NDArray[np.bool_],
    made: Tables,
    old: pd.DataFrame,
) -> Tables:
    """Return the tables of a tube with ``uptake``, ``conductivity`` and drainage columns.

    Parameters
    ----------
    reader : Reader
    site : Site
    tube : (int, Profile)
        Its column in the store, and its sensors.
    computed : (day,), bool
        Days computed tonight.
    made : dict of DataFrame
        ``fronts``, ``events`` and ``event_depths`` of the tube.
    old : DataFrame
        The tube's ``uptake`` of the night before.
    """
    column, profile = tube
    pattern = _pattern(reader, site, column, profile, computed, (made["fronts"], old))
    table = field_conductivity(pattern) if not pattern.empty else pd.DataFrame()
    result = {**made, "uptake": pattern, "conductivity": _named(profile, table)}
    if made["events"].empty:
        return result
    rates = pattern if table.empty else rates_by_law(pattern, table)
    events = made["events"].drop(columns=list(DRAINAGE_COLUMNS), errors="ignore")
    depths = made["event_depths"].drop(columns=list(DRAINAGE_COLUMNS), errors="ignore")
    ends = events.set_index("event")["end_s"]
    parts = [
        _of_sensor(rows, ends.reindex(rows["event"]).to_numpy(np.int64), rates)
        for _, rows in depths.groupby("depth_m", sort=True)
    ]
    depths = depths.join(pd.concat(parts))
    last = depths[depths["depth_m"] == profile.nominal_m[-1]].set_index("event")
    past = last[list(DRAINAGE_COLUMNS)].reindex(events["event"]).reset_index(drop=True)
    result["events"] = events.reset_index(drop=True).join(past)
    result["event_depths"] = depths
    return result


def _pattern(
    reader: Reader,
    site: Site,
    column: int,
    profile: Profile,
    computed: NDArray[np.bool_],
    known: tuple[pd.DataFrame, pd.DataFrame],
) -> pd.DataFrame:
    """Return the daily pattern: days near changed ones anew, others taken over."""
    fronts, kept = known
    place = site.tube_by_id[profile.tube]
    first = fronts[fronts["depth_m"] == profile.nominal_m[0]] if not fronts.empty else fronts
    peaks = (
        np.sort(first["peak_s"].to_numpy(np.int64)) if not first.empty else np.empty(0, int)
    )
    back, ahead = (-(-look // DAY_S) for look in fronts_look())
    found = []
    for begin, end in runs(computed, BRIDGE_DAYS):
        start = max(0, begin - ahead - 1)
        stop = min(reader.days, end + back + PEAK_DAYS + FADE_DAYS)
        window = max(0, start - BEFORE_DAYS), min(reader.days, stop + AFTER_DAYS)
        water = reader.water(column, profile.nominal_m, *window)
        axis = reader.axis
        block = Block(reader.day_s(window[0]), axis.interval_s, water, reader.rain(*window))
        new = daily_pattern(profile, block, (place.latitude, place.longitude), peaks)
        low, high = reader.day_s(start), reader.day_s(stop)
        found.append(new[(new["day_s"] >= low) & (new["day_s"] < high)])
        if not kept.empty:
            kept = kept[(kept["day_s"] < low) | (kept["day_s"] >= high)]
    frames = [frame for frame in (kept, *found) if not frame.empty]
    if not frames:
        return pd.DataFrame()
    whole = pd.concat(frames, ignore_index=True)
    whole = whole.sort_values(["day_s", "depth_m"], kind="stable").reset_index(drop=True)
    return whole.assign(tube=profile.tube)


def _named(profile: Profile, table: pd.DataFrame) -> pd.DataFrame:
    return table if table.empty else table.assign(tube=profile.tube)


def _of_sensor(
    rows: pd.DataFrame, ends_s: NDArray[np.int64], rates: pd.DataFrame
) -> pd.DataFrame:
    """Return the drainage columns of one sensor's rows, with their index."""
    none = np.full(len(rows), np.nan)
    nights, law = (none, none, none), (none, none, none)
    if not rates.empty:
        mine = rates[rates["depth_m"] == rows["depth_m"].iloc[0]]
        peak = rows["storage_peak_s"].to_numpy(np.int64)
        nights = event_drainage(peak, ends_s, mine, "night_drainage_mm_d")
        if "gradient_drainage_mm_d" in mine:
            law = event_drainage(peak, ends_s, mine, "gradient_drainage_mm_d")
    differ = (nights[0] - law[0]) / np.hypot(nights[1], law[1])
    columns = (*nights, law[0], law[1], differ)
    return pd.DataFrame(dict(zip(DRAINAGE_COLUMNS, columns, strict=True)), index=rows.index)
