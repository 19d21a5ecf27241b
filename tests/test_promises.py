"""The design's promises, shown on the demo site from raw bytes to the store."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.ledger import Ledger
from pipeline.nights import night
from pipeline.steps import RECORD_STEPS
from pipeline.store.cubes import SPECS

ROOT = Path(__file__).parent.parent
RAW = ROOT / "data" / "raw"
NOW = datetime(2030, 1, 1, tzinfo=UTC)  # after every reading of the demo site


def make_field(folder):
    """Lay out the demo site with an empty data folder; return where its description lies."""
    shutil.copytree(ROOT / "config", folder / "config")
    (folder / "data" / "raw").mkdir(parents=True)
    return folder / "config"


def raw_files():
    return sorted(p.relative_to(RAW) for p in RAW.rglob("*") if p.is_file())


def bring(folder, files):
    """Copy raw files into a field's data folder, as a night's download would."""
    for file in files:
        target = folder.parent / "data" / "raw" / file
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(RAW / file, target)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return the demo site and what its first night says, over all files; to be read only."""
    folder = make_field(tmp_path_factory.mktemp("promises") / "whole")
    bring(folder, raw_files())
    return folder, night.store_night(folder, NOW)


@pytest.fixture(scope="module")
def whole_state(whole):
    """Return the whole site's arrays, none of which can be written to, and tables."""
    arrays, tables = state_of(whole[0])
    for array in arrays.values():
        array.setflags(write=False)
    return arrays, tables


def state_of(folder):
    """Return every array and table of a site's newest state."""
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    names = ("superseded", "rounds", "rules", *(n for s in RECORD_STEPS for n in s.writes))
    tables = {name: snapshot.table(name).to_pandas() for name in names}
    ledger = snapshot.table("ledger").to_pandas().drop(columns=["modified_ns"])
    return arrays, {**tables, "ledger": ledger}


def assert_same_state(found, expected):
    assert found[0].keys() == expected[0].keys()
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for name, table in expected[1].items():
        assert found[1][name].equals(table), f"table {name} differs"


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_nights_in_any_order_equal_one_run_bit_for_bit(tmp_path, whole_state, seed):
    """Promise 3, with the demo's late and re-sent files arriving whenever they like."""
    files = raw_files()
    random = np.random.default_rng(seed)
    pieces = make_field(tmp_path)
    for batch in np.array_split(random.permutation(len(files)), 4):
        bring(pieces, [files[i] for i in batch])
        night.store_night(pieces, NOW)
    assert_same_state(state_of(pieces), whole_state)


@pytest.mark.slow
def test_a_file_that_grows_ends_where_the_whole_file_does(tmp_path, whole_state):
    """Promise 3 for a file copied while the logger goes on writing it, cut anywhere."""
    files = raw_files()
    growing = make_field(tmp_path)
    bring(growing, files)
    for file in files:
        target = growing.parent / "data" / "raw" / file
        data = target.read_bytes()
        target.write_bytes(data[: len(data) * 2 // 3])
    night.store_night(growing, NOW)
    bring(growing, files)
    night.store_night(growing, NOW)
    assert_same_state(state_of(growing), whole_state)


@pytest.mark.slow
def test_every_reading_is_accounted_for(whole):
    """Promise 1: each file's account closes, and the sum of the stored is in the cube."""
    folder, result = whole
    snapshot = night.site_store(night.open_description(folder)).read()
    ledger = Ledger.from_table(snapshot.table("ledger"))
    assert result["ledger"]["open_files"] == []
    assert len(ledger.entries) == len(raw_files())
    cells = sum(
        int(np.isfinite(snapshot.array(key)[:]).sum())
        for key, spec in SPECS.items()
        if spec.group == "readings" and snapshot.holds(key) and f"{key}_file" in SPECS
    )
    rounds = snapshot.table("rounds").num_rows
    assert result["ledger"]["stored"] == cells + rounds
    assert snapshot.table("superseded").num_rows == result["ledger"]["superseded"]


@pytest.mark.slow
def test_a_night_that_brings_nothing_commits_nothing(whole, tmp_path):
    original, first = whole
    folder = shutil.copytree(original.parent, tmp_path / "copy") / "config"
    second = night.store_night(folder, NOW)
    assert second["commit"] == first["commit"]
    assert second["days_computed"] == 0
    assert second["raw_files"]["read"] == 0
