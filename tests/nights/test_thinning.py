"""States listed, named, compared and thinned; what is kept reads back bit for bit."""

import json
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from pipeline.axis import DAY_S, TimeAxis
from pipeline.errors import PercologError, StoreError
from pipeline.history.comparison import compare_states
from pipeline.history.differences import differing_days
from pipeline.nights.thinning import states_to_keep, thin_site, thin_when_due
from pipeline.site.models import Keep
from pipeline.store import site_store as store_module
from pipeline.store.site_store import SiteStore
from pipeline.store.states import find_state, list_states
from pipeline.store.sums import StoreSums

AXIS = TimeAxis(origin_s=1_700_006_400, interval_s=DAY_S // 24)
WATER, FLAGS = "water/cleaned_water_content", "water/quality"
NIGHTS = 12


class Field:
    """All that thinning asks of a site."""

    def __init__(self, folder: Path, **policy) -> None:
        self.output, self.keep = folder / "out", Keep(**policy)


def values_of(number):
    """Return water content that no other night has, and that does not compress."""
    random = np.random.default_rng(number)
    return random.uniform(0.1, 0.4, (28 * 24, 5, 4)).astype(np.float32)


@pytest.fixture
def store(tmp_path):
    """Return a store in which each night wrote everything anew."""
    store = SiteStore(str(tmp_path / "store"), AXIS, "north")
    for number in range(1, NIGHTS + 1):
        with store.write() as writer:
            writer.widen("tube", [f"T{i}" for i in range(5)])
            writer.widen("depth", [0.1, 0.2, 0.3, 0.4])
            writer.ensure(WATER)
            writer.extend(28 * 24)
            writer.write(WATER, 0, values_of(number))
            nights = np.full(28, number, dtype=np.int32)
            writer.put_table("day_nights", pa.table({"night": nights}))
            writer.commit(f"night {number}", {"night": number})
    return store


def size_of(store):
    return sum(p.stat().st_size for p in Path(store.address).rglob("*") if p.is_file())


def deliver(site, commit):
    folder = site.output / "netcdf"
    folder.mkdir(parents=True)
    entry = {"state": [1], "files": [], "commit": commit}
    (folder / "delivered.json").write_text(json.dumps({"2023-11": entry}))


def state(written, commit=""):
    return {"commit": commit or written, "written": written, "metadata": {}}


def test_the_policy_keeps_the_newest_one_a_month_and_what_was_delivered():
    written = ["2024-03-20", "2024-03-19", "2024-03-01", "2024-02-28", "2024-02-27"]
    written += ["2024-01-31", "2024-01-02", "2023-12-31"]
    states = [state(f"{day}T02:30:00+00:00", day) for day in written]
    kept, gone = states_to_keep(states, Keep(nights=2), {"2024-02-27"})
    assert [s["commit"] for s in kept] == [*written[:2], *written[3:6], "2023-12-31"]
    assert [s["commit"] for s in gone] == ["2024-03-01", "2024-01-02"]
    bare = Keep(nights=3, monthly=False, delivered=False)
    assert states_to_keep(states, bare, {"2024-02-27"})[0] == states[:3]


def test_thinning_frees_space_and_what_is_kept_reads_back(store, tmp_path):
    states = store.history()
    commits = {row["metadata"]["night"]: row["commit"] for row in states}
    site = Field(tmp_path, nights=3, monthly=False)
    deliver(site, commits[4])
    before = size_of(store)
    account = thin_site(site, store)
    assert account["thinned"] == [commits[n] for n in (9, 8, 7, 6, 5, 3, 2, 1)]
    # Eight of twelve nights' chunks, all of one size, are gone.
    assert size_of(store) == account["bytes_after"] < before * 0.45
    again = SiteStore(store.address, AXIS, "north")
    for number in (4, 10, 11, 12):
        kept = again.read(commits[number])
        assert kept.read(WATER, 0, 28 * 24).tobytes() == values_of(number).tobytes()
    assert again.read().read(WATER, 0, 28 * 24).tobytes() == values_of(12).tobytes()
    with pytest.raises(StoreError, match=rf"night 9.*thinned out.*{commits[10]}"):
        again.read(commits[9])


def test_thinned_states_stay_listed_and_are_named_as_such(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    thin_site(site, store)
    listed = {row["night"]: row["kept"] for row in list_states(store)}
    assert listed == {None: True} | {n: n > 9 for n in range(1, NIGHTS + 1)}
    with pytest.raises(StoreError, match="thinned out"):
        find_state(store, "2")


def test_states_of_delivered_revisions_are_kept(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    commits = {row["metadata"]["night"]: row["commit"] for row in store.history()}
    revision = site.output / "deliveries" / "all_native" / "r0001"
    revision.mkdir(parents=True)
    descriptor = revision / "datapackage.json"
    descriptor.write_text("{}")
    with pytest.raises(PercologError, match="expected the state that the revision was made"):
        thin_site(site, store)
    assert "datapackage.json" in thin_when_due(site, store)["failed"]
    descriptor.write_text(json.dumps({"percolog": {"state": commits[4]}}))
    account = thin_site(site, store)
    assert set(account["kept"]) == {commits[n] for n in (4, 10, 11, 12)}
    kept = SiteStore(store.address, AXIS, "north").read(commits[4])
    assert kept.read(WATER, 0, 28 * 24).tobytes() == values_of(4).tobytes()


def test_what_is_kept_no_longer_goes_when_the_policy_changes(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    commits = {row["metadata"]["night"]: row["commit"] for row in store.history()}
    deliver(site, commits[4])
    thin_site(site, store)
    site.keep = Keep(nights=1, monthly=False, delivered=False)
    account = thin_site(site, store)
    assert set(account["thinned"]) == {commits[n] for n in (4, 10, 11)}
    with pytest.raises(StoreError, match="thinned out"):
        store.read(commits[4])
    assert store.read().read(WATER, 0, 28 * 24).tobytes() == values_of(12).tobytes()


def test_thinning_again_takes_no_night_away(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    thin_site(site, store)
    listed = list_states(store)
    for _ in range(3):
        assert thin_site(site, store)["thinned"] == []
    assert list_states(store) == listed
    assert [row["night"] for row in listed if row["kept"]] == [None, 12, 11, 10]


def test_a_kept_state_outlives_a_policy_that_keeps_more_nights(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    commits = {row["metadata"]["night"]: row["commit"] for row in store.history()}
    deliver(site, commits[4])
    (site.output / "netcdf" / "delivered.json").write_text(
        json.dumps({n: {"state": [1], "files": [], "commit": commits[n]} for n in (4, 2)})
    )
    thin_site(site, store)
    site.keep = Keep(nights=4, monthly=False, delivered=False)
    assert thin_site(site, store)["thinned"] == [commits[2]]
    kept = SiteStore(store.address, AXIS, "north").read(commits[4])
    assert kept.read(WATER, 0, 28 * 24).tobytes() == values_of(4).tobytes()


@pytest.mark.parametrize("step", ["keep", "commit", "drop", "expire_snapshots", "clear"])
def test_a_stop_at_any_instant_is_taken_up_again(store, tmp_path, monkeypatch, step):
    site = Field(tmp_path, nights=3, monthly=False)
    commits = {row["metadata"]["night"]: row["commit"] for row in store.history()}
    deliver(site, commits[4])

    class StopError(Exception):
        """Stands for the end of the process."""

    def stop(*_arguments, **_options):
        raise StopError

    owner = {
        "commit": store_module.Writer,
        "expire_snapshots": store_module.icechunk.Repository,
    }.get(step, SiteStore)
    with monkeypatch.context() as patch:
        patch.setattr(owner, step, stop)
        with pytest.raises(StopError):
            thin_site(site, store)
    sums = StoreSums(Path(store.address))
    assert sums.damaged() == []  # sound snapshots are not told to be damaged
    again = SiteStore(store.address, AXIS, "north")
    for number in (4, 10, 11, 12):
        kept = again.read(commits[number])
        assert kept.read(WATER, 0, 28 * 24).tobytes() == values_of(number).tobytes()
    thin_site(site, again)
    again.clear()
    assert (sums.damaged(), sums.unknown()) == ([], [])
    assert size_of(again) < 6 * values_of(1).nbytes
    assert {row["night"] for row in list_states(again)} == {None, *range(1, NIGHTS + 1)}


def test_a_dry_run_and_a_policy_that_keeps_all_change_nothing(store, tmp_path):
    before = size_of(store)
    looking = SiteStore(store.address, AXIS, "north")
    with store.write():  # who only looks waits for nobody
        account = thin_site(Field(tmp_path, nights=3, monthly=False), looking, True)
    assert len(account["thinned"]) == 9
    assert thin_site(Field(tmp_path), store)["thinned"] == []
    assert size_of(store) == before


def test_a_night_thins_once_a_week_at_most(store, tmp_path):
    site = Field(tmp_path, nights=3, monthly=False)
    assert len(thin_when_due(site, store)["thinned"]) == 9
    site.keep = Keep(nights=1, monthly=False)
    assert thin_when_due(site, store) is None


def test_leftovers_of_a_stopped_write_are_cleared(store, tmp_path):
    left = Path(store.address) / "chunks" / "ABC#1"
    left.write_bytes(os.urandom(1000))
    with store.write() as writer:
        writer.write(WATER, 0, values_of(99))  # and never committed
    thin_site(Field(tmp_path, nights=3, monthly=False), store)
    assert not left.exists()
    assert size_of(store) < 5 * values_of(1).nbytes


def test_states_are_found_by_night_date_prefix_and_now(store):
    states = list_states(store)
    assert find_state(store, "now") == states[0]
    assert find_state(store, "5")["message"] == "night 5"
    assert find_state(store, states[3]["commit"][:9].lower()) == states[3]
    today = datetime.now(UTC).date().isoformat()
    assert find_state(store, today) == states[0]
    for name in ("77", "2001-01-01", "no such", ""):
        with pytest.raises(StoreError, match="found no state"):
            find_state(store, name)


def test_a_name_that_several_states_have_is_refused(store, monkeypatch):
    alike = [{**row, "commit": f"AB{row['commit']}"} for row in list_states(store)]
    monkeypatch.setattr("pipeline.store.states.list_states", lambda _: alike)
    with pytest.raises(StoreError, match="found 12 states 'ab'"):
        find_state(store, "ab")


def test_a_comparison_counts_what_differs_and_by_how_much(tmp_path):
    store = SiteStore(str(tmp_path / "store"), AXIS, "north")
    value = np.full((2 * 24, 2, 2), 0.25, dtype=np.float32)
    with store.write() as writer:
        writer.widen("tube", ["A", "B"])
        writer.widen("depth", [0.1, 0.35])
        for key in (WATER, FLAGS):
            writer.ensure(key)
        writer.extend(2 * 24)
        value[5, 1, 1] = np.nan
        writer.write(WATER, 0, value)
        events = {"tube": ["A", "B"], "start_s": [1, 2], "gain_mm": [1.0, 2.0]}
        writer.put_table("events", pa.table(events))
        old = writer.commit("one", {"night": 1})
    with store.write() as writer:
        value[3:6, 1, 1] = [0.5, 0.25, 0.125]  # +0.25, the same, appeared
        value[40, 1, 1] = np.nan
        value[7:9, 0, 0] = [0.125, 0.3125]  # -0.125 and +0.0625
        writer.write(WATER, 0, value)
        writer.write(FLAGS, 10, np.full((2, 1, 2), 4, np.uint8), slice(0, 1))
        events = {"tube": ["A", "B", "B"], "start_s": [1, 3, 4], "gain_mm": [1.5, 2.0, 3.0]}
        writer.put_table("events", pa.table(events))
        new = writer.commit("two", {"night": 2})
    before, after = store.read(old), store.read(new)
    assert differing_days(before, after).all()  # nothing says which days were computed
    everywhere = np.ones((1, 2), dtype=bool)
    found = compare_states(before, after, everywhere, everywhere)
    first, second, third = found["water"]
    # By hand: (-0.125 + 0.0625) / 2, and of the greatest magnitude -0.125; exact in binary.
    assert (first["tube"], first["depth_cm"], first["cells"]) == ("A", 10.0, 2)
    assert (first["mean"], first["largest"], first["flags"]) == (-0.03125, -0.125, 2)
    assert first["first"] == "2023-11-15T07:00:00Z"
    assert first["last"] == "2023-11-15T08:00:00Z"
    assert (second["tube"], second["depth_cm"], second["cells"], second["flags"]) == (
        "A",
        35.0,
        0,
        2,
    )
    assert (third["cells"], third["appeared"], third["vanished"]) == (3, 1, 1)
    assert (third["mean"], third["largest"], third["depth_cm"]) == (0.25, 0.25, 35.0)
    assert third["last"] == "2023-11-16T16:00:00Z"
    events = found["events"]
    assert (events["appeared"], events["vanished"], events["changed"]) == (2, 1, 1)
    assert [row["start_s"] for row in events["appeared_rows"]] == [3, 4]
    assert {row["array"]: row["cells"] for row in found["arrays"]} == {WATER: 5, FLAGS: 4}
    back = compare_states(after, before, everywhere, everywhere)
    assert [row["mean"] for row in back["water"]] == [0.03125, None, -0.25]
