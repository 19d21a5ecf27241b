"""The trace of a value against raw lines and sums worked by hand."""

import json
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest
from traced_site import ask, day_text, make_field, put

from pipeline.lineage.trace import Question, trace_cell
from pipeline.lineage.view import TraceError
from pipeline.nights import night


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    return make_field(tmp_path_factory.mktemp("traced") / "site")


def test_a_value_is_led_back_to_the_number_in_its_line(field):
    """By hand: 301.5 mV; the probe's table gives 1 + 4 x 0.3015, the soil 0.119 r - 0.19."""
    found = ask(field, "T1", 10, "10T00:30")
    assert found["line"]["text"] == "10.03.2023 01:30;301,5;430;0,2"
    assert found["line"]["line"] == 2 + 4 + 3  # two header rows, four to the hour
    assert found["signal"]["as_logged"] == {
        "text": "301,5", "value": 301.5, "unit": "mV", "column": 2, "times_in_line": 1,
    }  # fmt: skip
    assert np.float32(301.5 * 0.001) == np.float32(found["signal"]["value"])
    root = 1 + 4 * 0.3015
    value = found["value"]
    assert value["root_permittivity"] == pytest.approx(root, abs=1e-6)
    assert value["cleaned_water_content"] == pytest.approx(0.119 * root - 0.19, abs=1e-7)
    # sensor noise 0.5 mV through both slopes; the law's variance (0.02**2 + J C J^T).
    assert value["random_error"] == pytest.approx(0.119 * 4 * 0.0005, rel=1e-5)
    variance = 1e-4 * root**2 - 2 * 2e-5 * root + 1e-5 + 0.02**2
    assert value["systematic_error"] == pytest.approx(variance**0.5, rel=1e-5)
    # The edge of the horizon, at 25 cm, is not felt at 10 cm: the law's part is all of it.
    parts = found["systematic_parts"]
    assert (parts["depth"], parts["depth_uncertainty_m"], parts["drift"]) == (0.0, 0.01, 0.0)
    assert parts["laws"] == pytest.approx(variance**0.5, rel=1e-5)
    assert (found["quality"]["flag"], found["quality"]["meaning"]) == (1, "good")
    assert found["remarks"] == []
    assert found["why_missing"] is None


def test_a_line_is_shown_from_where_its_file_lies_now(tmp_path):
    field = make_field(tmp_path / "site")
    before = ask(field, "T1", 10, "10T00:30")
    old = field / "data" / before["file"]["path"]
    there = field / "data" / "rounds" / "moved.csv"
    there.parent.mkdir(exist_ok=True)
    old.rename(there)
    found = ask(field, "T1", 10, "10T00:30")
    assert found["line"] == before["line"]
    assert found["file"]["path"] == before["file"]["path"]
    assert found["file"]["state"] == "as read"
    assert found["file"]["said"].startswith("it lies in 'rounds/moved.csv' now; ")


def test_laws_wiring_and_clock_are_those_of_the_tables(field):
    found = ask(field, "T1", 10, "10T00:30")
    laws = found["calibration"]
    assert (laws["soil_law"]["id"], laws["soil_law"]["version"]) == ("topsoil", 1)
    assert laws["soil_law"]["coefficients"] == {"slope": 0.119, "offset": -0.19}
    assert laws["probe_law"]["id"] == "probe-batch"
    assert laws["horizon"]["name"] == "A"
    wire = found["wiring"]
    text = (field / "wiring.csv").read_text().split("\n")[wire["line"] - 1]
    assert text == "logger-a,mV_1,T1,10,voltage,mV,P1,,2023-09-01"
    assert (wire["probe"], wire["until"]) == ("P1", "2023-08-31T23:00:00Z")
    clock = found["clock"]
    assert (clock["as_logged"], clock["utc"]) == (
        "2023-03-10T01:30:00",
        "2023-03-10T00:30:00Z",
    )
    assert clock["repairs"] == []


