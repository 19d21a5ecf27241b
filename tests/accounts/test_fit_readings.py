"""Which readings a fit takes where the night has corrected drift by the very samples."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.accounts.fitting import Wish, fit_site
from pipeline.nights import night

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 20, tzinfo=UTC)
DAYS = range(10, 25)  # of March 2023
SLOPE, OFFSET = 0.160, -0.300  # of the soil as it is; the site begins with 0.12 and -0.2
HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
CLEANED = 20  # day of March, at noon
VISIT = f"time,tube,action,depth_cm\n2023-03-{CLEANED}T12:00,T1,cleaning,30\n"


def millivolts(hours):
    """Return what a clean sensor at 30 cm logs: the soil dries for two weeks."""
    return 800 - 1.25 * hours


def export(film):
    """Return an export; the film takes so many mV an hour since 1 March until wiped off."""
    rows = []
    for quarter in range(4 * 24 * len(DAYS)):
        hours = quarter / 4
        dirt = film * (hours + 9 * 24) if hours < (CLEANED - DAYS[0]) * 24 + 12 else 0.0
        day, clock = DAYS[0] + quarter // 96, quarter % 96
        stamp = f"{day:02d}.03.2023 {clock // 4:02d}:{clock % 4 * 15:02d}"
        logged = f"{millivolts(hours) - dirt:.1f}".replace(".", ",")
        rows.append(f"{stamp};300;{logged};0,0")
    return "\n".join(["Time;mV_1;mV_2;rain", ";mV;mV;mm", *rows]) + "\n"


def samples():
    """Return cores of 100 cm3, known to 0.1 %, as wet as the soil is at noon of each day."""
    rows = [HEADER]
    for day in DAYS:
        root = np.interp(millivolts((day - DAYS[0]) * 24 + 12) / 1000, [0, 0.5, 1], [1, 3, 6])
        water = 100 * (SLOPE * root + OFFSET)
        rows.append(f"2023-03-{day}T12:00,T1,30,{140 + water:.6f},140,100,0.02,0.1\n")
    return "".join(rows)


def stored(folder, film, with_samples):
    shutil.copytree(FIELD, folder)
    raw = folder / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.write_text(export(film), encoding="utf-8")
    (folder / "visits.csv").write_text(VISIT, encoding="utf-8")
    if with_samples:
        (folder / "samples.csv").write_text(samples(), encoding="utf-8")
    night.store_night(folder, NOW)
    (folder / "samples.csv").write_text(samples(), encoding="utf-8")
    corrections = night.site_store(night.open_description(folder)).read().table("corrections")
    return 0 if corrections is None else corrections.num_rows


def coefficients(folder):
    (law,) = fit_site(folder, Wish())["laws"]
    return law["ordinary"]["coefficients"]


def test_samples_that_corrected_drift_are_fitted_to_readings_without_it(tmp_path):
    """The samples were made by `SLOPE` and `OFFSET`; the old law is not to come back in."""
    assert stored(tmp_path / "site", 0.0, with_samples=True)
    assert coefficients(tmp_path / "site") == pytest.approx([OFFSET, SLOPE], abs=0.003)


def test_what_a_cleaning_found_is_taken_off_whatever_the_samples_corrected(tmp_path):
    """A film of 60 mV at the end tells by itself, so both nights leave the same readings."""
    assert stored(tmp_path / "without", 60 / 468, with_samples=False)
    assert stored(tmp_path / "with", 60 / 468, with_samples=True)
    found = coefficients(tmp_path / "with")
    assert found == coefficients(tmp_path / "without")
    assert found == pytest.approx([OFFSET, SLOPE], abs=0.01)
