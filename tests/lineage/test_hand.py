"""The trace of hand readings, whose water content follows by hand from the site's laws.

Root permittivity is 1 + 4 V below 0.5 V; water content is 0.119 root - 0.19 in the topsoil of
tube T1 and 0.12 root - 0.2 below 25 cm (tests/site/field/calibrations.toml).
"""

import json
from datetime import UTC, datetime

import netCDF4
import pytest
from packing import pack
from traced_site import FIELD, ask, put
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.lineage.text import trace_text
from pipeline.lineage.trace import Question, trace
from pipeline.lineage.view import TraceError
from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "time;tube;direction;reader;10;30\n"
BOOK = HEADER + (
    "2023-03-10 09:00;T1;1;P1;400.0;450.0\n"
    "2023-03-10 09:02;T1;2;P1;410.0;450.0\n"
    "2023-03-10 09:02;T1;2;P1;410.0;450.0\n"  # read twice
    "2023-03-10 09:05;T1;;P1;;450.0\n"
    "2023-03-12 09:00;T1;1;nobody;400.0;\n"
)
READER = """[[tableSchema.columns]]
name = "reader"
role = "key"
datatype = { base = "string" }
"""
NAME = "north-slope_rounds.nc"


@pytest.fixture(scope="module")
def field(make_shared_site):
    text = (FIELD / "layouts/rounds.toml").read_text()
    unit = '[rounds]\nunit = "mV"\nquantity = "voltage"'
    layout = text.replace('[rounds]\nunit = "%"', unit) + READER
    folder = make_shared_site(files={"layouts/rounds.toml": layout})
    put(folder, "rounds/march.csv", BOOK.replace("400.0", "399.0", 1))
    night.store_night(folder, NOW)
    put(folder, "rounds/march.csv", BOOK)  # one reading corrected: another revision
    night.deliver_night(folder, night.store_night(folder, NOW))
    return folder


def hand(field, depth_cm, when, **more):
    return ask(field, "T1", depth_cm, when, product="hand_reading", **more)


@pytest.mark.parametrize(
    ("depth_cm", "logged", "water", "law"),
    [(10, "400.0", 0.119 * 2.6 - 0.19, "topsoil"), (30, "450.0", 0.12 * 2.8 - 0.2, "subsoil")],
)
def test_a_hand_reading_leads_to_its_line_and_laws(field, depth_cm, logged, water, law):
    found = hand(field, depth_cm, "10T08:00")
    assert found["value"]["calibrated_water_content"] == pytest.approx(water, abs=1e-7)
    assert found["signal"]["as_logged"]["text"] == logged
    assert found["signal"]["as_logged"]["column"] == {10: 5, 30: 6}[depth_cm]
    assert found["signal"]["value"] == pytest.approx(float(logged) / 1000)
    assert found["calibration"]["soil_law"]["id"] == law
    assert found["calibration"]["probe_law"]["id"] == "probe-batch"
    line = found["line"]
    raw = BOOK.encode()
    assert line["text"] == "2023-03-10 09:00;T1;1;P1;400.0;450.0"
    assert raw[line["first_byte"] :].startswith(line["bytes"].encode())
    text = trace_text(found)
    assert line["text"] in text
    assert f"from '{logged}' mV in the line" in text
    assert f"soil law     {law} version 1" in text


def test_the_other_readings_of_the_round_are_told_each_with_its_line(field):
    found = hand(field, 10, "10T08:00")
    assert found["cell"]["direction_deg"] == 0.0
    others = [(o["direction_deg"], o["repeat"], o["line"]["line"]) for o in found["alike"]]
    assert others == [(120.0, 0, 3), (120.0, 1, 4)]
    assert "besides      0.12416 m3 m-3, direction 120 degrees, repeat 1" in trace_text(found)
    turned = hand(field, 10, "10T08:00", direction=120.0)
    assert (turned["cell"]["direction_deg"], turned["line"]["line"]) == (120.0, 3)
    assert [o["line"]["line"] for o in turned["alike"]] == [4]
    without = hand(field, 30, "10T08:05")
    assert (without["cell"]["direction_deg"], without["line"]["line"]) == (None, 5)


