"""The health of the tubes of a test field: what was planted in each, and what is named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import xarray as xr
from memory_store import MemoryState

from pipeline.products.tube_health import tube_health
from pipeline.products.tube_records import tube_records
from pipeline.qc.findings import Verdict
from pipeline.site.models import Site

# What counts as named, for each thing planted; the first is its proper name.
NAMES_OF = {
    "void": ("void", "void or stone"),
    "stone": ("stone", "void or stone", "void"),
    "bypass": ("bypass",),
    "poor_contact": ("poor contact",),
    "swapped": ("swapped channels",),
    "wrong_depth": ("wrong depth",),
    "drift": ("drift",),
}
TELLING = ("void", "stone", "bypass")  # must be named with three telling events
LEAST_EVENTS = 3


def state_of(
    site: Site,
    water: np.ndarray,
    *,
    rain: np.ndarray | None = None,
    temperature: np.ndarray | None = None,
    rounds: pd.DataFrame | None = None,
) -> MemoryState:
    """Return a state as the steps leave it, from what they make of a field.

    Parameters
    ----------
    water, temperature : array (time, tube, depth)
        The first step is one interval after the site's start, as fields have it.
    rain : array (time,)
    rounds : DataFrame
    """
    state = MemoryState(site.axis)
    state.widen("tube", [tube.tube for tube in site.tubes])
    state.widen("depth", list(site.depths_m))
    state.widen("station", ["logger"])
    state.extend(len(water))
    arrays = {"water/cleaned_water_content": water, "readings/soil_temperature": temperature}
    arrays["readings/rain"] = None if rain is None else rain[:, None]
    for key, values in arrays.items():
        if values is not None:
            state.ensure(key)
            state.write(key, 1, values[: state.steps - 1])
    stored = state.arrays["water/cleaned_water_content"].astype(np.float64)
    days = stored.reshape(state.days, -1, *stored.shape[1:])
    known = np.isfinite(days)
    mean = np.where(known, days, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    state.ensure("daily/daily_water_content")
    complete = known.mean(axis=1) >= site.derive.day_completeness
    state.write("daily/daily_water_content", 0, np.where(complete, mean, np.nan))
    state.ensure("daily/daily_count")
    state.write("daily/daily_count", 0, known.sum(axis=1).astype(np.uint16))
    if rounds is not None:
        state.put_table("rounds", pa.Table.from_pandas(rounds, preserve_index=False))
    return state


def health_of(state: MemoryState, site: Site) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return evidence and verdicts of a state."""
    everything = np.ones((len(state.labels["tube"]), state.days), dtype=bool)
    for step in (tube_records, tube_health):
        for name, table in step(state, site, everything).items():
            state.put_table(name, table)
    return state.table("tube_health").to_pandas(), state.table("tube_verdicts").to_pandas()


def health_of_field(
    field: object, result: xr.Dataset, with_rounds: bool = True
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return evidence and verdicts of a field, from what the steps made of it."""
    rain, warmth = field.station.get("rain"), field.readings.get("soil_temperature")
    state = state_of(
        field.site,
        result["cleaned_water_content"].values,
        rain=None if rain is None else rain.values[:, 0],
        temperature=None if warmth is None else warmth.values,
        rounds=field.rounds if with_rounds else None,
    )
    return health_of(state, field.site)


def confusion(roles: Mapping[str, str], health: pd.DataFrame) -> Counter[tuple[str, str]]:
    """Return how often each planted thing was named what; a tube may be named several."""
    counts: Counter[tuple[str, str]] = Counter()
    heavy = health[health["weight"] > 0]
    for tube, role in roles.items():
        kinds = sorted(set(heavy["kind"][heavy["tube"] == tube])) or ["nothing"]
        counts.update((role, kind) for kind in kinds)
    return counts


def verdicts_by_role(
    roles: Mapping[str, str], verdicts: pd.DataFrame
) -> Counter[tuple[str, str]]:
    """Return how often tubes with each planted thing got each verdict."""
    by_tube = dict(zip(verdicts["tube"], verdicts["verdict"], strict=True))
    return Counter((role, Verdict(by_tube[tube]).text) for tube, role in roles.items())


def telling_events(roles: Mapping[str, str], health: pd.DataFrame) -> list[str]:
    """Return the planted thing of each tube in which it is named rightly."""
    return [
        role
        for tube, role in roles.items()
        if role in NAMES_OF
        and health["kind"][health["tube"] == tube].isin(NAMES_OF[role]).any()
    ]


def missed(
    roles: Mapping[str, str], health: pd.DataFrame, kinds: Iterable[str] = TELLING
) -> list[str]:
    """Return the tubes with something planted that is not named by three telling events."""
    lost = []
    for tube, role in roles.items():
        if role in kinds:
            told = health[(health["tube"] == tube) & health["kind"].isin(NAMES_OF[role])]
            if not (told["events"] >= LEAST_EVENTS).any():
                lost.append(f"{tube} ({role})")
    return lost
