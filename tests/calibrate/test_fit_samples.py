"""Samples: weighings to water content, the table as people write it, repeats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibrate.gravimetry import (
    core_water_content,
    gravimetric_water_content,
    volumetric_water_content,
)
from pipeline.calibrate.samples import average_repeats, read_samples
from pipeline.errors import SiteError

HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
CORE = "2023-03-10T12:00,T1,10,162.40,139.50,100,0.02,0.5\n"


@pytest.fixture
def read(field_site, tmp_path):
    """Return a function that reads a table's text for the invented site."""

    def read_text(text):
        path = tmp_path / "samples.csv"
        path.write_text(text, encoding="utf-8")
        return read_samples(path, field_site)

    return read_text


def test_core_keeps_the_correlation_of_its_dry_mass():
    # Provenance: reference code, uncertainties 3.2.3, with correlations kept.
    theta, error = core_water_content(162.40, 139.50, 100.0, 0.02, 0.5)
    assert theta == pytest.approx(0.2290, abs=1e-12)
    assert error == pytest.approx(0.00118, abs=5e-6)


def test_core_equals_mass_ratio_times_bulk_density():
    # By hand: w = 22.90 / 139.50 = 0.164158; times 1.395 g cm-3 it is the core's 0.2290.
    ratio, _ = gravimetric_water_content(162.40, 139.50, 0.0, 0.02)
    assert ratio == pytest.approx(0.164158, abs=5e-7)
    theta, _ = volumetric_water_content(ratio, 0.0, 1.395, 0.0)
    assert theta == pytest.approx(0.2290, abs=1e-12)


def test_mass_ratio_and_bulk_density_are_combined():
    # Provenance: reference code, uncertainties 3.2.3; the relative form is GUM eq. 12.
    theta, error = volumetric_water_content(0.180, 0.004, 1.40, 0.03)
    assert (round(float(theta), 4), round(float(error), 5)) == (0.2520, 0.00778)
    # By hand: w 0.20 and 1.30 g cm-3.
    assert volumetric_water_content(0.20, 0.0, 1.30, 0.0)[0] == pytest.approx(0.260)


@settings(max_examples=50, deadline=None)
@given(st.floats(1, 50), st.floats(60, 300), st.floats(0.5, 120))
def test_mass_ratio_is_as_uncertain_as_its_slopes_say(tare, dry, water):
    # Provenance: GUM eq. 10 with slopes taken by differences.
    masses = np.array([dry + water, dry, tare])
    slopes = [
        (
            gravimetric_water_content(*(masses + step), 0.0)[0]
            - gravimetric_water_content(*(masses - step), 0.0)[0]
        )
        / 2e-4
        for step in np.eye(3) * 1e-4
    ]
    _, error = gravimetric_water_content(*masses, 0.03)
    assert error == pytest.approx(0.03 * np.linalg.norm(slopes), rel=1e-5)


def test_a_row_becomes_a_sample(read):
    (sample,) = read(HEADER + CORE)
    # By hand: noon at UTC+01:00 on 10 March 2023, day 19426 since 1970.
    assert (sample.when.start_s, sample.when.length_s) == (19426 * 86400 + 11 * 3600, 0)
    assert (sample.line, sample.tube, sample.depth_m) == (2, "T1", 0.1)
    assert sample.water_content == pytest.approx(0.2290)
    assert sample.error == pytest.approx(0.00118, abs=5e-6)


def test_a_day_without_an_hour_is_the_whole_day(read):
    (sample,) = read(HEADER + CORE.replace("T12:00", ""))
    assert (sample.when.start_s, sample.when.length_s) == (19426 * 86400 - 3600, 86400)


def test_dried_soil_with_a_bulk_density_and_from_top_to_bottom(read):
    (sample,) = read(
        "time;tube;top_cm;bottom_cm;wet_g;dry_g;tare_g;bulk_density;bulk_density_error\n"
        "2023-03-10;T2;7,5;12,5;150,0;130,0;30,0;1,30;0,05\n"
    )
    # By hand: 20 g of water in 100 g of soil times 1.30; the error is 0.20 x 0.05.
    assert sample.water_content == pytest.approx(0.260)
    assert sample.error == pytest.approx(0.010)
    assert sample.depth_m == 0.1


