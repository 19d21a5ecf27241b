"""Whole nights of a logger whose clock changes, drifts and is set: promises 1, 3 and 4."""

import json
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.accounts.check_and_ledger import ledger_text
from pipeline.ingest.clock_logged import logged_time
from pipeline.ingest.ledger import Ledger
from pipeline.nights import night
from pipeline.site.checks import review
from pipeline.site.load import load_site
from pipeline.store.cubes import SPECS

NOW = datetime(2023, 12, 1, tzinfo=UTC)
PARIS = ZoneInfo("Europe/Paris")
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
ON_ZONE_CLOCK = {
    "site.toml": [('utc_offset = "+01:00"\nstamp = "end"', 'zone = "Europe/Paris"')]
}
OLD_CHECK = "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n"
NEW_CHECK = OLD_CHECK + "2023-11-01T12:00,,logger-a,clock,,-100,s,slow,AK\n"
BUS = """2023-10-28 12:00:00 > 0M!
2023-10-28 12:00:00 < 00003
2023-10-28 12:00:01 > 0D0!
2023-10-28 12:00:01 < 0+3.1+3.2+11.5
"""


def day_file(day):
    """Return a day of the logger, midnight to midnight of a clock that changes (IANA tz)."""
    start = int(datetime(2023, 10, day, tzinfo=PARIS).timestamp())
    stop = int(datetime(2023, 10, day + 1, tzinfo=PARIS).timestamp())
    rows = [
        f"{datetime.fromtimestamp(s, PARIS):%d.%m.%Y %H:%M};{300 + s // 900 % 97},5;400;0\n"
        for s in range(start, stop, 900)
    ]
    return HEADER + "".join(rows)


FILES = {f"logger-a/2023-10-{day}.csv": day_file(day) for day in (28, 29, 30)} | {
    "bus/2023-10-28.log": BUS
}


@pytest.fixture
def field(make_site):
    """Return a function that makes the site, its logger on a zone's clock."""

    def make(visits=OLD_CHECK):
        return make_site({**ON_ZONE_CLOCK, "visits.csv": [(OLD_CHECK, visits)]})

    return make


def bring(folder, names, cut=None):
    for name in names:
        path = folder / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(FILES[name][:cut], encoding="utf-8")


def state_of(folder):
    """Return every array of a site's newest state, its ledger and its superseded readings."""
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    ledger = snapshot.table("ledger").to_pandas().drop(columns=["modified_ns"])
    return arrays, ledger, snapshot.table("superseded").to_pandas()


def assert_same(found, expected):
    assert found[0].keys() == expected[0].keys()
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for one, other in zip(found[1:], expected[1:], strict=True):
        assert one.equals(other)


def test_the_night_the_clock_goes_back_is_stored_whole_and_told(field):
    folder = field()
    bring(folder, FILES)
    result = night.store_night(folder, NOW)
    assert result["ledger"]["open_files"] == []
    assert result["ledger"]["reasons"] == {}
    # By hand: three days of 24, 25 and 24 h with four rows of three values, and three more.
    assert result["ledger"]["stored"] == 73 * 4 * 3 + 3
    kinds = {(row["file"], row["kind"]) for row in result["clocks"]}
    assert ("logger-a/2023-10-29.csv", "repeated_hour") in kinds
    assert ("logger-a/2023-10-28.csv", "clock_drift") in kinds
    report = {f["path"]: f for f in night.ledger_report(folder)["files"]}
    assert report["logger-a/2023-10-29.csv"]["clock"]["zone"] == "Europe/Paris"
    assert json.dumps(report)  # what the report shows can be written down
    summary = night.close_night(folder, result)
    text = (folder / "out" / "summary.txt").read_text(encoding="utf-8")
    assert "repeated_hour" in text
    assert summary["outcome"] == "done"


def test_every_cell_can_tell_the_stamp_in_its_file(field):
    folder = field()
    bring(folder, FILES)
    night.store_night(folder, NOW)
    site = night.open_description(folder)
    snapshot = night.site_store(site).read()
    ledger = Ledger.from_table(snapshot.table("ledger"))
    key = "readings/voltage"
    file, line, offset = (
        snapshot.array(f"{key}_{n}")[:] for n in ("file", "line", "offset_s")
    )
    checked = 0
    for number, entry in ledger.entries.items():
        at = np.nonzero(file == number)
        utc = site.axis.seconds(0, snapshot.steps)[at[0]] + offset[at]
        texts = FILES[entry.path].splitlines()
        logged = logged_time(entry, utc, line[at], "mV_1")
        for second, row in zip(logged.tolist(), line[at].tolist(), strict=True):
            shown = datetime.fromtimestamp(second, UTC)
            assert texts[row - 1].startswith(f"{shown:%d.%m.%Y %H:%M}")
            checked += 1
    assert checked == 73 * 4 * 2  # two voltages a row


@pytest.mark.slow
def test_files_in_any_order_and_files_that_grow_come_to_the_same(field):
    whole = field()
    bring(whole, FILES)
    night.store_night(whole, NOW)
    expected = state_of(whole)
    pieces = field()
    for names in (list(FILES)[2:], list(FILES)[:2]):
        bring(pieces, names)
        night.store_night(pieces, NOW)
    assert_same(state_of(pieces), expected)
    growing = field()
    for rows in (10, 14, 17):  # in the first and the second pass of the hour, and after it
        cut = sum(map(len, day_file(29).splitlines(keepends=True)[: rows + 2])) + 9
        bring(growing, ["logger-a/2023-10-29.csv"], cut)
        night.store_night(growing, NOW)
    bring(growing, FILES)
    night.store_night(growing, NOW)
    assert_same(state_of(growing), expected)


