"""The report of ``percolog limits`` as text for a person."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.accounts.limits_documents import LimitsAccount, RootZone, SensorLimits
from pipeline.console import table

_SENSORS = (
    *("tube", "cm", "upper", "+-", "spells", "drained in d", "lower", "of texture"),
    "saturation",
)
_ROOT_ZONES = (
    *("tube", "day", "available mm", "lacking mm", "surplus mm", "left %", "refill mm"),
    "limits from",
)


def limits_text(account: LimitsAccount) -> str:
    """Return the report of `limits_report`, which is beside this, as text for a person."""
    sensors, zones = account["sensors"], account["root_zones"]
    lines = [
        f"{account['site']}: water content [m3 m-3] at the limits of the soil",
        table(_SENSORS, [_of_sensor(row) for row in sensors]),
        "",
        f"root zone 0 to {100 * account['root_depth_m']:g} cm, refill at a depletion of "
        f"{100 * account['depletion_fraction']:g} % of the available water",
        table(_ROOT_ZONES, [_of_zone(zone) for zone in zones]),
        "",
    ]
    lines += [
        f"note  {zone['tube']}, root zone: {said}"
        for zone in zones
        for said in (zone["unknown"], zone["remark"])
        if said
    ]
    lines += _grouped_remarks(sensors)
    lines += [
        f"note  {tube}: depths as wired; its sensors sit {abs(deeper):.3g} cm "
        f"{'deeper' if deeper > 0 else 'higher'}"
        for tube, deeper in _set_in_cm(sensors).items()
    ]
    lines.append(
        "note  +-: standard uncertainty of the median of spells; of texture: upper / lower"
    )
    return "\n".join([*lines, f"note  {account['caution']}"])


def _of_sensor(row: SensorLimits) -> list[object]:
    return [
        row["tube"],
        f"{100 * row['depth_m']:g}",
        _three(row["upper"]),
        _three(row["upper_error"]),
        row["upper_spells"],
        row["days_to_drain"],
        ("<= " if row["lower_is_bound"] else "") + _three(row["lower"]),
        f"{_three(row['texture_upper'])} / {_three(row['texture_lower'])}",
        _three(row["saturation"]),
    ]


def _of_zone(zone: RootZone) -> list[object]:
    left = zone["relative_available_water"]
    return [
        zone["tube"],
        zone["day"],
        zone["total_available_mm"],
        zone["depletion_mm"],
        zone["surplus_mm"],
        None if left is None else 100 * left,
        zone["refill_mm"],
        ", ".join(zone["limits_from"]) or None,
    ]


def _set_in_cm(sensors: Sequence[SensorLimits]) -> dict[str, float]:
    """Return how much deeper than wired the sensors of tubes sit, where they do [cm]."""
    deeper = {
        row["tube"]: round(100 * (row["real_depth_m"] - row["depth_m"]), 2) for row in sensors
    }
    return {tube: cm for tube, cm in deeper.items() if cm}


def _three(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _grouped_remarks(rows: Sequence[SensorLimits]) -> list[str]:
    """Return each remark once, with the sensors it is made of: ``T1 10, 20 cm; T2 10 cm``."""
    made: dict[str, dict[str, list[str]]] = {}
    for row in rows:
        for remark in row["remarks"]:
            depths = made.setdefault(remark, {}).setdefault(row["tube"], [])
            depths.append(f"{100 * row['depth_m']:g}")
    return [
        f"note  {remark}: "
        + "; ".join(f"{tube} {', '.join(depths)} cm" for tube, depths in tubes.items())
        for remark, tubes in made.items()
    ]
