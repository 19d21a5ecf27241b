"""Daily pattern, conductivity and drainage of a tube's events, from what a night changed."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.derive.conductivity import field_conductivity, rates_by_law
from pipeline.derive.drainage import event_drainage
from pipeline.derive.drained_hours import BELOW, HERE, drained_amounts
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.event_rows import with_drainage_doubt
from pipeline.derive.fronts import PEAK_DAYS, fronts_look
from pipeline.derive.limits_texture import CLASSES, USUAL_ORGANIC_PCT
from pipeline.derive.night_rates import TubeRates, drained_rates, held_above, tube_rates
from pipeline.derive.texture_hydraulics import Texture, rates_by_texture
from pipeline.derive.tube_laws import (
    laws_of,
    laws_until_s,
    rows_of,
    that_count,
    tube_laws,
)
from pipeline.derive.uptake import FADED_DAYS, daily_pattern
from pipeline.products.event_blocks import Reader
from pipeline.products.event_store import DRAINAGE_COLUMNS
from pipeline.runs import runs, widened
from pipeline.site.models import Horizon, Site

Tables = dict[str, pd.DataFrame]
BEFORE_DAYS, AFTER_DAYS = 5, 4  # readings a day's pattern rests on: nights, and their noise
_TOLD = ("depth_m", "storage_gain_mm", "storage_peak_s", *HERE, *BELOW)  # of a sensor's event
FADE_DAYS = math.ceil(FADED_DAYS) + 1  # after a peak at the first sensor


def with_drainage(
    reader: Reader,
    site: Site,
    tube: tuple[int, Profile],
    computed: NDArray[np.bool_],
    made: Tables,
    old: Tables,
) -> Tables:
    """Return the tables of a tube with ``uptake``, its laws and drainage columns.

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
    old : dict of DataFrame
        The tube's ``uptake`` of the night before; ``conductivity`` and ``drainage_laws`` too
        where they may stay.

    Returns
    -------
    dict of DataFrame
        Those made, with drainage columns, and ``uptake``, ``conductivity``, ``drainage_laws``.
    """
    column, profile = tube
    pattern = _pattern(
        reader, site, column, profile, computed, (made["fronts"], old["uptake"])
    )
    laws, table = _laws(profile, pattern, old)
    rates = None if laws.empty else tube_rates(pattern, laws_of(laws))
    result = {**made, "uptake": pattern, "conductivity": table, "drainage_laws": laws}
    if made["events"].empty:
        return result
    nights = _rates(site, profile, pattern, (rates, table))
    events = made["events"].drop(columns=list(DRAINAGE_COLUMNS), errors="ignore")
    depths = made["event_depths"].drop(columns=list(DRAINAGE_COLUMNS), errors="ignore")
    ends = events.set_index("event")["end_s"].reindex(depths["event"]).to_numpy(np.int64)
    numbers = depths[list(_TOLD)]  # without texts, which cost more than all numbers
    parts = [
        _of_sensor(profile, numbers.iloc[rows], ends[rows], (nights, rates))
        for _, rows in sorted(depths.groupby("depth_m").indices.items())
    ]
    depths = depths.join(pd.concat(parts))
    last = depths[depths["depth_m"] == profile.nominal_m[-1]].set_index("event")
    past = last[list(DRAINAGE_COLUMNS)].reindex(events["event"]).reset_index(drop=True)
    whole = events.reset_index(drop=True).join(past)
    result["events"] = whole.assign(doubts=with_drainage_doubt(whole))
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
    after = back + PEAK_DAYS + FADE_DAYS
    for start, stop in runs(widened(computed, ahead + 1, after), 1):
        window = max(0, start - BEFORE_DAYS), min(reader.days, stop + AFTER_DAYS)
        water = reader.water(column, profile.nominal_m, *window)
        axis = reader.axis
        rain, told = reader.fallen(*window) or (None, None)
        block = Block(reader.day_s(window[0]), axis.interval_s, water, rain, rain_told=told)
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


def _laws(
    profile: Profile, pattern: pd.DataFrame, old: Tables
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the laws of a tube as rows, and its conductivity by classes.

    They stay as they are while the nights that count are the same.
    """
    if pattern.empty:
        return pd.DataFrame(), pd.DataFrame()
    known = old.get("drainage_laws", pd.DataFrame())
    until_s = laws_until_s(pattern["day_s"].to_numpy(np.int64))
    if not known.empty and int(known["until_s"].iloc[0]) == until_s:
        before = old["uptake"]
        if _same(pattern[that_count(pattern, until_s)], before[that_count(before, until_s)]):
            return known, old["conductivity"]
    laws = tube_laws(pattern)
    tables = rows_of(laws), field_conductivity(pattern, laws)
    laws_rows, table = (
        rows if rows.empty else rows.assign(tube=profile.tube) for rows in tables
    )
    return laws_rows, table


