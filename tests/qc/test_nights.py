"""Quality control within nights: what is computed again, and that nothing else changes."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.nights import night
from pipeline.nights.prepared import _seen_from_stations
from pipeline.qc.flags import TEST_BITS
from pipeline.store.cubes import SPECS

ROOT = Path(__file__).parents[2]
RAW = ROOT / "data" / "raw"
NOW = datetime(2030, 1, 1, tzinfo=UTC)
DECISIONS = (
    "tube,depth_cm,from,until,verdict,why,who\n"
    "T2,20,2025-05-10,2025-05-12,reject,roots cut while digging,Ada Lindqvarn\n"
)
pytestmark = pytest.mark.slow


def make_field(folder):
    """Lay out the demo site with the files of its table logger alone."""
    shutil.copytree(ROOT / "config", folder / "config")
    shutil.copytree(RAW / "plot", folder / "data" / "raw" / "plot")
    return folder / "config"


def arrays(folder):
    snapshot = night.site_store(night.open_description(folder)).read()
    return {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}


def assert_same(found, expected):
    assert found.keys() == expected.keys()
    for key, array in expected.items():
        np.testing.assert_array_equal(found[key], array, err_msg=key)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A field after its first night."""
    folder = make_field(tmp_path_factory.mktemp("stored"))
    night.store_night(folder, NOW)
    return folder


@pytest.fixture
def field(stored, tmp_path):
    shutil.copytree(stored.parent, tmp_path / "field")
    return tmp_path / "field" / "config"


def test_a_decision_is_as_if_it_had_always_been_there_and_computes_its_time_only(
    field, tmp_path
):
    before = arrays(field)
    (field / "decisions.csv").write_text(DECISIONS)
    result = night.store_night(field, NOW)
    after = arrays(field)
    changed = np.argwhere(after["water/tests"] != before["water/tests"])
    assert len(changed) > 100
    assert np.unique(changed[:, 1:], axis=0).shape == (1, 2)  # one tube, one depth
    bit = (after["water/tests"] & TEST_BITS["decision"]) > 0
    assert np.isnan(after["water/cleaned_water_content"][bit]).all()
    for key, array in before.items():
        if key.startswith("readings/"):
            np.testing.assert_array_equal(after[key], array, err_msg=key)
    assert result["days_computed"] < 60  # of 120: two and the looks around them
    once = make_field(tmp_path / "once")
    (once / "decisions.csv").write_text(DECISIONS)
    night.store_night(once, NOW)
    assert_same(after, arrays(once))


def test_a_decision_taken_back_leaves_no_trace(field):
    before = arrays(field)
    (field / "decisions.csv").write_text(DECISIONS)
    night.store_night(field, NOW)
    (field / "decisions.csv").unlink()
    night.store_night(field, NOW)
    assert_same(arrays(field), before)


def lower_supply(folder):
    """Write 9.6 V into two days of April, the last column of the logger's export."""
    path = folder.parent / "data" / "raw" / "plot" / "plot_2025-04.csv"
    lines = path.read_text(encoding="iso-8859-1").splitlines(keepends=True)
    for i, line in enumerate(lines):
        if line[:10] in ("10.04.2025", "11.04.2025"):
            lines[i] = line.rstrip("\r\n").rpartition(";")[0] + ";9,6\n"
    path.write_text("".join(lines), encoding="iso-8859-1")


def test_a_supply_that_comes_late_is_as_if_it_had_always_been_there(field, tmp_path):
    lower_supply(field)
    night.store_night(field, NOW)
    after = arrays(field)
    low = ((after["water/tests"] & TEST_BITS["supply"]) > 0).sum(axis=(0, 2))
    labels = night.site_store(night.open_description(field)).read().labels["tube"]
    assert {labels[i] for i in np.flatnonzero(low)} == {"T1", "T2", "T3", "T4"}
    once = make_field(tmp_path / "once")
    lower_supply(once)
    night.store_night(once, NOW)
    expected = arrays(once)
    computed = [key for key in expected if not key.startswith("readings/")]
    assert_same({k: after[k] for k in computed}, {k: expected[k] for k in computed})


def test_stations_touch_the_tubes_wired_to_them(stored):
    site = night.open_description(stored)
    writer = night.site_store(site).read()
    days = np.zeros((len(writer.labels["station"]), writer.days), dtype=bool)
    row = writer.labels["station"].index("plot")
    days[row, 5] = True
    weather = ("rain", "air_temperature")
    no_rain = tuple(wire for wire in site.wiring if wire.quantity not in weather)
    quiet = site.model_copy(update={"wiring": no_rain})
    touched = _seen_from_stations(writer, quiet, days)
    names = [writer.labels["tube"][i] for i in np.flatnonzero(touched[:, 5])]
    assert sorted(names) == sorted({w.tube for w in no_rain if w.source == "plot" and w.tube})
    assert touched.sum() == len(names)
    # Rain and frost in the air are asked for everywhere.
    assert _seen_from_stations(writer, site, days)[:, 5].all()
