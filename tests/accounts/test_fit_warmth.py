"""A law that asks for readings freed of soil temperature is fitted to readings freed of it."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from warm_cores import (
    HOURS,
    NOW,
    OFFSET,
    SLOPE,
    describe_warm,
    export,
    store_with_cores,
)

from pipeline.accounts.fitting import Wish, fit_site
from pipeline.calibrate.temperature import root_as_read
from pipeline.nights import night
from pipeline.site.instruments import Warmth

ASKED = Warmth(reference_degc=12.0, porosity=0.5)
# While the soil dries it warms, so that a law without the warmth would be too flat.
WATER = 0.38 - 0.2 * HOURS / HOURS[-1]
CELSIUS = 4.0 + 18.0 * HOURS / HOURS[-1]


@pytest.fixture
def folder(tmp_path):
    """Return the site after a night; samples of each noon, known to 0.1 %."""
    site = tmp_path / "site"
    describe_warm(site)
    laws = (site / "calibrations.toml").read_text(encoding="utf-8")
    asked = "temperature = { reference_degc = 12, porosity = 0.5 }\norigin"
    before, _, rest = laws.partition('id = "subsoil"')
    asking = before + 'id = "subsoil"' + rest.replace("origin", asked)
    (site / "calibrations.toml").write_text(asking, encoding="utf-8")
    root = root_as_read((WATER - OFFSET) / SLOPE, CELSIUS, 0.5, ASKED)
    store_with_cores(site, export(root, CELSIUS), WATER)
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
