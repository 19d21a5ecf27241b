"""Thresholds of the quality tests for every tube and depth, the overrides applied in order."""

from __future__ import annotations

import typing
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from pipeline.site.models import QcLimits, QcOverride, Site

Key = tuple[str, float]

# Written in TOML, which has no word for "none", to switch a test off.
OFF = "off"


def resolve_limits(site: Site) -> dict[Key, QcLimits]:
    """Return the thresholds that hold for each tube and nominal depth of the cube.

    Parameters
    ----------
    site : Site
        Its ``qc_overrides`` apply in the order in which they are written.

    Returns
    -------
    dict of (str, float) to QcLimits
        For every tube and every depth in [m] of ``site.depths_m``. Cells under the same
        overrides share one object, so that they can be grouped by identity.
    """
    tubes = [tube.tube for tube in site.tubes]
    matches = matching_overrides(tubes, site.depths_m, site.qc_overrides)
    made = {
        chosen: apply_overrides(site.qc, [site.qc_overrides[i] for i in chosen])
        for chosen in set(matches.values())
    }
    return {key: made[chosen] for key, chosen in matches.items()}


def matching_overrides(
    tubes: Sequence[str], depths_m: Sequence[float], overrides: Sequence[QcOverride]
) -> dict[Key, tuple[int, ...]]:
    """Return for each tube and depth which overrides hold, by their number in order."""
    by_tube = {
        tube: [i for i, o in enumerate(overrides) if not o.tubes or tube in o.tubes]
        for tube in tubes
    }
    by_depth = {depth: _at_depth(depth, overrides) for depth in depths_m}
    return {
        (tube, depth): tuple(i for i in numbers if i in by_depth[depth])
        for tube, numbers in by_tube.items()
        for depth in depths_m
    }


def _at_depth(depth_m: float, overrides: Sequence[QcOverride]) -> set[int]:
    """Return the overrides for a depth; compared to a tenth of a millimetre."""
    return {
        number
        for number, override in enumerate(overrides)
        if not override.depths_cm
        or depth_m in {round(depth_cm / 100, 4) for depth_cm in override.depths_cm}
    }


def apply_overrides(base: QcLimits, overrides: Iterable[QcOverride]) -> QcLimits:
    """Return thresholds with some keys replaced; a later override wins over an earlier one."""
    values = base.model_dump()
    for override in overrides:
        values.update(override.set)
        values["why"] = override.why
    return QcLimits.model_validate(values)


def clean_limits(values: dict[str, object]) -> dict[str, object]:
    """Return thresholds as written, ``"off"`` made None where a test can be switched off."""
    return {
        name: None if value == OFF and _can_be_off(name) else value
        for name, value in values.items()
    }


def _can_be_off(name: str) -> bool:
    field = QcLimits.model_fields.get(name)
    return field is not None and type(None) in typing.get_args(field.annotation)


# A limit from below, of which the suspect one is the higher; a threshold that may be negative.
_FROM_BELOW = ("supply_suspect_v",)
_SIGNED = ("frozen_degc",)


def contradictions(limits: QcLimits) -> Iterator[tuple[str, str, str]]:
    """Yield (key, found, expected) of thresholds that contradict each other."""
    values = {k: v for k, v in limits.model_dump().items() if not isinstance(v, str)}
    for name, value in values.items():
        if isinstance(value, tuple) and value[0] >= value[1]:
            yield name, f"{list(value)}", "the lower limit before the upper"
        elif isinstance(value, float | int) and value < 0 and name not in _SIGNED:
            yield name, f"{value}", "a threshold of 0 or more"
    for name, suspect in values.items():
        other = name.replace("suspect", "fail")
        fail = values.get(other) if other != name else None
        if suspect is None or fail is None:
            continue
        below = name in _FROM_BELOW
        if _beyond(fail, suspect) if below else _beyond(suspect, fail):
            shown = list(suspect) if isinstance(suspect, tuple) else suspect
            bound = list(fail) if isinstance(fail, tuple) else fail
            word = "no lower" if below else "no wider"
            yield name, f"{shown}", f"{word} than {other} ({bound})"


def _beyond(suspect: Any, fail: Any) -> bool:
    """Tell whether a reading could fail without having been suspect."""
    if isinstance(suspect, tuple):
        return bool(suspect[0] < fail[0] or suspect[1] > fail[1])
    return bool(suspect > fail)
