"""What a description leaves out that uncertainty is made of: noise, and errors of laws."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from pipeline.errors import Problem
from pipeline.site.models import Horizon, Law, Site, Wire
from pipeline.variables import SIGNALS

# Forms of soil laws whose coefficients are fitted to samples, as a rule through the probe.
FITTED_FORMS = (
    "linear_root_permittivity",
    "polynomial_root_permittivity",
    "polynomial_permittivity",
)
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
    """Name, in one remark, the soil laws of wired sensors that state no error."""
    used = {horizon.calibration for _, horizon in _calibrated(site)}
    unsure = _unsure(site, lambda law: law.kind == "soil" and law.id in used)
    if unsure:
        found = f"no error stated by law {_names(unsure)}"
        advice = (
            "Without one water content and storage have no systematic part of their "
            "uncertainty. Fitted laws: 'percolog fit' prints both; published ones: your "
            "estimate for this soil."
        )
        expected = "'standard_error' or 'covariance' of each soil law in use"
        yield Problem("calibrations.toml", f"key law.{unsure[0][0]}", found, expected, advice)


def probes_without_error(site: Site) -> Iterator[Problem]:
    """Name, in one remark, probe laws without an error that published equations follow.

    The error of a soil law that was fitted through the probe holds the probe's as well; a
    published equation knows nothing of the probe.
    """
    fitted = {law.id for law in site.laws if law.form in FITTED_FORMS}
    probes = {
        wire.probe
        for wire, horizon in _calibrated(site)
        if wire.quantity == "voltage" and horizon.calibration not in fitted
    }
    unsure = _unsure(site, lambda law: bool(probes & set(law.probes)))
    if unsure:
        found = (
            f"no error stated by probe law {_names(unsure)}, which published equations follow"
        )
        advice = (
            "A published equation was not fitted through the probe, so that the probe's error "
            "is missing. The spread between sensors of the make is a first estimate."
        )
        expected = "'standard_error' or 'covariance'"
        yield Problem("calibrations.toml", f"key law.{unsure[0][0]}", found, expected, advice)


def _unsure(site: Site, chosen: Callable[[Law], bool]) -> list[tuple[int, Law]]:
    """Return the laws, with their numbers, that are chosen and state no error."""
    return [
        (number, law)
        for number, law in enumerate(site.laws)
        if law.covariance is None and law.standard_error is None and chosen(law)
    ]


def _calibrated(site: Site) -> Iterator[tuple[Wire, Horizon]]:
    """Yield the wired sensors whose readings go through the soil law of a horizon."""
    as_logged = {law.id for law in site.laws if law.form == _AS_LOGGED}
    for wire in site.wiring:
        tube = site.tube_by_id.get(wire.tube)
        if tube is None or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        real_m = site.sensor_depth_m(tube.tube, wire.depth_m)
        horizon = site.soils[tube.soil].horizon_at(real_m)
        if horizon and (wire.quantity != "water_content" or horizon.calibration in as_logged):
            yield wire, horizon


def _names(laws: list[tuple[int, Law]]) -> str:
    return _listed(f"{law.id} version {law.version}" for _, law in laws)


def _listed(words: Iterable[str]) -> str:
    return ", ".join(repr(word) for word in words)
