"""Probe laws: tables and polynomials against reference interpolation."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from pipeline.calibrate.voltage import (
    polynomial_probe_curve,
    root_permittivity_from_voltage,
    table_probe_curve,
)
from pipeline.errors import UnitsError

VOLTS = [0.1, 0.35, 0.5, 0.9, 1.05]
ROOTS = [1.0, 3.1, 3.4, 7.9, 8.95]
rising = st.lists(st.floats(0.05, 5.0), min_size=2, max_size=8).map(np.cumsum)


def test_linear_table_matches_reference_interpolation():
    # Provenance: reference code, numpy.interp.
    x = np.linspace(0.1, 1.05, 77)
    curve = table_probe_curve(VOLTS, ROOTS, "linear")
    np.testing.assert_allclose(curve.value(x), np.interp(x, VOLTS, ROOTS), rtol=1e-13)


@settings(deadline=None)
@given(rising, st.data())
def test_pchip_table_matches_reference_interpolation(x, data):
    # Provenance: reference code, scipy PchipInterpolator (value and derivative).
    steps = st.lists(st.floats(0.05, 5.0), min_size=x.size, max_size=x.size)
    y = np.cumsum(data.draw(steps))
    curve, reference = table_probe_curve(x, y, "pchip"), PchipInterpolator(x, y)
    at = np.linspace(x[0], x[-1], 101)
    scale = np.max(np.diff(y) / np.diff(x))
    np.testing.assert_allclose(curve.value(at), reference(at), rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(
        curve.slope(at)[1:-1], reference(at, 1)[1:-1], atol=1e-8 * scale
    )


@settings(deadline=None)
@given(rising, st.data())
def test_pchip_never_falls(x, data):
    steps = st.lists(st.floats(0.05, 5.0), min_size=x.size, max_size=x.size)
    curve = table_probe_curve(x, np.cumsum(data.draw(steps)), "pchip")
    assert np.all(np.diff(curve.value(np.linspace(x[0], x[-1], 400))) >= -1e-12)


@pytest.mark.parametrize("interpolation", ["linear", "pchip"])
def test_a_table_passes_through_its_points_and_ends_there(interpolation):
    curve = table_probe_curve(VOLTS, ROOTS, interpolation)
    np.testing.assert_allclose(curve.value(np.array(VOLTS)), ROOTS, rtol=1e-14)
    assert np.isnan(curve.value(np.array([0.0999, 1.0501, np.nan]))).all()


def test_polynomial_and_its_slope_by_hand():
    # Provenance: by hand. 1 + 2x + 3x^2 at 0.5 is 2.75, its slope 2 + 6x is 5.
    curve = polynomial_probe_curve([1.0, 2.0, 3.0], 0.0, 1.0)
    assert curve.value(np.array([0.5])) == 2.75
    assert curve.slope(np.array([0.5])) == 5.0


@pytest.mark.parametrize(
    ("volts", "roots", "message"),
    [
        ([0.1], [1.0], "two or more points"),
        ([0.1, 0.2], [1.0, 2.0, 3.0], "as many voltages as roots: found 2 and 3"),
        ([0.1, 0.1], [1.0, 2.0], "must rise"),
        ([0.1, 0.2], [2.0, 1.0], "must rise"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused(volts, roots, message):
    with pytest.raises(ValueError, match=message):
        table_probe_curve(volts, roots, "linear")


def test_voltage_must_be_in_volts():
    curve = table_probe_curve(VOLTS, ROOTS, "linear")
    volts = xr.DataArray([0.35], dims="time", name="u", attrs={"units": "V"})
    assert root_permittivity_from_voltage(volts, curve).values == pytest.approx(3.1)
    volts.attrs["units"] = "mV"
    with pytest.raises(UnitsError, match="'u': expected units 'V', found 'mV'"):
        root_permittivity_from_voltage(volts, curve)
