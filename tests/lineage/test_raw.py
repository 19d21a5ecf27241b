"""Lines of raw files found again, and files that are no longer what they were."""

import gzip
import io
import json
import os
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packing import entry_of
from traced_site import ask, make_field, put
from typer.testing import CliRunner

from pipeline.axis import TimeAxis
from pipeline.cli import app
from pipeline.ingest.lines import split_lines
from pipeline.lineage import raw as lineage_raw
from pipeline.lineage.number import Proof, written_number
from pipeline.lineage.raw import Writing, escaped, line_account, line_at, open_raw
from pipeline.lineage.text import trace_text
from pipeline.lineage.verdicts import _EVIDENCE, _SAID, Case, Record, _told, decided, run_start
from pipeline.qc.flags import TEST_BITS
from pipeline.site.layout import Layout
from pipeline.units import Conversion

PLAIN = Writing("utf-8", lone_returns=True)
COMMAND = ["--tube", "T1", "--depth", "10", "--time", "2023-03-10T00:30Z"]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([b"a", b"bc", b"\r", b"\n", b"\r\n", b""]), max_size=40))
def test_lines_are_counted_as_the_reader_counts_them(pieces):
    """The reader's own `split_lines` is the reference; blocks of five bytes cut everywhere."""
    data = b"".join(pieces)
    lines = split_lines(data)
    block, lineage_raw._BLOCK = lineage_raw._BLOCK, 5
    try:
        for row in range(len(lines)):
            expected = data[lines.start[row] : lines.stop[row]]
            assert line_at(io.BytesIO(data), row + 1, True) == expected
        assert line_at(io.BytesIO(data), len(lines) + 1, True) in (None, b"")
    finally:
        lineage_raw._BLOCK = block


def test_on_a_bus_only_a_line_feed_ends_a_line():
    data = b"first\rstill first\r\nsecond\n"
    assert line_at(io.BytesIO(data), 2, lone_returns=False) == b"second"
    assert line_at(io.BytesIO(data), 1, lone_returns=False) == b"first\rstill first"


def test_bytes_are_escaped_so_that_each_can_be_told():
    assert escaped(b"a\\\x1b\xe9z") == r"a\x5c\x1b\xe9z"


def look(folder, entry, line=2, writing=PLAIN):
    """Return the state of a file and one of its lines."""
    found = open_raw(folder, entry, writing)
    account = line_account(found, line, writing)
    if found.stream is not None:
        found.stream.close()
    return found.state, account


def test_the_states_of_a_file(tmp_path):
    data = b"one\ntwo\nthree\n"
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    entry = entry_of(data, "a.csv")
    assert look(tmp_path, entry)[0] == "as read"
    path.write_bytes(data + b"four\n")
    state, line = look(tmp_path, entry)
    assert (state, line["text"], line["is_as_read"]) == ("grown", "two", True)
    path.write_bytes(b"one\n2\nthree\n")
    state, line = look(tmp_path, entry)
    assert (state, line["text"], line["is_as_read"]) == ("changed", "2", False)
    path.unlink()
    state, line = look(tmp_path, entry)
    assert (state, line["text"], line["is_as_read"]) == ("gone", None, False)


def test_a_large_file_is_told_by_size_and_time(tmp_path, monkeypatch):
    data = b"one\ntwo\n"
    (tmp_path / "a.csv").write_bytes(data)
    entry = entry_of(data, "a.csv")
    entry.modified_ns = os.stat(tmp_path / "a.csv").st_mtime_ns
    monkeypatch.setattr(lineage_raw, "HASHED_BYTES", 4)
    found = open_raw(tmp_path, entry, PLAIN)
    assert (found.state, found.checked) == ("as read", "size and time")
    found.stream.close()