def test_what_an_earlier_revision_said_is_told(field):
    (lost,) = hand(field, 10, "10T08:00")["superseded"]
    assert (lost["value"], lost["revision"], lost["line"]) == (0.399, 0, 2)
    assert hand(field, 30, "10T08:00")["superseded"] == []


def test_a_reading_without_water_content_says_why(field):
    found = hand(field, 10, "12T08:00")
    assert found["value"]["calibrated_water_content"] is None
    assert found["why_missing"].startswith("no law held for it")
    assert found["calibration"]["probe_law"] is None
    assert found["line"]["text"].endswith("nobody;400.0;")


def test_every_reading_of_the_delivered_file_is_traced_to_its_line(field):
    path = field / "out" / "netcdf" / NAME
    with netCDF4.Dataset(path) as file:
        profile = file["profile_index"][:]
        places = [file["nominal_depth"][:], file["reading_time"][:], file["source_line"][:]]
        turned = file["direction"][:].filled(float("nan"))[profile]
        rows = list(zip(*places, turned, file["repeat"][:][profile], strict=True))
    assert len(rows) == 8
    met = set()
    for depth, time_s, line, direction, repeat in rows:
        if repeat:
            continue  # told beside the first
        at = datetime.fromtimestamp(int(time_s), UTC)
        angle = None if direction != direction else float(direction)
        asked = Question("T1", at, float(depth) * 100, direction=angle)
        found = trace(None, path, asked)
        assert found["delivered"]["agrees"]
        assert found["outcome"] == "done"
        assert found["line"]["line"] == line
        met.add((float(depth), int(line)))
        met |= {(float(depth), o["line"]["line"]) for o in found["alike"]}
    assert met == {(float(depth), int(line)) for depth, _, line, _, _ in rows}


def test_a_delivered_reading_that_was_changed_is_told(field, tmp_path):
    path = tmp_path / NAME
    path.write_bytes((field / "out" / "netcdf" / NAME).read_bytes())
    with netCDF4.Dataset(path, "a") as file:
        file["soil_water_content"][:] = file["soil_water_content"][:] + 0.001
    asked = Question("T1", datetime(2023, 3, 10, 8, tzinfo=UTC), 10)
    found = trace(field, path, asked)
    assert not found["delivered"]["agrees"]
    assert found["outcome"] == "attention"


WRONG = {
    "tube": (("T9", 10, "10T08:00"), {}, "found tube 'T9'; expected one of 'T1'"),
    "depth": (("T1", 50, "10T08:00"), {}, "found depth 50 cm; expected one"),
    "time": (("T1", 10, "20T08:00"), {}, "the nearest is of 2023-03-12T08:00:00Z"),
    "direction": (("T1", 10, "10T08:00"), {"direction": 240.0}, "expected one of '0', '120'"),
}


@pytest.mark.parametrize("kind", WRONG)
def test_what_was_not_read_is_told_with_what_was(field, kind):
    place, more, words = WRONG[kind]
    with pytest.raises(TraceError, match=words):
        ask(field, *place, product="hand_reading", **more)


def test_the_command_asks_for_a_direction_and_finds_a_packed_book(field):
    command = [
        "trace", str(field), "--product", "hand_reading", "--tube", "T1", "--depth", "10",
        "--time", "2023-03-10T08:00Z", "--direction", "120",
    ]  # fmt: skip
    (site,) = json.loads(CliRunner().invoke(app, [*command, "--json"]).stdout)["sites"]
    assert site["asked"]["direction"] == 120.0
    packed = pack(field / "data/rounds/march.csv")
    shown = CliRunner().invoke(app, command)
    assert shown.exit_code == 0
    assert "it was packed and lies in 'rounds/march.csv.gz' now" in shown.output
    assert "2023-03-10 09:02;T1;2;P1;410.0;450.0" in shown.output
    packed.unlink()
    put(field, "rounds/march.csv", BOOK)
