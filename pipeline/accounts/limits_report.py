"""What ``percolog limits`` tells: limits of the soil, and where its water stands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.accounts.limits_documents import (
    LimitsAccount,
    RootZone,
    Saturation,
    SensorLimits,
    StoredLimits,
    Texture,
)
from pipeline.axis import DAY_S
from pipeline.derive.limits_texture import (
    FAO56_TABLE_19,
    limits_saxton_rawls,
    saturation_from_density,
)
from pipeline.derive.limits_water import (
    refill_amount,
    root_zone_depletion,
    total_available_water,
)
from pipeline.derive.storage import sensor_depths_m
from pipeline.derive.weights import EndRules, layer_weights
from pipeline.errors import PercologError, StoreError
from pipeline.products.event_drainage import texture_of
from pipeline.products.limits import TABLE
from pipeline.site.checks_layers import REACH_M, sensor_depths_of
from pipeline.site.mistakes import unknown_tube
from pipeline.site.models import Horizon, Site
from pipeline.store.opened import open_state
from pipeline.store.state import Snapshot
from pipeline.words import counted

CAUTION = (
    "Limits are of this record and these sensors. Advice on irrigation, leaching or the "
    "stability of slopes is not given here: local practice goes before it."
)
FEW_SPELLS = 3


class LimitsError(PercologError, LookupError):
    """The tube asked for is not in the state; the message says which are."""


def limits_report(
    folder: Path, root_depth_m: float, depletion_fraction: float, tube: str = ""
) -> LimitsAccount:
    """Return the limits of a site's soil, sensor by sensor, and what its root zones hold.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    root_depth_m : float, [m]
    depletion_fraction : float, [1]
        Share of the available water at which one refills; chosen by local practice.
    tube : str
        Only this tube.

    Raises
    ------
    SiteError, StoreError
    LimitsError
        If the state holds none of such a tube.
    """
    opened = open_state(folder)
    site, snapshot = opened.site, opened.snapshot
    stored = snapshot.table(TABLE)
    if stored is None or not stored.num_rows:
        raise StoreError(
            f"{site.id}: found no soil limits in the store; expected daily means of at least "
            f"one sensor; run percolog night, and wait for whole days of readings"
        )
    rows = [sensor_row(site, row) for row in stored.to_pylist()]
    tubes = list(dict.fromkeys(row["tube"] for row in rows))
    if tube and tube not in tubes:
        raise LimitsError(unknown_tube(site.id, tube, tubes))
    chosen = [tube] if tube else tubes
    return {
        "site": site.id,
        "outcome": opened.outcome(),
        "commit": snapshot.commit_id,
        "root_depth_m": root_depth_m,
        "depletion_fraction": depletion_fraction,
        "sensors": [row for row in rows if row["tube"] in chosen],
        "root_zones": [
            root_zone(
                site,
                snapshot,
                [row for row in rows if row["tube"] == name],
                root_depth_m,
                depletion_fraction,
            )
            for name in chosen
        ],
        "caution": CAUTION,
        **opened.told(),
    }


def sensor_row(site: Site, stored: StoredLimits) -> SensorLimits:
    """Return a row of the stored table with what texture says beside it, and remarks."""
    tube, depth = stored["tube"], stored["depth_m"]
    real = site.sensor_depth_m(tube, depth)
    soil = site.soils.get(site.tube_by_id[tube].soil)
    horizon = soil.horizon_at(real) if soil else None
    row: SensorLimits = {
        **stored,
        "real_depth_m": real,
        "horizon": horizon.name if horizon else None,
        **texture_row(horizon),
        **saturation_row(horizon),
        "remarks": [],
    }
    row["remarks"] += _remarks(row)
    return row


def texture_row(horizon: Horizon | None) -> Texture:
    """Return what a horizon's texture lets expect, and of which shares or class it is."""
    found: Texture = {
        "texture": horizon.texture if horizon else None,
        "texture_of": None,
        "texture_upper": None,
        "texture_lower": None,
        "texture_saturation": None,
        "table_19_upper": None,
        "table_19_lower": None,
    }
    if horizon is None:
        return found
    name = horizon.texture.strip().lower()
    if name in FAO56_TABLE_19:
        upper_span, lower_span = FAO56_TABLE_19[name]
        found |= {"table_19_upper": list(upper_span), "table_19_lower": list(lower_span)}
    texture = texture_of(horizon)
    if texture is None:
        return found
    by_shares = horizon.sand_pct is not None and horizon.clay_pct is not None
    found["texture_of"] = "sand and clay" if by_shares else "class"
    limits = limits_saxton_rawls(texture.sand_pct, texture.clay_pct, texture.organic_pct)
    # Stones hold no water: the estimate is of the fine earth between them.
    fine = 1.0 - texture.stones_pct / 100.0
    upper, lower, saturation = (
        None if np.isnan(value) else float(value) * fine
        for value in (limits.upper, limits.lower, limits.saturation)
    )
    found["texture_upper"], found["texture_lower"] = upper, lower
    found["texture_saturation"] = saturation
    return found


