"""Numbers of settings and laws in another unit than theirs, told by their size."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Problem
from pipeline.site.models import Site

# All are choices: nothing that is meant comes near them, and a slip of unit goes far beyond.
_MOST_WATER = 1.0  # m3 m-3
_LARGEST_ERROR = 0.2  # m3 m-3, of a soil law
_LARGEST_NOISE = {"voltage": (0.1, "V", "mV"), "water_content": (0.1, "m3 m-3", "%")}
_HIGHEST_VOLT = 100.0
_THINNEST_M = 0.02
_OF_WATER = (
    *("gross_fail", "gross_suspect", "rate_suspect_per_h", "spike_suspect", "spike_fail"),
    *("dropout_fall", "step_suspect", "neighbour_suspect"),
)


def limits_in_percent(site: Site) -> Iterator[Problem]:
    """Name thresholds of water content that nothing can reach, as if in percent."""
    for name in _OF_WATER:
        limit = getattr(site.qc, name)
        highest = limit[-1] if isinstance(limit, tuple) else limit
        if highest is not None and highest > _MOST_WATER:
            advice = f'If that was percent write {highest / 100:g}; to switch it off, "off".'
            expected = "a threshold in m3 m-3, below 1"
            yield Problem("site.toml", f"key qc.{name}", f"{highest:g}", expected, advice)


def noise_out_of_proportion(site: Site) -> Iterator[Problem]:
    """Name noise that would hide all a sensor shows, as when millivolts were written."""
    for quantity, (largest, unit, smaller) in _LARGEST_NOISE.items():
        noise = site.sensor_noise.get(quantity)
        if noise is not None and noise > largest:
            advice = (
                f"A number alone is in {unit}; write the unit with it, as in '0.5 {smaller}'."
            )
            found, expected = (
                f"{noise:g} {unit}",
                f"the noise of single readings, below {largest:g}",
            )
            yield Problem("site.toml", f"key sensor_noise.{quantity}", found, expected, advice)


def layers_in_metres(site: Site) -> Iterator[Problem]:
    """Name layers that end within two centimetres of the surface, as if in metres."""
    for number, layer in enumerate(site.derive.layers):
        if 0 < layer.bottom_m < _THINNEST_M:
            found = f"layer {layer.name!r} down to {layer.bottom_m * 100:g} cm"
            advice = f"If that was metres write {layer.bottom_m * 1e4:g}."
            place = f"key layer.{number}.bottom_cm"
            yield Problem("site.toml", place, found, "a depth in centimetres", advice)


def laws_out_of_proportion(site: Site) -> Iterator[Problem]:
    """Name laws whose error or range is in another unit than theirs."""
    for number, law in enumerate(site.laws):
        name, key = f"law {law.id!r} version {law.version}", f"key law.{number}"
        error = law.standard_error
        if law.kind == "soil" and error is not None and error > _LARGEST_ERROR:
            found, advice = (
                f"{error:g} of {name}",
                f"If that was percent write {error / 100:g}.",
            )
            expected = "a standard error in m3 m-3"
            place = f"{key}.standard_error"
            yield Problem("calibrations.toml", place, found, expected, advice)
        if law.kind == "probe" and (law.valid_to or 0.0) > _HIGHEST_VOLT:
            found = f"{law.valid_to:g} of {name}"
            advice = "Laws of probes take volts: write range and coefficients for V, not mV."
            place = f"{key}.valid"
            yield Problem("calibrations.toml", place, found, "a range in V", advice)
