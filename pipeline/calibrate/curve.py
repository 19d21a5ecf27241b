"""A calibration curve as pieces of polynomials: one form for every law, one kernel for all.

A published cubic is one piece, a table of points is as many pieces as it has gaps. Because the
kernel evaluates nothing but pieces, the DataArray functions of `pipeline.calibrate.dielectric`
and the steps that work through years of readings share the very same arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.arrays import Floats
from pipeline.calibrate.kernels import Curves, evaluate


@dataclass(frozen=True)
class Curve:
    """A function of one variable, piecewise polynomial, NaN outside a closed range.

    Parameters
    ----------
    knots : tuple of n + 1 floats
        Ends of the pieces; a piece is a polynomial in the distance from its left knot.
    pieces : tuple of n tuples
        Ascending coefficients of each piece.
    low, high : float
        The valid range of the input, closed. Outside it the value is NaN, never extrapolated.
    squared : bool
        The polynomials are in the square of the input: a law stated in permittivity, read
        from root permittivity.
    variance : tuple of floats
        Ascending coefficients of the variance of the value, in the input or in its square as
        the pieces are. NaN where the law does not state how sure it is.
    """

    knots: tuple[float, ...]
    pieces: tuple[tuple[float, ...], ...]
    low: float
    high: float
    squared: bool = False
    variance: tuple[float, ...] = (float("nan"),)

    @cached_property
    def packed(self) -> Curves:
        """Return the curve as the kernels take it."""
        return pack([self])

    def value(self, x: Floats) -> Floats:
        """Return the value at each ``x`` (any shape), NaN outside the range and at NaN."""
        return self._evaluate(x)[0]

    def slope(self, x: Floats) -> Floats:
        """Return the derivative at each ``x`` (any shape), NaN where the value is."""
        return self._evaluate(x)[1]

    def _evaluate(self, x: Floats) -> tuple[Floats, Floats]:
        flat = np.ascontiguousarray(x, dtype=np.float64).ravel()
        value, slope = np.empty_like(flat), np.empty_like(flat)
        evaluate(self.packed, 0, flat, value, slope)
        return value.reshape(np.shape(x)), slope.reshape(np.shape(x))

    def within(self, low: float, high: float) -> Curve:
        """Return the curve with another valid range."""
        return replace(self, low=low, high=high)


def polynomial_curve(
    coefficients: Sequence[float], low: float, high: float, squared: bool = False
) -> Curve:
    """Return the curve of one polynomial with ascending ``coefficients``.

    Its only knot is zero, so that no distance is taken and the published form is evaluated as
    it is printed.
    """
    piece = tuple(float(c) for c in coefficients)
    return Curve((0.0, 0.0), (piece,), float(low), float(high), squared)


def pack(curves: Sequence[Curve]) -> Curves:
    """Pack curves for the kernels; filling short polynomials up with zeros is exact."""
    count = np.array([len(curve.pieces) for curve in curves], dtype=np.int64)
    rows = [piece for curve in curves for piece in curve.pieces]
    return Curves(
        first=np.cumsum(count) - count,
        pieces=count,
        knots=np.array([knot for curve in curves for knot in curve.knots], dtype=np.float64),
        coefficients=_rows(rows),
        squared=np.array([curve.squared for curve in curves], dtype=np.bool_),
        low=np.array([curve.low for curve in curves], dtype=np.float64),
        high=np.array([curve.high for curve in curves], dtype=np.float64),
        variance=_rows([curve.variance for curve in curves]),
    )


def _rows(rows: Sequence[Sequence[float]]) -> Floats:
    """Return rows of unequal length as one array, filled up with zeros."""
    width = max((len(row) for row in rows), default=1)
    result = np.zeros((len(rows), width))
    for index, row in enumerate(rows):
        result[index, : len(row)] = row
    return result