def test_a_mass_ratio_of_a_laboratory_will_do(read):
    (sample,) = read(
        "time,tube,depth_cm,gravimetric,gravimetric_error,bulk_density,bulk_density_error\n"
        "2023-03-10,T1,10,0.180,0.004,1.40,0.03\n"
    )
    assert sample.error == pytest.approx(0.00778, abs=5e-6)


def test_an_error_that_is_not_stated_is_not_known(read):
    (sample,) = read(HEADER + CORE.replace(",0.5\n", ",\n"))
    assert sample.water_content == pytest.approx(0.2290)
    assert math.isnan(sample.error)


@pytest.mark.parametrize(
    ("row", "place", "found", "advice"),
    [
        (CORE.replace(",T1,", ",T11,"), "line 3, column tube", "'T11'", "'T1'"),
        (CORE.replace("162.40", "120"), "line 3, column wet_g", "120", "exchanged"),
        (CORE.replace("162.40", ""), "line 3, column wet_g", "nothing", ""),
        (CORE.replace("162.40,139.50", ","), "line 3", "no masses", ""),
        (CORE.replace(",100,", ",,"), "line 3", "neither volume nor bulk", ""),
        (CORE.replace(",100,", ",0,"), "line 3, column volume_cm3", "'0'", ""),
        (CORE.replace(",100,", ",10,"), "line 3", "2.290 m3 m-3", "volume"),
        (CORE.replace(",10,", ",,"), "line 3", "no depth", ""),
        (CORE.replace(",10,", ",-10,"), "line 3, column depth_cm", "'-10'", "downwards"),
        (CORE.replace("2023-03-10T12:00", "10.03.2023"), "line 3, column time", "'10.03.2023'",
         "2023-03-10"),
        (CORE.replace("0.02", "fine"), "line 3, column mass_error_g", "'fine'", ""),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_line(read, row, place, found, advice):
    with pytest.raises(SiteError) as caught:
        read(HEADER + CORE + row)
    (problem,) = caught.value.problems
    assert (problem.file, problem.place) == ("samples.csv", place)
    assert found in problem.found
    assert advice in problem.advice


def test_all_mistakes_are_told_at_once_and_an_empty_table_is_one(read):
    with pytest.raises(SiteError) as caught:
        read(HEADER + CORE.replace(",T1,", ",X9,") + CORE.replace("139.50", ""))
    assert len(caught.value.problems) == 2
    with pytest.raises(SiteError, match="no samples"):
        read(HEADER)
    with pytest.raises(SiteError, match="'volume_cm3'"):
        read(HEADER.replace("volume_cm3,", "volumecm3,", 1) + CORE)


def test_repeats_are_averaged_with_their_spread(read):
    rows = [CORE, CORE.replace("162.40", "165.40"), CORE.replace("162.40", "168.40")]
    (point,) = average_repeats(read(HEADER + "".join(rows)))
    # By hand: 0.229, 0.259, 0.289: mean 0.259, sd 0.03; of the mean 0.03 / sqrt(3), which is
    # more than what weighing leaves open.
    assert point.lines == (2, 3, 4)
    assert point.water_content == pytest.approx(0.259)
    assert point.spread == pytest.approx(0.03)
    assert point.error == pytest.approx(0.03 / math.sqrt(3))


def test_equal_repeats_keep_what_the_weighings_leave_open(read):
    (point,) = average_repeats(read(HEADER + CORE + CORE))
    assert point.spread == 0
    assert point.error == pytest.approx(0.00118 / math.sqrt(2), abs=5e-6)


def test_other_places_and_samples_left_out_are_no_repeats(read):
    table = HEADER.replace("\n", ",left_out\n")
    rows = [CORE, CORE.replace(",10,", ",12,"), CORE.replace(",T1,", ",T2,"), CORE]
    rows[3] = rows[3].replace("\n", ",roots in the core\n")
    samples = read(table + "".join(rows))
    assert [p.lines for p in average_repeats(samples)] == [(2,), (3,), (4,)]
    assert samples[3].left_out == "roots in the core"
