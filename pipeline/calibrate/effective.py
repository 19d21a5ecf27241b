"""Everything that decides the calibration of a tube, dated and in a canonical text.

Two site descriptions are compared by these texts: where they are equal nothing needs to be
computed again, and where they differ the dates say from when.
"""

from __future__ import annotations

import json

from pipeline.calibrate.felt import horizon_edges
from pipeline.calibrate.forms import complete_coefficients
from pipeline.calibrate.plan import Period, sensor_periods
from pipeline.site.models import Horizon, Law, Site


def effective_parameters(site: Site, tube: str) -> list[tuple[int | None, str]]:
    """Return the dated parameters of a tube's calibration.

    Parameters
    ----------
    site : Site
    tube : str

    Returns
    -------
    list of (int or None, str)
        UTC seconds from which on a text holds (None: since ever), rising, and the text:
        canonical JSON of the laws in force at each depth, by version, with coefficients
        completed from the horizon, the real depth and the sensors' noise. No two texts that
        follow each other are equal.
    """
    sensors = {depth_m: sensor_periods(site, tube, depth_m) for depth_m in _depths(site, tube)}
    starts = {
        p.start_s for periods in sensors.values() for p in periods if p.start_s is not None
    }
    result: list[tuple[int | None, str]] = []
    for start_s in (None, *sorted(starts)):
        text = _canonical(_state(site, tube, sensors, start_s))
        if not result or result[-1][1] != text:
            result.append((start_s, text))
    return result


def _depths(site: Site, tube: str) -> list[float]:
    return sorted({w.depth_m for w in site.wiring if w.tube == tube and w.depth_m is not None})


def _state(
    site: Site, tube: str, sensors: dict[float, list[Period]], at_s: int | None
) -> dict[str, object]:
    """Return what holds at an instant for every sensor of a tube."""
    depths = {}
    for depth_m, periods in sensors.items():
        period = period_at(periods, at_s)
        depths[repr(depth_m)] = {
            "real_depth_m": site.sensor_depth_m(tube, depth_m),
            "probe": law_state(period.probe, None),
            "soil": law_state(period.soil, period.horizon),
        }
    return {
        "sensor_noise": dict(site.sensor_noise),
        "depths": depths,
        "depth_uncertainty_m": site.depth_uncertainty_m(tube),
        "horizon_edges_m": horizon_edges(site, tube),
    }


def period_at(periods: list[Period], at_s: int | None) -> Period:
    """Return the period an instant (None: before all dates) lies in."""
    started = [
        p for p in periods if p.start_s is None or (at_s is not None and p.start_s <= at_s)
    ]
    return started[-1]


def law_state(law: Law | None, horizon: Horizon | None) -> dict[str, object] | None:
    """Return what a law computes with; its origin and effective date change no number."""
    if law is None:
        return None
    return {
        "id": law.id,
        "version": law.version,
        "form": law.form,
        "coefficients": complete_coefficients(law, horizon),
        "valid": [law.valid_from, law.valid_to],
        "covariance": law.covariance,
        "standard_error": law.standard_error,
        "temperature": None if law.temperature is None else law.temperature.model_dump(),
    }


def _canonical(value: object) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
