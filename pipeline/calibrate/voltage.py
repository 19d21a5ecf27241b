"""Probe laws: from a sensor's output voltage to the square root of the soil's permittivity.

A law is a polynomial or a table of points. Volts are the unit of both, whatever the wiring
says: readings are converted where they are read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import xarray as xr

from pipeline.arrays import Floats
from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.units import plain
from pipeline.variables import describe


def root_permittivity_from_voltage(voltage: xr.DataArray, curve: Curve) -> xr.DataArray:
    """Root permittivity from a probe's voltage by its own law.

    Parameters
    ----------
    voltage : DataArray, any dims, [V]
        Output of the probe. Stays lazy if it is. May be a Pint quantity.
    curve : Curve
        From `polynomial_probe_curve` or `table_probe_curve`.

    Returns
    -------
    DataArray, same dims and coords, [1]
        ``root_permittivity``; NaN where the input is NaN or outside the law's range.

    Raises
    ------
    UnitsError
        If ``voltage`` is not in volts.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.voltage import polynomial_probe_curve
    >>> from pipeline.calibrate.voltage import root_permittivity_from_voltage
    >>> volts = xr.DataArray([0.5, 1.0], dims="time", attrs={"units": "V"})
    >>> curve = polynomial_probe_curve([1.0, 2.0, 3.0], 0.0, 1.2)
    >>> root_permittivity_from_voltage(volts, curve).values.tolist()
    [2.75, 6.0]
    """
    result = xr.apply_ufunc(
        curve.value, plain(voltage, "V"), dask="parallelized", output_dtypes=[np.float64]
    )
    return describe(result, "root_permittivity")


def polynomial_probe_curve(coefficients: Sequence[float], low: float, high: float) -> Curve:
    """Return root permittivity [1] as a polynomial in volts.

    Parameters
    ----------
    coefficients : sequence of float
        Ascending, in powers of volts.
    low, high : float, [V]
        Closed range of the probe's output; outside it there is no value.

    Returns
    -------
    Curve
        For `root_permittivity_from_voltage`.

    Examples
    --------
    >>> import numpy as np
    >>> from pipeline.calibrate.voltage import polynomial_probe_curve
    >>> polynomial_probe_curve([1.0, 2.0], 0.0, 1.2).value(np.array([0.5, 1.5])).tolist()
    [2.0, nan]
    """
    return polynomial_curve(coefficients, low, high)


def table_probe_curve(
    voltage: Sequence[float], root_permittivity: Sequence[float], interpolation: str
) -> Curve:
    """Return root permittivity between points measured in reference media.

    Parameters
    ----------
    voltage, root_permittivity : sequences of n >= 2 floats, [V] and [1]
        Both strictly increasing.
    interpolation : str
        A key of `INTERPOLATIONS`.

    Returns
    -------
    Curve
        For `root_permittivity_from_voltage`; no value outside the points.

    Raises
    ------
    ValueError
        If the points are fewer than two, unequal in number or not increasing, or the
        interpolation is none.

    Examples
    --------
    >>> import numpy as np
    >>> from pipeline.calibrate.voltage import table_probe_curve
    >>> curve = table_probe_curve([0.1, 0.5, 0.9], [1.0, 3.0, 9.0], "linear")
    >>> curve.value(np.array([0.3, 0.7])).round(9).tolist()
    [2.0, 6.0]
    """
    if interpolation not in INTERPOLATIONS:
        raise ValueError(
            f"interpolation: expected one of {sorted(INTERPOLATIONS)}, found {interpolation!r}"
        )
    x = np.asarray(voltage, dtype=np.float64)
    y = np.asarray(root_permittivity, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape or x.size < 2:
        raise ValueError(
            f"a table needs two or more points, as many voltages as roots: "
            f"found {x.size} and {y.size}"
        )
    if not (np.all(np.diff(x) > 0) and np.all(np.diff(y) > 0)):
        raise ValueError("the points of a table must rise in voltage and in root permittivity")
    pieces = INTERPOLATIONS[interpolation](x, y)
    rows = tuple(tuple(float(c) for c in row) for row in pieces)
    return Curve(tuple(float(v) for v in x), rows, float(x[0]), float(x[-1]))


def linear_pieces(x: Floats, y: Floats) -> Floats:
    """Return straight pieces (n - 1, 2) between points, ascending coefficients."""
    return np.column_stack([y[:-1], np.diff(y) / np.diff(x)])


def pchip_pieces(x: Floats, y: Floats) -> Floats:
    """Return cubic Hermite pieces (n - 1, 4) that keep the points' monotony.

    Inner slopes are the weighted harmonic mean of the neighbouring secants, end slopes the
    three-point formula, cut back where it would break monotony.

    References
    ----------
    Fritsch & Butland (1984), SIAM J. Sci. Stat. Comput. 5(2), 300-304,
    doi:10.1137/0905021.
    """
    step = np.diff(x)
    secant = np.diff(y) / step
    if x.size == 2:
        return np.column_stack([y[:-1], secant])
    slope = np.empty_like(x)
    weight_left = 2 * step[1:] + step[:-1]
    weight_right = step[1:] + 2 * step[:-1]
    # Both secants are positive: the points rise.
    slope[1:-1] = (weight_left + weight_right) / (
        weight_left / secant[:-1] + weight_right / secant[1:]
    )
    slope[0] = _end_slope(step[0], step[1], secant[0], secant[1])
    slope[-1] = _end_slope(step[-1], step[-2], secant[-1], secant[-2])
    quadratic = (3 * secant - 2 * slope[:-1] - slope[1:]) / step
    cubic = (slope[:-1] + slope[1:] - 2 * secant) / step**2
    return np.column_stack([y[:-1], slope[:-1], quadratic, cubic])


def _end_slope(step: float, next_step: float, secant: float, next_secant: float) -> float:
    """Return the three-point slope at an end, held between zero and three secants."""
    slope = ((2 * step + next_step) * secant - step * next_secant) / (step + next_step)
    return float(min(max(slope, 0.0), 3 * secant))


INTERPOLATIONS: dict[str, Callable[[Floats, Floats], Floats]] = {
    "linear": linear_pieces,
    "pchip": pchip_pieces,
}
