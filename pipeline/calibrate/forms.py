"""The table of forms a calibration law can have, and how a law becomes a curve.

A form says which coefficients it takes, which of them were fitted (the order of a covariance),
which soil properties it may take from the horizon instead, and how to make the curve. Soil
curves are in root permittivity, probe curves in volts; ``as_logged`` is in water content.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from pipeline.calibrate import dielectric_curves, dielectric_organic
from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.calibrate.voltage import (
    INTERPOLATIONS,
    polynomial_probe_curve,
    table_probe_curve,
)
from pipeline.site.models import Horizon, Law

Values = Mapping[str, Any]
EVERYWHERE = (-math.inf, math.inf)
PARTICLE_DENSITY = 2.65  # g cm-3, quartz; common practice where porosity was not measured
# The law of a horizon whose sensors log water content: it is taken as it is, and the law only
# states its valid range and how sure it is.
AS_LOGGED = "as_logged"


@dataclass(frozen=True)
class Form:
    """One form of law.

    ``required`` and ``optional`` name its coefficients; ``properties`` are those of them that
    the horizon can give. ``series`` forms take c0, c1, ... in any number. ``fitted`` names
    the coefficients a covariance belongs to, in its order; in them the curve must be linear.
    ``has_range`` tells whether the form brings a valid range of its own.
    """

    kind: Literal["probe", "soil"]
    make: Callable[[Values], Curve]
    required: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    properties: tuple[str, ...] = ()
    fitted: tuple[str, ...] = ()
    series: bool = False
    has_range: bool = True

    def fitted_names(self, coefficients: Values) -> tuple[str, ...]:
        """Return the coefficients a covariance of a law belongs to, in order."""
        return series_names(coefficients) if self.series else self.fitted


def series_names(coefficients: Values) -> tuple[str, ...]:
    """Return ``c0, c1, ...`` as many as there are coefficients."""
    return tuple(f"c{index}" for index in range(len(coefficients)))


def _series(coefficients: Values) -> list[float]:
    return [float(coefficients[name]) for name in series_names(coefficients)]


def _polynomial_probe(c: Values) -> Curve:
    return polynomial_probe_curve(_series(c), *EVERYWHERE)


def _table_probe(c: Values) -> Curve:
    interpolation = c.get("interpolation", "linear")
    if interpolation not in INTERPOLATIONS:
        known = ", ".join(sorted(INTERPOLATIONS))
        raise ValueError(f"'interpolation': expected one of {known}, found {interpolation!r}")
    return table_probe_curve(c["voltage"], c["root_permittivity"], interpolation)


def _linear_root(c: Values) -> Curve:
    return polynomial_curve((c["offset"], c["slope"]), *EVERYWHERE)


def _polynomial_root(c: Values) -> Curve:
    return polynomial_curve(_series(c), *EVERYWHERE)


def _polynomial_permittivity(c: Values) -> Curve:
    return polynomial_curve(_series(c), *EVERYWHERE, squared=True)


def _with(maker: Callable[..., Curve]) -> Callable[[Values], Curve]:
    """Return a maker that takes its arguments from a law's coefficients by name."""
    return lambda c: maker(**{name: float(value) for name, value in c.items()})


def _published(maker: Callable[..., Curve], *properties: str, **options: Any) -> Form:
    return Form("soil", _with(maker), properties, properties=properties, **options)


