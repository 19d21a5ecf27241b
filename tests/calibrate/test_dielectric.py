"""Published permittivity equations against the values they give, and their inverse."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pint
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import _iapws

from pipeline.calibrate import (
    dielectric,
    dielectric_curves,
    dielectric_organic,
    dielectric_soil,
)
from pipeline.calibrate.dielectric import (
    permittivity_of_water,
    permittivity_topp,
    water_content_topp,
)
from pipeline.errors import UnitsError

UNITS = pint.UnitRegistry()  # one of the user's own
PUBLISHED = Path(__file__).parents[1] / "published" / "dielectric.csv"

EQUATIONS = {
    "topp": dielectric.water_content_topp,
    "ledieu": dielectric.water_content_ledieu,
    "ferre": dielectric.water_content_ferre,
    "roth": dielectric.water_content_roth,
    "malicki_1.3": lambda eps: dielectric_soil.water_content_malicki(eps, 1.3),
    "malicki_1.5": lambda eps: dielectric_soil.water_content_malicki(eps, 1.5),
    "malicki_porosity": lambda eps: dielectric_soil.water_content_malicki_porosity(eps, 0.5),
    "jacobsen": dielectric.water_content_jacobsen,
    "jacobsen_soil": lambda eps: dielectric_soil.water_content_jacobsen_soil(
        eps, 1.4, 15.0, 2.0
    ),
    "nadler": dielectric.water_content_nadler,
    "mixing": lambda eps: dielectric_soil.water_content_mixing(eps, 0.45),
}
ORGANIC = {
    "myllys": dielectric_organic.water_content_myllys,
    "kellner": dielectric_organic.water_content_kellner,
    "nagare": dielectric_organic.water_content_nagare,
}


def make_permittivity(values, units="1"):
    """Return a DataArray of permittivity with an attribute that must not survive."""
    attrs = {"units": units, "sensor": "S1"}
    return xr.DataArray(np.asarray(values, float), dims="time", name="eps", attrs=attrs)


def make_water_content(values):
    return xr.DataArray(np.asarray(values, float), dims="time", attrs={"units": "m3 m-3"})


def published_rows():
    with PUBLISHED.open(encoding="utf-8") as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        return [{name: float(text or "nan") for name, text in row.items()} for row in rows]


@pytest.mark.parametrize("equation", EQUATIONS)
def test_matches_the_published_equation(equation):
    rows = published_rows()
    result = EQUATIONS[equation](make_permittivity([row["permittivity"] for row in rows]))
    # Five decimals are given; NaN must meet NaN: refused there, never run away.
    np.testing.assert_allclose(result, [row[equation] for row in rows], rtol=0, atol=5.1e-6)


# Provenance: by hand, Eq. 7, digits exact.
@pytest.mark.parametrize(
    ("eps", "expected"),
    [(3, 0.0297661), (5, 0.0797875), (10, 0.1883), (20, 0.3454), (30, 0.4441)],
)
def test_topp_by_hand(eps, expected):
    result = water_content_topp(make_permittivity([eps]))
    np.testing.assert_allclose(result, expected, rtol=0, atol=1e-9)


# Provenance: by hand from the pooled equations, permittivity 10.
@pytest.mark.parametrize(
    ("equation", "expected"), [("myllys", 0.26916), ("kellner", 0.3136), ("nagare", 0.2579)]
)
def test_organic_equations_by_hand(equation, expected):
    result = ORGANIC[equation](make_permittivity([10.0]))
    np.testing.assert_allclose(result, expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("equation", [*EQUATIONS, *ORGANIC])
def test_rises_over_the_whole_valid_range_and_is_nowhere_extrapolated(equation):
    eps = np.linspace(0.5, 100.0, 4000)
    result = {**EQUATIONS, **ORGANIC}[equation](make_permittivity(eps)).values
    inside = np.flatnonzero(~np.isnan(result))
    assert inside.size > 100
    assert np.all(np.diff(inside) == 1)  # one closed range
    assert inside[0] > 0
    assert inside[-1] < eps.size - 1
    assert np.all(np.diff(result[inside]) > 0)


def test_missing_and_out_of_range_values_become_nan():
    result = water_content_topp(make_permittivity([np.nan, 2.9, 40.1, -1.0, np.inf, 3, 40]))
    assert result.isnull().values.tolist() == [True] * 5 + [False] * 2


def test_attributes_come_from_the_variable_table_only():
    result = water_content_topp(make_permittivity([10]))
    assert result.attrs["units"] == "m3 m-3"
    assert "sensor" not in result.attrs


def test_wrong_units_error_says_what_was_found():
    with pytest.raises(UnitsError, match="'eps': expected units '1', found 'percent'"):
        water_content_topp(make_permittivity([10], units="percent"))


ALL = {**EQUATIONS, **ORGANIC}


@pytest.mark.parametrize("equation", ALL)
def test_quantities_are_taken_and_what_is_no_array_refused(equation):
    eps = make_permittivity([5.0, 10.0, 20.0])
    quantity = eps.drop_attrs().copy(data=UNITS.Quantity(eps.values, "dimensionless"))
    np.testing.assert_array_equal(ALL[equation](quantity), ALL[equation](eps))
    with pytest.raises(TypeError, match="expected a DataArray with units '1', found ndarray"):
        ALL[equation](eps.values)


def test_properties_of_the_soil_may_be_quantities():
    of = UNITS.Quantity
    pairs = [
        (dielectric_curves.malicki_1996, (1.4,), (of(1400, "kg/m^3"),)),
        (dielectric_curves.malicki_1996_porosity, (0.45,), (of(45, "percent"),)),
        (
            dielectric_curves.jacobsen_1993_soil,
            (1.4, 20, 3),
            (of(1.4, "g/cm^3"), of(0.2, ""), 3),
        ),
        (dielectric_curves.roth_1990, (0.45, 3.9, 10), (0.45, of(3.9, ""), of(283.15, "K"))),
    ]
    for maker, numbers, quantities in pairs:
        found, expected = maker(*quantities), maker(*numbers)
        np.testing.assert_allclose(found.pieces, expected.pieces, rtol=1e-12)
        np.testing.assert_allclose(found.high, expected.high, rtol=1e-12)
    with pytest.raises(UnitsError, match="porosity: expected units 'm3 m-3'"):
        dielectric_curves.roth_1990(of(1, "m"))


def test_permittivity_that_was_not_logged_does_not_say_so():
    theta, celsius = make_water_content([0.2]), make_permittivity([283.15], units="degC")
    kelvin = celsius.drop_attrs().copy(data=UNITS.Quantity(celsius.values, "K"))
    water = dielectric.permittivity_of_water(kelvin)
    np.testing.assert_allclose(water, 83.832, rtol=0, atol=5.1e-4)  # printed, 10 degC
    names = [x.attrs["long_name"] for x in (water, permittivity_topp(theta))]
    assert names == [
        "relative permittivity of water",
        "relative permittivity of soil by its water content",
    ]


# Provenance: reference code, numpy 2.4.6: root of the cubic of Eq. 7.
@pytest.mark.parametrize(
    ("theta", "eps"),
    [
        (0.05, 3.7899),
        (0.10, 5.8561),
        (0.20, 10.6082),
        (0.30, 16.6116),
        (0.40, 24.9552),
        (0.50, 38.2745),
    ],
)
def test_topp_inverse(theta, eps):
    result = permittivity_topp(make_water_content([theta]))
    np.testing.assert_allclose(result, eps, rtol=0, atol=5.1e-5)


@settings(deadline=None)
@given(st.floats(3.0, 40.0))
def test_topp_inverse_undoes_topp(eps):
    theta = water_content_topp(make_permittivity([eps]))
    np.testing.assert_allclose(permittivity_topp(theta), eps, rtol=1e-13)


def test_topp_inverse_refuses_what_the_equation_would():
    result = permittivity_topp(make_water_content([0.0, 0.029, 0.52, np.nan]))
    assert result.isnull().all()


@pytest.mark.parametrize(
    ("maker", "arguments", "name"),
    [
        (dielectric_curves.malicki_1996, (0.0,), "bulk_density"),
        (dielectric_curves.malicki_1996_porosity, (1.2,), "porosity"),
        (dielectric_curves.jacobsen_1993_soil, (1.4, 130.0, 2.0), "clay_pct"),
        (dielectric_curves.roth_1990, (0.4, 1.0), "solid_permittivity"),
    ],
)
def test_a_soil_property_outside_its_range_is_refused_by_name(maker, arguments, name):
    with pytest.raises(ValueError, match=f"'{name}': expected a number from"):
        maker(*arguments)


def test_mixing_law_ends_where_the_pores_are_full():
    # Provenance: by hand. At saturation sqrt(eps) = phi sqrt(eps_w) + (1 - phi) sqrt(eps_s).
    full = (0.45 * np.sqrt(80.103) + 0.55 * np.sqrt(3.9)) ** 2
    result = dielectric_soil.water_content_mixing(
        make_permittivity([full * 0.9999, full * 1.0001]), 0.45
    )
    assert result.values[0] == pytest.approx(0.45, abs=1e-4)
    assert np.isnan(result.values[1])


# Provenance: computed with the closed form of Malmberg & Maryott (1956); their table prints
# 78.304 at 25 degC (secondary source), the formula gives 78.303.
@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(0, 87.740), (10, 83.832), (20, 80.103), (25, 78.303), (50, 69.909), (100, 55.720)],
)
def test_permittivity_of_water(celsius, expected):
    temperature = xr.DataArray([float(celsius)], dims="time", attrs={"units": "degC"})
    np.testing.assert_allclose(permittivity_of_water(temperature), expected, atol=6e-4)


def test_permittivity_of_water_agrees_with_the_release_of_iapws():
    # Provenance: reference code, iapws 1.5, release R8-97 at 0.101325 MPa (density by hand).
    density = {5: 999.967, 15: 999.103, 25: 997.048}
    for celsius, rho in density.items():
        reference = _iapws._Dielectric(rho, celsius + 273.15)
        temperature = xr.DataArray([float(celsius)], dims="time", attrs={"units": "degC"})
        assert float(permittivity_of_water(temperature)[0]) == pytest.approx(
            reference, abs=0.17
        )
