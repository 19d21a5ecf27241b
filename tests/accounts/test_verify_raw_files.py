"""What ``percolog verify`` tells of raw files that were packed, unpacked or removed."""

import gzip
import shutil
from pathlib import Path

import numpy as np
import pytest
from packing import pack, unpack
from spoilt_site import NOW, export, make_sound, spoil, state_of

from pipeline.accounts.verify import show_verified, verify_site
from pipeline.nights import night


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Return a site folder with a store of two nights, never changed by a test."""
    return make_sound(tmp_path_factory.mktemp("sound") / "site")


@pytest.fixture
def field(sound, tmp_path):
    """Return a copy of the site to spoil."""
    return Path(shutil.copytree(sound, tmp_path / "site"))


def raw_files(folder):
    return sorted((folder / "data" / "logger-a").iterdir())


def widen(folder):
    """Let the pattern of the logger mean packed files too."""
    toml = folder / "site.toml"
    toml.write_text(toml.read_text().replace("logger-a/*.csv", "logger-a/*.csv*"))


def read_packed(folder):
    """Let a night read a file that comes packed; return its plain and its packed name."""
    widen(folder)
    plain = folder / "data/logger-a/2023-03-12.csv"
    plain.write_text(export(12), encoding="utf-8")
    packed = pack(plain)
    night.store_night(folder, NOW)
    return plain, packed


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
    plain, path = read_packed(field)
    unpack(path, plain.name)
    with plain.open("a", encoding="utf-8") as file:
        file.write("13.03.2023 00:00;300,5;400;0,2\n")
    found = verify_site(field)
    assert found["problems"] == []
    assert [row["became"] for row in found["repacked"]] == ["unpacked"]


def test_a_file_packed_anew_under_its_name_is_as_read(field):
    _, packed = read_packed(field)
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
    found = verify_site(field)
    assert (found["problems"], found["removed"]) == ([], 1)


@pytest.mark.parametrize(("day", "told"), [("10", [10, 11]), ("11", [11]), ("12", [])])
def test_files_removed_on_purpose_are_counted_and_no_more(field, day, told, capsys):
    """The file of the 10th ends at 23:45 of that day, and begins the 10th at midnight."""
    toml = field / "site.toml"
    text = toml.read_text()
    toml.write_text(text.replace("note = ", f"archived_before = 2023-03-{day}\nnote = ", 1))
    assert verify_site(field)["removed"] == 0
    for path in raw_files(field):
        path.unlink()
    found = verify_site(field)
    files = [problem["file"] for problem in found["problems"]]
    assert files == [f"logger-a/2023-03-{d}.csv" for d in told]
    assert found["removed"] == 2 - len(told)
    show_verified(found)
    assert ("no longer there: archived" in capsys.readouterr().err) == (len(told) < 2)
    assert night.store_night(field, NOW)["raw_files"]["read"] == 0  # nothing is read anew
    spoil(field, "readings/voltage")
    assert verify_site(field, mend=True)["mended"] == 0  # nor emptied


def test_a_file_archived_that_lies_there_otherwise_is_told(field):
    toml = field / "site.toml"
    toml.write_text(
        toml.read_text().replace("note = ", "archived_before = 2024-01-01\nnote = ", 1)
    )
    path = raw_files(field)[0]
    path.write_text(path.read_text(encoding="utf-8").replace("400", "401", 1), "utf-8")
    (problem,) = verify_site(field)["problems"]
    assert "differs" in problem["found"]
    pack(path)
    (problem,) = verify_site(field)["problems"]
    assert "does not hold its bytes" in problem["found"]
