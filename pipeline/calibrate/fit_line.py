"""A straight line where both coordinates are uncertain: errors-in-both-variables.

Ordinary least squares takes the input as exact and, where it is not, finds too flat a slope;
here each point counts by the uncertainty of both its coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import Floats
from pipeline.calibrate.regression import fit_polynomial, propagate

_ROUNDS, _PRECISION = 500, 1e-14


@dataclass(frozen=True)
class Points:
    """Points with the standard uncertainty of each coordinate; all (n,).

    ``correlation`` is that of the errors of one point's two coordinates.
    """

    x: Floats
    y: Floats
    x_error: Floats
    y_error: Floats
    correlation: Floats

    def without(self, index: int) -> Points:
        """Return all points but one."""
        parts = (self.x, self.y, self.x_error, self.y_error, self.correlation)
        return Points(*(np.delete(part, index) for part in parts))


@dataclass(frozen=True)
class LineFit:
    """A line fitted to points that are uncertain both ways.

    Parameters
    ----------
    points : Points
    coefficients : (2,)
        Offset and slope.
    stated_covariance : (2, 2)
        From the points' stated uncertainties alone.
    chi_square : float
        Sum of squared distances from the line over what their uncertainties explain.
    """

    points: Points
    coefficients: Floats
    stated_covariance: Floats
    chi_square: float

    @property
    def degrees_of_freedom(self) -> int:
        """Return the number of points less two."""
        return len(self.points.x) - 2

    @property
    def reduced_chi_square(self) -> float:
        """Return `chi_square` over its expectation: near 1 if the uncertainties are right."""
        return self.chi_square / self.degrees_of_freedom

    @property
    def covariance(self) -> Floats:
        """Return the covariance, enlarged where points scatter more than they state.

        Never made smaller than stated: few points may lie well by chance.
        """
        return self.stated_covariance * max(1.0, self.reduced_chi_square)

    @property
    def residuals(self) -> Floats:
        """Return measured less fitted ``y`` at the measured ``x``."""
        return self.points.y - (self.coefficients[0] + self.coefficients[1] * self.points.x)

    @property
    def residual_sd(self) -> float:
        """Return the standard deviation of `residuals` about the line."""
        return float(np.sqrt(np.sum(self.residuals**2) / self.degrees_of_freedom))

    @cached_property
    def left_out_rmse(self) -> float:
        """Return the root mean square distance of each point from the line of the others."""
        points = self.points
        left_out = [
            points.y[index] - fit_line(points.without(index)).predict(points.x[index])[0]
            for index in range(len(points.x))
        ]
        return float(np.sqrt(np.mean(np.square(left_out))))

    def predict(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Return the value at each ``x`` and its standard uncertainty, that of the line."""
        value = self.coefficients[0] + self.coefficients[1] * np.asarray(x, dtype=np.float64)
        return value, propagate(self.covariance, (0, 1), x)


def make_points(
    x: ArrayLike,
    y: ArrayLike,
    x_error: ArrayLike,
    y_error: ArrayLike,
    correlation: ArrayLike = 0.0,
) -> Points:
    """Return points; an error or a correlation may be one number for all.

    Raises
    ------
    ValueError
        If shapes differ, a value is not finite, an error is negative or both errors of a point
        are zero, or a correlation does not lie between -1 and 1, both excluded.
    """
    rows = [np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)]
    rows += [
        np.broadcast_to(np.asarray(part, dtype=np.float64), rows[0].shape).copy()
        for part in (x_error, y_error, correlation)
    ]
    points = Points(*rows)
    if points.x.ndim != 1 or points.x.shape != points.y.shape:
        raise ValueError(f"expected rows of one length, found {points.x.shape}")
    if not all(np.isfinite(row).all() for row in rows):
        raise ValueError("expected finite values, found NaN or infinity")
    if (points.x_error < 0).any() or (points.y_error < 0).any():
        raise ValueError("expected uncertainties of at least 0, found one below")
    if (points.x_error + points.y_error == 0).any():
        raise ValueError("expected an uncertainty of x or y at each point, found neither")
    if (np.abs(points.correlation) >= 1).any():
        raise ValueError("expected correlations between -1 and 1")
    return points


def fit_line(points: Points) -> LineFit:
    """Fit a line to points that are uncertain both ways.

    Starts from ordinary least squares and repeats the unified equations until the slope
    stands still.

    Raises
    ------
    ValueError
        If there are fewer than two points, or their inputs are all one.
    ArithmeticError
        If the slope does not settle: the uncertainties and the scatter contradict each other.

    References
    ----------
    York, Evensen, López Martínez & De Basabe Delgado (2004), Am. J. Phys. 72(3), 367-375,
    doi:10.1119/1.1632486, eqs 13.
    """
    slope = float(fit_polynomial(points.x, points.y).coefficients[1])
    for _ in range(_ROUNDS):
        step = _improved(points, slope)
        settled = abs(step - slope) <= _PRECISION * (abs(step) or 1.0)
        slope = step
        if settled:
            return _finished(points, slope)
    raise ArithmeticError(
        f"the slope did not settle within {_ROUNDS} rounds; look at the stated uncertainties"
    )


def _adjusted(points: Points, slope: float) -> tuple[Floats, Floats, float, float]:
    """Return weights, adjusted inputs from their mean, and the weighted means of x and y."""
    shared = points.correlation * points.x_error * points.y_error
    weight = 1.0 / (points.y_error**2 + slope**2 * points.x_error**2 - 2.0 * slope * shared)
    total = np.sum(weight)
    mean_x = float(np.sum(weight * points.x) / total)
    mean_y = float(np.sum(weight * points.y) / total)
    u, v = points.x - mean_x, points.y - mean_y
    beta = weight * (
        u * points.y_error**2 + slope * v * points.x_error**2 - (slope * u + v) * shared
    )
    return weight, beta, mean_x, mean_y


def _improved(points: Points, slope: float) -> float:
    weight, beta, mean_x, mean_y = _adjusted(points, slope)
    u, v = points.x - mean_x, points.y - mean_y
    return float(np.sum(weight * beta * v) / np.sum(weight * beta * u))


def _finished(points: Points, slope: float) -> LineFit:
    weight, beta, mean_x, mean_y = _adjusted(points, slope)
    offset = mean_y - slope * mean_x
    total = np.sum(weight)
    middle = np.sum(weight * beta) / total
    slope_variance = 1.0 / np.sum(weight * (beta - middle) ** 2)
    far = mean_x + middle  # the weighted mean of the adjusted inputs
    covariance = np.array(
        [
            [1.0 / total + far**2 * slope_variance, -far * slope_variance],
            [-far * slope_variance, slope_variance],
        ]
    )
    chi_square = np.sum(weight * (points.y - offset - slope * points.x) ** 2)
    return LineFit(points, np.array([offset, slope]), covariance, float(chi_square))
