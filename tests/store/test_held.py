"""A state that is held while others are made: it stays as it is, or says that it is gone."""

import shutil
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest

from pipeline.axis import TimeAxis
from pipeline.errors import StoreError
from pipeline.store.site_store import SiteStore

AXIS = TimeAxis(origin_s=1_000_000 * 3600, interval_s=3600)
KEY = "readings/voltage"
GONE = "can no longer be read.*thinned out, or the store was moved.*Open the site again"


@pytest.fixture
def store(tmp_path):
    found = SiteStore(str(tmp_path / "store"), AXIS, "north")
    fill(found, 1)
    return found


def values(seed):
    """Return values that no compression makes so small that they lie in the bookkeeping."""
    return np.random.default_rng(seed).random((960, 1, 1), np.float32)


def fill(store, seed):
    with store.write() as writer:
        writer.widen("tube", ["A"])
        writer.widen("depth", [0.1])
        writer.ensure(KEY)
        writer.extend(960)
        writer.write(KEY, 0, values(seed))
        writer.put_table("ledger", pa.table({"value": values(seed).ravel()}))
        writer.commit("a night", {})


def thin(store):
    other = SiteStore(store.address, AXIS, "north")  # of another process, as it were
    fill(other, 2)
    with other.write():
        other.drop(datetime.now(UTC) + timedelta(seconds=1), set())


def make_anew(store):
    shutil.rmtree(store.address)
    fill(SiteStore(store.address, AXIS, "north"), 2)


def move_away(store):
    shutil.move(store.address, store.address + "-elsewhere")


def test_a_held_state_stays_as_it_is_through_nights_and_sweeps(store):
    held = store.read()
    readings = held.dataset("readings")
    fill(store, 2)
    with store.write():
        store.clear()
    np.testing.assert_array_equal(readings["voltage"].values, values(1))
    np.testing.assert_array_equal(held.table("ledger")["value"], values(1).ravel())


@pytest.mark.parametrize("happens", [thin, make_anew, move_away])
def test_a_held_state_that_is_gone_says_so_and_gives_no_other_values(store, happens):
    held = store.read()
    readings = held.dataset("readings")
    happens(store)
    with pytest.raises(StoreError, match=GONE):
        readings["voltage"].load()
    with pytest.raises(StoreError, match=GONE):
        held.table("ledger")
