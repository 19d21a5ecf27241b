"""A cleaning through whole nights: its step, a front in its place, and rain that makes doubt.

T1 at 10 cm reads every 15 minutes; it is cleaned at noon (UTC) of 12 March. By hand: 1 mV is
0.006 of root permittivity, 0.000714 m3 m-3 by the laws of the field (0.119 times 6 V-1).
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from drift_nights import HEAD, INSTALLED, assert_same, snapshot_of

from pipeline.nights import night

NOW = datetime(2023, 6, 1, tzinfo=UTC)
CLEANED = "2023-03-12T13:00,T1,,cleaning,10,,,,,wiped,AK\n"  # of the site's own time
DAYS = range(10, 15)


def hours_from_cleaning(day, minute):
    return (day - 12) * 24 + minute / 60 - 13


def write_days(
    folder, millivolts, rain=lambda hour: 0.0, left_out=lambda hour: False, days=DAYS
):
    """Write files of some days; all functions are of hours from the cleaning."""
    for day in days:
        rows = []
        for minute in range(0, 1440, 15):
            hour = hours_from_cleaning(day, minute)
            if not left_out(hour):
                volts = f"{millivolts(hour):.3f}".replace(".", ",")
                fallen = f"{rain(hour):.1f}".replace(".", ",")
                stamp = f"{day:02d}.03.2023 {minute // 60:02d}:{minute % 60:02d}"
                rows.append(f"{stamp};{volts};400,0;{fallen}\n")
        path = folder / "data" / f"logger-a/2023-03-{day:02d}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        text = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n" + "".join(rows)
        path.write_text(text, encoding="utf-8", newline="")


def verdict_of(folder):
    (row,) = [
        row
        for row in snapshot_of(folder).table("drift_checks").to_pylist()
        if row["kind"] == "cleaning"
    ]
    return row["verdict"], row["error"]


def described(make_site):
    folder = make_site()
    (folder / "visits.csv").write_text(HEAD + INSTALLED + CLEANED)
    return folder


def dirt(hour):
    return 570.0 if hour < 0 else 600.0


def front(hour):
    return 570.0 + 30.0 * min(max((hour + 0.6) / 0.9, 0.0), 1.0)


def test_dirt_is_taken_off_and_a_front_is_not(make_site):
    folder = described(make_site)
    write_days(folder, dirt)
    night.store_night(folder, NOW)
    assert verdict_of(folder) == ("corrected", pytest.approx(0.03, abs=1e-4))
    wetted = described(make_site)
    write_days(wetted, front)
    night.store_night(wetted, NOW)
    assert verdict_of(wetted)[0] == "soil moved"
    assert snapshot_of(wetted).table("corrections") is None


def test_rain_over_a_gap_makes_doubt_in_nights_as_in_one_run(make_site):
    """No readings for an hour around the cleaning, 8 mm before: they may be those 0.021."""

    def away(hour):
        return abs(hour) < 0.6

    def shower(hour):
        return 4.0 if hour in (-1.5, -1.25) else 0.0

    nightly, at_once, dry = (described(make_site) for _ in range(3))
    write_days(dry, dirt, left_out=away)
    night.store_night(dry, NOW)
    assert verdict_of(dry)[0] == "corrected"
    for days in ((13, 14), (10, 12), (11,)):
        write_days(nightly, dirt, shower, away, days)
        night.store_night(nightly, NOW)
    write_days(at_once, dirt, shower, away)
    night.store_night(at_once, NOW)
    assert verdict_of(nightly)[0] == "soil moved"
    assert_same(snapshot_of(nightly), snapshot_of(at_once))
