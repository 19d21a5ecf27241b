"""Checks of a clock: proration by hand, clocks set at visits, and the way back, exactly."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.clock import ClockRules, read_clock
from pipeline.ingest.clock_logged import clock_record, logged_time
from pipeline.ingest.clock_repairs import gather_repairs
from pipeline.ingest.clock_zone import zone_table
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.records import Table
from pipeline.site.clock_checks import ClockCheck, clock_checks
from pipeline.site.load import load_site
from pipeline.site.models import Clock

QUARTER, HOUR, DAY = 900, 3600, 86_400
ORIGIN = int(datetime(2024, 1, 1, tzinfo=UTC).timestamp())


def make_table(stamps, counter=None, channel="a"):
    stamps = np.asarray(stamps, dtype=np.int64)
    line = np.arange(2, len(stamps) + 2, dtype=np.int32)
    return Table(stamps, line, {channel: np.ones(len(stamps))}, counter)


def make_rules(*checks, **clock):
    given_clock = Clock(**(clock or {"utc_offset": "Z"}))
    found = tuple(ClockCheck(ORIGIN + at, offset) for at, offset in checks)
    return ClockRules(given_clock, QUARTER, ORIGIN, checks=found)


def account_of(tables, rules):
    """Return the stamps of a file's tables, and its account as the store would return it."""
    stamps = [read_clock(table, rules) for table in tables]
    repairs = gather_repairs([(t, s.repairs) for t, s in zip(tables, stamps, strict=True)])
    entry = FileEntry(1, "logger", "a.csv", 0, "read", 1, 1, "", "")
    entry.clock, entry.repairs = clock_record(rules), repairs
    (stored,) = Ledger.from_table(Ledger([entry]).to_table()).entries.values()
    return stamps, stored


def assert_way_back(table, rules):
    (stamps,), entry = account_of([table], rules)
    told = ~np.logical_or.reduce(list(stamps.refused.values()))
    back = logged_time(entry, stamps.utc_s, table.line)
    np.testing.assert_array_equal(back[told], table.stamp_s[told])
    return stamps


def test_drift_is_prorated_between_two_checks_and_kept_after_the_last():
    # By hand: 0 s at the start, 40 s slow after 100 days, so 20 s slow after 50.
    rules = make_rules((0, 0.0), (100 * DAY, -40.0))
    stamps = ORIGIN + np.array([0, 25 * DAY, 50 * DAY, 100 * DAY, 200 * DAY])
    result = assert_way_back(make_table(stamps), rules)
    assert (result.utc_s - stamps).tolist() == [0, 10, 20, 40, 40]
    (repair,) = result.repairs
    assert (repair.kind, repair.least_s, repair.most_s) == ("clock_drift", 0, 40)
    assert "2024-04-10T00:00:00Z -40 s" in repair.evidence


def test_nothing_is_corrected_before_the_first_check():
    rules = make_rules((10 * DAY, 60.0))
    stamps = ORIGIN + np.array([0, 10 * DAY, 10 * DAY + 60, 20 * DAY])
    result = assert_way_back(make_table(stamps), rules)
    # The check fell on the clock's 00:01:00; what it showed before is not corrected.
    assert (result.utc_s - stamps).tolist() == [0, 0, -60, -60]
    assert result.repairs[0].first_line == 4


def test_a_clock_set_at_a_visit_is_a_step():
    # By hand: found 5 min slow on day 10, set right; slow by 1 min again on day 20.
    rules = make_rules((0, 0.0), (10 * DAY, -300.0), (10 * DAY, 0.0), (20 * DAY, -60.0))
    stamps = ORIGIN + np.array([5 * DAY, 10 * DAY - 900, 10 * DAY, 15 * DAY, 20 * DAY])
    result = assert_way_back(make_table(stamps), rules)
    assert (result.utc_s - stamps).tolist() == [150, 300, 0, 30, 60]
    assert [repair.rows for repair in result.repairs] == [2, 3]


