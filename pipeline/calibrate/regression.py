"""Least squares by orthogonal factors: polynomials with everything a calibration must state.

The columns are powers of the input, centred and scaled to lie between -1 and 1, factored by
Householder reflections and refined once by the residuals: normal equations would lose twice
the digits.

References
----------
Björck (1996), Numerical Methods for Least Squares Problems, SIAM, sections 2.4 and 2.9.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.fit_student import student_quantile

_NEARLY_ONE = 1.0 - 1e-12  # a leverage from here on: the fit goes through this point anyway


class Fit(Protocol):
    """What every fitted law can tell; see `PolynomialFit` for the meanings."""

    @property
    def coefficients(self) -> Floats: ...  # noqa: D102

    @property
    def covariance(self) -> Floats: ...  # noqa: D102

    @property
    def residuals(self) -> Floats: ...  # noqa: D102

    @property
    def residual_sd(self) -> float: ...  # noqa: D102

    @property
    def degrees_of_freedom(self) -> int: ...  # noqa: D102

    @property
    def left_out_rmse(self) -> float: ...  # noqa: D102

    def predict(self, x: ArrayLike) -> tuple[Floats, Floats]: ...  # noqa: D102


@dataclass(frozen=True)
class PolynomialFit:
    """A polynomial fitted by least squares to n points with p coefficients.

    Parameters
    ----------
    coefficients : (p,)
        Ascending; they begin with the constant unless the fit is through the origin.
    covariance : (p, p)
        Of the coefficients, from the scatter about the fit; NaN if n equals p.
    residuals, leverages : (n,)
        Measured minus fitted, and the diagonal of the hat matrix.
    weights : (n,)
        All 1 unless stated.
    residual_sd : float
        Standard deviation about the fit, of a point of weight 1.
    r_squared : float
        Share of the variation explained; about zero, not the mean, through the origin.
    degrees_of_freedom : int
        n - p.
    centre, scale : float
        The input less ``centre`` over ``scale`` is what ``scaled_covariance`` belongs to.
    scaled_covariance : (p, p)
    """

    coefficients: Floats
    covariance: Floats
    residuals: Floats
    leverages: Floats
    weights: Floats
    residual_sd: float
    r_squared: float
    degrees_of_freedom: int
    centre: float
    scale: float
    scaled_coefficients: Floats
    scaled_covariance: Floats
    lowest: int

    def predict(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Return the fitted value at each ``x`` and its standard uncertainty.

        The uncertainty is that of the fit, with the correlation of its coefficients; the
        scatter of a single point about it (``residual_sd``) is not part of it.
        """
        columns = _columns(
            (np.asarray(x, dtype=np.float64) - self.centre) / self.scale,
            self.lowest,
            len(self.coefficients),
        )
        variance = np.sum((columns @ self.scaled_covariance) * columns, axis=-1)
        return columns @ self.scaled_coefficients, np.sqrt(variance)

    @property
    def left_out_residuals(self) -> Floats:
        """Return each point's distance from the fit to all others; NaN where that has none.

        References
        ----------
        Allen (1974), Technometrics 16, 125-127: from the leverages, without fitting again.
        """
        room = np.where(self.leverages < _NEARLY_ONE, 1.0 - self.leverages, np.nan)
        return self.residuals / room

    @property
    def left_out_rmse(self) -> float:
        """Return the root mean square of `left_out_residuals`."""
        return float(np.sqrt(np.mean(self.left_out_residuals**2)))

    @property
    def studentised(self) -> Floats:
        """Return residuals over their own standard deviation, judged by the other points.

        References
        ----------
        Cook & Weisberg (1982), Residuals and Influence in Regression, eq. 2.2.8 (external).
        """
        weighted = self.residuals * np.sqrt(self.weights)
        room = 1.0 - self.leverages
        others = np.sum(weighted**2) * room - weighted**2
        # Rounding leaves next to nothing, of either sign, where all other points are met.
        floor = np.finfo(float).eps * np.sum(weighted**2)
        return weighted * np.sqrt((self.degrees_of_freedom - 1) / np.maximum(others, floor))