def test_a_compressed_file_and_one_of_wide_characters(tmp_path):
    data = b"one\r\ntwo\r\n"
    stored = gzip.compress(data)
    (tmp_path / "a.csv.gz").write_bytes(stored)
    state, line = look(tmp_path, entry_of(data, "a.csv.gz", stored))
    assert (state, line["bytes"], line["bytes_are_exact"]) == ("as read", "two", True)
    wide = "one\ntwö\n".encode("utf-16")
    (tmp_path / "w.csv").write_bytes(wide)
    state, line = look(tmp_path, entry_of(wide, "w.csv"), 2, Writing("utf-16", True))
    assert (state, line["text"], line["bytes_are_exact"]) == ("as read", "twö", False)


def test_a_path_that_leads_out_of_the_data_folder_is_not_followed(tmp_path):
    (tmp_path / "secret").write_bytes(b"one\ntwo\n")
    (tmp_path / "data").mkdir()
    entry = entry_of(b"one\ntwo\n", "../secret")
    assert look(tmp_path / "data", entry)[0] == "unreadable"
    (tmp_path / "data" / "a.csv").symlink_to(tmp_path / "secret")
    state, line = look(tmp_path / "data", entry_of(b"one\ntwo\n", "a.csv"))
    assert (state, line["text"]) == ("unreadable", None)


def proof(value, factor=1.0):
    return Proof(np.float32(value * factor), Conversion(factor, 0.0))


NUMBERS = {
    "column": ({"dialect": {"delimiter": ";"}}, ["t;a;b"], "1;7;7", "b", ("7", 3)),
    "group": (
        {"tableSchema": {"othersDatatype": {"decimalChar": ",", "groupChar": "."}}},
        ["t;a", "u;v"],
        "1;7",
        "a",
        ("7", None),
    ),
    "blanks": ({"dialect": {"delimiter": " +"}}, ["t a"], "0   7.0", "a", ("7.0", None)),
    "bus": ({"transcript": {}}, [], "12:00 <3+7.0-2E7", "3.M.1", ("+7.0", None)),
}


@pytest.mark.parametrize("kind", NUMBERS)
def test_the_number_is_found_as_it_is_written(kind):
    keys, head, line, channel, (text, column) = NUMBERS[kind]
    layout = Layout.model_validate({"id": "x", **keys})
    found = written_number(line, head, layout, channel, proof(7.0))
    assert (found.text, found.column) == (text, column)


def test_a_number_that_does_not_give_the_value_is_none():
    layout = Layout.model_validate({"id": "x"})
    assert written_number("1,7.1", ["t,a"], layout, "a", proof(7.0)) is None
    assert written_number("1,7.0,7.0", ["t"], layout, "a", proof(7.0)).times == 2


def test_a_run_of_equal_readings_by_hand():
    nan = np.nan
    values = np.array([1, 2, 2, nan, 2.01, 2])
    assert run_start(values, 5, 0.0, 10) == 5
    assert run_start(values, 5, 0.02, 10) == 1
    assert run_start(values, 5, 0.02, 1) == 4  # a gap of two steps ends the run
    assert run_start(values, 3, 0.02, 10) == 3  # no reading, no run


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    return make_field(tmp_path_factory.mktemp("raw") / "site")


def invoke(*arguments):
    return CliRunner().invoke(app, ["trace", *map(str, arguments)])


def test_the_command_prints_a_trace_or_one_document(field):
    shown = invoke(field, *COMMAND)
    assert shown.exit_code == 0
    assert "'301,5' mV in the line" in shown.output
    assert "10.03.2023 01:30;301,5;430;0,2" in shown.output
    document = json.loads(invoke(field, *COMMAND, "--json").stdout)
    assert document["command"] == "trace"
    (account,) = document["sites"]
    assert account["line"]["bytes"] == "10.03.2023 01:30;301,5;430;0,2"
    storage = invoke(field, "--tube", "T1", "--product", "storage", *COMMAND[4:])
    assert "0.2" in storage.output
    assert "as stored" in storage.output
    daily = invoke(field, *COMMAND, "--product", "daily_water_content")
    assert "mean of 94 values; 77 of 96 due are needed" in daily.output


