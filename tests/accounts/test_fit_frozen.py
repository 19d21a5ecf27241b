"""A core holds ice that a probe hardly feels: samples of frozen soil have no reading."""

from __future__ import annotations

import numpy as np
import pytest
from warm_cores import HOURS, OFFSET, SLOPE, describe_warm, export, store_with_cores

from pipeline.accounts.fitting import Wish, fit_site

WATER = 0.36 - 0.14 * HOURS / HOURS[-1]  # ice and all
FROZEN = (HOURS >= 10 * 24) & (HOURS < 13 * 24)
LIQUID = np.where(FROZEN, 0.08, WATER)


def test_samples_of_frozen_soil_are_not_fitted(tmp_path):
    """By hand: the samples were made by `SLOPE` and `OFFSET`, three of fifteen in frost."""
    folder = tmp_path / "site"
    describe_warm(folder)
    exported = export((LIQUID - OFFSET) / SLOPE, np.where(FROZEN, -1.5, 6.0))
    store_with_cores(folder, exported, WATER)
    report = fit_site(folder, Wish())
    (law,) = report["laws"]
    assert law["ordinary"]["coefficients"] == pytest.approx([OFFSET, SLOPE], abs=1e-3)
    assert [list(row["lines"]) for row in report["unmatched"]] == [[12], [13], [14]]
