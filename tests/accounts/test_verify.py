"""``percolog verify`` finds a flipped bit wherever it is; the night mends what it names."""

import random
import shutil
from pathlib import Path

import numpy as np
import pytest
from spoilt_site import (
    NOW,
    chunk_files,
    export,
    flip,
    make_sound,
    newest_files,
    spoil,
    state_of,
    store_of,
)

from pipeline.accounts.verify import verify_site
from pipeline.errors import StoreError
from pipeline.nights import night
from pipeline.store.sums import StoreSums


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Return a site folder with a store of two nights, never changed by a test."""
    return make_sound(tmp_path_factory.mktemp("sound") / "site")


@pytest.fixture
def field(sound, tmp_path):
    """Return a copy of the site to spoil."""
    return Path(shutil.copytree(sound, tmp_path / "site"))


def test_a_sound_store_has_no_problems(field):
    found = verify_site(field)
    assert found["outcome"] == "done", found["problems"]
    assert found["chunks_read"] > 20
    assert found["files_read"] == 2


def test_any_single_flipped_bit_of_the_newest_state_is_found(field):
    """Chosen at random, with a fixed seed, over all files the newest state rests on."""
    store = store_of(field)
    before = set(store.rglob("*"))
    kept = newest_files(field)
    assert set(store.rglob("*")) < before  # the first night's state is gone
    chance = random.Random(5)
    for path in chance.sample(kept, 15):
        at, bit = chance.randrange(path.stat().st_size), chance.randrange(8)
        flip(path, at, bit)
        name = path.relative_to(store)
        assert told_of(field), f"{name}: bit {bit} of byte {at} went unseen"
        flip(path, at, bit)
    assert verify_site(field)["problems"] == []


def told_of(folder):
    """Return what is told of a site's damage, whether in an account or an error."""
    try:
        return [problem["found"] for problem in verify_site(folder)["problems"]]
    except StoreError as error:
        return [str(error)]


def test_mending_gives_the_same_bits_back(field, sound):
    """Three times a chunk of the newest state is spoilt and mended."""
    chance = random.Random(3)
    for _ in range(3):
        path = chance.choice(chunk_files(field))
        flip(path, path.stat().st_size // 2, 3)
        found = verify_site(field, mend=True)
        assert found["problems"]
        if any("table ledger" in problem["file"] for problem in found["problems"]):
            flip(path, path.stat().st_size // 2, 3)  # that one cannot be mended
            assert found["mended"] == 0
            continue
        assert found["mended"] >= 1, found["problems"]
        night.store_night(field, NOW)
        assert verify_site(field)["problems"] == []
    assert_same_state(field, sound)


def test_a_table_lost_beside_the_one_it_belongs_to_is_mended(field, sound):
    spoil(field, "table event_depths")  # that of events stands
    assert verify_site(field, mend=True)["mended"] >= 1
    night.store_night(field, NOW)
    for folder in (field, sound):
        snapshot = night.site_store(night.open_description(folder)).read()
        assert snapshot.table("event_depths").num_rows > 0
    assert_same_state(field, sound)


def assert_same_state(field, sound):
    """Hold every array and table of a site's newest state against those of another."""
    found, expected = state_of(field), state_of(sound)
    assert found[0].keys() == expected[0].keys()
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for name, table in expected[1].items():
        if name == "ledger":
            table, known = table.drop(["modified_ns"]), found[1][name].drop(["modified_ns"])
        else:
            known = found[1][name]
        assert known.to_pandas().equals(table.to_pandas()), name


def test_the_place_and_the_period_are_told(field):
    snapshot = night.site_store(night.open_description(field)).read()
    found = spoil(field, "water/cleaned_water_content")
    [problem] = [p for p in found["problems"] if p["file"].endswith("cleaned_water_content")]
    assert any(tube in problem["place"] for tube in snapshot.labels["tube"])
    assert "2023-03-" in problem["place"]
    assert "verify --mend" in problem["advice"]


def test_a_night_that_meets_damage_says_so_and_keeps_the_last_good_state(field):
    before = night.site_store(night.open_description(field)).read().commit_id
    for path in chunk_files(field):
        flip(path, path.stat().st_size // 2, 1)
    (field / "data" / "logger-a" / "2023-03-12.csv").write_text(export(12), encoding="utf-8")
    with pytest.raises((StoreError, ValueError)):
        night.store_night(field, NOW)
    ref = store_of(field) / "refs" / "branch.main" / "ref.json"
    assert before in ref.read_text()


def test_readings_whose_raw_file_is_gone_are_not_emptied(field):
    for path in (field / "data" / "logger-a").glob("*.csv"):
        path.unlink()
    snapshot = night.site_store(night.open_description(field)).read()
    key = next(k for k in ("readings/voltage", "readings/water_content") if snapshot.holds(k))
    found = spoil(field, key)
    assert any("no longer there" in problem["advice"] for problem in found["problems"])
    found = verify_site(field, mend=True)
    assert found["mended"] == 0


def test_files_that_lie_with_another_source_are_told_and_mend_a_chunk(field):
    """A night reads them from there, so what they hold can be made anew."""
    before = state_of(field)[0]["readings/voltage"]
    (field / "data" / "rounds").mkdir()
    names = sorted(path.name for path in (field / "data" / "logger-a").glob("*.csv"))
    for name in names:
        (field / "data" / "logger-a" / name).rename(field / "data" / "rounds" / name)
    told = verify_site(field)["problems"]
    assert {problem["file"]: problem["found"] for problem in told} == {
        f"logger-a/{name}": f"a raw file that lies in 'rounds/{name}' now" for name in names
    }
    spoil(field, "readings/voltage")
    assert verify_site(field, mend=True)["mended"] > 0
    night.store_night(field, NOW)
    np.testing.assert_array_equal(state_of(field)[0]["readings/voltage"], before)


def test_a_raw_file_changed_or_lost_is_told(field):
    first, second = sorted((field / "data" / "logger-a").glob("*.csv"))
    first.unlink()
    second.write_text(second.read_text(encoding="utf-8").replace("400", "401", 1), "utf-8")
    found = {problem["file"]: problem["found"] for problem in verify_site(field)["problems"]}
    assert "cannot be read" in found["logger-a/2023-03-10.csv"]
    assert "differs" in found["logger-a/2023-03-11.csv"]


def test_a_store_made_anew_where_another_lay_is_sound(field):
    """As told where nothing else helps: move the store away and run the night."""
    store = store_of(field)
    store.rename(store.with_name("moved-away"))
    night.store_night(field, NOW)
    assert verify_site(field)["problems"] == []


def test_a_line_of_checksums_cut_by_a_crash_is_written_again(field):
    sums = StoreSums(store_of(field))
    whole = sums.path.read_bytes()
    sums.path.write_bytes(whole[:-7])
    assert len(sums.unknown()) == 1
    assert sums.update() == 1
    assert sums.unknown() == []
    assert sums.damaged() == []
