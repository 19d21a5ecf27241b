"""Files in whose place a shorter one lies: told once, and nothing read before is lost."""

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.accounts.verify import verify_site
from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.words import counted

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
FIELD = Path(__file__).parents[1] / "site" / "field"
FILE = "logger-a/export.csv"
DAYS = (3, 4, 5, 6, 12, 13, 14, 15)
HOURS = (0, 15, 30, 45)


def rows(day, hours=range(24), mark=300):
    return "".join(
        f"{day}.03.2023 {h:02}:{m:02};{mark + h + day},5;{400 + m};0,2\n"
        for h in hours
        for m in HOURS
    )


BEFORE = HEADER + rows(10) + rows(11)  # 194 lines
# (what lies in its place, what is told of it; None: nothing).
IN_ITS_PLACE = {
    "a logger that was reset": (
        HEADER + rows(12, range(6, 12)),
        "2023-03-11T22:45:00Z and 2023-03-12T05:00:00Z",
    ),
    "a copy cut short": (BEFORE[:4000], "copy it again"),
    "a copy without a row": (HEADER, "copy it again"),
    "an empty copy": ("", "copy it again"),
    "rows taken out": (HEADER + rows(10, range(5)) + rows(11), "takes no reading out"),
    "a logger begun anew without a gap": (HEADER + rows(12), "no rows are missing"),
    "a file that grew": (BEFORE + rows(12), None),
    "a logger that was reset long ago": (
        HEADER + rows(13) + rows(14) + rows(15),
        "2023-03-11T22:45:00Z and 2023-03-12T23:00:00Z",
    ),
    "another that is longer": (HEADER + rows(9) + rows(10) + rows(12), None),
    "as many rows of the days that follow": (HEADER + rows(12) + rows(13), None),
}


@pytest.fixture(scope="module")
def first_night(tmp_path_factory):
    """Return a site after its first night, made once and then copied."""
    folder = shutil.copytree(FIELD, tmp_path_factory.mktemp("shrunk") / "site")
    (folder / "data" / "logger-a").mkdir(parents=True)
    put(folder, BEFORE)
    night.store_night(folder, NOW)
    return folder


@pytest.fixture
def field(first_night, tmp_path):
    return shutil.copytree(first_night, tmp_path / "site")


def put(folder, text):
    (folder / "data" / FILE).write_text(text, encoding="utf-8")


def snapshot_of(folder):
    return night.site_store(night.open_description(folder)).read()


def told(result):
    return [row for row in result["set_aside"] if "in its place" in row["found"]]


@pytest.mark.parametrize("kind", IN_ITS_PLACE)
def test_a_shorter_file_is_told_once_and_takes_nothing_away(field, kind):
    text, advice = IN_ITS_PLACE[kind]
    before = snapshot_of(field).array("readings/voltage")[:]
    put(field, text)
    result = night.store_night(field, NOW)
    assert result["ledger"]["open_files"] == []
    if advice is None:
        assert told(result) == []
    else:
        (row,) = told(result)
        assert row["file"] == FILE
        shorter = len(text.splitlines()) < len(BEFORE.splitlines())
        assert row["found"].startswith("a shorter" if shorter else "another")
        assert f"{counted(len(text.splitlines()), 'row')} in" in row["found"]
        assert f"{len(text)} bytes" in row["found"]
        assert f"194 rows in {len(BEFORE)} bytes" in row["found"]
        assert "2023-03-09T23:00:00Z to 2023-03-11T22:45:00Z" in row["found"]
        assert advice in row["advice"]
        assert "No reading is lost" in row["advice"]
    after = snapshot_of(field).array("readings/voltage")[:]
    seen = np.isfinite(before)
    assert seen.sum() > 90
    np.testing.assert_array_equal(after[: len(before)][seen], before[seen])
    assert told(night.store_night(field, NOW)) == []


def test_a_book_of_hand_rounds_is_told_where_rows_were_taken_out_of_it(field):
    book = field / "data" / "rounds" / "book.csv"
    book.parent.mkdir()
    head, *walks = [
        "time;tube;direction;10",
        *(f"2023-03-{d:02} 10:00;T1;1;21.5" for d in DAYS),
    ]
    found = []
    for kept in (walks[:4], walks[:2], walks[4:]):  # a row taken out; a new book, later
        book.write_text("\n".join([head, *kept, ""]), encoding="utf-8")
        found.append(told(night.store_night(field, NOW)))
    assert [len(rows) for rows in found] == [0, 1, 0]
    assert "3 rows in" in found[1][0]["found"]
    assert night.site_store(night.open_description(field)).read().table("rounds").num_rows == 8