FORMS: dict[str, Form] = {
    "polynomial": Form("probe", _polynomial_probe, series=True, has_range=False),
    "table": Form(
        "probe",
        _table_probe,
        required=("voltage", "root_permittivity"),
        optional=("interpolation",),
    ),
    "linear_root_permittivity": Form(
        "soil",
        _linear_root,
        required=("slope", "offset"),
        fitted=("slope", "offset"),
        has_range=False,
    ),
    "polynomial_root_permittivity": Form(
        "soil", _polynomial_root, series=True, has_range=False
    ),
    "polynomial_permittivity": Form(
        "soil", _polynomial_permittivity, series=True, has_range=False
    ),
    "topp_1980": _published(dielectric_curves.topp_1980),
    "ledieu_1986": _published(dielectric_curves.ledieu_1986),
    "ferre_1996": _published(dielectric_curves.ferre_1996),
    "roth_1992_mineral": _published(dielectric_curves.roth_1992_mineral),
    "malicki_1996": _published(dielectric_curves.malicki_1996, "bulk_density"),
    "malicki_1996_porosity": _published(dielectric_curves.malicki_1996_porosity, "porosity"),
    "jacobsen_1993": _published(dielectric_curves.jacobsen_1993),
    "jacobsen_1993_soil": _published(
        dielectric_curves.jacobsen_1993_soil, "bulk_density", "clay_pct", "organic_pct"
    ),
    "nadler_1991": _published(dielectric_curves.nadler_1991),
    "roth_1990": _published(
        dielectric_curves.roth_1990,
        "porosity",
        optional=("solid_permittivity", "temperature_degc"),
    ),
    "myllys_1996": _published(dielectric_organic.myllys_1996),
    "kellner_2001": _published(dielectric_organic.kellner_2001),
    "nagare_2011": _published(dielectric_organic.nagare_2011),
    AS_LOGGED: Form("soil", lambda c: polynomial_curve((0.0, 1.0), 0.0, 1.0)),
}


def horizon_properties(horizon: Horizon | None) -> dict[str, float]:
    """Return what a horizon states of the soil properties that forms ask for.

    Porosity is worked out from bulk density with a particle density of 2.65 g cm-3.
    """
    if horizon is None:
        return {}
    found = {
        "bulk_density": horizon.bulk_density,
        "clay_pct": horizon.clay_pct,
        "organic_pct": horizon.organic_pct,
    }
    if horizon.bulk_density is not None:
        found["porosity"] = 1.0 - horizon.bulk_density / PARTICLE_DENSITY
    return {name: value for name, value in found.items() if value is not None}


def complete_coefficients(law: Law, horizon: Horizon | None) -> dict[str, Any]:
    """Return a law's coefficients, with what it leaves to the horizon filled in."""
    asked = FORMS[law.form].properties
    given = horizon_properties(horizon)
    return {name: given[name] for name in asked if name in given} | dict(law.coefficients)


def make_curve(law: Law, horizon: Horizon | None = None) -> Curve:
    """Return the curve of a law, with its valid range and its variance.

    Parameters
    ----------
    law : Law
        A law without mistakes (see `pipeline.calibrate.laws.check_laws`).
    horizon : Horizon, optional
        Gives the soil properties a published equation asks for and the law leaves out.

    Returns
    -------
    Curve
        In volts (probe) or in root permittivity (soil). The law's own range replaces the
        form's. Its variance is the covariance's ``J C J^T`` plus the square of
        ``standard_error``, whichever are stated, and NaN for a soil law that states neither.
        A probe law that states neither has none: its error is then part of what the soil law,
        fitted through the same probe, states.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the coefficients are not those of the form.
    """
    form = FORMS[law.form]
    curve = form.make(complete_coefficients(law, horizon))
    low = curve.low if law.valid_from is None else law.valid_from
    high = curve.high if law.valid_to is None else law.valid_to
    return replace(curve, low=float(low), high=float(high), variance=_variance(law, form))


def _variance(law: Law, form: Form) -> tuple[float, ...]:
    """Return the ascending coefficients of the variance of a law's value."""
    if law.covariance is None and law.standard_error is None:
        return (0.0,) if law.kind == "probe" else (math.nan,)
    terms = np.zeros(1)
    if law.covariance is not None:
        powers = fitted_powers(form.fitted_names(law.coefficients))
        covariance = np.asarray(law.covariance, dtype=np.float64)
        terms = np.zeros(2 * max(powers) + 1)
        for i, power_i in enumerate(powers):
            for j, power_j in enumerate(powers):
                terms[power_i + power_j] += covariance[i, j]
    terms[0] += (law.standard_error or 0.0) ** 2
    return tuple(float(term) for term in terms)


def fitted_powers(names: tuple[str, ...]) -> tuple[int, ...]:
    """Return the power of the input that each fitted coefficient multiplies."""
    named = {"slope": 1, "offset": 0}
    return tuple(named[name] if name in named else int(name[1:]) for name in names)
