"""The commands on revisions: what they print, refuse, draw, and end with."""

import errno
import json
import shutil
from datetime import UTC, datetime
from types import SimpleNamespace

import big_field
import pyarrow as pa
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import SiteError
from pipeline.history import revising
from pipeline.history.comparison import _table_rows
from pipeline.nights import night
from pipeline.site.description_files import SITE_FILES, changed_files, read_description

NOW = "2030-01-01T00:00Z"
DEEPER = ("T1,48.0001,9.0001,400,2023-01-01,,0,", "T1,48.0001,9.0001,400,2023-01-01,,2,")


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    folder = big_field.describe_field(tmp_path_factory.mktemp("stored") / "site", 2)
    big_field.write_days(folder, 2, 0, 2)
    night.store_night(folder, datetime(2030, 1, 1, tzinfo=UTC))
    return folder


@pytest.fixture
def site(stored, tmp_path):
    """Return a site whose second tube is described otherwise than when its night ran."""
    folder = shutil.copytree(stored, tmp_path / "site")
    text = (folder / "tubes.csv").read_text()
    assert DEEPER[0] in text
    (folder / "tubes.csv").write_text(text.replace(*DEEPER))
    return folder


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def document(*arguments):
    ran = run(*arguments, "--json")
    assert ran.exit_code == 0, ran.output
    return json.loads(ran.stdout)["sites"][0]


def test_without_a_terminal_a_decision_is_required(site):
    for command in ("recalibrate", "undo"):
        ran = run(command, site)
        assert ran.exit_code == 2
        assert "expected --yes to do it, or --dry-run to look" in " ".join(ran.output.split())


def test_a_correction_looked_at_made_compared_and_taken_back(site):
    shown = document("recalibrate", site, "--dry-run", "--now", NOW)
    assert [row["tube"] for row in shown["tubes"]] == ["T1"]
    assert shown["description"][0]["file"] == "tubes.csv"
    assert {row["layer"] for row in shown["storage"]} == {"top", "profile"}
    assert len(document("history", site)["states"]) == 1

    done = document("recalibrate", site, "--yes", "--now", NOW)
    assert done["storage"] == shown["storage"]
    assert len(done["pictures"]) >= 2
    assert len(done["delivered"]) == 2

    states = document("history", site)["states"]
    assert [(state["kind"], state["night"]) for state in states] == [
        ("recalibrate", 2),
        ("night", 1),
    ]
    assert states[0]["description"] == [{"file": "tubes.csv", "added": 1, "removed": 1}]
    assert (states[1]["brought"]["files"], states[1]["brought"]["days"]) == (1, 2)
    assert states[1]["brought"]["named"] == ["L0/00000.csv"]

    told = document("compare", site, "1", "now", "--png", site / "change.png")
    for part in ("water", "storage", "arrays", "readings", "tables", "description"):
        assert told[part] == done[part]
    assert (site / "change.png").read_bytes().startswith(b"\x89PNG")

    back = document("undo", site, "--yes", "--now", NOW)
    assert back["restored"] == states[1]["commit"]
    first = document("compare", site, "1", "now")
    assert (first["water"], first["storage"], first["arrays"]) == ([], [], [])
    assert first["days"] == 2


def test_for_people_there_are_tables_and_the_lines_that_changed(site):
    ran = run("recalibrate", site, "--dry-run", "--now", NOW)
    for text in ("tubes.csv:", f"  - {DEEPER[0]}loam", "stored water, mm:", "would be"):
        assert text in ran.stderr
    assert "first (UTC)" in ran.stderr
    listed = run("history", site)
    assert "1 state, newest first" in listed.stdout
    assert "thinned out" in run("thin", site).stderr


def test_history_is_told_while_the_description_is_wrong(site):
    wiring = (site / "wiring.csv").read_text()
    (site / "wiring.csv").write_text(wiring.replace(",T1,", ",TT1,"))
    ran = run("history", site)
    assert ran.exit_code == 2
    assert "1 state, newest first" in ran.stdout
    assert "wiring.csv, line" in ran.stderr
    account = json.loads(run("history", site, "--json").stdout)["sites"][0]
    assert account["outcome"] == "wrong"
    assert account["failures"][0]["problems"][0]["file"] == "wiring.csv"
    assert [state["night"] for state in account["states"]] == [1]

    toml = (site / "site.toml").read_text()
    (site / "site.toml").write_text(f"what is this\n{toml}")
    assert isinstance(run("history", site).exception, SiteError)


def test_a_picture_that_cannot_be_written_keeps_no_number_back(site, monkeypatch):
    def refuse(_site, _old, _new, _account, path):
        raise OSError(errno.EROFS, "read-only", str(path))

    monkeypatch.setattr(revising, "picture_of", refuse)
    ran = run("compare", site, "1", "now", "--png", site / "change.png")
    assert ran.exit_code == 1
    assert "(night 1," in ran.stdout
    told = f"draw: {site / 'change.png'}: the folder can only be read"
    assert told in " ".join(ran.stderr.split())
    found = json.loads(run("compare", site, "1", "now", "--json").stdout)
    assert (found["outcome"], found["exit_code"]) == ("failed", 1)
    assert len(found["sites"][0]["states"]) == 2
    assert found["sites"][0]["failures"][0]["part"] == "draw"


def test_a_name_of_no_state_is_an_error_that_says_what_to_give(site):
    ran = run("compare", site, "nothing")
    assert ran.exit_code != 0
    assert "expected 'now', the number of a night" in str(ran.exception)


def test_every_file_of_the_description_is_kept():
    from pipeline.schemas import SCHEMAS

    # Samples are asked for by percolog fit alone; rounds are raw data.
    assert set(SCHEMAS) - {"samples.csv", "rounds.csv", "layouts"} == set(SITE_FILES)


def test_changed_files_name_lines_that_came_and_went():
    old = {"a.csv": b"x\ny\nz\n", "b.csv": b"1\n"}
    new = {"a.csv": b"x\nq\nz\n", "c.csv": b"2\n"}
    changes = {c.file: (c.added, c.removed) for c in changed_files(old, new)}
    assert changes == {
        "a.csv": (("q",), ("y",)),
        "b.csv": ((), ("1",)),
        "c.csv": (("2",), ()),
    }


def test_the_description_is_read_whole(site):
    names = set(read_description(site))
    assert names == {
        *("calibrations.toml", "layouts/export.toml", "site.toml", "soils.toml"),
        *("tubes.csv", "wiring.csv"),
    }


def test_a_table_with_the_same_rows_in_another_form_is_no_change():
    def state(rows):
        held = {"notes": pa.Table.from_pylist(rows)}
        return SimpleNamespace(tables=lambda: set(held), table=held.get)

    row = {"tube": "T1", "value": 1.0}
    other = {"tube": "T2", "value": None}
    same = list(_table_rows(state([row, other]), state([other, row])))
    assert same == []
    (told,) = _table_rows(state([row, other]), state([{**row, "value": 2.0}, other]))
    assert (told["table"], told["rows_after"], told["changed"]) == ("notes", 2, 1)
