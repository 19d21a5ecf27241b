"""Layers that the sensors of a tube do not reach, though a rule gives them water."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Problem
from pipeline.site.models import Layer, Site
from pipeline.variables import SIGNALS

# How far from a layer a sensor still speaks for it [m]: as far as it feels the edge of a
# horizon, which is pipeline.calibrate.felt.FELT_WITHIN_M.
REACH_M = 0.10
_LISTED = 6
_MOST = 2 / 3  # a choice: tubes of two depths, half of each, are a design and no slip


def layers_without_near_sensor(site: Site) -> Iterator[Problem]:
    """Name layers wholly above or below all sensors of a tube and out of their reach.

    By the rule ``constant`` such a layer is given the water of the sensor nearest to it,
    however far that is. Sensors are those ever wired; tubes read by hand alone are left out.
    """
    depths = {tube.tube: sensor_depths_of(site, tube.tube) for tube in site.tubes}
    for number, layer in enumerate(site.derive.layers):
        for rule in ("above_first_sensor", "below_last_sensor"):
            away = {
                tube: beyond
                for tube, sensors in depths.items()
                if sensors and (beyond := _beyond(layer, sensors, rule))[1] > REACH_M
            }
            if away and getattr(site.derive, rule) == "constant":
                yield _told(number, layer, rule, away)


def layers_without_water(site: Site) -> Iterator[Problem]:
    """Name layers that reach beyond the sensors of more than two tubes in three.

    By the rule ``none`` they have no stored water there. Where it is fewer tubes the layer is
    likely meant for the others; and one that reaches below all sensors is told elsewhere.
    """
    depths = {tube.tube: sensor_depths_of(site, tube.tube) for tube in site.tubes}
    logged = {tube: sensors for tube, sensors in depths.items() if sensors}
    deepest = max((sensors[-1] for sensors in logged.values()), default=0.0)
    for number, layer in enumerate(site.derive.layers):
        rules = {tube: rule_without_water(site, layer, s) for tube, s in logged.items()}
        lacking = {tube: rule for tube, rule in rules.items() if rule}
        below_all = layer.bottom_m > deepest and "below_last_sensor" in lacking.values()
        if len(lacking) > _MOST * len(logged) and not below_all:
            yield _without_water(number, layer, lacking, logged)


def rule_without_water(site: Site, layer: Layer, sensors: list[float]) -> str:
    """Return the rule by which a layer has no stored water in a tube, or nothing.

    ``sensors`` are the real depths [m] of the tube's sensors, downwards, at least one.
    """
    if layer.bottom_m > sensors[-1] and site.derive.below_last_sensor == "none":
        return "below_last_sensor"
    if layer.top_m < sensors[0] and site.derive.above_first_sensor == "none":
        return "above_first_sensor"
    return ""


def _without_water(
    number: int, layer: Layer, lacking: dict[str, str], logged: dict[str, list[float]]
) -> Problem:
    """Return the remark on a layer without stored water, with its tubes and rules."""
    tubes = [
        f"{tube!r} (sensors from {logged[tube][0] * 100:g} to {_cm(logged[tube][-1])})"
        for tube in lacking
    ]
    more = f" and {len(tubes) - _LISTED} more" if len(tubes) > _LISTED else ""
    found = (
        f"layer {layer.name!r}, {layer.top_m * 100:g} to {_cm(layer.bottom_m)}, without "
        f"stored water in {len(lacking)} of {len(logged)} tubes that log: "
        f"{', '.join(tubes[:_LISTED])}{more}"
    )
    rules = " and ".join(sorted(set(lacking.values())))
    advice = (
        f"By {rules} = 'none' nothing is assumed beyond the sensors. Let the layer end where "
        f"they do, or set {rules} = 'constant' in [derive]; leave it if it is meant for the "
        "other tubes."
    )
    place = f"key layer.{number}"
    return Problem("site.toml", place, found, "sensors from its top to its bottom", advice)


def sensor_depths_of(site: Site, tube: str) -> list[float]:
    """Return the real depths of the sensors of water of a tube that are in the soil."""
    depths = {
        site.sensor_depth_m(tube, wire.depth_m)
        for wire in site.wiring
        if wire.tube == tube and wire.depth_m is not None and wire.quantity in SIGNALS
    }
    return sorted(depth for depth in depths if depth >= 0)


def _beyond(layer: Layer, sensors: list[float], rule: str) -> tuple[float, float]:
    """Return the sensor next to a layer that lies beyond all sensors, and how far off it is.

    The distance is negative where the layer reaches the sensor.
    """
    if rule == "above_first_sensor":
        return sensors[0], round(sensors[0] - layer.bottom_m, 4)
    return sensors[-1], round(layer.top_m - sensors[-1], 4)


def _told(
    number: int, layer: Layer, rule: str, away: dict[str, tuple[float, float]]
) -> Problem:
    """Return the remark on one layer, with its tubes."""
    tubes = [
        f"tube {tube!r} (nearest at {_cm(nearest)}, {_cm(off_m)} away)"
        for tube, (nearest, off_m) in away.items()
    ]
    more = f" and {len(tubes) - _LISTED} more" if len(tubes) > _LISTED else ""
    found = (
        f"layer {layer.name!r}, {layer.top_m * 100:g} to {_cm(layer.bottom_m)}, without a "
        f"near sensor in {', '.join(tubes[:_LISTED])}{more}"
    )
    advice = (
        f"By {rule} = 'constant' its water is that of the nearest sensor, which is no "
        f"measurement of it: do not irrigate or judge a slope by it. Set {rule} = 'none', or "
        "have the layer reach the sensors."
    )
    expected = f"a sensor within {_cm(REACH_M)} of the layer"
    return Problem("site.toml", f"key layer.{number}", found, expected, advice)


def _cm(depth_m: float) -> str:
    return f"{depth_m * 100:g} cm"