def fit_polynomial(
    x: ArrayLike,
    y: ArrayLike,
    degree: int = 1,
    weights: ArrayLike | None = None,
    through_origin: bool = False,
) -> PolynomialFit:
    """Fit a polynomial by (weighted) least squares.

    Parameters
    ----------
    x, y : (n,)
        Finite.
    degree : int
        1 is a line.
    weights : (n,), optional
        Relative, above zero: the inverse of each point's variance, up to a factor.
    through_origin : bool
        Leave the constant out.

    Raises
    ------
    ValueError
        If there are fewer points, or fewer different inputs, than coefficients, or a value is
        not finite.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    w = np.ones_like(y) if weights is None else np.asarray(weights, dtype=np.float64)
    lowest = 1 if through_origin else 0
    count = degree + 1 - lowest
    _require_points(x, y, w, count)
    centre = 0.0 if through_origin else 0.5 * (x.min() + x.max())
    scale = float(np.max(np.abs(x - centre))) or 1.0
    columns = _columns((x - centre) / scale, lowest, count)
    root = np.sqrt(w)
    scaled, q, r = _solve(columns * root[:, None], y * root)
    residuals = y - columns @ scaled
    freedom = len(y) - count
    squares = float(np.sum(w * residuals**2))
    mean = 0.0 if through_origin else float(np.sum(w * y) / np.sum(w))
    total = float(np.sum(w * (y - mean) ** 2))
    variance = squares / freedom if freedom else np.nan
    inverse = np.linalg.inv(r)
    scaled_covariance = variance * (inverse @ inverse.T)
    back = _to_powers(centre, scale, lowest, count)
    return PolynomialFit(
        coefficients=back @ scaled,
        covariance=back @ scaled_covariance @ back.T,
        residuals=residuals,
        leverages=np.sum(q**2, axis=1),
        weights=w,
        residual_sd=float(np.sqrt(variance)),
        r_squared=1.0 - squares / total if total else float("nan"),
        degrees_of_freedom=freedom,
        centre=centre,
        scale=scale,
        scaled_coefficients=scaled,
        scaled_covariance=scaled_covariance,
        lowest=lowest,
    )


def _require_points(x: Floats, y: Floats, w: Floats, count: int) -> None:
    if x.ndim != 1 or x.shape != y.shape or x.shape != w.shape:
        raise ValueError(f"expected rows of one length, found {x.shape}, {y.shape}, {w.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(w).all()):
        raise ValueError("expected finite values, found NaN or infinity")
    if not (w > 0).all():
        raise ValueError(f"expected weights above 0, found {w.min()!r}")
    if len(np.unique(x)) < count:
        raise ValueError(
            f"expected at least {count} different inputs for {count} coefficients, "
            f"found {len(np.unique(x))}"
        )


def _columns(scaled: Floats, lowest: int, count: int) -> Floats:
    """Return the powers of a scaled input along a new last axis."""
    powers: Floats = scaled[..., None] ** np.arange(lowest, lowest + count)
    return powers


def _solve(columns: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the coefficients and the factors Q and R of the columns."""
    q, r = np.linalg.qr(columns)
    found = np.linalg.solve(r, q.T @ y)
    # One step of refinement: what rounding left of the solution shows in the residuals.
    return found + np.linalg.solve(r, q.T @ (y - columns @ found)), q, r


def _to_powers(centre: float, scale: float, lowest: int, count: int) -> Floats:
    """Return the matrix that turns scaled coefficients into those of plain powers."""
    matrix = np.zeros((count, count))
    for column in range(count):
        power = column + lowest
        for row in range(lowest, power + 1):
            factor = comb(power, row) * (-centre) ** (power - row)
            matrix[row - lowest, column] = factor / scale**power
    return matrix


def outlier_limit(count: int, coefficients: int, share: float = 0.05) -> float:
    """Return the studentised residual that sound data exceed anywhere with a probability.

    Parameters
    ----------
    count : int
        Points, all of which are looked at: the test is Bonferroni's.
    coefficients : int
    share : float
        The probability that at least one of the sound points exceeds it.

    Returns
    -------
    float
        Infinite where there are too few points to judge any by the others.

    References
    ----------
    Cook & Weisberg (1982), Residuals and Influence in Regression, section 2.2.2.
    """
    freedom = count - coefficients - 1
    if freedom < 1:
        return float("inf")
    return student_quantile(1.0 - share / (2 * count), freedom)


def flag_outliers(fit: PolynomialFit, share: float = 0.05) -> NDArray[np.bool_]:
    """Return which points lie farther from the fit than sound ones would, True = suspect."""
    limit = outlier_limit(len(fit.residuals), len(fit.coefficients), share)
    flags: NDArray[np.bool_] = np.abs(fit.studentised) > limit
    return flags


def flag_leverage(fit: PolynomialFit) -> NDArray[np.bool_]:
    """Return which points lie so far out that they pull the fit, True = suspect.

    Three times the mean leverage, common practice.
    """
    return fit.leverages > 3.0 * len(fit.coefficients) / len(fit.residuals)


def propagate(covariance: ArrayLike, powers: Sequence[int], x: ArrayLike) -> Floats:
    """Return the standard uncertainty of a sum of powers of ``x`` with uncertain factors.

    Parameters
    ----------
    covariance : (p, p)
        Of the factors, in the order of ``powers``.
    powers : sequence of p int
    x : any shape

    References
    ----------
    JCGM 100:2008, eq. 13, of which H.3.4 is an example.
    """
    columns = np.asarray(x, dtype=np.float64)[..., None] ** np.asarray(powers)
    variance = np.sum((columns @ np.asarray(covariance)) * columns, axis=-1)
    return np.sqrt(variance)