def _same(rows: pd.DataFrame, others: pd.DataFrame) -> bool:
    """Tell whether two patterns of one tube have the same numbers."""
    names = [name for name in rows.columns if name != "tube"]
    mine, theirs = (frame[names].to_numpy(np.float64) for frame in (rows, others))
    return np.array_equal(mine, theirs, equal_nan=True)


def _rates(
    site: Site,
    profile: Profile,
    pattern: pd.DataFrame,
    fitted: tuple[TubeRates | None, pd.DataFrame],
) -> pd.DataFrame:
    """Return the rates of nights by both estimates; by texture where nights tell no law."""
    rates, table = fitted
    if rates is None:
        return pattern
    nights = drained_rates(pattern, rates)
    if not table.empty:
        nights = rates_by_law(nights, table)
    return rates_by_texture(nights, textures_of(site, profile))


def textures_of(site: Site, profile: Profile) -> dict[float, Texture]:
    """Return the texture around each sensor of a tube that has one described, by depth."""
    soil = site.soils.get(site.tube_by_id[profile.tube].soil)
    found = {}
    for nominal, real in zip(profile.nominal_m.tolist(), profile.real_m.tolist(), strict=True):
        texture = texture_of(soil.horizon_at(real)) if soil else None
        if texture is not None:
            found[nominal] = texture
    return found


def texture_of(horizon: Horizon | None) -> Texture | None:
    """Return the texture of a horizon: its shares, else the middle of its class."""
    if horizon is None:
        return None
    shares = CLASSES.get(horizon.texture.strip().lower())
    if horizon.sand_pct is not None and horizon.clay_pct is not None:
        shares = horizon.sand_pct, horizon.clay_pct
    if shares is None:
        return None
    organic = USUAL_ORGANIC_PCT if horizon.organic_pct is None else horizon.organic_pct
    return Texture(*shares, organic, horizon.stones_pct or 0.0)


def _of_sensor(
    profile: Profile,
    rows: pd.DataFrame,
    ends_s: NDArray[np.int64],
    told: tuple[pd.DataFrame, TubeRates | None],
) -> pd.DataFrame:
    """Return the drainage columns of one sensor's rows, with their index."""
    none = np.full(len(rows), np.nan)
    best = nights = law = (none, none, none)
    source = ""
    pattern, rates = told
    depth = rows["depth_m"].iloc[0]
    mine = pattern[pattern["depth_m"] == depth] if rates else pattern
    if rates and len(mine):
        place = int(np.searchsorted(profile.nominal_m, depth - 1e-9))
        real_m, gain = profile.real_m, rows["storage_gain_mm"].to_numpy(np.float64)
        held = held_above(float(real_m[place]), float(real_m[place] - real_m[0]), gain)
        peak = rows["storage_peak_s"].to_numpy(np.int64)
        best = drained_amounts(rows, ends_s, mine, rates, held)
        nights, law = (
            event_drainage(peak, ends_s, mine, column, held)
            for column in ("night_drainage_mm_d", "gradient_drainage_mm_d")
        )
        source = str(mine["gradient_from"].iloc[0])
    differ = (nights[0] - law[0]) / np.hypot(nights[1], law[1])
    columns = (*best[:2], nights[2], *law[:2], source, differ)
    return pd.DataFrame(dict(zip(DRAINAGE_COLUMNS, columns, strict=True)), index=rows.index)
