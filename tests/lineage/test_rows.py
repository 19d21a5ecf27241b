"""Numbers of events, nights, limits and means led back to raw lines, and made again."""

import json
import shutil
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest
from rows_site import HAND, ROUND_DAYS, content, logged, make_rows_site
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.lineage.text import trace_text
from pipeline.lineage.trace import Question, trace
from pipeline.lineage.view import TraceError
from pipeline.site.load import load_site
from pipeline.store.site_store import SiteStore

EVENT = "T1-20230311T0600Z"
DAY = datetime(2023, 3, 15, 12, tzinfo=UTC)  # in that event; hands read it, too
REQUEST = Request(steps=("daily",), pictures=False, spreadsheets=False, name="rows")
BEGIN_UTC = datetime(2023, 2, 28, 23, tzinfo=UTC)


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    return make_rows_site(tmp_path_factory.mktemp("rows") / "site")


@pytest.fixture(scope="module")
def netcdf(field):
    deliver_site(field, REQUEST)
    return field / "out/deliveries/rows/r0001/netcdf"


def ask(folder, product, number="", file=None, **more):
    asked = Question(more.pop("tube", ""), product=product, number=number, **more)
    return trace(None if file else folder, file, asked)


def hour_of(text):
    """Return the local hour of the record of an instant."""
    return (datetime.fromisoformat(text) - BEGIN_UTC) / timedelta(hours=1)


