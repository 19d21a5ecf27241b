"""Hours that occur twice or never, told by the order of rows; changes from the tz database.

The changes of both zones are printed in the IANA tz database (2024a, files ``europe`` and
``northamerica``): Europe/Paris +02 to +01 on 2024-10-27 at 01:00 UTC, +01 to +02 on 2024-03-31
at 01:00 UTC; America/New_York -04 to -05 on 2024-11-03 at 06:00 UTC.
"""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.clock import ClockRules, read_clock, to_utc
from pipeline.ingest.clock_zone import zone_table
from pipeline.ingest.records import Table
from pipeline.site.models import Clock

MINUTE, HOUR = 60, 3600
PARIS = "Europe/Paris"


def second(text):
    """Return what a clock shows as seconds since 1970 on that clock."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def local_stamps(zone, start, stop, interval_s):
    """Return true UTC and a zone clock's stamps, row by row, by the reference: zoneinfo."""
    utc = np.arange(second(start), second(stop), interval_s)
    local = [
        int(datetime.fromtimestamp(s, ZoneInfo(zone)).replace(tzinfo=UTC).timestamp())
        for s in utc.tolist()
    ]
    return utc, np.array(local)


def read(stamps, zone=PARIS, interval_s=15 * MINUTE):
    stamps = np.asarray(stamps, dtype=np.int64)
    line = np.arange(2, len(stamps) + 2, dtype=np.int32)
    table = Table(stamps, line, {"a": np.ones(len(stamps))})
    return read_clock(table, ClockRules(Clock(zone=zone), interval_s, second("2000-01-01")))


def refused(result):
    return np.logical_or.reduce(list(result.refused.values()))


@pytest.mark.parametrize(
    ("zone", "change", "before_h", "after_h"),
    [
        (PARIS, "2024-10-27T01:00", 2, 1),
        (PARIS, "2024-03-31T01:00", 1, 2),
        ("America/New_York", "2024-11-03T06:00", -4, -5),
        ("America/New_York", "2024-03-10T07:00", -5, -4),
        ("Australia/Lord_Howe", "2024-04-06T15:00", 11, 10.5),
    ],
)
def test_changes_are_those_of_the_database(zone, change, before_h, after_h):
    table = zone_table(zone, second(change), second(change))
    at = np.flatnonzero(table.start_s == second(change))
    assert len(at) == 1
    assert table.offset_s[at[0]] == before_h * HOUR
    assert table.offset_s[at[0] + 1] == after_h * HOUR


@pytest.mark.parametrize("zone", [PARIS, "America/New_York", "Australia/Lord_Howe"])
@pytest.mark.parametrize("minutes", [1, 10, 15, 30, 60])
def test_a_year_on_a_zone_clock_comes_back_whole(zone, minutes):
    if zone == "Australia/Lord_Howe" and minutes == 60:
        minutes = 20
    days = ("2024-03-01", "2024-12-01") if minutes >= 10 else ("2024-10-26", "2024-11-04")
    utc, local = local_stamps(zone, *days, minutes * MINUTE)
    result = read(local, zone, minutes * MINUTE)
    assert not refused(result).any()
    np.testing.assert_array_equal(result.utc_s, utc)


def test_the_repair_names_its_lines_and_its_evidence():
    _, local = local_stamps(PARIS, "2024-10-26T23:00", "2024-10-27T03:00", 15 * MINUTE)
    (repair,) = read(local).repairs
    # By hand: 01:00 local is the first row (line 2), 02:00 the fifth; two passes of four rows.
    assert (repair.kind, repair.first_line, repair.last_line, repair.rows) == (
        "repeated_hour",
        6,
        13,
        8,
    )
    assert "2024-10-27 02:45:00 to 2024-10-27 02:00:00" in repair.evidence
    assert PARIS in repair.evidence


def night(*clocks, day="2024-10-27"):
    return [second(f"{day}T{clock}") for clock in clocks]