def test_a_reading_of_the_bus_is_led_back_to_its_reply(field):
    """By hand: T2 is set 5 cm deeper, in zone Europe/Paris noon is 11:00 UTC in March."""
    found = ask(field, "T2", 10, "10T11:00")
    assert found["line"]["text"] == "2023-03-10 12:00:02 <0+2.75+3.10+9.5"
    assert found["line"]["line"] == 5
    assert found["signal"]["as_logged"]["text"] == "+2.75"
    assert found["clock"]["as_logged"] == "2023-03-10T12:00:00"  # of the command
    assert found["clock"]["stamp_of"] == "start of the measurement"
    assert found["wiring"]["channel"] == "0.M.1"
    assert found["cell"]["real_depth_m"] == 0.15
    water = found["value"]["cleaned_water_content"]
    assert water == pytest.approx(0.119 * 2.75 - 0.19, abs=1e-7)


def test_of_a_file_sent_again_the_winner_and_the_loser_are_told(field):
    found = ask(field, "T1", 10, "10T12:00")
    assert found["file"]["path"] == "logger-a/2023-03-10_resent.csv"
    assert found["signal"]["as_logged"]["text"] == "350,5"
    (lost,) = found["superseded"]
    assert (lost["path"], lost["line"]) == ("logger-a/2023-03-10.csv", 2 + 4 * 13 + 1)
    assert lost["value"] == float(np.float32(0.3135))
    assert "sorts last" in lost["lost_because"]


def test_a_spike_is_shown_with_its_neighbours_and_limits(field):
    """By hand: 800.5 mV is root 3 + 6 x 0.3005; before 311.5 mV, after 312.5 mV."""
    found = ask(field, "T1", 10, "10T11:00")
    (test,) = [t for t in found["tests"] if t["test"] == "spike"]
    assert test["limits"]["spike_fail"] == 0.06
    before, here, after = (seen["value"] for seen in test["looked_at"])
    assert before == pytest.approx(0.119 * (1 + 4 * 0.3115) - 0.19, abs=1e-7)
    assert here == pytest.approx(0.119 * (3 + 6 * 0.3005) - 0.19, abs=1e-7)
    assert after == pytest.approx(0.119 * (1 + 4 * 0.3125) - 0.19, abs=1e-7)
    assert test["looked_at"][0]["time"] == "2023-03-10T10:45:00Z"
    assert f"{here - after:.4f} m3 m-3" in test["said"]
    assert found["quality"]["meaning"] == "bad"
    assert found["value"]["cleaned_water_content"] is None
    assert found["corrections"][0]["kind"] == "removed"
    assert "spike" in found["why_missing"]


def test_a_reading_beyond_its_law_says_which_and_by_how_much(field):
    found = ask(field, "T1", 10, "10T05:00")
    assert found["quality"]["outside_calibration"] == 1
    assert "probe's law: 1.1 V is not within 0.0 to 1.0" in found["why_missing"]
    assert found["signal"]["as_logged"]["text"] == "1100,0"


def test_a_flat_line_says_since_when(field):
    """By hand: still since the 12th 00:00 local; 242 hours later it is bad."""
    found = ask(field, "T1", 30, "22T01:00")
    (test,) = found["tests"]
    assert test["test"] == "flat_line"
    assert "242.0 h" in test["said"]
    began = [seen for seen in test["looked_at"] if seen["what"] == "the run began"]
    assert began[0]["time"] == "2023-03-11T23:00:00Z"
    assert test["limits"]["flat_fail_h"] == 240.0
    assert found["quality"]["meaning"] == "bad"
    assert ask(field, "T1", 30, "17T01:00")["quality"]["meaning"] == "suspect"


def test_stored_water_is_led_back_to_weights_and_cells(field):
    """By hand: sensors at 10 and 30 cm, layer 0-30, constant above: 0.2 m and 0.1 m."""
    found = ask(field, "T1", None, "10T00:30", product="storage", layer="root-zone")
    assert [cell["weight_m"] for cell in found["cells"]] == pytest.approx([0.2, 0.1])
    upper = 0.119 * (1 + 4 * 0.3015) - 0.19
    lower = 0.12 * (1 + 4 * 0.430) - 0.2
    assert found["value"]["storage"] == pytest.approx(200 * upper + 100 * lower, abs=1e-4)
    assert found["agrees"]
    assert found["recomputed"] == found["value"]["storage"]
    assert found["end_rules"]["above_first_sensor"] == "constant"
    turn = dict(found["cells"][1]["trace"])
    when = datetime.fromisoformat(turn.pop("time"))
    cell = trace_cell(field, Question(time=when, **turn))
    held = found["cells"][1]["cleaned_water_content"]
    assert cell["value"]["cleaned_water_content"] == held


