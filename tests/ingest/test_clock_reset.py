"""Clocks that began again at an epoch, and dates whose day and month changed places."""

import csv
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.clock import ClockRules, read_clock
from pipeline.ingest.clock_logged import clock_record, logged_time
from pipeline.ingest.clock_swap import swap_signs
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.records import Table
from pipeline.site.clock_checks import ClockCheck
from pipeline.site.models import Clock

QUARTER, HOUR, DAY = 900, 3600, 86_400
ORIGIN = int(datetime(2024, 1, 1, tzinfo=UTC).timestamp())
EPOCH = int(datetime(2000, 1, 1, tzinfo=UTC).timestamp())
BEFORE = ORIGIN + np.arange(4) * QUARTER  # 00:00 to 00:45
LOST = EPOCH + np.arange(3) * QUARTER
DATA = Path(os.environ.get("PERCOLOG_SHARED_DATA", "../shared/data"))


def make_table(stamps, counter=None):
    line = np.arange(2, len(stamps) + 2, dtype=np.int32)
    count = None if counter is None else np.asarray(counter, dtype=np.float64)
    return Table(np.asarray(stamps), line, {"a": np.ones(len(stamps))}, count)


def make_rules(*checks, epoch_s=None, origin=ORIGIN):
    clock = Clock(utc_offset="Z", epoch_s=epoch_s)
    return ClockRules(clock, QUARTER, origin, 3600, checks)


def assert_way_back(table, rules, result):
    entry = FileEntry(1, "logger", "a.csv", 0, "read", 1, 1, "", "")
    entry.clock, entry.repairs = clock_record(rules), result.repairs
    told = ~np.logical_or.reduce(list(result.refused.values()))
    back = logged_time(entry, result.utc_s, table.line)
    np.testing.assert_array_equal(back[told], table.stamp_s[told])


def test_a_run_that_fills_the_gap_exactly_is_put_into_it():
    # By hand: 00:45, then three rows from the epoch, then 01:45: 01:00, 01:15, 01:30 are due.
    table = make_table([*BEFORE, *LOST, ORIGIN + 7 * QUARTER])
    result = read_clock(table, make_rules())
    np.testing.assert_array_equal(result.utc_s, ORIGIN + np.arange(8) * QUARTER)
    assert not result.refused["clock_reset"].any()
    (repair,) = result.repairs
    assert (repair.kind, repair.first_line, repair.last_line) == ("clock_reset", 6, 8)
    assert repair.least_s == ORIGIN + 4 * QUARTER - EPOCH
    assert_way_back(table, make_rules(), result)


@pytest.mark.parametrize("after", [6, 8, 100])
def test_a_run_that_does_not_fill_the_gap_is_set_aside(after):
    table = make_table([*BEFORE, *LOST, ORIGIN + after * QUARTER])
    result = read_clock(table, make_rules())
    assert result.refused["clock_reset"].tolist() == [False] * 4 + [True] * 3 + [False]
    assert result.repairs == []


def test_a_record_counter_pins_a_run_to_the_row_after_it():
    # By hand: the clock was set before 06:00; rows 5 to 7 are 05:15, 05:30 and 05:45.
    after = ORIGIN + 6 * HOUR
    table = make_table([*BEFORE, *LOST, after], counter=range(1, 9))
    result = read_clock(table, make_rules())
    np.testing.assert_array_equal(result.utc_s[4:], after + np.arange(-3, 1) * QUARTER)
    assert "records 5 to 8" in result.repairs[0].evidence
    assert_way_back(table, make_rules(), result)


@pytest.mark.parametrize("counter", [[1, 2, 3, 4, 5, 6, 7, 9], [1, 2, 3, 4, 5, 6, np.nan, 8]])
def test_a_counter_with_a_gap_pins_nothing(counter):
    table = make_table([*BEFORE, *LOST, ORIGIN + 6 * HOUR], counter)
    assert read_clock(table, make_rules()).refused["clock_reset"].sum() == 3


def test_a_visit_that_read_the_lost_clock_pins_the_run_at_the_end_of_a_file():
    # By hand: read 2000-01-01 00:40 at 05:10, so the rows are 04:30, 04:45 and 05:00.
    at = ORIGIN + 5 * HOUR + 600
    check = ClockCheck(at, float(EPOCH + 2400 - at))
    table = make_table([*BEFORE, *LOST])
    rules = make_rules(check)
    result = read_clock(table, rules)
    expected = ORIGIN + 4 * HOUR + 1800 + np.arange(3) * QUARTER
    np.testing.assert_array_equal(result.utc_s[4:], expected)
    assert_way_back(table, rules, result)


def test_a_visit_says_nothing_of_a_run_that_ended_before_it():
    at = ORIGIN + 5 * DAY
    check = ClockCheck(at, float(EPOCH + 2 * DAY - at))  # another failure came between
    result = read_clock(make_table([*BEFORE, *LOST]), make_rules(check))
    assert result.refused["clock_reset"].sum() == 3


def test_an_epoch_after_the_sites_start_must_be_named():
    epoch = ORIGIN
    before = ORIGIN + 40 * DAY + np.arange(4) * QUARTER
    stamps = [*before, *(epoch + np.arange(3) * QUARTER), before[-1] + 9 * QUARTER]
    unnamed = read_clock(make_table(stamps), make_rules())
    assert "clock_reset" not in unnamed.refused
    named = read_clock(make_table(stamps), make_rules(epoch_s=epoch))
    assert named.refused["clock_reset"].tolist() == [False] * 4 + [True] * 3 + [False]


def test_a_file_that_begins_before_the_site_is_no_reset():
    result = read_clock(make_table([*LOST, *BEFORE]), make_rules())
    assert not result.refused["clock_reset"].any()
    np.testing.assert_array_equal(result.utc_s[:3], LOST)  # refused by its place in time


