"""A law that asks for readings freed of soil temperature is fitted to readings freed of it."""

from __future__ import annotations

import shutil
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.accounts.fitting import Wish, fit_site
from pipeline.calibrate.temperature import root_as_read
from pipeline.nights import night
from pipeline.site.instruments import Warmth

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 20, tzinfo=UTC)
SLOPE, OFFSET = 0.135, -0.240  # of the soil as it is; the site begins with 0.12 and -0.2
HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
ASKED = Warmth(reference_degc=12.0, porosity=0.5)
HOURS = np.arange(15 * 24)
# While the soil dries it warms, so that a law without the warmth would be too flat.
WATER = 0.38 - 0.2 * HOURS / HOURS[-1]
CELSIUS = 4.0 + 18.0 * HOURS / HOURS[-1]


def export():
    """Return hourly rows from 10 March; the probe's law is that of the site's description."""
    root = root_as_read((WATER - OFFSET) / SLOPE, CELSIUS, 0.5, ASKED)
    millivolts = 1000 * np.interp(root, [1.0, 3.0, 6.0], [0.0, 0.5, 1.0])
    rows = [
        f"{10 + hour // 24}.03.2023 {hour % 24:02d}:00;"
        + f"{volts:.4f};{warm:.4f}".replace(".", ",")
        for hour, volts, warm in zip(HOURS, millivolts, CELSIUS, strict=True)
    ]
    return "\n".join(["Time;mV_2;t_2", ";mV;degC", *rows, ""])


@pytest.fixture
def folder(tmp_path):
    """Return the site after a night; samples of each noon, known to 0.1 %."""
    site = tmp_path / "site"
    shutil.copytree(FIELD, site)
    with (site / "wiring.csv").open("a", encoding="utf-8") as wiring:
        wiring.write("logger-a,t_2,T1,30,soil_temperature,degC,,,\n")
    laws = (site / "calibrations.toml").read_text(encoding="utf-8")
    asked = "temperature = { reference_degc = 12, porosity = 0.5 }\norigin"
    before, _, rest = laws.partition('id = "subsoil"')
    asking = before + 'id = "subsoil"' + rest.replace("origin", asked)
    (site / "calibrations.toml").write_text(asking, encoding="utf-8")
    raw = site / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.write_text(export(), encoding="utf-8")
    night.store_night(site, NOW)
    cores = [
        f"2023-03-{10 + hour // 24}T12:00,T1,30,{140 + 100 * water:.6f},140,100,0.02,0.1\n"
        for hour, water in zip(HOURS[12::24], WATER[12::24], strict=True)
    ]
    (site / "samples.csv").write_text("".join([HEADER, *cores]), encoding="utf-8")
    return site


def test_the_law_found_is_that_of_the_reference_temperature(folder):
    """By hand: the samples were made by `SLOPE` and `OFFSET` at 12 degC."""
    (law,) = fit_site(folder, Wish())["laws"]
    assert law["ordinary"]["coefficients"] == pytest.approx([OFFSET, SLOPE], abs=5e-4)
    (entry,) = tomllib.loads(law["entry"])["law"]
    assert entry["temperature"] == {"reference_degc": 12.0, "porosity": 0.5}
    assert "at 12 degC" in entry["origin"]


def test_water_content_by_the_law_added_is_that_of_the_samples(folder):
    fit_site(folder, Wish(append=True))
    (folder / "samples.csv").unlink()
    night.store_night(folder, NOW)
    snapshot = night.site_store(night.open_description(folder)).read()
    place = snapshot.labels["tube"].index("T1"), snapshot.labels["depth"].index(0.3)
    stored = snapshot.array("water/calibrated_water_content")[:][:, *place]
    found = stored[np.isfinite(stored)]
    noons = WATER[12::24]
    within = WATER[(WATER <= noons[0]) & (WATER >= noons[-1])]
    assert found.size == pytest.approx(within.size, abs=2)
    np.testing.assert_allclose(found[1:-1], WATER[12:][1 : found.size - 1], atol=5e-4)
