"""Thresholds and parameters as Pint quantities: the same as in plain numbers, or refused."""

import numpy as np
import pint
import pytest
import xarray as xr

from pipeline.derive.conductivity import conductivity_mualem
from pipeline.derive.means import tubes_needed
from pipeline.errors import UnitsError
from pipeline.qc.univariate import (
    flag_flat_line,
    flag_gross_range,
    flag_rate_of_change,
    flag_spike,
)

UNITS = pint.UnitRegistry()


def q(value, unit):
    return UNITS.Quantity(value, unit)


def make_record():
    """Return a record with a spike, one that cannot be, and a stretch that stands still."""
    values = np.array([0.20, 0.30, 0.20, 0.21, 0.70, 0.22, 0.22, 0.22, 0.22, 0.23])
    time = np.datetime64("2025-05-01", "ns") + np.arange(10) * np.timedelta64(1, "h")
    return xr.DataArray(values, {"time": time}, name="theta", attrs={"units": "m3 m-3"})


@pytest.mark.parametrize(
    ("ask", "plain", "quantities"),
    [
        (flag_gross_range, (0.0, 0.6), (q(0, "percent"), q(60, "percent"))),
        (flag_rate_of_change, (0.05, 2.0), (q(5, "percent/hour"), q(120, "minute"))),
        (flag_spike, (0.05, 0.9), (q(5, "percent"), q(90, "percent"))),
        (flag_flat_line, (3, 0.001, 0), (q(180, "min"), q(0.1, "percent"), q(0, "d"))),
    ],
)
def test_thresholds_of_quality_tests(ask, plain, quantities):
    record = make_record()
    expected = ask(record, *plain)
    assert 0 < int(expected.sum()) < record.size
    xr.testing.assert_identical(ask(record, *quantities), expected)
    with pytest.raises(UnitsError, match="expected units"):
        ask(record, q(1, "kg"), *quantities[1:])
    with pytest.raises(ValueError, match=r"expected one number \[.*\], found"):
        ask(record, "much", *plain[1:])
    with pytest.raises(ValueError, match=r"expected one number \[.*\], found nan"):
        ask(record, np.nan, *plain[1:])


def test_the_soil_of_a_conductivity():
    """The printed means of loam of Carsel & Parrish (1988), 24.96 cm a day, as in the tests of
    drainage; saturated soil conducts as much.
    """
    residual, saturated, fastest = q(7.8, "percent"), q(43, "percent"), q(24.96, "cm/day")
    found = conductivity_mualem([0.30, 0.43], residual, saturated, 1.56, fastest)
    expected = conductivity_mualem([0.30, 0.43], 0.078, 0.43, 1.56, 249.6)
    np.testing.assert_allclose(found, expected)
    assert found[1] == pytest.approx(249.6)
    with pytest.raises(UnitsError, match="expected units 'mm d-1'"):
        conductivity_mualem(0.3, residual, saturated, 1.56, q(1, "mm"))


def test_tubes_needed_by_quantities():
    assert tubes_needed(q(3, "percent"), q(0.02, "")) == tubes_needed(0.03, 0.02)
    assert tubes_needed(q(3, "cm"), q(20, "mm")) == tubes_needed(0.03, 0.02)
    with pytest.raises(UnitsError, match="precision: expected units 'mm'"):
        tubes_needed(q(3, "cm"), q(2, "percent"))
    with pytest.raises(UnitsError, match="expected units 'm3 m-3'"):
        tubes_needed(q(3, "kg"), 0.02)
