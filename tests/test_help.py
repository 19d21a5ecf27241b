"""The list of commands in ``percolog --help``."""

from __future__ import annotations

from typer.testing import CliRunner

from pipeline.cli import app


def test_every_command_is_listed_with_the_whole_of_its_purpose(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    said = CliRunner().invoke(app, ["--help"]).stdout
    assert len(app.registered_commands) == 22
    for command in app.registered_commands:
        purpose = command.callback.__doc__.split("\n")[0]
        assert f"{command.callback.__name__} {purpose}" in " ".join(said.split())
