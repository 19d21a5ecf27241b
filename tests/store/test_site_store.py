"""The store: atomic states, any of which can be read again; one writer at a time."""

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest

from pipeline.axis import TimeAxis
from pipeline.errors import LockedError, StoreError
from pipeline.record_step import put_parts
from pipeline.store.site_store import STORE_FORMAT, SiteStore

AXIS = TimeAxis(origin_s=1_000_000 * 3600, interval_s=3600)
KEY = "readings/voltage"


@pytest.fixture
def store(tmp_path):
    store = SiteStore(str(tmp_path / "store"), AXIS, "north")
    with store.write() as writer:
        writer.widen("tube", ["A", "B"])
        writer.widen("depth", [0.1, 0.2])
        writer.ensure(KEY)
        writer.extend(30)
        writer.write(KEY, 0, np.ones((5, 2, 2), np.float32))
        writer.put_table("ledger", pa.table({"path": ["x.csv"]}))
        writer.commit("first night", {"night": 1})
    return store


def test_the_axis_is_whole_days_and_decodes_as_cf_time(store):
    dataset = store.read().dataset("readings")
    assert dataset.sizes["time"] == 48
    assert str(dataset["time"].values[0]) == "2084-01-29T16:00:00.000000000"
    assert dataset["depth"].values.tolist() == [0.1, 0.2]
    assert dataset["tube"].values.tolist() == ["A", "B"]
    assert float(dataset["voltage"].sum()) == 20.0


def test_growing_and_widening_keep_what_is_stored(store):
    with store.write() as writer:
        writer.widen("tube", ["A", "C", "B"])
        writer.widen("depth", [0.05, 0.1])
        writer.extend(500)
        writer.commit("wider", {})
    dataset = store.read().dataset("readings")
    assert dataset["tube"].values.tolist() == ["A", "B", "C"]
    assert dataset["depth"].values.tolist() == [0.1, 0.2, 0.05]
    old = dataset["voltage"].isel(time=slice(0, 5)).sel(tube=["A", "B"], depth=[0.1, 0.2])
    assert (old == 1).all()
    assert dataset["voltage"].isel(time=slice(5, None)).isnull().all()
    steps = np.diff(dataset["time"].values)
    assert (steps == np.timedelta64(3600, "s")).all()


def test_axes_that_grow_between_arrays_are_those_of_every_array(store):
    """What a writer remembers of the store, arrays it lacked too, follows what it makes."""
    later, storage = "readings/voltage_line", "products/storage"
    with store.write() as writer:
        assert not writer.holds(later)
        writer.ensure(later)
        assert writer.holds(later)
        writer.widen("tube", ["C"])
        writer.extend(72)
        for layers in (["upper", "lower"], ["whole"]):
            writer.replace_layers(layers)
            assert not writer.holds(storage)
            writer.ensure(storage)
        assert writer.table("ledger").to_pydict() == {"path": ["x.csv"]}
        writer.put_table("ledger", pa.table({"path": ["y.csv"]}))
        assert writer.table("ledger").to_pydict() == {"path": ["y.csv"]}
        writer.commit("later", {})
    snapshot = store.read()
    for key in (KEY, later, storage):
        group, name = key.split("/")
        array = snapshot.dataset(group)[name]
        assert array["tube"].values.tolist() == ["A", "B", "C"]
        assert array.sizes["time"] == 72
        assert str(array["time"].values[-1]) == "2084-02-01T15:00:00.000000000"
    assert array["layer"].values.tolist() == ["whole"]


def test_an_earlier_night_can_be_read_again(store):
    first = store.history()[0]["commit"]
    with store.write() as writer:
        writer.write(KEY, 0, np.full((1, 2, 2), 9, np.float32))
        writer.put_table("ledger", pa.table({"path": ["x.csv", "y.csv"]}))
        writer.commit("second night", {"night": 2})
    assert store.read().read(KEY, 0, 1).max() == 9
    assert store.read(first).read(KEY, 0, 1).max() == 1
    assert store.read(first).table("ledger").num_rows == 1
    assert [night["message"] for night in store.history()] == ["second night", "first night"]


