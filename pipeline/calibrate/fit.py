"""Laws from root permittivity to water content, fitted to samples; nothing chosen silently.

The samples of the horizons that share a law are fitted together: by ordinary least squares,
and, a line, by errors in both variables. Both are kept with their uncertainty, their error at
samples left out, the odd samples, and what speaks against trusting them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.fit_line import LineFit, fit_line, make_points
from pipeline.calibrate.fit_match import Pair
from pipeline.calibrate.regression import (
    Fit,
    PolynomialFit,
    fit_polynomial,
    flag_leverage,
    flag_outliers,
    outlier_limit,
)
from pipeline.site.models import Law, Site
from pipeline.words import counted

# Laws of these forms are of the site's own soil: who names one in several horizons means it
# for all of them. A published equation is only shared for want of a better.
FITTED_FORMS = ("linear_root_permittivity", "polynomial_root_permittivity")
# Warned of below; common practice, and ours: no standard states them.
_FEW, _NARROW = 10, 0.10  # samples; m3 m-3 from the driest to the wettest
_SLOPES = (0.08, 0.16)  # of a line in root permittivity; published ones have 0.11 to 0.14


@dataclass(frozen=True)
class Target:
    """The law to be fitted: the name of the new version, and the horizons it is for."""

    law: str
    version: int
    horizons: tuple[str, ...]
    in_force: Law | None
    renamed: bool  # the horizons must be told of the new name


@dataclass(frozen=True)
class FittedLaw:
    """What the samples of one law gave.

    ``both`` is None where it cannot be had, and ``both_missing`` says why. ``outliers`` and
    ``far_out`` are indices into ``pairs``.
    """

    target: Target
    pairs: tuple[Pair, ...]
    root: Floats
    root_error: Floats
    water: Floats
    water_error: Floats
    ordinary: PolynomialFit
    both: LineFit | None
    both_missing: str
    outliers: tuple[int, ...]
    far_out: tuple[int, ...]
    warnings: tuple[str, ...]

    @property
    def low(self) -> float:
        """Return the least root permittivity of the samples."""
        return float(self.root.min())

    @property
    def high(self) -> float:
        """Return the greatest root permittivity of the samples."""
        return float(self.root.max())

    def fit(self, method: str) -> Fit:
        """Return the fit by one of `METHODS`.

        Raises
        ------
        ValueError
            If it could not be made.
        """
        if method == "ordinary":
            return self.ordinary
        if self.both is None:
            raise ValueError(self.both_missing)
        return self.both


METHODS = {
    "ordinary": "ordinary least squares",
    "both": "errors in both variables (York et al. 2004)",
}


@dataclass(frozen=True)
class TooFew:
    """The samples of a law that are too few, or too much alike, to fit it."""

    target: Target
    pairs: tuple[Pair, ...]
    reason: str


def fit_laws(
    pairs: Iterable[Pair], site: Site, degree: int = 1, more_root_error: float = 0.0
) -> list[FittedLaw | TooFew]:
    """Fit every law that samples were taken for.

    Parameters
    ----------
    pairs : iterable of Pair
        Samples with their readings.
    site : Site
        Tells which horizons share a law, and its versions.
    degree : int
        1 for a line in root permittivity, 2 for a parabola.
    more_root_error : float, [1]
        Standard uncertainty of root permittivity besides that of the readings: how far the
        soil of the core may differ from that around the sensor.

    Returns
    -------
    list of FittedLaw or TooFew
        By name of the law.
    """
    named = sorted(((target_of(pair, site), pair) for pair in pairs), key=lambda n: n[0].law)
    fitted: list[FittedLaw | TooFew] = []
    for _, group in groupby(named, key=lambda n: n[0].law):
        members = list(group)
        fitted.append(
            _fit_law(members[0][0], [pair for _, pair in members], degree, more_root_error)
        )
    return fitted


def target_of(pair: Pair, site: Site) -> Target:
    """Return the law that a pair's horizon needs.

    Horizons that name one fitted law share the new version of it; a horizon that names a
    published equation, which others may go on using, gets a law of its own.
    """
    soil = site.soils[site.tube_by_id[pair.point.tube].soil]
    named = pair.horizon.calibration
    versions = [law for law in site.laws if law.id == named]
    own = all(law.form in FITTED_FORMS for law in versions)
    name = named if own else _name(soil.id, pair.horizon.name)
    horizons = tuple(
        f"{other.id} {horizon.name}"
        for other in site.soils.values()
        for horizon in other.horizons
        if horizon.calibration == named and (own or (other, horizon) == (soil, pair.horizon))
    )
    last = max((law.version for law in site.laws if law.id == name), default=0)
    in_force = max(versions, key=lambda law: law.version, default=None)
    return Target(name, last + 1, horizons, in_force, not own)


def _name(soil: str, horizon: str) -> str:
    """Return a name for the law of one horizon, of the letters a name may have."""
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", f"{soil}-{horizon}").strip("-")[:64]


def _fit_law(
    target: Target, pairs: Sequence[Pair], degree: int, more_root_error: float
) -> FittedLaw | TooFew:
    root = np.array([pair.root_permittivity for pair in pairs])
    water = np.array([pair.point.water_content for pair in pairs])
    different = len(np.unique(root))
    if different < degree + 3:
        reason = (
            f"found {different} samples at different readings; expected at least {degree + 3} "
            f"to fit {degree + 1} coefficients and tell how well they fit"
        )
        return TooFew(target, tuple(pairs), reason)
    ordinary = fit_polynomial(root, water, degree)
    root_error = _root_errors(pairs, more_root_error)
    water_error = np.array([pair.point.error for pair in pairs])
    both, missing = _fit_both(root, water, root_error, water_error, degree)
    return FittedLaw(
        target=target,
        pairs=tuple(pairs),
        root=root,
        root_error=root_error,
        water=water,
        water_error=water_error,
        ordinary=ordinary,
        both=both,
        both_missing=missing,
        outliers=_indices(flag_outliers(ordinary)),
        far_out=_indices(flag_leverage(ordinary)),
        warnings=tuple(_warnings(root, water, ordinary, both)),
    )


def _indices(flags: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(index) for index in np.flatnonzero(flags))


def _root_errors(pairs: Sequence[Pair], more: float) -> Floats:
    """Return the standard uncertainty of each mean reading.

    What is uncertain in a probe's law moves all its readings alike. From one sensor that is
    part of the fitted law itself; between sensors it scatters the points.
    """
    own = np.array([pair.root_error for pair in pairs])
    sensors = {(pair.point.tube, pair.nominal_m) for pair in pairs}
    probe = np.array([pair.probe_error if len(sensors) > 1 else 0.0 for pair in pairs])
    return np.sqrt(own**2 + probe**2 + more**2)


def _fit_both(
    root: Floats, water: Floats, root_error: Floats, water_error: Floats, degree: int
) -> tuple[LineFit | None, str]:
    """Return the line by errors in both variables, or the reason why there is none."""
    if degree != 1:
        return None, "errors in both variables are fitted to a line only"
    for name, errors in (("water content", water_error), ("the mean reading", root_error)):
        unknown = int(np.sum(~np.isfinite(errors)))
        if unknown:
            return (
                None,
                f"the uncertainty of {name} is not known for {counted(unknown, 'sample')}",
            )
    try:
        return fit_line(make_points(root, water, root_error, water_error)), ""
    except (ValueError, ArithmeticError) as error:
        return None, str(error)


def _warnings(
    root: Floats, water: Floats, ordinary: PolynomialFit, both: LineFit | None
) -> Iterable[str]:
    """Yield what speaks against trusting a fit."""
    if len(root) < _FEW:
        yield f"only {len(root)} samples; {_FEW} or more show whether a law fits"
    spread = float(np.ptp(water))
    if spread < _NARROW:
        yield (
            f"the samples span only {spread:.3f} m3 m-3 of water content; take some on drier "
            f"and wetter days"
        )
    low, high = float(root.min()), float(root.max())
    slopes = np.polynomial.polynomial.polyval(
        np.array([low, high]), np.polynomial.polynomial.polyder(ordinary.coefficients)
    )
    if (slopes <= 0).any():
        yield "the fit does not rise all over the samples' range: it cannot be a law"
    elif len(ordinary.coefficients) == 2 and not _SLOPES[0] <= slopes[0] <= _SLOPES[1]:
        yield (
            f"the slope {slopes[0]:.4f} is none of those of mineral soils, "
            f"{_SLOPES[0]} to {_SLOPES[1]}; look at depths, times and volumes"
        )
    if both is not None and both.reduced_chi_square > 4.0:
        yield (
            f"the samples scatter {both.reduced_chi_square**0.5:.1f} times as much as their "
            f"stated uncertainties; the soil differs between core and sensor, or an "
            f"uncertainty is stated too small"
        )


def outlier_reasons(law: FittedLaw) -> dict[int, str]:
    """Return, by index of the pair, why a sample is odd."""
    fit = law.ordinary
    limit = outlier_limit(len(law.root), len(fit.coefficients))
    reasons = {
        index: f"pulls the fit: leverage {fit.leverages[index]:.2f}, the mean is "
        f"{len(fit.coefficients) / len(law.root):.2f}"
        for index in law.far_out
    }
    for index in law.outliers:
        off = fit.left_out_residuals[index]
        reasons[index] = (
            f"lies {abs(off):.3f} m3 m-3 {'above' if off > 0 else 'below'} the fit to the "
            f"others: studentised residual {fit.studentised[index]:.1f}, sound samples stay "
            f"within {limit:.1f}"
        )
    return reasons
