"""A core holds ice that a probe hardly feels: samples of frozen soil have no reading."""

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
SLOPE, OFFSET = 0.135, -0.240  # of the soil as it is; the site begins with 0.12 and -0.2
HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
HOURS = np.arange(15 * 24)
WATER = 0.36 - 0.14 * HOURS / HOURS[-1]  # ice and all
FROZEN = (HOURS >= 10 * 24) & (HOURS < 13 * 24)
LIQUID = np.where(FROZEN, 0.08, WATER)


def export():
    """Return hourly rows from 10 March; the probe's law is that of the site's description."""
    millivolts = 1000 * np.interp((LIQUID - OFFSET) / SLOPE, [1.0, 3.0, 6.0], [0.0, 0.5, 1.0])
    rows = [
        f"{10 + hour // 24}.03.2023 {hour % 24:02d}:00;"
        + f"{volts:.4f};{-1.5 if frozen else 6.0:.1f}".replace(".", ",")
        for hour, volts, frozen in zip(HOURS, millivolts, FROZEN, strict=True)
    ]
    return "\n".join(["Time;mV_2;t_2", ";mV;degC", *rows, ""])


def test_samples_of_frozen_soil_are_not_fitted(tmp_path):
    """By hand: the samples were made by `SLOPE` and `OFFSET`, three of fifteen in frost."""
    folder = tmp_path / "site"
    shutil.copytree(FIELD, folder)
    with (folder / "wiring.csv").open("a", encoding="utf-8") as wiring:
        wiring.write("logger-a,t_2,T1,30,soil_temperature,degC,,,\n")
    raw = folder / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.write_text(export(), encoding="utf-8")
    night.store_night(folder, NOW)
    cores = [
        f"2023-03-{10 + hour // 24}T12:00,T1,30,{140 + 100 * water:.6f},140,100,0.02,0.1\n"
        for hour, water in zip(HOURS[12::24], WATER[12::24], strict=True)
    ]
    (folder / "samples.csv").write_text("".join([HEADER, *cores]), encoding="utf-8")
    report = fit_site(folder, Wish())
    (law,) = report["laws"]
    assert law["ordinary"]["coefficients"] == pytest.approx([OFFSET, SLOPE], abs=1e-3)
    assert [list(row["lines"]) for row in report["unmatched"]] == [[12], [13], [14]]
