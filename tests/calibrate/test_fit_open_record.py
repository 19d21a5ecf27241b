"""Weighed soil of an open record: our water content is the one its authors worked out.

Record: Cook Agronomy Farm, public domain (CC0 1.0); Ibrahim & Huggins 2011, J. Hydrol.,
doi:10.1016/j.jhydrol.2011.04.029. Ten years of dried samples with revised bulk densities.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from pipeline.calibrate.samples import average_repeats, read_samples

ROOT = Path(__file__).parents[2]
SHARED = Path(os.environ.get("PERCOLOG_SHARED_DATA", ROOT / "../shared/data"))
RECORD = SHARED / "caf-gravimetric/VolumetricWaterContentFromRevisedBd_P2_20210907.csv"
FOOT_CM = 30.48

pytestmark = pytest.mark.skipif(
    not RECORD.exists(), reason=f"no open record {RECORD.name}; set PERCOLOG_SHARED_DATA"
)


@pytest.fixture(scope="module")
def rows():
    """Return the rows of which all three numbers are stated and possible."""
    with RECORD.open(encoding="utf-8-sig", newline="") as stream:
        found = list(csv.DictReader(stream))
    names = ("BulkDensity", "GravimetricWaterContent", "VolumetricWaterContent")
    whole = [row for row in found if all(row[name] for name in names)]
    return [row for row in whole if 0 <= float(row[names[2]]) <= 0.95]


def test_water_content_is_the_records_own(rows, field_site, tmp_path):
    table = ["time,tube,top_cm,bottom_cm,gravimetric,bulk_density"]
    table += [
        f"{row['Date']},T1,{float(row['TopDepth']) * FOOT_CM},"
        f"{float(row['BottomDepth']) * FOOT_CM},{row['GravimetricWaterContent']},"
        f"{row['BulkDensity']}"
        for row in rows
    ]
    path = tmp_path / "samples.csv"
    path.write_text("\n".join(table), encoding="utf-8")
    samples = read_samples(path, field_site)
    # Provenance: printed, the record's column, worked out by its authors.
    expected = [float(row["VolumetricWaterContent"]) for row in rows]
    assert len(samples) > 4000
    np.testing.assert_allclose([s.water_content for s in samples], expected, rtol=1e-9)
    # Samples of one day and depth are repeats: every one is in one mean.
    points = average_repeats(samples)
    assert sum(len(point.lines) for point in points) == len(samples)
    assert len(points) < 200
