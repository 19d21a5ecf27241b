"""Clocks that were put back unnoted: told where the rows tell it, and never from a copy."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.ingest.clock import ClockRules, read_clock
from pipeline.ingest.records import Table
from pipeline.nights import night
from pipeline.site.models import Clock

HOUR = 3600
ORIGIN = int(datetime(2024, 1, 1, tzinfo=UTC).timestamp())
NOW = datetime(2023, 4, 1, tzinfo=UTC)


def make_table(hours, values=None, counter=None):
    stamps = ORIGIN + np.rint(HOUR * np.asarray(hours, dtype=float)).astype(np.int64)
    if values is None:
        values = np.sin(np.arange(len(stamps)))  # no two alike
    columns = {"a": np.asarray(values, dtype=float), "b": np.ones(len(stamps))}
    counter = None if counter is None else np.asarray(counter, dtype=float)
    return Table(stamps, np.arange(2, len(stamps) + 2, dtype=np.int32), columns, counter)


def remarks(table, interval_s=HOUR, **clock):
    clock = clock or {"utc_offset": "Z"}
    rules = ClockRules(Clock(**clock), interval_s, ORIGIN)
    result = read_clock(table, rules)
    return [repair for repair in result.repairs if repair.kind == "ran_back"]


# Six hours are logged, then the clock is put back by so much and goes on.
BACK_ONE = [*range(6), *range(5, 12)]
BACK_THREE = [*range(6), *range(3, 12)]
BACK_UNEVEN = [*range(6), *(k + 0.6 for k in range(3, 12))]  # by 2.4 h


@pytest.mark.parametrize("counter", [None, "goes on", "not read"])
@pytest.mark.parametrize("hours", [BACK_ONE, BACK_THREE])
def test_a_clock_put_back_by_whole_intervals_is_told(hours, counter):
    counts = {None: None, "goes on": np.arange(len(hours)), "not read": [np.nan] * len(hours)}
    (remark,) = remarks(make_table(hours, counter=counts[counter]))
    assert (remark.first_line, remark.rows, remark.least_s) == (8, 1, 0)
    if counter == "goes on":
        assert "from 5 to 6" in remark.evidence
    else:
        assert "other values" in remark.evidence
    stays = "stays at 2024-01-01T05:00:00" in remark.evidence
    assert stays == (hours is BACK_ONE)


def test_rows_that_lie_between_those_before_are_no_copy():
    (remark,) = remarks(make_table(BACK_UNEVEN))
    assert "2 rows that lie between those before" in remark.evidence  # 03:36 and 04:36
    assert remark.first_line == 8


def test_each_step_back_counts_once():
    hours = [*range(6), *range(4, 12), *range(11, 20)]
    (remark,) = remarks(make_table(hours))
    assert remark.rows == 2
    assert "2 times" in remark.evidence


COPIES = {
    "an earlier stretch once more": (BACK_THREE, [*range(6), *range(3, 12)]),
    "the last row once more, in joined exports": (
        BACK_ONE,
        [*range(6), *range(5, 12)],
    ),
    "a value that one of both lacks": (BACK_ONE, [*range(6), np.nan, *range(6, 12)]),
    "earlier rows joined on behind": ([*range(6, 12), *range(6)], None),
    "newest first": (list(range(12))[::-1], None),
    "one row out of order": ([0, 1, 2, 3, 5, 3.5, 6, 7], None),
    "one row written late": ([0, 1, 2, 3, 4, 3.5, 5, 6], None),
    "stamps without their minutes": (np.repeat(np.arange(6), 2), None),
    "a gap before": ([0, 1, 2, 9, 9, 10, 11], None),
}


@pytest.mark.parametrize("kind", COPIES)
def test_what_is_no_clock_put_back_is_not_told(kind):
    hours, values = COPIES[kind]
    assert remarks(make_table(hours, values)) == []


def test_a_copy_in_which_one_row_was_changed_is_a_copy():
    values = np.array([*range(6), *range(3, 12)], dtype=float)
    values[7] += 1  # one of the three rows of the second pass
    assert remarks(make_table(BACK_THREE, values)) == []


def test_a_counter_that_repeats_itself_tells_a_copy_whatever_the_values():
    counter = [*range(6), *range(3, 12)]
    assert remarks(make_table(BACK_THREE, counter=counter)) == []


def test_the_hour_of_autumn_on_a_zone_is_no_clock_put_back():
    start = int(datetime(2024, 10, 26, 20, tzinfo=UTC).timestamp())
    summer = start + HOUR * np.arange(5) + 2 * HOUR  # Paris, up to 02:00 summer time
    winter = start + HOUR * np.arange(5, 10) + HOUR
    hours = (np.concatenate([summer, winter]) - ORIGIN) / HOUR
    assert remarks(make_table(hours), zone="Europe/Paris") == []
    assert remarks(make_table(hours), utc_offset="+02:00")  # described as never going back


def test_adding_rows_never_takes_a_remark_away_and_comes_to_the_same():
    for hours in (BACK_ONE, BACK_THREE, BACK_UNEVEN):
        whole = remarks(make_table(hours))
        told = [bool(remarks(make_table(hours[:n]))) for n in range(1, len(hours) + 1)]
        assert told == sorted(told)
        assert whole


HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
FIELD = {"visits.csv": [("2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n", "")]}


def export(minutes):
    lines = [
        f"10.03.2023 {m // 60:02}:{m % 60:02};{300 + k},5;{400 + k % 7};0,2\n"
        for k, m in enumerate(minutes)
    ]
    return HEADER + "".join(lines)


@pytest.mark.parametrize("back", [1, 3])
def test_night_by_night_it_is_told_as_in_one_night(make_site, back):
    steps = [*range(12), *range(12 - back, 20)]
    lines = export([15 * step for step in steps]).splitlines(keepends=True)
    # Before the step of the 13th row (line 15), upon it, within what comes again, and behind.
    cuts = [("once", [len(lines)]), *((n, [n, len(lines)]) for n in (14, 15, 16))]
    found = {}
    for name, ends in cuts:
        folder = make_site(FIELD)
        (folder / "data" / "logger-a").mkdir()
        for end in ends:
            (folder / "data" / "logger-a" / "a.csv").write_text("".join(lines[:end]))
            night.store_night(folder, NOW)
        (file,) = night.ledger_report(folder)["files"]
        found[name] = [file[key] for key in ("repairs", "stored", "superseded", "values_read")]
    assert found["once"][0]
    assert all(each == found["once"] for each in found.values()), found