def test_a_file_cut_anywhere_comes_to_the_same():
    stamps = [*BEFORE, *LOST, *(ORIGIN + (7 + np.arange(4)) * QUARTER)]
    stamps += [*LOST, *(EPOCH + np.arange(2) * QUARTER), ORIGIN + 30 * QUARTER]
    whole = read_clock(make_table(stamps), make_rules())
    for length in range(1, len(stamps)):
        part = read_clock(make_table(stamps[:length]), make_rules())
        told = part.utc_s >= ORIGIN
        if "clock_reset" in part.refused:
            told &= ~part.refused["clock_reset"]
        np.testing.assert_array_equal(part.utc_s[told], whole.utc_s[:length][told])


def test_a_clock_put_back_that_nobody_noted_is_remarked_and_nothing_is_changed():
    # by hand: 12 quarters, then the clock is put back by an hour and goes on
    stamps = ORIGIN + QUARTER * np.array([*range(12), *range(8, 20)])
    counter = np.arange(24.0) + 7000
    result = read_clock(make_table(stamps, counter), make_rules())
    np.testing.assert_array_equal(result.utc_s, stamps)
    (remark,) = result.repairs
    assert (remark.kind, remark.rows, remark.least_s, remark.most_s) == ("ran_back", 1, 0, 0)
    assert remark.first_line == make_table(stamps).line[12]
    assert "from 2024-01-01T02:45:00 to 2024-01-01T02:00:00" in remark.evidence
    assert "from 7011 to 7012" in remark.evidence


@pytest.mark.parametrize("counter", [None, [*range(12), *range(8, 20)], np.full(24, np.nan)])
def test_a_file_that_holds_a_stretch_twice_is_no_clock_put_back(counter):
    stamps = ORIGIN + QUARTER * np.array([*range(12), *range(8, 20)])
    counter = counter if counter is None else np.array(counter, dtype=np.float64)
    assert read_clock(make_table(stamps, counter), make_rules()).repairs == []


def test_a_clock_put_back_is_not_remarked_once_the_visits_tell():
    # by hand: true time to 02:45, set back by an hour there; UTC goes on by quarters. Nobody
    # looked before, but the visit tells both the step and what was right up to it.
    stamps = ORIGIN + QUARTER * np.array([*range(12), *range(8, 20)])
    at = ORIGIN + 12 * QUARTER
    checks = ClockCheck(ORIGIN - DAY, 0), ClockCheck(at, 0), ClockCheck(at, -HOUR)
    table = make_table(stamps, np.arange(24.0))
    for known in (checks, checks[1:]):
        result = read_clock(table, make_rules(*known))
        np.testing.assert_array_equal(result.utc_s, ORIGIN + QUARTER * np.arange(24))
        assert "ran_back" not in [repair.kind for repair in result.repairs]
        assert_way_back(table, make_rules(*known), result)


def test_a_clock_that_was_wrong_before_the_first_visit_is_left_so_and_said():
    # by hand: an hour fast up to 02:45 by its own dial, then put right, but 60 s slow.
    stamps = ORIGIN + QUARTER * np.array([*range(12), *range(8, 20)])
    at = ORIGIN + 8 * QUARTER
    table = make_table(stamps, np.arange(24.0))
    rules = make_rules(ClockCheck(at, HOUR), ClockCheck(at, -60))
    result = read_clock(table, rules)
    np.testing.assert_array_equal(result.utc_s, stamps + np.repeat([0, 60], 12))
    assert_way_back(table, rules, result)
    (remark,) = [repair for repair in result.repairs if repair.kind == "ran_back"]
    assert "no check before that visit tells since when it was +3600 s off" in remark.evidence
    later = ClockCheck(at + DAY, 60), ClockCheck(at + DAY, 0)  # the setting of another day
    (remark,) = read_clock(table, make_rules(*later)).repairs
    assert "no check before" not in remark.evidence


def lanna_rows():
    """Return the stamps of the open record, or skip."""
    path = DATA / "icos-lanna-swap" / "lanna_slice.csv"
    if not path.is_file():
        pytest.skip(f"no open record at {path}; set PERCOLOG_SHARED_DATA")
    with path.open(encoding="utf-8") as stream:
        stamps = [row["datetime_utc"] for row in csv.DictReader(stream)]
    return np.array(stamps, dtype="datetime64[s]").astype(np.int64)


def test_an_open_record_with_swapped_dates_is_remarked_and_kept():
    """ICOS Sweden, Lanna: each day of January 2014 became the first of a month.

    By eye: the dates jump from 1 January to 1 February and from there to 1 March, at local
    midnight (UTC+1), half an hour after the row before.
    """
    stamps = lanna_rows()
    origin = int(datetime(2013, 12, 1, tzinfo=UTC).timestamp())
    rules = ClockRules(Clock(utc_offset="Z"), 1800, origin, 3600)
    result = read_clock(make_table(stamps), rules)
    np.testing.assert_array_equal(result.utc_s, stamps)
    (remark,) = result.repairs
    assert remark.kind == "day_month_order"
    assert "2014-01-01T22:30:00 to 2014-01-31T23:00:00" in remark.evidence
    assert len(swap_signs(stamps + 3600, 1800)) == 2


def test_a_record_in_order_and_one_with_ordinary_gaps_bear_no_sign():
    year = ORIGIN + np.arange(0, 366 * DAY, 1800)
    assert not len(swap_signs(year, 1800))
    monthly_gaps = year[(year // DAY) % 30 < 3]
    assert len(swap_signs(monthly_gaps, 1800)) < 2
