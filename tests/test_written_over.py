"""What a person names to be written is no other file and no folder of theirs."""

import os

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.outcomes import describe_failure


@pytest.mark.parametrize(
    "arguments",
    [
        ["layers", ".", "--bounds", "0,10", "--output"],
        ["timeline", ".", "--png"],
        ["compare", ".", "1", "2", "--png"],
    ],
)
def test_a_result_is_never_written_over_another_kind_of_file(tmp_path, arguments):
    raw = tmp_path / "raw.csv"
    raw.write_text("2025-03-20 00:00,528.6\n")
    ran = CliRunner().invoke(app, [*arguments, str(raw)])
    assert ran.exit_code == 2
    assert "found a file of another kind" in " ".join(ran.stderr.split())
    assert raw.read_text() == "2025-03-20 00:00,528.6\n"


def test_a_folder_where_a_file_is_to_be_is_told_by_its_name(tmp_path):
    (tmp_path / "there").mkdir()
    (tmp_path / "part").write_text("")
    with pytest.raises(OSError, match="there") as caught:
        os.replace(tmp_path / "part", tmp_path / "there")
    told = describe_failure("draw", caught.value)
    assert told["error"].startswith(f"{tmp_path}/there: a folder lies where a file is needed")
    assert "traceback" not in told