def test_a_layer_that_reaches_below_the_last_sensor_or_lacks_one_says_so(field):
    found = ask(field, "T1", None, "10T11:00", product="storage")
    assert found["value"]["storage"] is None
    assert found["why_missing"].endswith("10 cm")
    assert found["agrees"]


def test_a_daily_mean_tells_the_steps_that_counted(field):
    """By hand: of 96 due, two are bad; day_completeness 0.8 asks for 77."""
    found = ask(field, "T1", 10, "10T12:00", product="daily_water_content")
    rule = found["rule"]
    assert (rule["due"], rule["needed"], rule["counted"]) == (96, 77, 94)
    assert found["left_out"] == {"bad": 2}
    values = np.array([step["value"] for step in found["steps"]])
    assert found["value"]["daily_water_content"] == pytest.approx(values.mean(), rel=1e-6)
    assert found["agrees"]
    assert found["day"]["from"] == "2023-03-09T23:00:00Z"


def test_a_day_that_is_not_complete_says_what_it_lacks(field):
    found = ask(field, "T2", 10, "10T12:00", product="daily_water_content")
    assert found["value"]["daily_water_content"] is None
    assert "1 of the 96 values due" in found["why_missing"]
    storage = ask(field, "T1", None, "10T12:00", product="daily_storage")
    assert storage["rule"]["counted"] == 94
    assert storage["agrees"]


def test_rain_is_traced_by_its_source_and_summed_by_day(field):
    found = ask(field, "", None, "10T00:30", product="rain")
    assert found["cell"]["station"] == "logger-a"
    assert found["signal"]["as_logged"]["text"] == "0,2"
    assert found["wiring"]["channel"] == "rain"
    # By hand: logged from midnight, which is of the day before, to 23:45, at UTC+01:00.
    day = ask(field, "logger-a", None, "10T00:30", product="daily_rain")
    assert day["value"]["daily_rain"] == pytest.approx(95 * 0.2, rel=1e-6)
    assert day["agrees"]
    assert day["day"] == {"from": "2023-03-09T23:00:00Z", "until": "2023-03-10T23:00:00Z"}
    ends = [day["steps"][place]["time"] for place in (0, -1)]
    assert ends == ["2023-03-09T23:15:00Z", "2023-03-10T22:45:00Z"]
    assert (day["rule"]["counted"], day["left_out"]) == (95, {"missing": 1})
    before = ask(field, "logger-a", None, "09T12:00", product="daily_rain")
    assert [step["time"] for step in before["steps"]] == ["2023-03-09T23:00:00Z"]
    assert before["value"]["daily_rain"] is None
    assert before["agrees"]


MISSING = {
    "not in the ground": ("T2", 10, "01T12:00", "'T2' was not in the ground then"),
    "no file": ("T1", 10, "11T12:00", "no file of source 'logger-a' covers"),
    "no value": ("T2", 10, "10T10:45", "'bus/2023-03-10.log'"),
}


@pytest.mark.parametrize("kind", MISSING)
def test_a_cell_without_a_reading_says_why(field, kind):
    tube, depth, when, words = MISSING[kind]
    found = ask(field, tube, depth, when)
    assert found["value"]["cleaned_water_content"] is None
    assert words in found["why_missing"]
    assert "signal" not in found


def test_the_nearest_step_and_either_depth_are_taken_and_told(field):
    found = ask(field, "T2", 15, "10T11:04")
    assert found["cell"]["asked_off_by_s"] == 240
    assert found["cell"]["time"] == "2023-03-10T11:00:00Z"
    assert (found["cell"]["nominal_depth_m"], found["cell"]["matched_by"]) == (0.1, "real")
    assert ask(field, "T2", 11, "10T11:00")["cell"]["matched_by"] == "nominal"


