"""What a description leaves out that uncertainty is made of: noise, and errors of laws."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pipeline.errors import Problem
from pipeline.site.models import Site
from pipeline.variables import SIGNALS

_AS_LOGGED = "as_logged"  # the form of a law that lets a sensor's own water content stand


def noise_left_out(site: Site) -> Iterator[Problem]:
    """Name the logged signals of which no noise is stated: random errors need it."""
    logged = {wire.quantity for wire in site.wiring if wire.quantity in SIGNALS}
    missing = [name for name in SIGNALS if name in logged and name not in site.sensor_noise]
    if missing:
        found = f"no noise of {_listed(missing)} stated"
        expected = "the standard deviation of single readings of each signal that is logged"
        advice = (
            "Without it water content and storage have no random part of their uncertainty. "
            "An hour of readings in a bucket of wet sand shows it."
        )
        place = "key sensor_noise" if site.sensor_noise else "[sensor_noise]"
        yield Problem("site.toml", place, found, expected, advice)


def laws_without_error(site: Site) -> Iterator[Problem]:
    """Name, in one remark, the soil laws of wired sensors that do not say how sure they are.

    A probe law that states no error is none of them: the soil law fitted through the probe
    has it.
    """
    used = _soil_laws_in_use(site)
    unsure = [
        (number, law)
        for number, law in enumerate(site.laws)
        if law.kind == "soil"
        and law.id in used
        and law.covariance is None
        and law.standard_error is None
    ]
    if unsure:
        names = [f"{law.id} version {law.version}" for _, law in unsure]
        found = f"no error stated by law {_listed(names)}"
        advice = (
            "Without one water content and storage have no systematic part of their "
            "uncertainty. Fitted laws: 'percolog fit' prints both; published ones: your "
            "estimate for this soil."
        )
        expected = "'standard_error' or 'covariance' of each soil law in use"
        key = f"key law.{unsure[0][0]}"
        yield Problem("calibrations.toml", key, found, expected, advice)


def _soil_laws_in_use(site: Site) -> set[str]:
    """Return the ids of the soil laws that some wired sensor's readings go through."""
    as_logged = {law.id for law in site.laws if law.form == _AS_LOGGED}
    used = set()
    for wire in site.wiring:
        tube = site.tube_by_id.get(wire.tube)
        if tube is None or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        real_m = site.sensor_depth_m(tube.tube, wire.depth_m)
        horizon = site.soils[tube.soil].horizon_at(real_m)
        if horizon is None:
            continue
        if wire.quantity != "water_content" or horizon.calibration in as_logged:
            used.add(horizon.calibration)
    return used


def _listed(words: Iterable[str]) -> str:
    return ", ".join(repr(word) for word in words)
