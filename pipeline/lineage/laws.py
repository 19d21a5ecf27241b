"""The calibration in force for one sensor at one time, as the state was computed by it."""

from __future__ import annotations

from typing import Any

from pipeline.lineage.view import Rules, Sensor, View, utc_text
from pipeline.site.models import Law, Site, Tube

_COMPUTED_BY = ("form", "covariance", "standard_error")


def calibration_of(view: View, rules: Rules, sensor: Sensor, at_s: int) -> dict[str, object]:
    """Return the laws of a sensor at an instant, JSON-ready.

    Numbers are those stored with the state; where the law comes from, its dates and its
    horizon are read from the description, and a difference between the two is remarked.

    Returns
    -------
    dict
        ``probe_law``, ``soil_law`` (None where none held), ``horizon``, ``soil``,
        ``nominal_depth_m``, ``real_depth_m``, ``set_in_m``, ``sensor_noise``.
    """
    state = rules.at("calibrate", at_s) or {}
    stored = state.get("depths", {}).get(repr(sensor.nominal_m), {})
    real_m = stored.get("real_depth_m", sensor.real_m)
    if real_m != sensor.real_m:
        view.remarks.append(
            f"tubes.csv now sets tube {sensor.tube.tube!r} otherwise: the state was computed "
            f"for a real depth of {real_m} m, not {sensor.real_m} m"
        )
    return {
        **place_of_laws(view.site, sensor.tube, sensor.nominal_m),
        "real_depth_m": real_m,
        "probe_law": law_told(view, stored.get("probe"), "probe"),
        "soil_law": law_told(view, stored.get("soil"), "soil"),
        "sensor_noise": state.get("sensor_noise", {}),
    }


def place_of_laws(site: Site, tube: Tube, nominal_m: float) -> dict[str, object]:
    """Return where a depth of a tube lies in the soil, by the description."""
    soil, real_m = site.soils.get(tube.soil), site.sensor_depth_m(tube.tube, nominal_m)
    horizon = soil.horizon_at(real_m) if soil else None
    return {
        "nominal_depth_m": nominal_m,
        "real_depth_m": real_m,
        "set_in_m": tube.set_in_m,
        "soil": tube.soil,
        "horizon": None
        if horizon is None
        else {"name": horizon.name, "top_m": horizon.top_m, "bottom_m": horizon.bottom_m},
    }


def law_told(view: View, stored: dict[str, Any] | None, kind: str) -> dict[str, Any] | None:
    """Return a law as computed with, and what the description says of it."""
    if stored is None:
        return None
    written = next(
        (
            law
            for law in view.site.laws
            if (law.kind, law.id, law.version) == (kind, stored["id"], stored["version"])
        ),
        None,
    )
    name = f"law {stored['id']!r} version {stored['version']}"
    if written is None:
        view.remarks.append(f"calibrations.toml has no {name} any more")
    elif not _is_same(written, stored):
        view.remarks.append(
            f"{name} stands otherwise in calibrations.toml than this state was computed with"
        )
    low, high = stored["valid"]
    return {
        "id": stored["id"],
        "version": stored["version"],
        "form": stored["form"],
        "coefficients": stored["coefficients"],
        "valid_from": low,
        "valid_to": high,
        "covariance": stored["covariance"],
        "standard_error": stored["standard_error"],
        "effective": utc_text(written.effective) if written else None,
        "origin": written.origin if written else None,
        "file": "calibrations.toml",
    }


def _is_same(law: Law, stored: dict[str, Any]) -> bool:
    """Tell whether a law of the description computes as the stored one did.

    Coefficients that a law leaves to the horizon stand only in the stored one.
    """
    written = law.model_dump(mode="json")
    given = {name: stored["coefficients"].get(name) for name in written["coefficients"]}
    return (
        written["coefficients"] == given
        and [law.valid_from, law.valid_to] == stored["valid"]
        and all(written[name] == stored[name] for name in _COMPUTED_BY)
    )
