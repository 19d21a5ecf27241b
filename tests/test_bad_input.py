"""Bad input: each spoilt file is told and counted, and the rest of the night goes on."""

import errno
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.accounts.check_and_ledger import survey_site
from pipeline.errors import OtherStoreError, SiteError
from pipeline.ingest import intake
from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
GOOD = HEADER + "".join(
    f"10.03.2023 {h:02d}:{m:02d};{300 + h},5;{400 + m};0,2\n"
    for h in range(24)
    for m in (0, 15, 30, 45)
)
GOOD_VALUES = 24 * 4 * 3


@pytest.fixture
def field(make_site):
    """Return a site folder with one good export of a day."""
    folder = make_site()
    put(folder, "logger-a/2023-03-10.csv", GOOD)
    return folder


@pytest.fixture(scope="module")
def stored(make_shared_site):
    """Return a site folder after its first night."""
    folder = make_shared_site()
    put(folder, "logger-a/2023-03-10.csv", GOOD)
    night.store_night(folder, NOW)
    return folder


def put(folder, name, content):
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        path.write_text(content, encoding="utf-8", newline="")
    return path


def run(folder, now=NOW):
    """Run the night and check that the good file's readings are all there."""
    result = night.store_night(folder, now)
    assert result["ledger"]["open_files"] == []
    files = {f["path"]: f for f in night.ledger_report(folder)["files"]}
    good = files["logger-a/2023-03-10.csv"]
    assert good["stored"] + good["superseded"] + good["duplicates"] == GOOD_VALUES
    return result, files


def told(result, file):
    """Return what was said about one file."""
    return [entry for entry in result["set_aside"] if entry["file"] == file]


SPOILT = {
    "wrong header": ("Zeit;a;b\n;mV;mV\n11.03.2023 00:00;1;2\n", "Time"),
    "empty file": ("", "empty"),
    "another encoding": (GOOD.encode("utf-16"), "utf-8"),
    "not text": (bytes(range(256)) * 40, ""),
}


@pytest.mark.parametrize("kind", SPOILT)
def test_a_file_that_cannot_be_read_is_set_aside_and_told_until_mended(field, kind):
    content, word = SPOILT[kind]
    path = put(field, "logger-a/bad.csv", content)
    result, files = run(field)
    (entry,) = told(result, "logger-a/bad.csv")
    assert word in entry["found"] + entry["expected"]
    assert entry["advice"]
    assert files["logger-a/bad.csv"]["state"] == "set aside"
    for _ in range(2):  # it still needs a look, and what to do is said as in the first night
        (again,) = told(night.store_night(field, NOW), "logger-a/bad.csv")
        assert again["found"] == f"unreadable_file: {entry['found']}"
        for key in ("place", "expected", "advice", "count"):
            assert again[key] == entry[key]
    path.write_text(GOOD.replace("10.03.", "11.03."), encoding="utf-8")
    mended, files = run(field)
    assert told(mended, "logger-a/bad.csv") == []
    assert max(f["stored"] for p, f in files.items() if p == "logger-a/bad.csv") == GOOD_VALUES


def test_a_file_that_was_set_aside_and_taken_away_is_told_no_more(field):
    path = put(field, "logger-a/bad.csv", "")
    assert told(run(field)[0], "logger-a/bad.csv")
    path.unlink()
    assert told(night.store_night(field, NOW), "logger-a/bad.csv") == []
    put(field, "logger-a/bad.csv", "")
    assert told(night.store_night(field, NOW), "logger-a/bad.csv")


def test_a_cut_last_line_waits_until_the_file_has_grown(field):
    cut = GOOD.replace("10.03.", "11.03.")[:-4]
    path = put(field, "logger-a/cut.csv", cut)
    result, files = run(field)
    (entry,) = told(result, "logger-a/cut.csv")
    assert "incomplete_line" in entry["found"]
    assert entry["place"] == "line 98"
    assert files["logger-a/cut.csv"]["stored"] == GOOD_VALUES - 3
    path.write_text(GOOD.replace("10.03.", "11.03."), encoding="utf-8")
    grown, files = run(field)
    assert told(grown, "logger-a/cut.csv") == []
    assert files["logger-a/cut.csv"]["stored"] == GOOD_VALUES
    assert files["logger-a/cut.csv"]["revision"] == 0


def test_a_folder_and_a_broken_link_where_files_should_be(field):
    (field / "data" / "logger-a" / "old.csv").mkdir()
    (field / "data" / "logger-a" / "gone.csv").symlink_to(field / "nowhere.csv")
    result, _ = run(field)
    assert "a folder" in told(result, "logger-a/old.csv")[0]["found"]
    assert "broken link" in told(result, "logger-a/gone.csv")[0]["found"]


