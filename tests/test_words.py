"""Counts and spans of time in words."""

import subprocess
import sys

import pytest

from pipeline.words import counted, span_of_hours, told_refusal, told_refusal_in_file


@pytest.mark.parametrize(("count", "said"), [(0, "0 files"), (1, "1 file"), (2, "2 files")])
def test_one_is_singular_and_all_else_plural(count, said):
    assert counted(count, "file") == said


def test_long_spans_are_said_in_days():
    # by hand: 11,978 h are 499.1 days.
    assert span_of_hours(25.4) == "25 h"
    assert span_of_hours(71.9) == "72 h"
    assert span_of_hours(11_978) == "499 days"


ROW = {"file": "a.csv", "place": "line 6", "found": "x", "expected": "y"}


@pytest.mark.parametrize(
    ("count", "said"),
    [
        ({}, "a.csv, line 6: found x; expected y"),
        ({"count": 1, "noun": "value"}, "a.csv, line 6: found x; expected y"),
        ({"count": 468}, "a.csv: 468 rows, the first in line 6: found x; expected y"),
        (
            {"count": 2, "noun": "value"},
            "a.csv: 2 values, the first in line 6: found x; expected y",
        ),
        ({"count": 2, "place": ""}, "a.csv: 2 rows: found x; expected y"),
    ],
)
def test_of_many_rows_set_aside_the_line_is_that_of_the_first(count, said):
    assert told_refusal({**ROW, **count}) == said
    assert told_refusal_in_file({**ROW, **count}) == said.removeprefix("a.csv").lstrip(":, ")


def test_what_commands_say_imports_no_store():
    """A command that fails at once has said so before arrays and stores are imported."""
    code = "import pipeline.console, sys; print(*{name.split('.')[0] for name in sys.modules})"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    imported = set(shown.stdout.decode().split())
    assert "pipeline" in imported
    assert not imported & {"icechunk", "numba", "pandas", "pyarrow", "xarray", "zarr"}
