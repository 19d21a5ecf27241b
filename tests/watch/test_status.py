"""The status: one site's failure hides no other, and each outcome has its exit code."""

import errno
import json
from datetime import timedelta

import pytest
from bare_site import START
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.site.load import load_site
from pipeline.watch.nights import begin_night, end_night
from pipeline.watch.status import site_status

NOW = START + timedelta(days=10)


def watched_night(folder, outcome="done", now=NOW, **more):
    begin_night(folder, now)
    summary = {"site": "s", "outcome": outcome, "message": "0 files", **more}
    return end_night(folder, summary, now)


def test_a_broken_site_hides_no_other_and_the_worst_code_counts(make_site, tmp_path):
    sound, broken, gone = (
        make_site(),
        make_site(files={"tubes.csv": "tube\n"}),
        tmp_path / "no",
    )
    result = CliRunner().invoke(app, ["status", *map(str, (gone, broken, sound)), "--json"])
    told = json.loads(result.stdout)
    assert [site["outcome"] for site in told["sites"]] == ["wrong", "wrong", "attention"]
    assert result.exit_code == told["exit_code"] == 2
    assert "tubes.csv" in " ".join(told["sites"][1]["why"])


def test_a_failed_night_is_told_and_raised_by_what_can_be_read_of_the_description(make_site):
    folder = make_site()
    output = load_site(folder).output
    (folder / "tubes.csv").write_text("tube\n")
    error = "tubes.csv: no columns\nwiring.csv: x"
    failures = [{"part": "store", "kind": "SiteError", "error": error}]
    account = watched_night(folder, "wrong", failures=failures)["alerts"]
    assert account["raised"] == ["the night failed (store)"]
    told = json.loads((output / "alerts.jsonl").read_text())
    assert told["evidence"] == "tubes.csv: no columns (and 1 line more)"
    status = site_status(folder, NOW)
    assert status["outcome"] == "wrong"
    # One line for people: the command prints every mistake, with its line, itself.
    said = "the last night failed: store: tubes.csv: no columns (and 1 line more)"
    assert said in status["why"]


def test_a_night_long_ago_and_one_that_was_cut_are_told(make_site, monkeypatch):
    folder = make_site()
    watched_night(folder)
    why = site_status(folder, NOW + timedelta(hours=40))["why"]
    assert "no night for 40 h (limit 36 h)" in why
    monkeypatch.setattr("pipeline.watch.nights.night_runs", lambda night: False)
    begin_night(folder, NOW)  # and is killed
    assert "stopped" in watched_night(folder)["alerts"]["raised"][0]


def test_a_failed_night_that_could_not_be_noted_is_not_taken_for_the_one_before(
    make_site, monkeypatch, tmp_path
):
    """The output took no files for a night; the book still said that all was well."""
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    folder, later = make_site(), NOW + timedelta(hours=24)
    watched_night(folder)
    assert site_status(folder, later)["night"]["outcome"] == "done"

    def refuse(output, book):
        raise OSError(errno.EROFS, "read-only", str(output / "watch.json"))

    failures = [{"part": "deliver", "kind": "OSError", "error": "out: read-only"}]
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.watch.book.write_book", refuse)
        watched_night(folder, "failed", later, failures=failures)
    told = site_status(folder, later + timedelta(hours=1))
    assert told["outcome"] == "failed"
    assert told["night"]["hours_ago"] == 1.0
    assert any("could not be noted in watch.json" in line for line in told["why"])
    assert "the last night failed: deliver: out: read-only" in told["why"]

    watched_night(folder, now=later + timedelta(hours=24))
    again = site_status(folder, later + timedelta(hours=24))
    assert again["night"]["outcome"] == "done"
    assert not any("noted" in line for line in again["why"])


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ('host = "h"\nsender = "a@b"\nto = ["a@b\\nBcc: c@d"]', "e-mail address"),
        ('host = "h"\nsender = "a@b"\nto = []', "alerts.mail.to"),
        ('host = "h"\nsender = "a@b"\nto = ["a@b"]\npassword = "x"', "unknown key 'password'"),
    ],
)
def test_a_mistake_in_the_mail_is_told_with_its_line(make_site, content, told):
    folder = make_site()
    with (folder / "site.toml").open("a") as file:
        file.write(f"\n[alerts.mail]\n{content}\n")
    with pytest.raises(ValueError, match=r"site\.toml, line") as error:
        load_site(folder)
    assert told in str(error.value)