def test_a_link_out_of_the_data_folder_is_not_followed(field, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(GOOD)
    (field / "data" / "logger-a" / "link.csv").symlink_to(outside)
    result, files = run(field)
    assert "out of the data folder" in told(result, "logger-a/link.csv")[0]["found"]
    assert "logger-a/link.csv" not in files


def test_a_file_without_permission_is_told_and_read_once_it_is_given(field, monkeypatch):
    put(field, "logger-a/locked.csv", GOOD.replace("10.03.", "11.03."))
    open_path = Path.open

    def refuse(path, *arguments, **more):
        if path.name == "locked.csv":
            raise PermissionError(13, "Permission denied")
        return open_path(path, *arguments, **more)

    monkeypatch.setattr(Path, "open", refuse)  # the tests may run as root
    result, files = run(field)
    assert "Permission denied" in told(result, "logger-a/locked.csv")[0]["found"]
    assert "logger-a/locked.csv" not in files
    monkeypatch.setattr(Path, "open", open_path)
    _, files = run(field)
    assert files["logger-a/locked.csv"]["stored"] == GOOD_VALUES


def stale(monkeypatch, function, name):
    """Have a function of the system refuse paths of a name, as a lost network disk does."""
    genuine = getattr(os, function)

    def refuse(path, *arguments, **more):
        if Path(path).name == name:
            raise OSError(errno.ESTALE, "Stale file handle", str(path))
        return genuine(path, *arguments, **more)

    monkeypatch.setattr(os, function, refuse)


def test_a_file_that_cannot_even_be_looked_at_is_told_and_stops_no_other(field, monkeypatch):
    put(field, "logger-a/locked.csv", GOOD.replace("10.03.", "11.03."))
    stale(monkeypatch, "stat", "locked.csv")
    result, files = run(field)
    assert "Stale file handle" in told(result, "logger-a/locked.csv")[0]["found"]
    assert "logger-a/locked.csv" not in files


def test_a_folder_that_cannot_be_listed_is_told_and_its_readings_are_kept(field, monkeypatch):
    run(field)
    stale(monkeypatch, "scandir", "logger-a")
    result, _ = run(field)
    assert "Stale file handle" in told(result, "logger-a")[0]["found"]
    monkeypatch.undo()
    assert told(run(field)[0], "logger-a") == []


@pytest.mark.parametrize("where", ["opened", "read"])
def test_a_file_too_large_for_the_memory_is_told_and_stops_no_other(field, monkeypatch, where):
    put(field, "logger-a/large.csv", GOOD.replace("10.03.", "11.03."))
    reader, content = intake.READERS["table"], Path.open

    def gasp(data, layout, name):
        if name == "logger-a/large.csv":
            raise MemoryError
        return reader(data, layout, name)

    def refuse(path, *arguments, **more):
        if path.name == "large.csv":
            raise MemoryError
        return content(path, *arguments, **more)

    if where == "read":
        monkeypatch.setitem(intake.READERS, "table", gasp)
    else:
        monkeypatch.setattr(Path, "open", refuse)
    result, _ = run(field)
    assert "not memory enough" in told(result, "logger-a/large.csv")[0]["found"]
    monkeypatch.undo()
    _, files = run(field)
    assert files["logger-a/large.csv"]["stored"] == GOOD_VALUES


def test_a_name_that_is_no_text_is_told_and_stops_no_other(field):
    name = os.fsdecode(b"caf\xe9.csv")  # as an old system wrote it
    path = put(field, f"logger-a/{name}", GOOD.replace("10.03.", "11.03."))
    result, _ = run(field)
    assert told(result, "logger-a/caf\\xe9.csv")[0]["found"] == "a name that is not UTF-8"
    path.rename(path.with_name("coffee.csv"))
    _, files = run(field)
    assert files["logger-a/coffee.csv"]["stored"] == GOOD_VALUES


def test_a_channel_nobody_wired_is_counted_and_told(field):
    text = GOOD.replace("10.03.", "11.03.").replace("mV_2", "mV_9")
    put(field, "logger-a/other.csv", text)
    result, files = run(field)
    (entry,) = told(result, "logger-a/other.csv")
    assert "'mV_9'" in entry["found"]
    assert entry["count"] == 96
    assert "wiring.csv" in entry["advice"]
    assert files["logger-a/other.csv"]["rejected"] == 96
    assert files["logger-a/other.csv"]["stored"] == GOOD_VALUES - 96


def test_readings_of_a_tube_not_yet_installed_are_set_aside(make_site):
    folder = make_site(
        {"tubes.csv": [("T1,48.5,9.1,412.5,2023-03-01", "T1,48.5,9.1,412.5,2023-03-10T12:00")]}
    )
    put(folder, "logger-a/2023-03-10.csv", GOOD)
    result = night.store_night(folder, NOW)
    (entry,) = told(result, "logger-a/2023-03-10.csv")
    assert "not_installed" in entry["found"]
    assert entry["count"] == 2 * 12 * 4  # two channels, until noon
    assert result["ledger"]["open_files"] == []


def test_stamps_before_the_site_began_and_in_the_future(field):
    put(field, "logger-a/0-early.csv", HEADER + "31.12.1999 00:00;300,0;400;0,0\n")
    put(field, "logger-a/late.csv", GOOD.replace("10.03.2023", "02.04.2023"))
    result, files = run(field)
    assert "before_start" in told(result, "logger-a/0-early.csv")[0]["found"]
    assert "in_future" in told(result, "logger-a/late.csv")[0]["found"]
    # NOW is midnight UTC and the logger is an hour ahead; one hour of grace, by hand:
    # stamps from 2 April 00:00 +01:00, which is 23:00 UTC on the first, are a day ahead.
    assert files["logger-a/late.csv"]["stored"] == 0
    _, files = run(field, datetime(2023, 4, 5, tzinfo=UTC))
    assert files["logger-a/late.csv"]["stored"] == GOOD_VALUES
    assert files["logger-a/late.csv"]["rejected"] == 0


def test_two_wirings_of_one_channel_at_once_stop_the_site_with_both_rows(make_site):
    folder = make_site({"wiring.csv": [("P1,,2023-09-01", "P1,,2023-10-01")]})
    with pytest.raises(SiteError) as caught:
        night.store_night(folder, NOW)
    text = str(caught.value)
    assert "wiring.csv" in text
    assert "line 4" in text
    assert not (folder / "store").exists()


def test_a_rewritten_file_supersedes_and_keeps_what_it_said_before(field):
    put(field, "logger-a/2023-03-10.csv", GOOD.replace("300,5", "299,5"))
    night.store_night(field, NOW)
    put(field, "logger-a/2023-03-10.csv", GOOD)
    result = night.store_night(field, NOW)
    assert result["ledger"]["open_files"] == []
    assert result["ledger"]["superseded"] == 4
    snapshot = night.site_store(night.open_description(field)).read()
    kept = snapshot.table("superseded").to_pylist()
    assert {round(row["value"], 4) for row in kept} == {0.2995}
    cells = snapshot.array("readings/voltage")[:]
    assert np.isclose(cells[np.isfinite(cells)], 0.2995).sum() == 0


def test_a_lost_tube_is_refused_before_anything_is_written(field):
    run(field)
    text = (field / "tubes.csv").read_text().replace("T2", "T3")
    (field / "tubes.csv").write_text(text)
    for name in ("wiring.csv", "visits.csv", "site.toml"):
        path = field / name
        path.write_text(path.read_text().replace("T2", "T3"))
    with pytest.raises(SiteError, match="no row for 'T2', whose readings are stored") as told:
        night.store_night(field, NOW)
    (problem,) = told.value.problems
    assert problem.advice.endswith("If it is called 'T3' now, write the old name again.")
    assert survey_site(field)["problems"] == [problem.as_dict()]


@pytest.mark.parametrize(
    ("old", "new", "line", "found", "expected"),
    [
        ("start = 2023-03-01", "start = 2023-02-01", 7, "2023-01-31T23", "2023-02-28T23"),
        ('interval = "15 min"', 'interval = "30 min"', 9, "30 min", "15 min, as in the st"),
        ('id = "north-slope"', 'id = "slope"', 3, "'slope'", "'north-slope', as in the st"),
    ],
)
def test_check_knows_what_the_first_night_has_fixed(stored, old, new, line, found, expected):
    path = stored / "site.toml"
    text = path.read_text()
    assert text.count(old) == 1
    path.write_text(text.replace(old, new))
    (problem,) = survey_site(stored)["problems"]
    assert problem["place"] == f"line {line}, key site.{old.split(' ')[0]}"
    assert (problem["found"][: len(found)], problem["expected"][: len(expected)]) == (
        found,
        expected,
    )
    with pytest.raises(OtherStoreError, match="fixed by its first night"):
        night.store_night(stored, NOW)
    path.write_text(text)