def test_the_hour_that_occurs_twice_is_told_by_the_file_that_comes_a_night_later(field):
    """The first file ends at 02:30 of the first pass, by hand 11 of its rows come before."""
    lines = day_file(29).splitlines(keepends=True)
    head, rows = "".join(lines[:2]), lines[2:]
    parts = {"29a.csv": rows[:11], "29b.csv": rows[11:]}
    folder, once = field(), field()
    for name in parts:
        for where in (folder, once):
            path = where / "data" / "logger-a" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(head + "".join(parts[name]), encoding="utf-8")
            if where is folder:
                result = night.store_night(folder, NOW)
        if name == "29a.csv":
            assert result["ledger"]["reasons"]["ambiguous_time"]["values"] == 3 * 3
    assert result["ledger"]["reasons"] == {}
    assert result["raw_files"]["read"] == 2  # the first once more
    assert result["ledger"]["stored"] == 25 * 4 * 3
    night.store_night(once, NOW)
    assert_same(state_of(folder), state_of(once))
    report = night.ledger_report(folder)
    (first, _) = report["files"]
    assert first["around"]["after"] == ["logger-a/29b.csv"]
    text = ledger_text(report)
    assert "after it 'logger-a/29b.csv'" in text  # the evidence
    assert first["sha256"][:12] in text
    assert first["first"] in text


def test_a_new_check_moves_the_readings_of_its_source_and_of_no_other(field):
    fresh = field(NEW_CHECK)
    bring(fresh, FILES)
    night.store_night(fresh, NOW)
    folder = field()
    bring(folder, FILES)
    night.store_night(folder, NOW)
    before = state_of(folder)
    visits = folder / "visits.csv"
    visits.write_text(visits.read_text().replace(OLD_CHECK, NEW_CHECK))
    result = night.store_night(folder, NOW)
    assert result["raw_files"]["read"] == 3  # the bus is not read again
    after = state_of(folder)
    assert_same(after, state_of(fresh))
    moved = [
        key
        for key, array in before[0].items()
        if not np.array_equal(array, after[0][key], equal_nan=True)
    ]
    assert "readings/voltage_offset_s" in moved
    assert not any(key.startswith("readings/root_permittivity") for key in moved)
    # By hand: 60 s in 61 days, and 40 s at their start; the first row is 56.46 days on, the
    # last 59.49: 40 + 55.5 and 40 + 58.5 s.
    offsets = after[0]["readings/voltage_offset_s"]
    added = offsets[after[0]["readings/voltage_file"] != 0]
    assert added.min() == 96
    assert added.max() == 99


def test_a_clock_check_without_source_or_of_no_time_is_a_mistake(make_site):
    bad = "2023-09-01T12:00,,,clock,,-40,mV,slow,AK\n"
    with pytest.raises(night.SiteError) as error:
        night.open_description(make_site({"visits.csv": [(OLD_CHECK, bad)]}))
    text = str(error.value)
    assert "column source" in text
    assert "a unit of time" in text


def test_a_clock_that_was_set_without_a_word_is_warned_of(make_site):
    unseen = OLD_CHECK + "2023-09-02T12:00,,logger-a,clock,,60,s,,AK\n"
    told = OLD_CHECK + "2023-09-01T12:05,,logger-a,clock,,60,s,set,AK\n"
    found = {
        name: review(load_site(make_site({"visits.csv": [(OLD_CHECK, rows)]})))
        for name, rows in (("unseen", unseen), ("told", told))
    }
    (warning,) = [p for p in found["unseen"] if p.file == "visits.csv"]
    assert "line 6" in warning.place
    assert "+100 s" in warning.found
    assert [p for p in found["told"] if p.file == "visits.csv"] == []


def test_an_epoch_and_a_record_counter_are_described_and_read(make_site):
    """By hand: the counter pins the rows before 06:00 to 05:30 and 05:45."""
    layout = 'titles = "Time"\nrole = "stamp"'
    counter = (
        'datatype = { base = "dateTime", format = "dd.MM.yyyy HH:mm" }\n'
        '[[tableSchema.columns]]\nname = "record"\ntitles = "Record"\nrole = "counter"\n'
    )
    old_datatype = 'datatype = { base = "dateTime", format = "dd.MM.yyyy HH:mm" }\n'
    folder = make_site(
        {
            "site.toml": [('stamp = "end"', 'stamp = "end"\nepoch = "2023-03-01"')],
            "layouts/analog.toml": [(layout, layout), (old_datatype, counter)],
        }
    )
    rows = (
        "10.04.2023 00:00;1;300,5;400;0\n01.03.2023 00:00;2;301,5;400;0\n"
        "01.03.2023 00:15;3;302,5;400;0\n10.04.2023 06:00;4;303,5;400;0\n"
    )
    path = folder / "data" / "logger-a" / "a.csv"
    path.parent.mkdir(parents=True)
    path.write_text("Time;Record;mV_1;mV_2;rain\n;;mV;mV;mm\n" + rows, encoding="utf-8")
    result = night.store_night(folder, NOW)
    assert result["ledger"]["reasons"] == {}
    assert result["ledger"]["open_files"] == []
    assert result["ledger"]["stored"] == 12  # the counter is no reading
    snapshot = night.site_store(night.open_description(folder)).read()
    line = snapshot.array("readings/voltage_line")[:].max(axis=(1, 2))
    steps = [int(np.flatnonzero(line == number)[0]) for number in (3, 4, 5, 6)]
    assert np.diff(steps).tolist() == [22, 1, 1]  # 5 h 30 min, then 15 min each