PASS = ("02:00", "02:15", "02:30", "02:45")
# What an autumn night holds (15 min, Paris), and the UTC hour and minute of its rows; None is
# set aside. By hand from the change at 01:00 UTC.
AUTUMN = {
    "one pass that joins both sides": (
        ["01:45", *PASS, "03:00"],
        ["23:45", None, None, None, None, "02:00"],
    ),
    "one pass that joins the rows before only": (
        ["01:45", *PASS, "05:00"],
        ["23:45", "00:00", "00:15", "00:30", "00:45", "04:00"],
    ),
    "one pass that joins the rows after only": (
        ["00:00", *PASS, "03:00"],
        ["22:00", "01:00", "01:15", "01:30", "01:45", "02:00"],
    ),
    "one pass by itself": (["00:00", *PASS, "05:00"], ["22:00", *[None] * 4, "04:00"]),
    "a gap where the clock went back": (
        ["01:45", "02:00", "02:30", "02:00", "02:45", "03:00"],
        ["23:45", "00:00", "00:30", "01:00", "01:45", "02:00"],
    ),
    "the file ends in the first pass": (["01:45", *PASS], ["23:45", *[None] * 4]),
    "the file ends in the second pass": (
        ["01:45", *PASS, "02:00"],
        ["23:45", "00:00", "00:15", "00:30", "00:45", "01:00"],
    ),
    "the file begins in the second pass": (
        ["02:30", "02:45", "03:00"],
        ["01:30", "01:45", "02:00"],
    ),
    "three passes": (
        [*PASS, *PASS, *PASS, "03:00"],
        ["00:00", "00:15", "00:30", "00:45", "01:00", "01:15", "01:30", "01:45"]
        + [None] * 4
        + ["02:00"],
    ),
    "rows that changed places": (
        ["01:45", "02:00", "02:30", "02:29", "02:45", "03:00"],
        ["23:45", *[None] * 4, "02:00"],
    ),
    "each row logged twice": (
        [t for t in ("01:45", *PASS, *PASS, "03:00") for _ in (0, 1)],
        [t for t in ("23:45", "00:00", "00:15", "00:30", "00:45") for _ in (0, 1)]
        + [t for t in ("01:00", "01:15", "01:30", "01:45", "02:00") for _ in (0, 1)],
    ),
}


@pytest.mark.parametrize("case", AUTUMN)
def test_an_autumn_night(case):
    stamps, expected = AUTUMN[case]
    result = read(night(*stamps))
    found = [
        None if aside else datetime.fromtimestamp(int(s), UTC).strftime("%H:%M")
        for s, aside in zip(result.utc_s, refused(result), strict=True)
    ]
    assert found == expected
    assert not result.refused["missing_time"].any()


# Hourly rows in New York: local 01:00 is 05:00 UTC in the first pass, 06:00 in the second.
HOURLY = {
    "two rows": (["00:00", "01:00", "01:00", "02:00"], ["04", "05", "06", "07"]),
    "four, each hour logged twice": (
        ["00:00"] * 2 + ["01:00"] * 4 + ["02:00"] * 2,
        ["04", "04", "05", "05", "06", "06", "07", "07"],
    ),
    "four where others are logged once": (
        ["00:00", *["01:00"] * 4, "02:00"],
        ["04", None, None, None, None, "07"],
    ),
    "one row": (["00:00", "01:00", "02:00"], ["04", None, "07"]),
    "two rows at the end of a file": (["00:00", "01:00", "01:00"], ["04", None, None]),
}


@pytest.mark.parametrize("case", HOURLY)
def test_an_hourly_autumn_night(case):
    stamps, expected = HOURLY[case]
    result = read(night(*stamps, day="2024-11-03"), "America/New_York", HOUR)
    found = [
        None if aside else datetime.fromtimestamp(int(s), UTC).strftime("%H")
        for s, aside in zip(result.utc_s, refused(result), strict=True)
    ]
    assert found == expected


def test_a_clock_that_jumps_late_in_spring_is_put_right_by_its_jump():
    # By hand: 02:00 and 02:15 never were; the row after, 03:30, is one interval behind 03:15.
    stamps = night("01:45", "02:00", "02:15", "03:30", day="2024-03-31")
    result = read(stamps)
    assert not refused(result).any()
    np.testing.assert_array_equal(np.diff(result.utc_s), 15 * MINUTE)
    (repair,) = result.repairs
    assert (repair.kind, repair.least_s, repair.rows) == ("late_jump", HOUR, 2)


def test_a_clock_that_never_jumps_is_remarked_and_its_hour_set_aside():
    stamps = night("01:45", *PASS, "03:00", day="2024-03-31")
    result = read(stamps)
    assert result.refused["missing_time"].tolist() == [False, True, True, True, True, False]
    (remark,) = result.repairs
    assert remark.kind == "no_jump"
    assert "utc_offset" in remark.evidence


def test_readings_that_stand_each_for_itself_are_not_judged_by_their_order():
    _, local = local_stamps(PARIS, "2024-10-26T23:00", "2024-10-27T03:00", 15 * MINUTE)
    result = to_utc(local, Clock(zone=PARIS), 15 * MINUTE)
    assert result.refused["ambiguous_time"].sum() == 8  # two passes of four


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.sampled_from([-4, -3, -1, 0, 1, 1, 1, 1, 1, 2, 5]), min_size=1, max_size=30),
    st.sampled_from(["2024-10-27T01:15", "2024-10-27T02:30", "2024-03-31T01:30"]),
    st.sampled_from([15, 30, 60]),
)
def test_a_decision_never_changes_when_the_file_grows(steps, start, minutes):
    """Promise 3: what was told of the beginning of a file holds for the whole."""
    interval_s = minutes * MINUTE
    stamps = second(start) + np.cumsum(steps) * interval_s
    whole = read(stamps, interval_s=interval_s)
    aside = refused(whole)
    for length in range(1, len(stamps)):
        part = read(stamps[:length], interval_s=interval_s)
        told = ~refused(part)
        assert not (told & aside[:length]).any()
        np.testing.assert_array_equal(part.utc_s[told], whole.utc_s[:length][told])