def test_leaving_without_commit_leaves_no_trace(store):
    with store.write() as writer:
        writer.write(KEY, 0, np.full((1, 2, 2), 9, np.float32))
    assert store.read().read(KEY, 0, 1).max() == 1
    assert len(store.history()) == 1


def test_a_state_that_never_was_is_refused(store):
    with pytest.raises(StoreError, match="no state 'VY76P925PRY57WFEK410'"):
        store.read("VY76P925PRY57WFEK410")


def test_no_store_yet_says_what_to_run(tmp_path):
    with pytest.raises(StoreError, match="run percolog night"):
        SiteStore(str(tmp_path / "none"), AXIS, "north").read()


@pytest.mark.parametrize(
    ("axis", "site", "told"),
    [
        (TimeAxis(AXIS.origin_s + 86400, 3600), "north", "key site.start: .* utc_offset"),
        (TimeAxis(AXIS.origin_s, 1800), "north", "found 30 min; expected 60 min"),
        (AXIS, "south", "key site.id: found 'south'; expected 'north'"),
    ],
)
def test_a_store_of_another_site_or_axis_is_refused(store, axis, site, told):
    with pytest.raises(StoreError, match=told):
        SiteStore(store.address, axis, site).read()


HOLDER = """
import sys
from pipeline.axis import TimeAxis
from pipeline.record_step import put_parts
from pipeline.store.site_store import STORE_FORMAT, SiteStore

with SiteStore(sys.argv[1], TimeAxis(int(sys.argv[2]), 3600), "north").write():
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_second_writer_is_told_to_wait_and_a_dead_one_holds_nothing(store):
    command = [sys.executable, "-c", HOLDER, store.address, str(AXIS.origin_s)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        try:
            assert other.stdout.readline() == b"held\n"
            with pytest.raises(LockedError, match="another run"), store.write(wait_s=0.2):
                pass
            assert store.read().steps == 48  # readers need no lock
        finally:
            other.kill()
    with store.write(wait_s=5) as writer:
        assert writer.steps == 48


def parts_of(*tubes):
    return {
        f"0000{number}-000": pa.table({"tube": [tube]}) for number, tube in enumerate(tubes)
    }


def test_a_table_in_parts_is_one_table_to_its_readers(store):
    with store.write() as writer:
        put_parts(writer, "uptake", parts_of("B", "A", "C"))
        writer.commit("in parts", {})
    state = store.read()
    assert state.tables() == ["ledger", "uptake"]
    assert state.table("uptake")["tube"].to_pylist() == ["A", "B", "C"]
    with store.write() as writer:
        none = pa.table({"tube": pa.array([], pa.string())})
        put_parts(writer, "uptake", {**parts_of("B"), "00001-000": none})
        writer.commit("one less", {})
    assert store.read().table("uptake")["tube"].to_pylist() == ["B", "C"]
    with store.write() as writer:
        writer.drop_table("uptake")
        writer.commit("none", {})
    assert store.read().table("uptake") is None
    assert store.read().tables() == ["ledger"]


def test_a_store_of_an_older_form_is_read_and_raised_when_written(store):
    with store.write() as writer:
        writer.set_attributes({"store_format": 1})
        writer.commit("as it was", {})
    assert store.read().table("ledger").num_rows == 1
    with store.write() as writer:
        writer.commit("a night", {})
    assert store.read().attributes["store_format"] == STORE_FORMAT


def test_a_store_whose_first_night_failed_says_so_and_takes_the_next(tmp_path):
    store = SiteStore(str(tmp_path / "store"), AXIS, "north")
    with pytest.raises(ZeroDivisionError), store.write():
        _ = 1 / 0
    with pytest.raises(StoreError, match="nothing is stored yet: the first night did not"):
        store.read()
    with store.write() as writer:
        writer.extend(24)
        writer.commit("first night", {})
    assert store.read().steps == 24
