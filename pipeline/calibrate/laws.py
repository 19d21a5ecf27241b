"""Whether the calibration laws of a site can be used, every mistake said at once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from difflib import get_close_matches

import numpy as np

from pipeline.calibrate.curve import Curve
from pipeline.calibrate.forms import FORMS, Form, horizon_properties, make_curve, series_names
from pipeline.errors import Problem
from pipeline.site.models import Horizon, Law, Site

FILE = "calibrations.toml"
_GRID = 501  # points at which a law is tried for monotony, beside its turning points


def check_laws(site: Site) -> list[Problem]:
    """Return every mistake in a site's calibration laws; an empty list means they can be used.

    Checked is what needs the science: known form and kind, coefficients complete and no
    others, a valid range, a law that rises all over it, a covariance of the size of the fit, a
    stated origin, and soil properties present for every horizon that uses a published
    equation. What the files alone can tell (versions, probes, numbers) is checked where they
    are read.
    """
    problems: list[Problem] = []
    for law in site.laws:
        problems += _check_law(site, law)
    return problems


def _problem(law: Law, found: str, expected: str, advice: str = "") -> Problem:
    return Problem(FILE, f"law {law.id!r} version {law.version}", found, expected, advice)


def _check_law(site: Site, law: Law) -> list[Problem]:
    """Return the mistakes of one law; later checks rest on earlier ones."""
    problems = [*_statement_problems(law), *_porosity_problems(site, law)]
    form = FORMS.get(law.form)
    if form is None or form.kind != law.kind:
        return [_form_problem(law), *problems]
    coefficient_problems = list(_coefficient_problems(law, form))
    problems += coefficient_problems + list(_covariance_problems(law, form))
    if not coefficient_problems:
        problems += _curve_problems(site, law, form)
    return problems


def _statement_problems(law: Law) -> Iterator[Problem]:
    """Yield what is wrong with the statements every law makes."""
    if not law.origin.strip():
        yield _problem(
            law,
            "an empty 'origin'",
            "where the law comes from",
            "Name the paper, the certificate or the samples and the person.",
        )
    if law.temperature is not None and (law.kind != "soil" or law.form == "as_logged"):
        yield _problem(
            law,
            "a 'temperature'",
            "one only for a law from root permittivity to water content",
        )
    error = law.standard_error
    if error is not None and not (math.isfinite(error) and error >= 0):
        yield _problem(law, f"standard_error {error!r}", "a number not below zero")


def _form_problem(law: Law) -> Problem:
    known = sorted(name for name, form in FORMS.items() if form.kind == law.kind)
    close = get_close_matches(law.form, known, n=1)
    advice = f"Did you mean {close[0]!r}?" if close else ""
    if law.form in FORMS:
        advice = f"{law.form!r} is a form of {FORMS[law.form].kind} laws."
    return _problem(
        law, f"form {law.form!r}", f"a form of {law.kind} laws: {', '.join(known)}", advice
    )


def _coefficient_problems(law: Law, form: Form) -> Iterator[Problem]:
    """Yield missing, unknown and unusable coefficients."""
    names = series_names(law.coefficients) if form.series else form.required
    if form.series and not names:
        names = ("c0", "c1")
    allowed = set(names) | set(form.optional)
    for name in names:
        if name not in law.coefficients and name not in form.properties:
            yield _problem(law, f"no coefficient {name!r}", f"coefficients {_list(names)}")
    for name, value in law.coefficients.items():
        if name not in allowed:
            close = get_close_matches(name, sorted(allowed), n=1)
            advice = f"Did you mean {close[0]!r}?" if close else ""
            yield _problem(law, f"coefficient {name!r}", _list(sorted(allowed)), advice)
        elif not _is_usable(name, value):
            yield _problem(law, f"{name} = {value!r}", _EXPECTED.get(name, "a finite number"))


_LISTS = ("voltage", "root_permittivity")
_EXPECTED = {
    "voltage": "a list of finite numbers",
    "root_permittivity": "a list of finite numbers",
    "interpolation": "a text",
}


def _list(names: Iterable[str]) -> str:
    return ", ".join(repr(name) for name in names) or "none"


def _is_usable(name: str, value: object) -> bool:
    """Tell whether a coefficient is of the type its name asks for, and finite."""
    if name == "interpolation":
        return isinstance(value, str)
    if name in _LISTS:
        return isinstance(value, list | tuple) and all(_is_number(item) for item in value)
    return _is_number(value)


def _is_number(value: object) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    )


def _covariance_problems(law: Law, form: Form) -> Iterator[Problem]:
    """Yield a covariance of other than the fitted coefficients."""
    if law.covariance is None:
        return
    names = form.fitted_names(law.coefficients)
    size = len(names)
    if size == 0:
        yield _problem(
            law,
            "a covariance",
            f"none for the form {law.form!r}, which has no fitted coefficients",
            "State the law's 'standard_error' instead.",
        )
        return
    if len(law.covariance) != size or any(len(row) != size for row in law.covariance):
        shape = f"{len(law.covariance)} rows of {sorted({len(r) for r in law.covariance})}"
        yield _problem(law, f"a covariance of {shape}", f"{size} x {size} for {_list(names)}")
        return


def _curve_problems(site: Site, law: Law, form: Form) -> list[Problem]:
    """Return what is wrong with the curve, tried for every horizon that uses the law."""
    if not form.has_range and (law.valid_from is None or law.valid_to is None):
        return [
            _problem(
                law,
                "no 'valid_from' or no 'valid_to'",
                "the range of inputs the law was found for",
                "Nothing outside it is computed; a law without one would be extrapolated.",
            )
        ]
    if form.properties:
        return [p for h in _horizons_using(site, law) for p in _horizon_problems(law, form, h)]
    return _one_curve(law, None)


def _porosity_problems(site: Site, law: Law) -> Iterator[Problem]:
    """Yield horizons of which nothing tells the porosity that a temperature asks for."""
    if law.temperature is None or law.temperature.porosity is not None:
        return
    for horizon in _horizons_using(site, law):
        if horizon.bulk_density is None:
            yield _problem(
                law,
                f"no porosity for the horizon {horizon.name!r}",
                "one in 'temperature', or a bulk density of the horizon",
                "The mixing law needs to know how much of the soil is not solid.",
            )


def _horizons_using(site: Site, law: Law) -> list[Horizon]:
    horizons = [h for soil in site.soils.values() for h in soil.horizons]
    return [horizon for horizon in horizons if horizon.calibration == law.id]


def _horizon_problems(law: Law, form: Form, horizon: Horizon) -> list[Problem]:
    given = set(law.coefficients) | set(horizon_properties(horizon))
    missing = [name for name in form.properties if name not in given]
    if missing:
        return [
            _problem(
                law,
                f"no {_list(missing)} for the horizon {horizon.name!r}",
                f"the soil properties that {law.form!r} asks for",
                "State them in soils.toml for the horizon, or as the law's coefficients.",
            )
        ]
    return _one_curve(law, horizon)


def _one_curve(law: Law, horizon: Horizon | None) -> list[Problem]:
    """Return what is wrong with one curve: its making, its range, its monotony."""
    try:
        own = make_curve(law.model_copy(update=_NO_RANGE), horizon)
        curve = make_curve(law.model_copy(update={"covariance": None}), horizon)
    except ValueError as error:
        where = f" with the horizon {horizon.name!r}" if horizon else ""
        return [_problem(law, f"coefficients that cannot be used{where}", str(error))]
    if not (math.isfinite(curve.low) and math.isfinite(curve.high) and curve.low < curve.high):
        return [_problem(law, f"a valid range {curve.low} to {curve.high}", "a rising range")]
    if len(curve.pieces) > 1 and (curve.low < own.low or curve.high > own.high):
        return [
            _problem(
                law,
                f"a valid range {curve.low} to {curve.high}",
                f"one inside the table's points, {own.low} to {own.high}",
            )
        ]
    return _monotony_problems(law, curve)


_NO_RANGE = {"valid_from": None, "valid_to": None, "covariance": None}


def _monotony_problems(law: Law, curve: Curve) -> list[Problem]:
    """Return a problem where a law does not rise: it could not tell wetter from drier."""
    grid = np.unique(
        np.concatenate([np.linspace(curve.low, curve.high, _GRID), _turns(curve)])
    )
    falls = np.flatnonzero(np.diff(curve.value(grid)) <= 0)
    if not falls.size:
        return []
    first, last = grid[falls[0]], grid[falls[-1] + 1]
    return [
        _problem(
            law,
            f"a law that does not rise between inputs {first:.6g} and {last:.6g}",
            "one that rises all over its valid range",
            "Check the signs of the coefficients, or narrow the valid range.",
        )
    ]


def _turns(curve: Curve) -> np.ndarray:
    """Return the inputs inside the range at which a single polynomial may turn."""
    if len(curve.pieces) > 1:
        return np.array(curve.knots)[
            (np.array(curve.knots) > curve.low) & (np.array(curve.knots) < curve.high)
        ]
    roots = np.polynomial.polynomial.polyroots(
        np.trim_zeros(np.polynomial.polynomial.polyder(curve.pieces[0]), "b")
    )
    real = np.real(roots[np.abs(np.imag(roots)) < 1e-9])
    if curve.squared:
        real = np.sqrt(real[real >= 0])
    return real[(real > curve.low) & (real < curve.high)]
