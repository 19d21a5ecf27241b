"""A calibration curve as pieces of polynomials: one form for every law, one kernel for all.

A published cubic is one piece, a table of points is as many pieces as it has gaps. Because the
kernel evaluates nothing but pieces, the DataArray functions of `pipeline.calibrate.dielectric`
and the steps that work through years of readings share the very same arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Curves(NamedTuple):
    """Several curves packed for the kernels; ``L`` curves with ``P`` pieces in all.

    Curve ``i`` owns rows ``first[i]`` to ``first[i] + pieces[i]`` of ``coefficients`` and the
    ``pieces[i] + 1`` knots from ``first[i] + i``.
    """

    first: NDArray[np.int64]  # (L,)
    pieces: NDArray[np.int64]  # (L,), how many
    knots: Floats  # (P + L,)
    coefficients: Floats  # (P, degree + 1), ascending powers of the distance from the knot
    squared: NDArray[np.bool_]  # (L,)
    low: Floats  # (L,)
    high: Floats  # (L,)
    variance: Floats  # (L, terms), ascending powers


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


@njit(cache=True, nogil=True)
def evaluate(
    curves: Curves, which: int, x: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Fill ``value`` and ``slope`` with those of one curve at each ``x``, all (n,).

    Both are NaN outside the curve's range. Every element is worked out by the same operations
    in the same order wherever it stands, so a result never depends on its neighbours.
    """
    squared = curves.squared[which]
    u = x * x if squared else x
    if curves.pieces[which] == 1:
        _one_piece(curves.coefficients[curves.first[which]], u, value, slope)
    else:
        first, count = curves.first[which], curves.pieces[which]
        knots = curves.knots[first + which : first + which + count + 1]
        _many_pieces(curves.coefficients[first : first + count], knots, u, value, slope)
    low, high = curves.low[which], curves.high[which]
    for i in range(x.size):
        inside = low <= x[i] <= high
        factor = 2.0 * x[i] if squared else 1.0
        slope[i] = slope[i] * factor if inside else np.nan
        value[i] = value[i] if inside else np.nan


@njit(cache=True, nogil=True)
def _one_piece(
    coefficients: Floats, u: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Fill value and slope of one polynomial in ``u``, a power at a time over all elements."""
    value[:] = coefficients[-1]
    slope[:] = 0.0
    for k in range(coefficients.size - 2, -1, -1):
        coefficient = coefficients[k]
        for i in range(u.size):
            slope[i] = slope[i] * u[i] + value[i]
            value[i] = value[i] * u[i] + coefficient


@njit(cache=True, nogil=True)
def _many_pieces(
    coefficients: Floats, knots: Floats, u: Floats, value: Floats, slope: Floats
) -> None:  # pragma: no cover
    """Do as `_one_piece`, the piece looked up for each element; a knot starts its piece."""
    last = coefficients.shape[1] - 1
    for i in range(value.size):
        low, high = 0, coefficients.shape[0] - 1
        while low < high:
            middle = (low + high + 1) // 2
            if knots[middle] <= u[i]:
                low = middle
            else:
                high = middle - 1
        d, total, change = u[i] - knots[low], coefficients[low, last], 0.0
        for k in range(last - 1, -1, -1):
            change = change * d + total
            total = total * d + coefficients[low, k]
        value[i], slope[i] = total, change


@njit(cache=True, nogil=True)
def evaluate_variance(
    curves: Curves, which: int, x: Floats, out: Floats
) -> None:  # pragma: no cover
    """Fill ``out`` (n,) with the variance of one curve's value at each ``x``."""
    squared, terms = curves.squared[which], curves.variance[which]
    u = x * x if squared else x
    out[:] = terms[-1]
    for k in range(terms.size - 2, -1, -1):
        term = terms[k]
        for i in range(u.size):
            out[i] = out[i] * u[i] + term
    for i in range(u.size):
        # Rounding may leave a covariance form a hair below zero. NaN stays NaN.
        out[i] = 0.0 if out[i] < 0.0 else out[i]