UNKNOWN = {
    "tube": (("t1x", 10, "10T11:00"), {}, "Did you mean 'T1'"),
    "depth": (("T2", 22, "10T11:00"), {}, r"10 \(really 15\), 30 \(really 35\)"),
    "no depth": (("T2", None, "10T11:00"), {}, "--depth"),
    "layer": (
        ("T1", 10, "10T11:00"),
        {"product": "storage", "layer": "rootzone"},
        "root-zone",
    ),
    "product": (("T1", 10, "10T11:00"), {"product": "watter"}, "expected one of water"),
    "station": (("T1", 10, "10T11:00"), {"product": "rain"}, "logger-a"),
    "time": (("T1", 10, "31T11:00"), {}, "record, which runs from 2023-02-28T23:00:00Z"),
}


@pytest.mark.parametrize("kind", UNKNOWN)
def test_what_is_not_there_is_answered_with_what_is(field, kind):
    arguments, more, words = UNKNOWN[kind]
    with pytest.raises(TraceError, match=words):
        ask(field, *arguments, **more)


def add_third_law(folder, start):
    """Let another law of the topsoil hold from a time on."""
    law = (
        f'\n[[law]]\nid = "topsoil"\nversion = 3\nkind = "soil"\nfrom = {start}\n'
        'form = "linear_root_permittivity"\ncoefficients = { slope = 0.1, offset = -0.1 }\n'
        'valid = [1.5, 8.0]\norigin = "third sampling"\n'
    )
    with (folder / "calibrations.toml").open("a") as file:
        file.write(law)


def test_an_earlier_state_is_explained_by_its_own_laws(tmp_path):
    folder = make_field(tmp_path / "site")
    first = ask(folder, "T1", 10, "14T00:30")
    add_third_law(folder, "2023-03-13")
    night.store_night(folder, datetime(2023, 4, 2, tzinfo=UTC))
    then = ask(folder, "T1", 10, "14T00:30", commit=first["state"]["commit"])
    now = ask(folder, "T1", 10, "14T00:30")
    assert now["calibration"]["soil_law"]["version"] == 3
    assert now["calibration"]["soil_law"]["effective"] == "2023-03-12T23:00:00Z"
    assert now["remarks"] == []
    assert then["calibration"] == first["calibration"]
    assert then["value"] == first["value"] != now["value"]
    assert "described otherwise now" in then["remarks"][0]


def test_a_source_described_otherwise_since_is_remarked(tmp_path):
    folder = make_field(tmp_path / "site")
    wiring = folder / "wiring.csv"
    wiring.write_text(wiring.read_text().replace("mV_2,T1,30", "mV_7,T1,30"))
    remarks = " ".join(ask(folder, "T1", 30, "10T00:30")["remarks"])
    assert "source 'logger-a' is described otherwise now" in remarks


