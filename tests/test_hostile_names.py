"""Names and texts written to do harm, through a whole night, a delivery and its pictures.

What a spreadsheet takes for a formula: a cell that begins with = + - @, a tab or a return
(OWASP, CSV Injection; from memory).
"""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.errors import SiteError
from pipeline.nights.night import open_description

SITE = Path(__file__).parent / "site" / "field"
NOW = "2023-04-01T00:00Z"
FORMULA = ("=", "+", "-", "@", "\t", "\r")
# In the description's texts: for a page, a spreadsheet, a terminal, a picture, and a path.
HOSTILE = '=HYPERLINK("x")<script>alert(1)</script>\'; $\\frac{\x1b[2J\n../../up | `id`'
CHANNEL = '=1+1"<b>'
FILES = ("=1+1.csv", "<img src=x onerror=alert(1)>.csv", "-rf.csv", "a\x1b[31mb\nc.csv")


def toml_text(text: str) -> str:
    return json.dumps(text)  # escapes of JSON strings are those of TOML's


def spoil(folder: Path) -> None:
    """Put hostile texts wherever the description holds a free one."""
    path = folder / "site.toml"
    text = path.read_text()
    for old in (
        "Soil water on the north slope",
        "Two access tubes on an invented slope.",
        "Example Institute",
        "A. Keeper",
        "winter time all year",
        "beside the track, wets fast",
    ):
        assert f'"{old}"' in text
        text = text.replace(f'"{old}"', toml_text(HOSTILE))
    path.write_text(text)
    path = folder / "calibrations.toml"
    path.write_text(
        path.read_text().replace('origin = "invented"', f"origin = {toml_text(HOSTILE)}")
    )
    for name, old in (
        ("tubes.csv", "set deeper than planned"),
        ("visits.csv", "augered by hand"),
    ):
        text = (folder / name).read_text()
        quoted = '"' + HOSTILE.replace('"', '""').replace("\x1b", "").replace("\n", " ") + '"'
        assert old in text
        (folder / name).write_text(text.replace(old, quoted))
    path = folder / "wiring.csv"
    quoted = '"' + CHANNEL.replace('"', '""') + '"'
    assert "mV_2" in path.read_text()
    path.write_text(path.read_text().replace("mV_2", quoted))


def bring(folder: Path) -> None:
    data, rounds = folder / "data" / "logger-a", folder / "data" / "rounds"
    for path in (data, rounds):
        path.mkdir(parents=True)
    quoted = '"' + CHANNEL.replace('"', '""') + '"'
    for day, name in enumerate(FILES, start=10):
        rows = "".join(
            f"{day}.03.2023 {h:02d}:{m:02d};{300 + h};{400 + m};0,2\n"
            for h in range(24)
            for m in (0, 15, 30, 45)
        )
        text = f"Time;mV_1;{quoted};rain\n;mV;mV;mm\n{rows}"
        (data / name).write_text(text, encoding="utf-8")
    (data / "+broken<i>.csv").write_text("=2+2\n\x1b[2J<script>\n", encoding="utf-8")
    (rounds / "@rounds.csv").write_text(
        "time;tube;direction;reader;10;30;50\n"
        "2023-03-10 09:00;T1;1;\"=cmd|'x'!A1\";20.1;25.2;28.0\n",
        encoding="utf-8",
    )


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Return the folder around a site, the site, what its night printed, and a revision."""
    around = tmp_path_factory.mktemp("hostile")
    folder = Path(shutil.copytree(SITE, around / "site"))
    spoil(folder)
    bring(folder)
    ran = CliRunner().invoke(app, ["night", str(folder), "--direct", "--now", NOW])
    account = deliver_site(folder, Request())
    return around, folder, ran, account


def written(folder: Path, pattern: str) -> list[Path]:
    return sorted((folder / "out").rglob(pattern))


def test_the_night_sets_the_broken_file_aside_and_does_the_rest(night):
    _, folder, ran, account = night
    assert ran.exit_code == 3, ran.output
    assert "+broken<i>.csv" in ran.output
    assert account["outcome"] == "done"
    assert written(folder, "*.nc")


def test_nothing_is_written_outside_and_no_name_has_grown_a_path(night):
    around, folder, _, _ = night
    assert list(around.iterdir()) == [folder]
    for path in written(folder, "*"):
        assert not set(path.name) & set("<>=|`$\n\x1b\"'"), path


def test_no_cell_of_a_spreadsheet_is_a_formula(night):
    _, folder, _, _ = night
    tables = written(folder, "*.csv")
    assert {path.name for path in tables} >= {"dictionary.csv"}
    for path in tables:
        with path.open(newline="", encoding="utf-8") as stream:
            for cell in (cell for row in csv.reader(stream) for cell in row):
                if cell.startswith(FORMULA):
                    float(cell)  # a number may begin with its sign


def test_nothing_drives_the_terminal(night):
    _, _, ran, _ = night
    assert "\x1b" not in ran.output
    assert not [line for line in ran.output.splitlines() if line.startswith("c.csv")]


def test_a_revision_holds_the_files_it_lists_and_no_other(night):
    _, _, _, account = night
    folder = Path(account["revision_folder"])
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert there == {*account["files"], "datapackage.json"}


def test_pages_and_documents_hold_texts_as_texts(night):
    _, folder, _, _ = night
    for path in written(folder, "*.json"):
        json.loads(path.read_text(encoding="utf-8"))
    for kind in ("*.html", "*.svg", "*.md"):
        for path in written(folder, kind):
            assert "<script" not in path.read_text(encoding="utf-8")
    texts = {path.name: path.read_text(encoding="utf-8") for path in written(folder, "*.txt")}
    assert texts
    assert [name for name, text in texts.items() if "\x1b" in text] == []


def test_pictures_are_drawn(night):
    _, folder, _, _ = night
    pictures = written(folder, "*.png")
    assert pictures
    for path in pictures:
        with Image.open(path) as image:
            image.verify()


@pytest.mark.parametrize(
    "name", ["../up", "<b>T1</b>", "=1+1", "-rf", "@x", "a\tb", "T1'", ""]
)
def test_a_tube_cannot_have_such_a_name(tmp_path, name):
    folder = Path(shutil.copytree(SITE, tmp_path / "site"))
    rows = list(csv.reader((folder / "tubes.csv").read_text().splitlines()))
    rows[1][0] = name
    with (folder / "tubes.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    with pytest.raises(SiteError) as caught:
        open_description(folder)
    assert "tubes.csv" in {problem.file for problem in caught.value.problems}