def saturation_row(horizon: Horizon | None) -> Saturation:
    """Return saturation as stated, else from bulk density; and whence it is."""
    if horizon is not None and horizon.saturation is not None:
        return {"saturation": horizon.saturation, "saturation_from": "soils.toml"}
    if horizon is not None and horizon.bulk_density is not None:
        porosity = float(saturation_from_density(horizon.bulk_density))
        return {"saturation": porosity, "saturation_from": "bulk density"}
    return {"saturation": None, "saturation_from": None}


def _remarks(row: SensorLimits) -> Iterator[str]:
    if row["upper"] is None:
        yield "no spell of drainage was long and clear enough"
    elif row["upper_spells"] < FEW_SPELLS:
        yield f"upper limit from {counted(row['upper_spells'], 'spell')} only"
    if row["lower_is_bound"]:
        yield "it never dried to a plateau: the lower limit lies at or below the one shown"
    span = row["table_19_upper"]
    if span and row["upper"] is not None and not span[0] <= row["upper"] <= span[1]:
        yield f"upper limit outside FAO-56 Table 19, {span[0]:g} to {span[1]:g}"
    if _upside_down(limits_of(row)):
        yield "upper limit not above the lower: too short or too wet a record to tell either"
    if row["saturation"] is not None and row["highest"] > row["saturation"]:
        yield "readings above saturation"


class Limits(NamedTuple):
    """Limits to reckon with at one sensor, and whence: record, texture or bound."""

    upper: float | None = None
    upper_from: str = ""
    lower: float | None = None
    lower_from: str = ""


def limits_of(row: SensorLimits) -> Limits:
    """Return the limits to reckon with at one sensor: the record's, else texture's.

    Where the record never dried as far as plants can dry it, texture tells the lower limit,
    but never one above what was seen; without a texture the lowest value stands in as a bound.
    """
    upper, lower = row["upper"], row["lower"]
    upper_from = "record" if upper is not None else ""
    if upper is None and row["texture_upper"] is not None:
        upper, upper_from = row["texture_upper"], "texture"
    if lower is not None and not row["lower_is_bound"]:
        return Limits(upper, upper_from, lower, "record")
    if row["texture_lower"] is not None:
        seen = np.inf if lower is None else lower
        return Limits(upper, upper_from, min(row["texture_lower"], seen), "texture")
    return Limits(upper, upper_from, lower, "" if lower is None else "bound")


def _upside_down(limits: Limits) -> bool:
    """Tell whether a sensor's limits leave no water between them."""
    upper, lower = limits.upper, limits.lower
    return upper is not None and lower is not None and upper <= lower


class _Zone(NamedTuple):
    """The sensors a root zone rests on: columns of the store, thickness [m], limits."""

    columns: list[int]
    thickness: NDArray[np.float64]
    upper: NDArray[np.float64]
    lower: NDArray[np.float64]
    limits_from: list[str]


