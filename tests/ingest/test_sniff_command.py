"""The command ``percolog sniff --json``."""

import json
import tomllib

from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.ingest.delimited import read_table
from pipeline.site.layout import Layout


def test_the_command_prints_a_proposal_that_is_a_layout_of_its_own(tmp_path):
    """One JSON value; its layout reads the file, and its text says the same."""
    file = tmp_path / "export.csv"
    file.write_text("Time;mV_1\n" + "".join(f"10.03.2023 0{h}:00;3{h},5\n" for h in range(8)))
    ran = CliRunner().invoke(app, ["sniff", str(file), "--json"])
    document = json.loads(ran.stdout)
    assert (ran.exit_code, document["command"], document["sites"]) == (0, "sniff", [])
    proposal = document["proposal"]
    layout = Layout.model_validate({"id": "export", **proposal["layout"]})
    parsed = read_table(file.read_bytes(), layout, "export.csv")
    (table,) = parsed.tables
    assert table.columns["mV_1"].tolist() == [30.5 + h for h in range(8)]
    spoken = tomllib.loads(proposal["toml"])
    assert spoken["tableSchema"] == proposal["layout"]["tableSchema"]
    assert proposal["problem"] == ""


def test_the_document_of_a_file_without_a_layout_says_why(tmp_path):
    file = tmp_path / "photo.bin"
    file.write_bytes(bytes(range(256)) * 8)
    ran = CliRunner().invoke(app, ["sniff", str(file), "--json"])
    document = json.loads(ran.stdout)
    proposal = document["proposal"]
    assert (ran.exit_code, document["outcome"]) == (3, "attention")
    assert proposal["layout"] is None
    assert proposal["problem"]
