"""What lies in the store is told while somebody is editing the description."""

import json
import shutil

import pytest
from rows_site import make_rows_site
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import SiteError

CELL = ("--tube", "T1", "--depth", "10", "--time", "2023-03-15T12:00Z")
COMMANDS = {
    "tubes": (),
    "events": (),
    "limits": (),
    "space": (),
    "verify": (),
    "compare": ("1",),
    "trace": CELL,
}
MISSPELT = ("T1,48.5,9.1,412.5,2023-03-01,,0,loam", "T1,48.5,9.1,412.5,2023-03-01,,0,laom")


def run(command, folder, *more):
    return CliRunner().invoke(app, [command, str(folder), *COMMANDS[command], *more])


def told(command, folder):
    """Return the exit code and the site's account."""
    ran = run(command, folder, "--json")
    (account,) = json.loads(ran.stdout)["sites"]
    return ran.exit_code, account


def edit(path, old, new):
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    return make_rows_site(tmp_path_factory.mktemp("stored") / "site")


@pytest.fixture
def site(stored, tmp_path):
    return shutil.copytree(stored, tmp_path / "site")


@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_stored_is_told_by_the_description_it_was_made_by(site, command):
    code, before = told(command, site)
    assert code in (0, 3)
    edit(site / "tubes.csv", *MISSPELT)
    code, after = told(command, site)
    assert (code, after["outcome"]) == (2, "wrong")
    (failure,) = after.pop("failures")
    assert {p["file"] for p in failure["problems"]} == {"tubes.csv"}
    for account in (before, after):
        account.pop("outcome")
    assert after == before


@pytest.mark.parametrize("command", COMMANDS)
def test_one_line_says_which_description_the_numbers_are_by(site, command):
    edit(site / "tubes.csv", *MISSPELT)
    state = told("tubes", site)[1]["commit"]
    ran = run(command, site)
    lines = [line for line in ran.stderr.splitlines() if "description is wrong" in line]
    assert len(lines) == 1
    assert "(1 mistake, which percolog check lists)" in lines[0]
    assert f"by the one of state {state}, written 20" in lines[0]
    assert "laom" not in ran.output


def test_a_table_of_site_toml_may_be_wrong_but_not_what_names_the_store(site):
    edit(site / "site.toml", "[report]\ndays", "[report]\ndyas")
    assert told("tubes", site)[0] == 2
    edit(site / "site.toml", "start = 2023-03-01", 'start = "soon"')
    ran = run("tubes", site)
    assert isinstance(ran.exception, SiteError)
    assert "dyas" in str(ran.exception)
    assert "soon" in str(ran.exception)


def test_without_a_state_the_mistakes_are_told(site):
    edit(site / "tubes.csv", *MISSPELT)
    shutil.rmtree(site / "store")
    ran = run("tubes", site)
    assert isinstance(ran.exception, SiteError)
    assert "laom" in str(ran.exception)
    assert not (site / "store").exists()


def test_nothing_is_mended_by_an_earlier_description(site):
    edit(site / "tubes.csv", *MISSPELT)
    ran = run("verify", site, "--mend")
    assert isinstance(ran.exception, SiteError)
