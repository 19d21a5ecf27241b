"""The trace to raw files that were packed, unpacked or moved since they were read.

The line shown is held to the bytes as the test wrote them, by number and by its first byte.
"""

import gzip
import json
import os
import shutil

import pytest
from packing import PACK, entry_of, pack, unpack
from rows_site import make_rows_site
from traced_site import NOW, SPECIAL, ask, day_text, make_field, put
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.lineage.raw import Writing, line_account, open_raw
from pipeline.lineage.text import trace_text
from pipeline.nights import night

NAME = "logger-a/2023-03-10_resent.csv"
TEXT = day_text({**SPECIAL, (13, 0): "350,5"})
LINE = "10.03.2023 01:30;301,5;430;0,2"
ASK = ("T1", 10, "10T00:30")


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return make_field(tmp_path_factory.mktemp("repacked") / "site")


@pytest.fixture
def field(sound, tmp_path):
    return shutil.copytree(sound, tmp_path / "site")


def holds_the_line(account, lies_in):
    """Hold a trace to the bytes that were read, and to the file that has them now."""
    file, line = account["file"], account["line"]
    raw = TEXT.encode()
    at = line["first_byte"]
    assert raw[at : at + len(LINE)] == LINE.encode() == line["bytes"].encode()
    assert raw[:at].count(b"\n") == line["line"] - 1
    assert (line["is_as_read"], line["bytes_are_exact"]) == (True, True)
    assert (file["path"], file["lies_in"]) == (NAME, lies_in)
    assert os.path.isfile(file["full_path"])
    text = trace_text(account)
    assert LINE in text
    assert f"line {line['line']}, from byte {at} on" in text
    assert lies_in in text


@pytest.mark.parametrize("to", ["{}.csv.gz", "{}.csv.xz", "{}.csv.zip", "{}.zip", "{}.gz"])
def test_a_file_packed_in_place_shows_the_line(field, to):
    path = field / "data" / NAME
    holds_the_line(ask(field, *ASK), NAME)
    packed = pack(path, to.format(path.stem))
    account = ask(field, *ASK)
    holds_the_line(account, f"logger-a/{packed.name}")
    assert account["file"]["state"] == "as read"
    assert "it was packed and lies in" in account["file"]["said"]
    assert CliRunner().invoke(app, ["trace", str(field), *OPTIONS]).exit_code == 0


OPTIONS = ["--tube", "T1", "--depth", "10", "--time", "2023-03-10T00:30Z"]


def test_a_file_read_packed_and_unpacked_since_shows_the_line_also_when_grown(tmp_path):
    folder = make_field(tmp_path / "site")
    toml = folder / "site.toml"
    toml.write_text(toml.read_text().replace("logger-a/*.csv", "logger-a/*"))
    # A file of its own, whose readings are of no other.
    packed = pack(put(folder, "logger-a/2023-03-10_z.csv", TEXT.replace("301,5", "302,5")))
    night.store_night(folder, NOW)
    before = ask(folder, *ASK)
    assert before["file"]["path"] == "logger-a/2023-03-10_z.csv.gz"
    path = unpack(packed, "2023-03-10_z.csv")
    account = ask(folder, *ASK)
    assert account["line"] == before["line"]
    assert account["file"]["lies_in"] == "logger-a/2023-03-10_z.csv"
    assert "it was unpacked and lies in" in account["file"]["said"]
    with path.open("a") as file:
        file.write("11.03.2023 00:00;300,5;400;0,0\n")
    account = ask(folder, *ASK)
    assert account["line"] == before["line"]
    assert account["file"]["state"] == "grown"


def test_a_packed_file_with_other_bytes_is_refused(field):
    path = field / "data" / NAME
    path.write_text(TEXT.replace("301,5", "301,6"), encoding="utf-8", newline="")
    pack(path)
    account = ask(field, *ASK)
    assert account["file"]["state"] == "changed"
    assert account["file"]["lies_in"] is None
    assert (
        f"'{NAME}.gz', which bears its name packed, does not hold" in account["file"]["said"]
    )
    line = account["line"]
    assert (line["text"], line["first_byte"], line["is_as_read"]) == (None, None, False)
    assert "it cannot be shown" in trace_text(account)
    assert CliRunner().invoke(app, ["trace", str(field), *OPTIONS]).exit_code == 3


@pytest.mark.parametrize("damage", [lambda raw: raw[:-9], lambda raw: raw[:20], lambda _: b""])
def test_a_damaged_archive_is_refused(field, damage):
    packed = pack(field / "data" / NAME)
    packed.write_bytes(damage(packed.read_bytes()))
    account = ask(field, *ASK)
    assert (account["file"]["state"], account["line"]["text"]) == ("changed", None)