def test_stamps_a_clock_ran_through_twice_are_told_by_their_order():
    # Found an hour fast at noon of day 10 and set right: 12:00 to 12:45 come twice.
    noon = 10 * DAY + 12 * HOUR
    rules = make_rules((0, 3600.0), (noon - 60, 3600.0), (noon, 0.0))
    fast = np.arange(noon, noon + HOUR, QUARTER)  # the last hour before, on a fast clock
    right = np.arange(noon, noon + 2 * HOUR, QUARTER)
    result = assert_way_back(make_table(ORIGIN + np.concatenate((fast, right))), rules)
    true = np.concatenate((fast - HOUR, right))
    np.testing.assert_array_equal(result.utc_s - ORIGIN, true)


def test_an_hour_that_one_pass_alone_left_is_set_aside():
    noon = 10 * DAY + 12 * HOUR
    rules = make_rules((0, 0.0), (noon - 60, 3600.0), (noon, 0.0))
    rows = np.arange(noon - HOUR, noon + 3 * HOUR, QUARTER)
    result = read_clock(make_table(ORIGIN + rows), rules)
    aside = rows[result.refused["ambiguous_time"]]
    assert aside.tolist() == list(range(noon, noon + HOUR, QUARTER))


def test_a_row_within_a_small_step_counts_as_logged_before_it():
    # 40 s fast, set at 12:00:00: the row at 12:00:00 may be either; 40 s are not worth a row.
    noon = 10 * DAY + 12 * HOUR
    rules = make_rules((noon, 40.0), (noon, 0.0), (20 * DAY, 0.0))
    result = read_clock(make_table(ORIGIN + np.arange(noon - 900, noon + 1800, 900)), rules)
    assert not result.refused["ambiguous_time"].any()


def test_a_row_stamped_at_its_start_is_held_to_the_clock_at_its_end():
    """An hourly clock 1 h fast is set at true 10:30, when it shows 11:30.

    By hand: the hour that ends at true 10:00 is written as the clock shows 11:00, with the
    stamp 10:00; the next hour on the clock set ends at true 11:00, again with the stamp 10:00.
    """
    ten = 10 * DAY + 10 * HOUR
    checks = (0, 3600.0), (ten + HOUR // 2, 3600.0), (ten + HOUR // 2, 0.0)
    rules = replace(make_rules(*checks, utc_offset="Z", stamp="start"), interval_s=HOUR)
    stamps = ORIGIN + ten + HOUR * np.array([-3, -2, -1, 0, 0, 1, 2])
    result = assert_way_back(make_table(stamps), rules)
    assert not np.logical_or.reduce(list(result.refused.values())).any()
    assert (result.utc_s - ORIGIN - ten).tolist() == [HOUR * n for n in range(-3, 4)]


def test_a_first_row_stamped_before_a_check_that_it_ended_with_is_corrected():
    # By hand: 30 min slow at 12:00, when it shows 11:30; so the quarter that it ends then.
    noon = 10 * DAY + 12 * HOUR
    rules = make_rules((noon, -1800.0), utc_offset="Z", stamp="start")
    stamps = ORIGIN + noon - 1800 + np.array([-QUARTER, 0])
    result = assert_way_back(make_table(stamps), rules)
    assert (result.utc_s - ORIGIN - noon).tolist() == [0, QUARTER]


@pytest.mark.parametrize("stamp", ["instant", "start"])
def test_the_way_back_knows_zone_and_meaning_of_stamps(stamp):
    zone = "Europe/Paris"
    utc = np.arange(ORIGIN, ORIGIN + 330 * DAY, QUARTER)
    local = zone_table(zone, int(utc[0]), int(utc[-1])).to_local(utc)
    rules = make_rules((0, 0.0), (300 * DAY, -90.0), zone=zone, stamp=stamp)
    result = assert_way_back(make_table(local), rules)
    assert not np.logical_or.reduce(list(result.refused.values())).any()


@st.composite
def clocks(draw):
    """Draw rules of a clock that drifts, with a check or more, sometimes set."""
    clock = draw(
        st.sampled_from(
            [
                {"utc_offset": "+01:00"},
                {"utc_offset": "-03:30", "stamp": "start"},
                {"zone": "Europe/Paris"},
                {"zone": "America/New_York", "stamp": "end"},
            ]
        )
    )
    days = draw(st.lists(st.integers(0, 300), min_size=1, max_size=5, unique=True))
    checks = []
    for day in sorted(days):
        found = draw(st.integers(-300, 300))
        checks.append((day * DAY + 7 * 60, float(found)))
        if draw(st.booleans()):
            checks.append((day * DAY + 9 * 60, float(draw(st.integers(-5, 5)))))
    return make_rules(*checks, **clock)


@settings(max_examples=80, deadline=None)
@given(clocks(), st.integers(0, 14), st.integers(1, 4))
def test_the_stamp_as_logged_can_always_be_told(rules, minute, quarters):
    """Whatever clock: from the ledger's account alone back to the minute that was logged."""
    stamps = np.arange(ORIGIN, ORIGIN + 330 * DAY, 3 * HOUR + quarters * QUARTER) + minute * 60
    assert_way_back(make_table(stamps), rules)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-200, 200), min_size=2, max_size=5), st.data())