def root_zone(
    site: Site,
    snapshot: Snapshot,
    rows: Sequence[SensorLimits],
    root_depth_m: float,
    depletion_fraction: float,
) -> RootZone:
    """Return what one tube's root zone holds on the last day on which all of it is known.

    Everything is None where the sensors, by the site's rules, do not reach the root depth, or
    no limits that fit together are known at one of them; ``unknown`` says which.
    """
    tube = rows[0]["tube"]
    account: RootZone = {
        "tube": tube,
        "day": None,
        "total_available_mm": None,
        "depletion_mm": None,
        "surplus_mm": None,
        "relative_available_water": None,
        "refill_mm": None,
        "unknown": None,
        "limits_from": [],
        "remark": _out_of_reach(site, tube, root_depth_m),
    }
    zone = _zone(site, snapshot, rows, root_depth_m)
    if isinstance(zone, str):
        return account | {"unknown": zone}
    total = float(total_available_water(zone.upper, zone.lower, zone.thickness).sum())
    account |= {"total_available_mm": total, "limits_from": zone.limits_from}
    held = _last_day(site, snapshot, tube, zone.columns)
    if held is None:
        return account | {"unknown": "no day on which all its sensors have a daily mean"}
    day, water = held
    depletion = float(root_zone_depletion(water, zone.upper, zone.thickness).sum())
    # Water above the limit of one layer does not make up for what another lacks: it drains.
    surplus = float(root_zone_depletion(zone.upper, water, zone.thickness).sum())
    return account | {
        "day": day,
        "depletion_mm": depletion,
        "surplus_mm": surplus,
        "relative_available_water": 1.0 - depletion / total,
        "refill_mm": float(refill_amount(depletion, total, depletion_fraction)),
    }


def _zone(
    site: Site, snapshot: Snapshot, rows: Sequence[SensorLimits], root_depth_m: float
) -> _Zone | str:
    """Return the sensors behind a root zone; what is wanting, where one is or its limits."""
    tube, nominal = rows[0]["tube"], snapshot.labels["depth"]
    order = sorted(range(len(nominal)), key=lambda at: nominal[at])
    depths = sensor_depths_m(site, [tube], [nominal[at] for at in order])[0]
    depths[depths < 0] = np.nan
    rules = EndRules(site.derive.above_first_sensor, site.derive.below_last_sensor)
    weights = layer_weights(depths, [(0.0, root_depth_m)], rules)[0]
    needed = np.flatnonzero(weights != 0)
    by_depth = {row["depth_m"]: limits_of(row) for row in rows}
    found = [by_depth.get(nominal[order[at]], Limits()) for at in needed]
    if np.isnan(weights).any():
        return f"by [derive], its sensors do not tell of 0 to {100 * root_depth_m:g} cm"
    for at, limits in zip(needed, found, strict=True):
        name = f"{100 * nominal[order[at]]:g} cm"
        if limits.upper is None or limits.lower is None:
            wanting = "upper" if limits.upper is None else "lower"
            return f"no {wanting} limit at {name}, neither by the record nor by texture"
        if _upside_down(limits):
            return f"upper limit at {name} not above the lower"
    return _Zone(
        [order[at] for at in needed],
        weights[needed],
        np.array([x.upper for x in found], dtype=np.float64),
        np.array([x.lower for x in found], dtype=np.float64),
        sorted({word for x in found for word in (x.upper_from, x.lower_from)}),
    )


def _out_of_reach(site: Site, tube: str, root_depth_m: float) -> str:
    """Say where all sensors of a tube lie too far below a root zone to speak for it."""
    sensors = sensor_depths_of(site, tube)
    if not sensors or round(sensors[0] - root_depth_m, 4) <= REACH_M:
        return ""
    return (
        f"its first sensor is at {100 * sensors[0]:g} cm, out of reach; what it holds is no "
        f"measurement of the root zone: do not irrigate by it"
    )


def _last_day(
    site: Site, snapshot: Snapshot, tube: str, columns: list[int]
) -> tuple[str, NDArray[np.float64]] | None:
    """Return the last local day on which some sensors all have a daily mean, and the means."""
    row = snapshot.labels["tube"].index(tube)
    daily = snapshot.read("daily/daily_water_content", 0, snapshot.days, slice(row, row + 1))
    water = daily[:, 0][:, columns].astype(np.float64)
    whole = np.flatnonzero(~np.isnan(water).any(axis=1))
    if not whole.size:
        return None
    local = snapshot.axis.origin_s + int(whole[-1]) * DAY_S + site.utc_offset_s
    return str(np.datetime64(local, "s"))[:10], water[whole[-1]]