def test_a_file_packed_and_moved_is_found_with_the_files_of_a_source(field):
    toml = field / "site.toml"
    toml.write_text(toml.read_text().replace("rounds/*.csv", "rounds/*"))
    packed = pack(field / "data" / NAME)
    (field / "data/rounds").mkdir()
    packed.rename(field / "data/rounds" / packed.name)
    holds_the_line(ask(field, *ASK), f"rounds/{packed.name}")


def test_the_plain_file_goes_first_and_the_packed_one_where_it_was_begun_anew(field):
    path = field / "data" / NAME
    packed = path.with_name(path.name + ".gz")
    packed.write_bytes(gzip.compress(TEXT.encode()))
    holds_the_line(ask(field, *ASK), NAME)
    path.write_text("Time;mV_1;mV_2;rain\n;mV;mV;mm\n", encoding="utf-8")
    holds_the_line(ask(field, *ASK), f"{NAME}.gz")


def test_a_link_out_of_the_data_folder_is_not_followed_to_a_packed_file(field, tmp_path):
    packed = pack(field / "data" / NAME)
    packed.rename(tmp_path / "outside.gz")
    packed.symlink_to(tmp_path / "outside.gz")
    account = ask(field, *ASK)
    assert (account["file"]["state"], account["line"]["text"]) == ("gone", None)


def test_numbers_of_rows_lead_to_packed_files_too(tmp_path):
    """Of logged readings and of hand readings; those whose files changed need a look."""
    folder = make_rows_site(tmp_path / "site")
    options = ["--product", "site_mean", "--depth", "10", "--time", "2023-03-15T12:00Z"]
    command = ["trace", str(folder), *options]
    paths = [folder / "data" / name for name in ("logger-a/march.csv", "rounds/march.csv")]
    texts = {f"{path.parent.name}/{path.name}": path.read_bytes() for path in paths}
    for path in paths:
        pack(path)
    shown = CliRunner().invoke(app, command)
    assert shown.exit_code == 0
    ran = CliRunner().invoke(app, [*command, "--json"])
    seen = dict(found_lines(json.loads(ran.stdout)["sites"][0]))
    assert set(seen) == set(texts)
    for name, line in seen.items():
        assert texts[name][line["first_byte"] :].startswith(line["bytes"].encode())
        assert f"it was packed and lies in '{name}.gz' now" in shown.output
    book = folder / "data/rounds/march.csv.gz"
    book.write_bytes(gzip.compress(texts["rounds/march.csv"].replace(b"30.0", b"30.1")))
    assert CliRunner().invoke(app, command).exit_code == 3


def found_lines(value):
    """Yield path and line of each raw line in a document."""
    if isinstance(value, dict):
        if isinstance(value.get("line"), dict) and isinstance(value.get("file"), dict):
            yield value["file"]["path"], value["line"]
        for item in value.values():
            yield from found_lines(item)
    elif isinstance(value, list):
        for item in value:
            yield from found_lines(item)


WIDE = {
    "utf-16 with a mark": ("utf-16", "utf-16"),
    "utf-16-le without one": ("utf-16-le", "utf-16-le"),
    "utf-16-be with a mark": ("utf-16", None),
    "utf-32": ("utf-32", "utf-32"),
    "EBCDIC": ("cp037", "cp037"),
    "utf-8 with a mark": ("utf-8-sig", "utf-8-sig"),
    "utf-8 that may have one": ("utf-8-sig", "utf-8"),
}


@pytest.mark.parametrize("kind", WIDE)
def test_the_first_byte_is_one_of_the_file_whatever_its_encoding(tmp_path, kind):
    """Held to the bytes that encoding alone makes of what stands before."""
    encoding, written = WIDE[kind]
    mark = "" if written else "\ufeff"
    data = f"{mark}one\u00e9\r\ntw\u00f6\r\n".encode(written or "utf-16-be")
    expected = len(f"{mark}one\u00e9\r\n".encode(written or "utf-16-be"))
    for name, content in (("a.csv", data), ("a.csv.xz", PACK[".xz"](data))):
        (tmp_path / name).write_bytes(content)
        found = open_raw(tmp_path, entry_of(data, name, content), Writing(encoding, True))
        line = line_account(found, 2, Writing(encoding, True))
        found.stream.close()
        assert (line["text"], line["first_byte"]) == ("tw\u00f6", expected)


def test_the_first_byte_is_right_behind_damage(tmp_path):
    data = b"\xff\xfeo\x00\x00\xd8\n\x00t\x00\n\x00"  # half a pair of surrogates
    (tmp_path / "a.csv").write_bytes(data)
    found = open_raw(tmp_path, entry_of(data, "a.csv"), Writing("utf-16", True))
    line = line_account(found, 2, Writing("utf-16", True))
    found.stream.close()
    assert (line["text"], line["first_byte"]) == ("t", 8)
