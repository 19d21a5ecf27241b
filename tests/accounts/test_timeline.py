"""``percolog timeline``: densities against readings counted by hand, and honest drawing."""

import io
import json
import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from bare_site import at, make_site, make_wire
from typer.testing import CliRunner

from pipeline.accounts.density import fill
from pipeline.accounts.timeline import (
    ASCII,
    BLOCKS,
    LABELS,
    columns_in,
    draw_lane,
    print_timeline,
    site_timeline,
    timeline_account,
    timeline_text,
)
from pipeline.cli import app
from pipeline.console import document
from pipeline.nights.night import site_store
from pipeline.site.chronicle import chronicle
from pipeline.site.load import load_site

NOW = datetime(2023, 9, 10, tzinfo=UTC)
FIELD = Path(__file__).parents[1] / "site" / "field"
DAY = 96  # steps of 15 minutes
DAYS = 200  # 2023-03-01 to 2023-09-17: in one column of two days 192 readings are due


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Return a site whose store holds readings at hand-picked steps."""
    folder = tmp_path_factory.mktemp("timeline") / "field"
    shutil.copytree(FIELD, folder)
    (folder / "data").mkdir()
    settings = folder / "site.toml"
    bus = 'layout = "transcript"'
    settings.write_text(settings.read_text().replace(bus, f'{bus}\ninterval = "30 min"'))
    site = load_site(folder)
    with site_store(site).write() as writer:
        writer.widen("tube", ["T1", "T2"])
        writer.widen("depth", list(site.depths_m))
        writer.widen("station", list(site.stations))
        for quantity in ("voltage", "root_permittivity", "soil_temperature", "rain"):
            writer.ensure(f"readings/{quantity}")
        writer.extend(DAYS * DAY)
        volts = np.full((DAYS * DAY, 2, 2), np.nan, dtype=np.float32)
        volts[:, 0, 0] = 0.4
        volts[20 * DAY : 24 * DAY, 0, 0] = np.nan  # four days without a reading
        volts[30 * DAY : 32 * DAY : 2, 0, 0] = np.nan  # two days with every other reading
        writer.write("readings/voltage", 0, volts)
        roots = np.full((DAYS * DAY, 2, 2), np.nan, dtype=np.float32)
        roots[2 * DAY :: 2, 1, :] = 3.0  # every half hour, as the source says
        writer.write("readings/root_permittivity", 0, roots)
        warm = np.full((DAYS * DAY, 2, 2), np.nan, dtype=np.float32)
        warm[2 * DAY :: 24, 1, 0] = 11.0  # every six hours
        writer.write("readings/soil_temperature", 0, warm)
        start = int(site.start.timestamp())
        times = [start + 50 * 86_400, start + 50 * 86_400, start + 51 * 86_400]
        writer.put_table("rounds", pa.table({"time_s": times, "tube": ["T1", "T1", "T2"]}))
        writer.commit("readings", {})
    return folder


def lane_of(timeline, kind, group, name):
    [found] = [
        lane
        for lane in timeline.lanes
        if (lane.kind, lane.group, lane.name) == (kind, group, name)
    ]
    return found


@pytest.fixture(scope="module")
def timeline(stored):
    return site_timeline(stored, NOW, columns_in(LABELS + 104))


def test_density_is_the_share_of_the_readings_due(timeline):
    assert timeline.width_s == 2 * 86_400
    share = lane_of(timeline, "sensor", "T1", "10 cm voltage").density
    # By hand, in columns of two days from the start on.
    assert share[10:12].tolist() == [0.0, 0.0]
    assert share[15] == 0.5
    others = np.delete(share[:100], [10, 11, 15])
    np.testing.assert_array_equal(others, 1.0)


def test_a_wired_sensor_without_any_reading_is_a_gap_all_along(timeline):
    share = lane_of(timeline, "sensor", "T1", "30 cm voltage").density
    np.testing.assert_array_equal(share[:100], 0.0)
    rain = lane_of(timeline, "station", "logger-a", "rain").density
    np.testing.assert_array_equal(rain[:100], 0.0)


def test_a_sensor_is_measured_by_its_own_pace(timeline):
    roots = lane_of(timeline, "sensor", "T2", "30 cm root_permittivity")
    assert roots.interval_s == 1800
    np.testing.assert_array_equal(roots.density[1:100], 1.0)
    warm = lane_of(timeline, "sensor", "T2", "10 cm soil_temperature")
    assert warm.interval_s == 6 * 3600
    np.testing.assert_array_equal(warm.density[1:100], 1.0)


def test_where_a_logger_was_set_otherwise_each_time_goes_by_its_own_interval():
    """By hand: every third hour for four days, then hourly; the sixth day has 6 of its 24.

    By the slower interval it would seem to have 6 of 8.
    """
    hourly = make_site().sources[0]
    slow = hourly.model_copy(update={"id": "slow", "interval_s": 3 * 3600})
    wires = (make_wire(source="slow", until=at(5)), make_wire(start=at(5)))
    site = make_site(sources=(slow, hourly), wiring=wires)
    volts = np.full((8 * 24, 1, 1), np.nan)
    volts[: 4 * 24 : 3], volts[4 * 24 :] = 0.5, 0.5
    volts[5 * 24 : 6 * 24][np.arange(24) % 4 > 0] = np.nan
    state = SimpleNamespace(
        axis=site.axis,
        steps=len(volts),
        labels={"tube": ["T1"], "depth": [0.1]},
        holds=lambda key: key == "readings/voltage",
        read=lambda _, start, stop: volts[start:stop],
        table=lambda _: None,
    )
    days = chronicle(site, at(9).timestamp(), 8)
    lane = lane_of(fill(days, state, "now"), "sensor", "T1", "10 cm voltage")
    assert lane.density.tolist() == [1.0, 1.0, 1.0, 1.0, 1.0, 0.25, 1.0, 1.0]


def test_before_a_tube_is_installed_nothing_is_due(stored):
    narrow = site_timeline(stored, NOW, 2000)
    assert narrow.width_s == 3 * 3600
    share = lane_of(narrow, "sensor", "T2", "10 cm root_permittivity").density
    # By hand: T2 was set on the second day at 10:00, within the 12th column of three hours.
    assert np.isnan(share[:11]).all()
    assert share[11:16].tolist() == [0.0] * 5
    assert share[16] == 1.0


def test_rounds_by_hand_have_a_lane_below_their_tube(timeline):
    names = [(lane.kind, lane.group) for lane in timeline.lanes]
    assert names[names.index(("tube", "T1")) + 1] == ("hand", "T1")
    assert (
        len(lane_of(timeline, "hand", "T1", "hand rounds").marks) == 1
    )  # two readings, one walk


def test_the_drawing_is_by_level(timeline):
    line = draw_lane(lane_of(timeline, "sensor", "T1", "10 cm voltage"), timeline, BLOCKS)
    # Columns 92 begin on 2023-09-01, when the probe was swapped.
    assert line[:16] == "█" * 10 + "··" + "███" + "▒"
    assert line[92] == "│"
    assert len(line) == timeline.count


@pytest.mark.parametrize("width", [60, 80, 132])
@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
def test_lines_fit_and_what_is_drawn_is_explained(stored, width, glyphs):
    text = timeline_text(site_timeline(stored, NOW, columns_in(width)), width, glyphs)
    assert max(map(len, text.splitlines())) <= width
    drawn, legend = text.rsplit("\n\n", 1)
    assert glyphs is BLOCKS or text.isascii()
    marks = {line[LABELS:] for line in drawn.splitlines()[6:]}
    for sign in set("".join(marks)) - {" "}:
        assert sign in legend
    assert "S swap" in legend
    assert "X removal" not in legend


def test_without_a_store_what_is_wired_is_drawn_and_said_to_be_no_more(make_site):
    folder = make_site()
    raw = folder / "data" / "logger-a" / "sep.csv"
    raw.parent.mkdir()
    rows = [f"02.09.2023 {hour:02d}:00;412,5;388,1;0,0" for hour in range(24)]
    raw.write_text("\n".join(["Time;mV_1;mV_2;rain", ";mV;mV;mm", *rows, ""]))
    timeline = site_timeline(folder, NOW, 60)
    text = timeline_text(timeline, LABELS + 60)
    assert "no store yet" in text
    assert "█" not in text
    assert "none of the readings due" not in text
    assert "logger-a: 1 file" in text
    assert not (folder / "store").exists()
    assert all(lane.density is None for lane in timeline.lanes)


def test_names_cannot_drive_a_terminal(make_site):
    spoilt = ('title = "Soil water on the north slope"', 'title = "north\\u001b[2J slope"')
    text = timeline_text(site_timeline(make_site({"site.toml": [spoilt]}), NOW, 40), 80)
    assert "\x1b" not in text
    assert "north\\x1b[2J slope" in text


def test_a_stream_that_lacks_the_blocks_gets_ascii(make_site, monkeypatch):
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.setenv("COLUMNS", "70")
    print_timeline(make_site(), NOW)
    stream.flush()
    text = stream.buffer.getvalue().decode("ascii")
    assert "====" in text
    assert max(map(len, text.splitlines())) <= 70


def test_the_account_for_programs_is_strict_json(timeline):
    account = timeline_account(timeline)
    read = json.loads(document(account))
    [lane] = [one for one in read["lanes"] if one["name"] == "10 cm voltage"]
    assert lane["density"][10] == 0.0
    assert lane["spans"][0] == {
        "from": "2023-02-28T23:00:00Z",
        "until": "2023-08-31T23:00:00Z",
        "label": "P1",
    }
    assert lane["spans"][1]["until"] is None
    assert read["column_s"] == 172_800


def test_the_command_draws_and_writes_a_picture(stored, tmp_path):
    def run(*arguments):
        ran = CliRunner().invoke(app, ["timeline", str(stored), *arguments])
        assert ran.exit_code == 0, ran.output
        return ran.stdout

    assert "in the ground" in run("--ascii")
    picture = tmp_path / "timeline.png"
    assert run("--png", str(picture)).strip() == str(picture)
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert json.loads(run("--json"))["command"] == "timeline"