def test_a_trace_needs_no_heavy_library(field):
    """Its start is part of its time: what is not needed must not be loaded."""
    code = (
        "import sys; from datetime import datetime, UTC; from pathlib import Path\n"
        "from pipeline.lineage.trace import Question, trace\n"
        "from pipeline.lineage.text import trace_text\n"
        "time = datetime(2023, 3, 10, 11, tzinfo=UTC)\n"
        "found = trace(Path(sys.argv[1]), None, Question('T1', time, 10))\n"
        "trace_text(found)\n"
        "heavy = {'numba', 'xarray', 'pandas', 'matplotlib', 'netCDF4', 'prefect'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    command = [sys.executable, "-c", code, str(field)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_account_is_strict_json(field):
    for when in ("10T11:00", "10T10:45"):
        account = ask(field, "T1", 10, when)
        assert json.loads(json.dumps(account, allow_nan=False)) == account


def test_a_later_revision_is_told_from_the_one_that_was_read(tmp_path):
    folder = make_field(tmp_path / "site")
    before = ask(folder, "T1", 10, "10T00:30")
    text = day_text({(1, 30): "340,5"})
    put(folder, "logger-a/2023-03-10_resent.csv", text.replace(";430;", ";431;"))
    night.store_night(folder, datetime(2023, 4, 2, tzinfo=UTC))
    found = ask(folder, "T1", 10, "10T00:30")
    assert found["file"]["revision"] == 1
    assert found["signal"]["as_logged"]["text"] == "340,5"
    assert {lost["revision"] for lost in found["superseded"]} == {0}
    then = ask(folder, "T1", 10, "10T00:30", commit=before["state"]["commit"])
    assert then["file"]["state"] == "changed"
    assert not then["line"]["is_as_read"]


def make_field_of_a_fast_clock(folder):
    """Return a site whose logger was right on the 5th at noon and 240 s fast on the 15th."""
    make_field(folder)
    header = (folder / "visits.csv").read_text().split("\n")[0]
    rows = (
        "2023-03-05T12:00,,logger-a,clock,,0,s,,\n2023-03-15T12:00,,logger-a,clock,,240,s,,\n"
    )
    (folder / "visits.csv").write_text(f"{header}\n{rows}")
    return folder


def test_a_clock_that_drifted_is_undone_to_the_stamp_in_the_line(tmp_path):
    """By hand: 0 s ahead on the 5th, 240 s on the 15th, both noon: 1 s in an hour."""
    folder = make_field_of_a_fast_clock(tmp_path / "site")
    night.store_night(folder, datetime(2023, 4, 2, tzinfo=UTC))
    found = ask(folder, "T1", 10, "10T00:30")
    clock, line = found["clock"], found["line"]["text"]
    assert clock["as_logged"] == "2023-03-10T01:30:00"
    assert line.startswith("10.03.2023 01:30;")
    hours = 4 * 24 + 13.5
    assert clock["offset_from_step_s"] == pytest.approx(-hours, abs=1)
    (repair,) = clock["repairs"]
    assert repair["kind"] == "clock_drift"
    assert "240" in repair["evidence"]


def test_a_law_from_between_reading_and_step_is_not_the_readings(tmp_path):
    """By hand: logged 01:30, 109 s fast: taken 01:28:11, before the law of 01:29."""
    folder = make_field_of_a_fast_clock(tmp_path / "site")
    add_third_law(folder, "2023-03-10T01:29:00")
    night.store_night(folder, datetime(2023, 4, 2, tzinfo=UTC))
    own, later = ask(folder, "T1", 10, "10T00:30"), ask(folder, "T1", 10, "10T00:45")
    assert own["calibration"]["soil_law"]["version"] < 3
    assert later["calibration"]["soil_law"]["version"] == 3
    for found in (own, later):  # the laws shown make the value shown
        line = found["calibration"]["soil_law"]["coefficients"]
        root = found["value"]["root_permittivity"]
        by_hand = line["slope"] * root + line["offset"]
        assert found["value"]["calibrated_water_content"] == pytest.approx(by_hand, abs=1e-7)


def test_a_reading_that_a_person_rejected_is_bad_by_the_decision_alone(tmp_path):
    folder = make_field(tmp_path / "site")
    header = (folder / "visits.csv").read_text().split("\n")[0]
    (folder / "visits.csv").write_text(f"{header}\n2023-03-10T03:00,T1,,inspection,,,,,\n")
    (folder / "decisions.csv").write_text(
        "tube,depth_cm,from,until,verdict,why,who\n"
        "T1,10,2023-03-10T02:45,2023-03-10T03:15,reject,cable cut,A. Keeper\n"
    )
    night.store_night(folder, datetime(2023, 4, 2, tzinfo=UTC))
    found = ask(folder, "T1", 10, "10T02:00")
    assert {test["test"] for test in found["tests"]} == {"maintenance", "decision"}
    assert found["why_missing"] == "the reading is bad by decision and was left out"
    assert "maintenance" not in found["corrections"][0]["reason"]
    assert "cable cut (A. Keeper)" in found["corrections"][0]["reason"]
