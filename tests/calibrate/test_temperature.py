"""Temperature of water's permittivity in a mixing model."""

from __future__ import annotations

import numpy as np
import pint
import pytest
import xarray as xr
from iapws import _iapws

from pipeline.calibrate.dielectric_soil import water_content_mixing
from pipeline.calibrate.temperature import flag_uncorrected, temperature_corrected_permittivity
from pipeline.errors import UnitsError


def array(values, units):
    return xr.DataArray(
        np.atleast_1d(np.asarray(values, float)), dims="time", attrs={"units": units}
    )


def corrected(permittivity, celsius, **more):
    return temperature_corrected_permittivity(
        array(permittivity, "1"), array(celsius, "degC"), **({"porosity": 0.45} | more)
    )


def test_quantities_are_converted_and_the_result_says_its_temperature():
    of = pint.UnitRegistry().Quantity
    expected = corrected([10, 20], [5, 15], reference_degc=10)
    eps, warmth = array([10, 20], "1"), array([5, 15], "degC")
    found = temperature_corrected_permittivity(
        eps.drop_attrs().copy(data=of(eps.values, "")),
        warmth.drop_attrs().copy(data=of(warmth.values + 273.15, "K")),
        of(45, "percent"),
        of(10, "degC"),
    )
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    assert found.attrs["long_name"].endswith("at 10 degC")


def test_temperatures_of_other_times_are_refused_and_flags_have_no_units():
    eps = array([10, 20], "1").assign_coords(time=[1, 2])
    warmth = array([5, 15], "degC").assign_coords(time=[1, 2])
    flag = flag_uncorrected(eps, warmth)
    assert (flag.name, flag.attrs) == ("uncorrected", {})
    for ask in (flag_uncorrected, lambda *x: temperature_corrected_permittivity(*x, 0.45)):
        with pytest.raises(ValueError, match="expected the time of None, 2, found 1"):
            ask(eps, warmth[:1])


def test_a_cold_soil_reads_wetter_than_it_is():
    # By hand: roots of water 9.26083 (5 degC, 85.763) and 8.95003 (20 degC, 80.103), dry soil
    # 0.55 sqrt(3.9) + 0.45 = 1.53616. At 0.30 m3 m-3 the root is 1.53616 + 0.30 x 8.26083 =
    # 4.01441 in the cold and 1.53616 + 0.30 x 7.95003 = 3.92117 at 20 degC.
    assert corrected(4.01441**2, 5.0).item() == pytest.approx(3.92117**2, abs=2e-4)


@pytest.mark.parametrize("celsius", [0.5, 5, 12, 20, 31, 45])
def test_water_content_is_that_of_the_mixing_law_at_the_soils_own_temperature(celsius):
    # Provenance: by hand, the same law solved at either temperature.
    measured = array([4.0, 8, 15, 22], "1")
    moved = temperature_corrected_permittivity(measured, array([celsius] * 4, "degC"), 0.45)
    np.testing.assert_allclose(
        water_content_mixing(moved, 0.45, temperature_degc=20.0),
        water_content_mixing(measured, 0.45, temperature_degc=celsius),
        rtol=1e-12,
    )


def test_the_step_from_cold_to_warm_agrees_with_the_release_of_iapws():
    # Provenance: reference code, iapws 1.5, release R8-97 at 0.101325 MPa (densities of water
    # by hand). The two differ by at most 0.17 in permittivity, 0.009 in its root.
    roots = [
        _iapws._Dielectric(rho, celsius + 273.15) ** 0.5
        for celsius, rho in ((5.0, 999.97), (20.0, 998.21))
    ]
    dry = 0.55 * 3.9**0.5 + 0.45
    cold, warm = (dry + 0.30 * (root - 1) for root in roots)
    assert corrected(cold**2, 5.0).item() == pytest.approx(warm**2, abs=2 * warm * 0.3 * 0.009)


def test_at_the_reference_nothing_changes():
    assert corrected(15.0, 20.0).item() == pytest.approx(15.0, rel=1e-14)
    assert corrected(15.0, 12.0, reference_degc=12.0).item() == pytest.approx(15.0, rel=1e-14)


def test_without_a_usable_temperature_a_reading_is_as_measured_and_told():
    eps, celsius = [15.0, 15.0, 15.0, np.nan, 15.0], [np.nan, -1.0, 0.0, 10.0, 10.0]
    result = corrected(eps, celsius)
    np.testing.assert_array_equal(result[:4], eps[:4])
    assert result[4] < 15.0
    flags = flag_uncorrected(array(eps, "1"), array(celsius, "degC"))
    assert flags.values.tolist() == [True, True, True, False, False]


def test_soil_drier_than_dry_is_not_moved():
    # By hand: dry soil of these parts has 1.53616 squared, 2.3598.
    assert corrected(2.0, 5.0).item() == pytest.approx(2.0, rel=1e-14)


def test_units_and_properties_are_checked():
    with pytest.raises(UnitsError, match="degC"):
        temperature_corrected_permittivity(array(9, "1"), array(283, "K"), 0.45)
    with pytest.raises(ValueError, match="'porosity'"):
        corrected(9.0, 10.0, porosity=45.0)