def test_both_lives_of_a_file_stand_in_the_store_and_its_sums(field):
    put(field, HEADER + rows(12, range(6, 12)))
    night.store_night(field, NOW)
    first, second = night.ledger_report(field)["files"]
    assert (first["state"], first["rows_read"]) == ("replaced", 194)
    assert (second["state"], second["revision"]) == ("read", 1)
    assert [first["closes"], second["closes"]] == [True, True]
    assert verify_site(field)["outcome"] == "done"


def test_a_file_that_begins_anew_every_night_without_a_gap_is_told_but_once(field):
    found = []
    for day, hours in ((12, range(20)), (12, range(20, 24)), (13, range(3))):
        put(field, HEADER + rows(day, hours))
        found.append(len(told(night.store_night(field, NOW))))
    assert found == [1, 0, 0]


def test_a_whole_copy_put_back_is_told_no_more(field):
    put(field, BEFORE[:4000])
    night.store_night(field, NOW)
    put(field, BEFORE)
    result = night.store_night(field, NOW)
    assert result["set_aside"] == []
    first, second = night.ledger_report(field)["files"]
    assert first["stored"] + second["stored"] == first["values_read"]


def test_readings_stay_where_a_file_shrank_on_the_night_its_clock_changed(field):
    """Only what can be read again may be emptied: the older revision no longer can."""
    before = snapshot_of(field).array("readings/voltage")[:]
    site = field / "site.toml"
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace('stamp = "end"', 'stamp = "instant"'), encoding="utf-8")
    put(field, HEADER + rows(12, range(6, 12)))
    result = night.store_night(field, NOW)
    after = snapshot_of(field).array("readings/voltage")[:]
    seen = np.isfinite(before)
    np.testing.assert_array_equal(after[: len(before)][seen], before[seen])
    found = [row["found"] for row in result["set_aside"]]
    assert any("earlier description" in text for text in found), found
    assert verify_site(field)["outcome"] == "done"


def rename_source(folder, new, old="logger-a"):
    """Give the source another name, everywhere but in the folder its files lie in."""
    for name in ("site.toml", "wiring.csv", "visits.csv"):
        text = (folder / name).read_text(encoding="utf-8")
        text = re.sub(rf'(?<=[",\n]){old}(?=[",])', new, text)
        (folder / name).write_text(text, encoding="utf-8")


def tables_of(folder):
    snapshot = snapshot_of(folder)
    ledger = snapshot.table("ledger").drop_columns(["modified_ns"])
    cells = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    return cells, [ledger, snapshot.table("superseded")]


@pytest.mark.parametrize("old_name", ["gone", "of another folder"])
def test_files_read_for_another_source_are_as_if_always_read_for_it(field, tmp_path, old_name):
    """Its clock is put right later, too: the readings of before must not stay beside."""
    rename_source(field, "a-new-name")
    if old_name == "of another folder":
        with (field / "site.toml").open("a", encoding="utf-8") as site:
            site.write(
                '\n[[source]]\nid = "logger-a"\nkind = "table"\nfiles = "other/*.csv"\n'
                'layout = "analog"\n'
            )
    night.store_night(field, NOW)
    text = (field / "site.toml").read_text(encoding="utf-8")
    text = text.replace('stamp = "end"', 'stamp = "instant"')
    (field / "site.toml").write_text(text, encoding="utf-8")
    assert night.store_night(field, NOW)["set_aside"] == []
    whole = shutil.copytree(field, tmp_path / "whole", ignore=shutil.ignore_patterns("store*"))
    night.store_night(whole, NOW)
    (cells, tables), (expected, same) = tables_of(field), tables_of(whole)
    assert tables == same
    for key in expected:
        if not key.startswith(
            ("readings/rain", "daily/daily_rain")
        ):  # has its old column, empty
            np.testing.assert_array_equal(cells[key], expected[key], err_msg=key)
    assert (
        np.isfinite(cells["readings/rain"]).sum()
        == np.isfinite(expected["readings/rain"]).sum()
    )


def test_a_name_that_comes_back_has_its_readings_back(field):
    before = tables_of(field)
    for old, new in (("logger-a", "a-new-name"), ("a-new-name", "logger-a")):
        rename_source(field, new, old)
        night.store_night(field, NOW)
    cells, tables = tables_of(field)
    assert tables == before[1]
    for key in ("readings/voltage", "readings/voltage_file", "water/cleaned_water_content"):
        np.testing.assert_array_equal(cells[key], before[0][key], err_msg=key)


def test_readings_of_a_source_described_no_more_are_told_where_nothing_is_read_for_them(field):
    (kept,) = (file["stored"] for file in night.ledger_report(field)["files"])
    rename_source(field, "a-new-name")
    (field / "data" / FILE).unlink()
    for _ in range(2):
        (told,) = night.store_night(field, NOW)["set_aside"]
        assert (told["place"], told["found"][:14]) == ("source logger-a", "no such source")
        assert f"Its {kept} readings stay" in told["advice"]
