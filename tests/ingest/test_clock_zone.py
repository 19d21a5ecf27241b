"""Offsets from UTC as a description writes them, and what clocks of zones show."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.ingest.clock import parse_utc_offset
from pipeline.ingest.clock_zone import zone_table


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        *[("Z", 0), ("UTC", 0), ("+00:00", 0), ("+01:00", 60), ("-0330", -210)],
        *[
            ("+05:30", 330),
            ("+0545", 345),
            ("-09:30", -570),
            ("+14:00", 840),
            ("-14:00", -840),
        ],
    ],
)
def test_an_offset_has_hours_and_minutes(text, minutes):
    # ISO 8601: hours and minutes ahead of UTC; of India, Nepal and the Marquesas among others.
    assert parse_utc_offset(text) == 60 * minutes


@pytest.mark.parametrize(
    "text", ["", "+1:00", "01:00", "+14:01", "-15:00", "+05:60", "+0a:00", "+01:00:00", "CET"]
)
def test_what_is_no_offset_is_refused(text):
    with pytest.raises(ValueError, match="is no UTC offset"):
        parse_utc_offset(text)


def shown(zone, utc_s):
    """Return what the standard library says a clock shows, seconds as if in UTC."""
    local = (datetime.fromtimestamp(int(s), UTC).astimezone(ZoneInfo(zone)) for s in utc_s)
    return [int(one.replace(tzinfo=UTC).timestamp()) for one in local]


@pytest.mark.parametrize(
    ("zone", "first", "days"),
    [
        ("Europe/Berlin", "2019-12-25", 1500),  # over several years
        ("Australia/Adelaide", "2023-01-01", 800),  # half an hour, and south of the equator
        ("Pacific/Apia", "2011-12-30", 3),  # the day that was left out
        ("Pacific/Apia", "2012-01-01", 2),
        ("America/Caracas", "2016-04-30", 3),  # half an hour for good
    ],
)
def test_a_clock_shows_what_the_tz_database_says(zone, first, days):
    """IANA tz database, as the standard library reads it, every seven hours."""
    start = int(np.datetime64(first, "s").astype(np.int64))
    utc_s = np.arange(start, start + days * 86_400, 7 * 3600)
    table = zone_table(zone, start, int(utc_s[-1]))
    np.testing.assert_array_equal(table.to_local(utc_s), shown(zone, utc_s))


def test_a_change_is_known_to_the_second():
    # 2024-03-31T01:00Z, by Directive 2000/84/EC.
    change = int(np.datetime64("2024-03-31T01:00", "s").astype(np.int64))
    local = zone_table("Europe/Berlin", change, change).to_local(
        np.array([change - 1, change])
    )
    np.testing.assert_array_equal(local - change, [3599, 7200])
