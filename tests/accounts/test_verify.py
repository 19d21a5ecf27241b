"""``percolog verify`` finds a flipped bit wherever it is; the night mends what it names."""

import gzip
import random
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from icechunk import IcechunkError
from packing import pack, unpack

from pipeline.accounts.verify import show_verified, verify_site
from pipeline.errors import StoreError
from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.store.sums import StoreSums

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"


def export(day: int) -> str:
    return HEADER + "".join(
        f"{day:02d}.03.2023 {h:02d}:{m:02d};{300 + 3 * h + day},5;{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Return a site folder with a store of two nights, never changed by a test."""
    folder = tmp_path_factory.mktemp("sound") / "site"
    shutil.copytree(Path(__file__).parents[1] / "site" / "field", folder)
    for day in (10, 11):
        path = folder / "data" / "logger-a" / f"2023-03-{day}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(export(day), encoding="utf-8")
        night.store_night(folder, NOW)
    return folder


@pytest.fixture
def field(sound, tmp_path):
    """Return a copy of the site to spoil."""
    return Path(shutil.copytree(sound, tmp_path / "site"))


def store_of(folder):
    return Path(night.open_description(folder).store)


def state_of(folder):
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    tables = {n: snapshot.table(n) for n in snapshot.tables() if n != "day_nights"}
    return arrays, tables


def flip(path, at, bit):
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(data)


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


def newest_files(folder):
    """Return the files of the store that the newest state cannot do without."""
    store = store_of(folder)
    session = night.site_store(night.open_description(folder))._open()
    at = datetime.now(UTC)
    session.expire_snapshots(older_than=at)
    session.garbage_collect(at)
    StoreSums(store).tidy()
    files = [p for p in store.rglob("*") if p.is_file() and p.parent.name != "transactions"]
    return sorted(files)


def chunk_files(folder):
    return sorted(newest_files(folder)[0].parents[1].glob("chunks/*"))


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


def raw_files(folder):
    return sorted((folder / "data" / "logger-a").iterdir())


def widen(folder):
    """Let the pattern of the logger mean packed files too."""
    toml = folder / "site.toml"
    toml.write_text(toml.read_text().replace("logger-a/*.csv", "logger-a/*.csv*"))


@pytest.mark.parametrize("ending", [".gz", ".xz", ".zip"])
def test_packed_files_are_told_as_such_and_are_no_problem(field, ending, capsys):
    widen(field)
    for path in raw_files(field):
        pack(path, path.name + ending)
    for _ in range(2):  # before a night has seen them, and after
        found = verify_site(field)
        assert (found["problems"], found["outcome"]) == ([], "done")
        assert found["repacked"] == [
            {
                "file": f"logger-a/2023-03-{day}.csv",
                "became": "packed",
                "lies_in": f"logger-a/2023-03-{day}.csv{ending}",
            }
            for day in (10, 11)
        ]
        night.store_night(field, NOW)
    show_verified(found)
    told = capsys.readouterr().err
    assert "2023-03-10.csv was packed, with all that was read: " in told
    assert f"logger-a/2023-03-10.csv{ending}\n" in told


def test_a_packed_file_that_no_pattern_means_is_told_with_one_that_does(field):
    first = raw_files(field)[0]
    pack(first)
    (problem,) = verify_site(field)["problems"]
    assert problem["file"] == "logger-a/2023-03-10.csv"
    assert "was packed and lies in 'logger-a/2023-03-10.csv.gz' now" in problem["found"]
    assert "as files = 'logger-a/*.csv*' does" in problem["advice"]
    widen(field)
    assert verify_site(field)["problems"] == []


def test_a_file_read_packed_and_unpacked_since_is_told_as_such(field):
    widen(field)
    plain = field / "data/logger-a/2023-03-12.csv"
    plain.write_text(export(12), encoding="utf-8")
    path = pack(plain)
    night.store_night(field, NOW)
    unpack(path, plain.name)
    with plain.open("a", encoding="utf-8") as file:
        file.write("13.03.2023 00:00;300,5;400;0,2\n")
    found = verify_site(field)
    assert found["problems"] == []
    assert [row["became"] for row in found["repacked"]] == ["unpacked"]


def test_a_file_packed_anew_under_its_name_is_as_read(field):
    widen(field)
    plain = field / "data/logger-a/2023-03-12.csv"
    plain.write_text(export(12), encoding="utf-8")
    packed = pack(plain)
    night.store_night(field, NOW)
    packed.write_bytes(gzip.compress(export(12).encode(), 1))
    found = verify_site(field)
    assert (found["problems"], found["repacked"]) == ([], [])


def test_a_packed_file_with_other_bytes_is_told_as_lost(field):
    path = raw_files(field)[0]
    path.write_text(path.read_text(encoding="utf-8").replace("400", "401", 1), "utf-8")
    pack(path)
    widen(field)
    (problem,) = verify_site(field)["problems"]
    assert "is no longer there; 'logger-a/2023-03-10.csv.gz' bears" in problem["found"]
    assert "does not hold its bytes" in problem["found"]


@pytest.mark.parametrize("wide", [True, False])
def test_readings_of_packed_files_are_mended(field, sound, wide):
    if wide:
        widen(field)
    for path in raw_files(field):
        pack(path)
    spoil(field, "readings/voltage")
    assert verify_site(field, mend=True)["mended"] > 0
    night.store_night(field, NOW)
    found, expected = state_of(field)[0], state_of(sound)[0]
    for key, array in expected.items():
        np.testing.assert_array_equal(found[key], array, err_msg=key)


def test_a_removed_file_of_which_nothing_is_stored_does_not_stand_in_the_way(field):
    """Another export has them all, sorts behind it, and can be read again."""
    copy = field / "data/logger-a/2023-03-11_copy.csv"
    copy.write_text(export(11).replace(";0,2\n", ";0,20\n"), encoding="utf-8")
    night.store_night(field, NOW)
    before = state_of(field)[0]
    (field / "data/logger-a/2023-03-11.csv").unlink()
    spoil(field, "readings/voltage")
    assert verify_site(field, mend=True)["mended"] > 0
    night.store_night(field, NOW)
    after = state_of(field)
    for key, array in before.items():
        np.testing.assert_array_equal(after[0][key], array, err_msg=key)
    ledger = after[1]["ledger"].to_pandas().set_index("path")
    assert len(set(ledger["fingerprint"])) == 1
    problems = [p["found"] for p in verify_site(field)["problems"]]
    assert len(problems) == 1
    assert "cannot be read" in problems[0]


def spoil(folder, key):
    """Flip bits of one chunk after another until the one of ``key`` is hit."""
    for path in chunk_files(folder):
        flip(path, path.stat().st_size // 2, 2)
        if not can_be_read(folder, key):
            found = verify_site(folder)
            assert f"store: {key}" in [problem["file"] for problem in found["problems"]]
            return found
        flip(path, path.stat().st_size // 2, 2)
    raise LookupError(key)


def can_be_read(folder, key):
    """Tell whether an array, or a table, of the newest state can be read whole."""
    snapshot = night.site_store(night.open_description(folder)).read()
    try:
        if key.startswith("table "):
            snapshot.table(key.removeprefix("table "))
        else:
            snapshot.array(key)[:]
    except (IcechunkError, ValueError, RuntimeError):
        return False
    return True


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
