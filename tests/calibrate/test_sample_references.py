"""Cores as references for drift: how well each tells the water at the sensor beside it."""

from __future__ import annotations

import math
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.calibrate.references import sample_references
from pipeline.calibrate.samples import average_repeats, read_samples
from pipeline.nights import night

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 20, tzinfo=UTC)
HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
CORE = "2023-03-10T12:00,T1,10,{wet:.2f},139.50,100,0.02,0.5\n"
WEIGHED = 0.00118  # of such a core: see test_fit_samples, GUM with the dry mass's correlation
UNLIKE = 0.01  # `uncertainty.reference` unless a site states another


@pytest.fixture
def error(field_site, tmp_path):
    """Return a function that tells the uncertainty of the reference that a table makes."""

    def of(*rows, site=field_site):
        path = tmp_path / "samples.csv"
        path.write_text(HEADER + "".join(rows), encoding="utf-8")
        (found,) = sample_references(average_repeats(read_samples(path, site)), site)
        return found.error

    return of


def test_a_core_is_uncertain_by_weighings_and_by_how_unlike_the_soil_it_is(error):
    # JCGM 100:2008, 5.1.2 and equation 10: in quadrature.
    assert error(CORE.format(wet=162.4)) == pytest.approx(math.hypot(WEIGHED, UNLIKE), 1e-3)


def test_repeats_that_agree_tell_less_than_they_seem_to(error):
    # JCGM 100:2008, 4.2.3: the mean of n has a √n-th; a spread of nought is chance.
    expected = math.hypot(WEIGHED, UNLIKE) / math.sqrt(4)
    assert error(*[CORE.format(wet=162.4)] * 4) == pytest.approx(expected, 1e-3)


def test_repeats_that_scatter_more_are_believed(error):
    wet = np.array([158.4, 162.4, 166.4])  # 0.04 apart: s = 0.04, of the mean s / √3
    found = error(*[CORE.format(wet=one) for one in wet])
    assert found == pytest.approx(0.04 / math.sqrt(3), 1e-6)


def test_a_core_without_stated_uncertainties_has_the_sites(error):
    bare = CORE.format(wet=162.4).replace("0.02,0.5", ",")
    assert error(bare) == pytest.approx(UNLIKE)
    assert error(bare, bare) == pytest.approx(UNLIKE / math.sqrt(2))


def test_a_site_may_state_how_unlike_cores_are(error, field_site):
    stated = field_site.uncertainty.model_copy(update={"reference": 0.02})
    site = field_site.model_copy(update={"uncertainty": stated})
    found = error(CORE.format(wet=162.4), site=site)
    assert found == pytest.approx(math.hypot(WEIGHED, 0.02), 1e-3)


def corrections(folder, scatter, shift):
    """Run a night of a month with a core every other noon; a step falls on the 16th."""
    shutil.copytree(FIELD, folder)
    days = range(2, 30)

    def logged(day, hour):  # 600 mV at noon, up and down by 3 in a day as no stuck sensor does
        return f"{600 + 3 * math.sin(math.pi * hour / 12) - shift * (day > 15):.1f}".replace(
            ".", ","
        )

    raw = folder / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    rows = [
        f"{day:02d}.03.2023 {hour:02d}:{minute:02d};300;{logged(day, hour + minute / 60)};0,0"
        for day in days
        for hour in range(24)
        for minute in (0, 15, 30, 45)
    ]
    text = "\n".join(["Time;mV_1;mV_2;rain", ";mV;mV;mm", *rows]) + "\n"
    raw.write_text(text, encoding="utf-8")
    # 600 mV is a root permittivity of 3.6 by the site's curve, a water content of 0.232.
    rng = np.random.default_rng(20230310)
    cores = [HEADER]
    for day in days[::2]:
        water = 100 * (0.232 + rng.normal(0, scatter))
        cores.append(f"2023-03-{day:02d}T12:00,T1,30,{140 + water:.6f},140,100,0.02,0.5\n")
    (folder / "samples.csv").write_text("".join(cores), encoding="utf-8")
    night.store_night(folder, NOW)
    table = night.site_store(night.open_description(folder)).read().table("corrections")
    rows = [] if table is None else table.to_pylist()
    return [row for row in rows if row["depth_m"] == 0.3]


def test_scatter_of_cores_about_a_sound_sensor_is_no_drift(tmp_path):
    # Cores of one plot differ by 0.01 (common practice, from memory), weighed to 0.001.
    assert corrections(tmp_path / "site", 0.01, 0) == []


def test_what_the_cores_agree_on_is(tmp_path):
    assert corrections(tmp_path / "site", 0.01, 200)
