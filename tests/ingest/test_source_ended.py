"""A source ended on purpose: left out, told of every night, described again with its end."""

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
from one_day import SITE, lay_out

from pipeline.ingest.read_by import TABLE
from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.watch.conditions import due_since

NOW = datetime(2023, 4, 1, tzinfo=UTC)
FILE = "logger-a/2023-03-10.csv"
LAST = "2023-03-10T22:45:00Z"
ENDED = """source,channel,tube,depth_cm,quantity,unit,probe,from,until
logger-a,mV_1,T1,10,voltage,mV,P1,,{0}
logger-a,mV_2,T1,30,voltage,mV,P3,,{0}
logger-a,rain,,,rain,mm,,,{0}
"""


def describe(folder, until=None):
    """Describe the site without the logger, or with its rows ended."""
    for name in ("site.toml", "visits.csv", "wiring.csv"):
        text = (SITE / name).read_text(encoding="utf-8")
        if name == "wiring.csv" and until is not None:
            text = ENDED.format(until) + text[text.index("bus,") :]
        elif name == "site.toml" and until is None:
            first = text.index("[[source]]")
            text = text[:first] + text[text.index("[[source]]", first + 1) :]
        elif until is None:
            text = "".join(row for row in text.splitlines(True) if "logger-a" not in row)
        (folder / name).write_text(text, encoding="utf-8")


def snapshot_of(folder):
    return night.site_store(night.open_description(folder)).read()


def told(folder):
    return night.store_night(folder, NOW)["set_aside"]


@pytest.fixture
def field(tmp_path):
    folder = lay_out(tmp_path / "site")
    assert told(folder) == []
    return folder


@pytest.mark.parametrize("files", ["stay", "are put elsewhere"])
def test_the_life_of_a_source_that_was_left_out_on_purpose(field, tmp_path, files):
    """What the message says makes it quiet, and all values are as if never left out."""
    always = shutil.copytree(field, tmp_path / "always")
    describe(field)
    if files != "stay":
        (field / "data" / FILE).unlink()
    for _ in range(2):
        (row,) = told(field)
        assert (row["place"], row["found"][:14]) == ("source logger-a", "no such source")
        assert f"'until' when it ended, which is after {LAST}" in row["advice"]
    if files != "stay":  # not as the message says: the readings would be left without wires
        describe(field, until="2023-03-10T12:00")
        assert "now gone" in told(field)[0]["found"]
    describe(field, until="2023-03-11")
    assert told(field) == []
    assert told(field) == []
    assert snapshot_of(field).table(TABLE) is None
    site = night.open_description(field)
    assert due_since(site, site.sources[0], NOW.timestamp()) is None  # nor is it silent
    describe(always, until="2023-03-11")
    assert told(always) == []
    found, expected = snapshot_of(field), snapshot_of(always)
    ledgers = [
        state.table("ledger").drop_columns(["modified_ns"]) for state in (found, expected)
    ]
    assert ledgers[0] == ledgers[1]
    assert np.isfinite(expected.array("water/cleaned_water_content")[:]).sum() == 2 * 96
    for key in filter(expected.holds, SPECS):
        np.testing.assert_array_equal(found.array(key)[:], expected.array(key)[:], err_msg=key)


def test_a_source_that_ended_by_its_wiring_needs_its_files_no_more(field):
    describe(field, until="2023-03-11")
    (field / "data" / FILE).unlink()
    assert told(field) == []
    assert told(field) == []