def test_a_simulated_drift_is_undone_to_the_second(offsets, data):
    """The other way round: true instants, a clock drifting between checks, and its stamps."""
    at = sorted(data.draw(st.sets(st.integers(0, 300), min_size=len(offsets), max_size=9)))
    at = np.array(at[: len(offsets)]) * DAY
    true = np.arange(int(at[0]), int(at[-1]) + DAY, 7 * QUARTER)
    logged = true + np.rint(np.interp(true, at, offsets)).astype(int)
    checks = [(int(t), float(o)) for t, o in zip(at, offsets, strict=True)]
    result = read_clock(make_table(ORIGIN + logged), make_rules(*checks))
    # A second each way: both the simulated clock and the correction are rounded to one.
    assert np.abs(result.utc_s - ORIGIN - true).max() <= 1


@settings(max_examples=60, deadline=None)
@given(clocks(), st.lists(st.sampled_from([1, 1, 1, 1, 2, -1, 9]), min_size=2, max_size=40))
def test_a_correction_never_changes_when_the_file_grows(rules, steps):
    stamps = ORIGIN + 100 * DAY + np.cumsum(steps) * 12 * HOUR
    whole = read_clock(make_table(stamps), rules)
    aside = np.logical_or.reduce(list(whole.refused.values()))
    for length in range(1, len(stamps)):
        part = read_clock(make_table(stamps[:length]), rules)
        told = ~np.logical_or.reduce(list(part.refused.values()))
        assert not (told & aside[:length]).any()
        np.testing.assert_array_equal(part.utc_s[told], whole.utc_s[:length][told])


def test_tables_of_one_file_share_a_repair_or_keep_their_own():
    rules = make_rules((0, 0.0), (100 * DAY, -40.0), (100 * DAY, 0.0))
    early = [make_table(ORIGIN + np.arange(1, 9) * DAY, channel=name) for name in "ab"]
    _, entry = account_of(early, rules)
    (repair,) = entry.repairs
    assert (repair.rows, repair.channels) == (16, ())
    both = [
        make_table(ORIGIN + (95 + np.arange(10)) * DAY, channel="a"),
        make_table(ORIGIN + (97 + np.arange(9)) * DAY, channel="b"),
    ]
    both[1] = replace(both[1], line=both[1].line + 1)
    stamps, entry = account_of(both, rules)
    for table, result in zip(both, stamps, strict=True):
        (channel,) = table.columns
        back = logged_time(entry, result.utc_s, table.line, channel)
        np.testing.assert_array_equal(back, table.stamp_s)


def test_checks_are_those_of_the_visits_in_seconds(make_site):
    rows = (
        "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n"
        "2023-10-01T12:00,,logger-a,clock,,2,min,found,AK\n"
        "2023-10-01T12:00,,logger-a,clock,,0,s,set,AK\n"
        "2023-10-01T12:00,,logger-a,clock,,,,looked at only,AK\n"
    )
    old = "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n"
    site = load_site(make_site({"visits.csv": [(old, rows)]}))
    found = clock_checks(site, "logger-a")
    assert [check.offset_s for check in found] == [-40.0, 120.0, 0.0]
    # By hand: the site's standard time is UTC+1.
    assert found[0].true_s == int(datetime(2023, 9, 1, 11, tzinfo=UTC).timestamp())
    assert clock_checks(site, "bus") == ()