CASES = {
    "gain": ("event", "gain_mm", {"event": EVENT}),
    "remainder": ("event", "remainder_mm", {"event": EVENT}),
    "drainage": ("event", "drainage_mm", {"event": EVENT}),
    "drainage at a sensor": ("event", "drainage_mm", {"event": EVENT, "depth_cm": 10}),
    "velocity": ("event", "velocity_m_d", {"event": EVENT, "depth_cm": 30}),
    "recession": ("event", "time_to_drained_h", {"event": EVENT, "depth_cm": 10}),
    "uptake": ("uptake", "", {"tube": "T1", "depth_cm": 30, "time": DAY}),
    "conductivity": ("conductivity", "", {"tube": "T1", "depth_cm": 10}),
    "upper limit": ("limits", "", {"tube": "T1", "depth_cm": 10}),
    "lower limit": ("limits", "lower", {"tube": "T1", "depth_cm": 10}),
    "site mean": ("site_mean", "", {"depth_cm": 10, "time": DAY}),
    "bound of a group": (
        "site_mean", "upper", {"layer": "root-zone", "time": DAY, "group": "upper"},
    ),
    "stability": ("stability", "", {"tube": "T1", "depth_cm": 10}),
    "offset": ("stability", "offset", {"tube": "T3", "layer": "root-zone"}),
    "ranks": ("rank_correlation", "", {"depth_cm": 10, "months": "2023-04,2023-03"}),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_number_is_made_again_and_its_lines_stand_in_the_raw_files(field, case):
    product, number, more = CASES[case]
    found = ask(field, product, number, **more)
    assert found["outcome"] == "done"
    assert found["agrees"]
    assert not found["differs"]
    value = found["value"][found["number"]]
    assert value is not None
    assert found["recomputed"] == value
    assert found["computed_by"]["version"] is not None
    lines = list(raw_lines(found))
    assert lines
    for path, line, text in lines:
        raw = (field / "data" / path).read_text("utf-8").split("\n")
        assert raw[line - 1] == text
    told = trace_text(found)
    assert lines[0][2] in told
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert "as stored, to the last bit" in told


def raw_lines(account):
    """Yield file, line and text of every raw line of a trace."""
    for group in account["rests_on"]:
        for item in group["items"]:
            cells = (item, *item.get("parts", ()))
            led = [cell["origin"] for cell in cells if "origin" in cell]
            for origin in (*led, *item.get("hand", ())):
                yield (
                    origin["file"]["path"],
                    origin["line"]["line"],
                    origin["line"]["text"],
                )


def test_a_gain_is_the_difference_of_two_means_worked_by_hand(field):
    """Storage above 30 cm is 200 mm of the upper and 100 mm of the lower sensor's content."""
    found = ask(field, "event", "gain_mm", event=EVENT)
    before, peak = found["rests_on"]
    assert (before["count"], peak["count"]) == (12, 5)
    assert before["items"][-1]["at"] == "2023-03-11T05:45:00Z"  # the last before it climbs
    means = []
    for group in (before, peak):
        hours = [hour_of(item["at"]) for item in group["items"]]
        by_hand = [1000 * (0.2 * logged(h, 0) + 0.1 * logged(h, 1)) for h in hours]
        assert [item["value"] for item in group["items"]] == pytest.approx(by_hand, abs=1e-4)
        means.append(np.mean(by_hand))
    assert found["value"]["gain_mm"] == pytest.approx(means[1] - means[0], abs=1e-4)
    assert [part["weight_m"] for part in before["items"][0]["parts"]] == pytest.approx(
        [0.2, 0.1]
    )


def test_drainage_shows_the_laws_it_rests_on_and_the_nights_they_were_fitted_to(field):
    found = ask(field, "event", "drainage_mm", event=EVENT, depth_cm=10)
    told = {group["what"]: group for group in found["rests_on"]}
    (nights,) = (group for what, group in told.items() if "laws are fitted to" in what)
    flux = told[f"law of flux of {nights['count']} nights (docs/events.md)"]
    law = {item["at"]: item["value"] for item in flux["items"]}
    # by hand: what water content counts from is its mean over these nights.
    water = [float(item["said"].split()[1]) for item in nights["items"]]
    assert law["middle"] == pytest.approx(np.mean(water), abs=5e-5)
    assert law["apart_m"] == pytest.approx(0.2)  # from 10 to 30 cm
    assert law.keys() >= {"ln_k", "k_slope", "ln_d", "d_slope", "off_rest", "share_below"}


def test_rain_is_the_sum_of_the_gauges_lines(field):
    found = ask(field, "event", "rain_mm", event=EVENT)
    (rain,) = found["rests_on"]
    assert [item["value"] for item in rain["items"]] == [2.0] * 8
    assert rain["value"] == found["value"]["rain_mm"] == 16.0
    assert rain["items"][0]["origin"]["line"]["text"].endswith(";2,0")


def test_an_event_is_found_by_an_instant_in_it_and_by_its_delivered_name(field):
    at = datetime(2023, 3, 12, tzinfo=UTC)
    found = ask(field, "event", "profile_storage_gain", tube="T1", time=at)
    assert (found["cell"]["event"], found["number"]) == (EVENT, "gain_mm")


def test_a_night_is_a_line_through_its_readings(field):
    found = ask(field, "uptake", "night_water_content", tube="T1", depth_cm=10, time=DAY)
    (night,) = found["rests_on"]
    hours = np.array([hour_of(item["at"]) for item in night["items"]])
    values = [logged(hour, 0) for hour in hours]
    level = np.polyval(np.polyfit(hours, values, 1), hours.mean())
    assert found["value"]["night_water_content"] == pytest.approx(level, abs=1e-6)


def test_instants_and_words_are_told_as_such(field):
    told = trace_text(ask(field, "event", "onset_s", event=EVENT))
    assert "value        onset_s 2023-03-11T06:00:00Z\n" in told
    told = trace_text(ask(field, "event", "doubts", event=EVENT))
    assert "value        doubts none\n" in told


def test_a_limit_names_its_spells_and_leads_one_down(field):
    """By hand: 0.30 less 0.02 ln 10, when the fall is 0.002 a day; means of days are near."""
    found = ask(field, "limits", tube="T1", depth_cm=10)
    used, rest = found["rests_on"]
    assert used["count"] == found["row"]["upper_spells"]
    assert used["value"] == np.median([item["value"] for item in used["items"]])
    assert used["value"] == pytest.approx(0.30 - 0.02 * np.log(10), abs=3e-3)
    assert used["count"] + rest["count"] == 3
    path = used["items"][0]["origin"]["path"]
    assert [step["product"] for step in path] == ["daily_water_content", "water"]
    mean = np.mean([logged(hour_of(path[0]["time"]) + q / 4, 0) for q in range(96)])
    assert path[0]["value"] == pytest.approx(mean, abs=1e-6)


def test_a_site_mean_lists_its_tubes_with_lines_of_the_book(field):
    """On a day on which all are measured it is their plain mean."""
    found = ask(field, "site_mean", depth_cm=10, time=DAY)
    (tubes,) = found["rests_on"]
    assert [item["at"] for item in tubes["items"]] == ["T1", "T2", "T3"]
    nine = (DAY - BEGIN_UTC).days * 24 + 9
    read = [round(100 * (content(nine, 0) + more), 1) for more in HAND.values()]
    first = (DAY - BEGIN_UTC).days * 24
    mine = np.mean([logged(first + quarter / 4, 0) for quarter in range(96)])
    values = [mine, *(percent / 100 for percent in read)]
    assert [item["value"] for item in tubes["items"]] == pytest.approx(values, abs=1e-6)
    assert found["value"]["mean"] == pytest.approx(np.mean(values), abs=1e-6)
    text = f"2023-03-15 09:00;T2;1;{read[0]:.1f};30.0;30.0"
    assert tubes["items"][1]["hand"][0]["line"]["text"] == text
    assert text in trace_text(found)


def test_a_place_in_the_site_is_the_mean_of_its_days(field):
    found = ask(field, "stability", tube="T2", depth_cm=10)
    (days,) = found["rests_on"]
    assert days["count"] == found["row"]["days"] == len(ROUND_DAYS)
    mean = np.mean([item["value"] for item in days["items"]])
    assert found["value"]["mean_relative_difference"] == pytest.approx(mean, abs=1e-12)


FILES = {
    "gain": ("all_events", "event", "gain_mm", {"event": EVENT}),
    "flag": ("all_events", "event", "drained", {"event": EVENT, "depth_cm": 10}),
    "none": ("all_events", "event", "lag_s", {"event": EVENT, "depth_cm": 10}),
    "doubts": ("all_events", "event", "doubts", {"event": EVENT}),
    "night": (
        "all_uptake", "uptake", "night_drainage", {"tube": "T1", "depth_cm": 10, "time": DAY},
    ),
    "mean": ("all_site_means", "site_mean", "", {"depth_cm": 10, "time": DAY}),
    "bound": (
        "all_site_means", "site_mean", "lower",
        {"layer": "root-zone", "time": DAY, "group": "upper"},
    ),
    "conductivity": ("conductivity", "conductivity", "", {"tube": "T1", "depth_cm": 10}),
}  # fmt: skip


@pytest.mark.parametrize("kind", FILES)
def test_a_delivered_number_is_that_of_the_store(field, netcdf, kind):
    name, product, number, more = FILES[kind]
    found = ask(field, product, number, netcdf / f"north-slope_{name}.nc", **more)
    assert found["delivered"]["agrees"]
    assert found["outcome"] == "done"
    assert found["delivered"]["value"] == found["delivered"]["stored"]
    if kind == "mean":
        assert found["delivered"]["value"] == found["value"]["mean"]


def test_a_file_that_holds_other_numbers_says_which(field, netcdf):
    file = netcdf / "north-slope_all_daily.nc"
    with pytest.raises(TraceError, match="expected a field 'event_id'; the file has"):
        ask(field, "event", file=file, event=EVENT)


def changed_store(field, folder, name, column, value):
    """Return a copy of the site in whose store one number is another."""
    shutil.copytree(field, folder)
    site = load_site(folder)
    with SiteStore(site.store, site.axis, site.id).write() as writer:
        rows = writer.table(name).to_pylist()
        for row in rows:
            if row.get("event", EVENT) == EVENT:
                row[column] = value
        writer.put_table(name, pa.Table.from_pylist(rows, writer.table(name).schema))
        writer.commit("changed", {})
    return folder


def test_a_stored_number_that_is_not_what_its_cells_give_is_told(field, tmp_path):
    folder = changed_store(field, tmp_path / "site", "events", "peak_mm", 99.0)
    found = ask(folder, "event", "peak_mm", event=EVENT)
    assert (found["agrees"], found["differs"]) == (False, ["peak_mm"])
    assert found["outcome"] == "attention"
    assert "NOT as stored: peak_mm" in trace_text(found)
    other = ask(folder, "event", "rain_mm", event=EVENT)  # sound by itself
    assert (other["agrees"], other["outcome"]) == (True, "done")
    assert "other columns are NOT as stored: peak_mm" in trace_text(other)


def test_a_raw_file_that_changed_asks_for_a_look(field, tmp_path):
    shutil.copytree(field, tmp_path / "site")
    raw = tmp_path / "site/data/logger-a/march.csv"
    raw.write_text(raw.read_text().replace("01.03.2023 00:15", "01.03.2023 00:16"))
    found = ask(tmp_path / "site", "limits", tube="T1", depth_cm=10)
    assert (found["agrees"], found["outcome"]) == (True, "attention")
    assert "changed: " in trace_text(found)


WRONG = {
    "event": (("event", ""), {"event": "T1-20230311T0615Z"}, f"nearest are {EVENT}"),
    "instant": (
        ("event", ""), {"tube": "T1", "time": datetime(2023, 2, 1, tzinfo=UTC)},
        "no wetting event of T1 at 2023-02-01T00:00:00Z; the nearest are T1-20230301T0600Z",
    ),
    "neither": (("event", ""), {"tube": "T1"}, "found neither --event nor --time"),
    "number": (("event", "gain_m"), {"event": EVENT}, "Did you mean 'gain_mm'?"),
    "time": (("uptake", ""), {"tube": "T1", "depth_cm": 10}, "found no --time"),
    "night": (
        ("uptake", ""), {"tube": "T1", "depth_cm": 10, "time": BEGIN_UTC},
        "nearest days with one are 2023-03-01T23:00:00Z",
    ),
    "depth": (("limits", ""), {"tube": "T1"}, "found no --depth"),
    "class": (
        ("conductivity", ""), {"tube": "T1", "depth_cm": 10, "water": 0.9}, "means at 0.2",
    ),
    "group": (
        ("site_mean", ""), {"depth_cm": 10, "time": DAY, "group": "uper"}, "mean 'upper'",
    ),
    "place": (("stability", ""), {"tube": "T1", "depth_cm": 90}, "found --depth 90; expected"),
    "tube": (("stability", ""), {"tube": "T9", "depth_cm": 10}, "no place of tube 'T9'"),
    "months": (
        ("rank_correlation", ""), {"depth_cm": 10, "months": "2023-04,2023-05"},
        "'2023-03,2023-04'",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", WRONG)
def test_what_is_not_there_is_told_with_the_nearest_there_is(field, kind):
    (product, number), more, said = WRONG[kind]
    with pytest.raises(TraceError) as error:
        ask(field, product, number, **more)
    assert said in str(error.value)


def test_the_command_tells_how_to_go_on(field):
    options = ["--product", "limits", "--tube", "T1", "--depth", "10", "--number", "upper"]
    done = CliRunner().invoke(app, ["trace", str(field), *options])
    assert done.exit_code == 0
    (line, *_) = [x for x in done.output.split("\n") if x.startswith("in turn")]
    done = CliRunner().invoke(app, ["trace", str(field), *line.split("SITE ")[1].split()])
    assert done.exit_code == 0
    assert "mean of 96 values" in done.output