def test_wrong_usage_is_told_with_exit_code_two(field):
    for arguments, words in (
        ((field, "--tube", "T9", *COMMAND[2:]), "T1"),
        ((field, *COMMAND[:4], "--time", "noon"), "--time"),
        (COMMAND, "SITE"),
    ):
        done = invoke(*arguments)
        assert done.exit_code == 2
        assert words in done.output


def test_names_and_lines_cannot_drive_a_terminal(tmp_path):
    folder = make_field(tmp_path / "site")
    name = "logger-a/2023-03-10_resent.csv"
    lines = (folder / "data" / name).read_text().split("\n")
    lines[8] = "10.03.2023 01:30;\x1b[31m\x9bowned\x07"
    put(folder, name, "\n".join(lines))
    account = ask(folder, "T1", 10, "10T00:30")
    assert account["line"]["text"] == lines[8]
    assert account["file"]["state"] == "changed"
    account["file"]["path"] = "a\nfile  forged\x1b]0;x\x07"
    text = trace_text(account)
    assert all(line.isprintable() for line in text.split("\n"))
    assert r"\x1b[31m\x9bowned\x07" in text
    assert r"a\nfile  forged" in text
    assert "as it stands there NOW" in text
    assert invoke(folder, *COMMAND).exit_code == 3  # a file that changed needs a look


def test_an_error_that_is_not_known_says_what_would_tell_it(field):
    account = ask(field, "T1", 10, "10T00:30")
    whole = trace_text(account)
    for key, word, missing in (
        ("random_error", "random", "[sensor_noise]"),
        ("systematic_error", "systematic", "covariance"),
    ):
        assert f"no {word} error" not in whole
        value = {**account["value"], key: None}
        (line,) = [
            line
            for line in trace_text({**account, "value": value}).split("\n")
            if f"no {word} error" in line
        ]
        assert missing in line
        value |= {"cleaned_water_content": None}
        assert f"no {word} error" not in trace_text({**account, "value": value})


def test_a_test_without_figures_of_its_own_shows_limits_and_neighbours():
    record = Record(0, 1, np.array([0.1, 0.2, 0.3]), np.array([0.1, 0.2, 0.3]))
    site = SimpleNamespace(axis=TimeAxis(0, 900), interval_s=900)
    case = Case(SimpleNamespace(site=site), record, {"timing_part": 0.25}, 0.4, 1)
    told = _told("timing", case)
    assert told["limits"] == {"timing_part": 0.25}
    assert [seen["value"] for seen in told["looked_at"]] == [0.1, 0.2, 0.3]
    assert told["looked_at"][2]["time"] == "1970-01-01T00:30:00Z"
    assert set(_EVIDENCE) | set(_SAID) | {"missing", "outside_calibration"} >= set(TEST_BITS)


def test_a_persons_decision_is_told_with_who_and_why():
    def decision(row, depth_m, day, verdict):
        start = datetime(2023, 3, day, tzinfo=UTC)
        until = datetime(2023, 3, day + 2, tzinfo=UTC)
        return SimpleNamespace(
            row=row, tube="T1", depth_m=depth_m, start=start, until=until,
            verdict=verdict, why="cable cut", who="AK", of_tube=False,
        )  # fmt: skip

    rows = (decision(2, None, 10, "reject"), decision(3, 0.1, 11, "keep"))
    view = SimpleNamespace(site=SimpleNamespace(decisions=rows))
    sensor = SimpleNamespace(tube=SimpleNamespace(tube="T1"), nominal_m=0.1)
    found = [
        decided(
            view, sensor, SimpleNamespace(at_s=datetime(2023, 3, day, tzinfo=UTC).timestamp())
        )
        for day in (9, 10, 11, 13)
    ]
    reject, keep = "line 2: reject, cable cut (AK)", "line 3: keep, cable cut (AK)"
    assert found == ["", reject, keep, ""]
