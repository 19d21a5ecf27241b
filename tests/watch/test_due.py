"""When nights are due, which are caught up, and how it is printed for others to do."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from flows.schedule_book import note_night, write_plan
from flows.serving import missed_night
from pipeline.watch.due import ScheduleError, next_due, parse_time, parse_zone, summer_time
from pipeline.watch.elsewhere import how_to


def utc(day, hour=12, minute=0, month=3):
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize("month", [3, 10, 11])
@pytest.mark.parametrize(
    ("zone", "at"),
    [("Europe/Paris", "02:30"), ("Europe/London", "01:30"), ("America/Havana", "00:15")],
)
def test_nights_are_due_when_prefect_runs_them(zone, at, month):
    # The outside check: Prefect's own dates, over both changes of the clock.
    from prefect.server.schemas.schedules import CronSchedule

    hour, minute = at.split(":")
    cron = CronSchedule(cron=f"{int(minute)} {int(hour)} * * *", timezone=zone)
    theirs = asyncio.run(cron.get_dates(n=30, start=utc(1, month=month)))
    now = utc(1, month=month)
    for expected in theirs:
        now = next_due(at, ZoneInfo(zone), now)
        # As instants: of two zones, times that come twice are never equal to each other.
        assert now.timestamp() == expected.timestamp()


def test_summer_time_is_told():
    told = summer_time("02:30", ZoneInfo("Europe/Paris"), utc(1))
    assert "2026-03-29" in told  # last Sundays of March and October, directive 2000/84/EC
    assert "2026-10-25" in told
    assert "03:30" in told


@pytest.mark.parametrize("text", ["25:00", "2", "02:60", "02:30:00", "", "-1:00"])
def test_a_wrong_time_is_told(text):
    with pytest.raises(ScheduleError, match="02:30"):
        parse_time(text)


@pytest.mark.parametrize("text", ["Europe/Pariss", "../etc/passwd", "CET+1x"])
def test_a_wrong_zone_is_told(text):
    with pytest.raises(ScheduleError, match="Europe/Paris"):
        parse_zone(text)


def test_many_missed_nights_are_one_and_a_new_or_changed_schedule_missed_none(tmp_path):
    zone = ZoneInfo("UTC")
    write_plan(tmp_path, ["/a"], "02:30", "UTC", utc(1))
    assert missed_night(tmp_path, "02:30", zone, utc(1, 13)) is None
    assert missed_night(tmp_path, "02:30", zone, utc(9)) == utc(9, 2, 30)
    with note_night(tmp_path, utc(9, 12)):
        pass
    assert missed_night(tmp_path, "02:30", zone, utc(9, 13)) is None
    assert missed_night(tmp_path, "02:30", zone, utc(10)) == utc(10, 2, 30)
    write_plan(tmp_path, ["/a"], "02:30", "UTC", utc(10))  # as before: since then still
    assert missed_night(tmp_path, "02:30", zone, utc(10)) == utc(10, 2, 30)
    write_plan(tmp_path, ["/a"], "11:00", "UTC", utc(10))
    assert missed_night(tmp_path, "11:00", zone, utc(10)) is None


def test_names_are_quoted_as_each_wants_it():
    site = Path("/srv/a b%c$d'e")
    unit = how_to("systemd", [site], "02:30", "Europe/Paris")
    assert '"/srv/a b%%c$$d\'e"' in unit  # systemd.service(5), command lines
    assert "OnCalendar=*-*-* 02:30:00 Europe/Paris" in unit
    assert "Persistent=true" in unit
    job = how_to("cron", [site], "02:30", "Europe/Paris").splitlines()[-1]
    assert "%" not in job.replace("\\%", "")  # crontab(5): a bare % is a line break
    assert job.startswith("30 2 * * *")
    shared = {"scheduler": "tls://host:8786"}
    for kind, told in (
        ("systemd", '"--scheduler=tls://host:8786"'),
        ("cron", " --scheduler=tls://host:8786"),
        ("prefect", '"scheduler": "tls://host:8786"'),
    ):
        assert told in how_to(kind, [site], "02:30", "UTC", shared)
    with pytest.raises(ScheduleError):
        how_to("systemd", [Path("/srv/a\nExecStart=x")], "02:30", "UTC")


def test_a_zone_of_the_machine_that_is_none_is_told_as_the_machines(monkeypatch):
    monkeypatch.setenv("TZ", "CET-1CEST")
    with pytest.raises(
        ScheduleError, match=r"'CET-1CEST' as the machine's own \(variable TZ\)"
    ):
        parse_zone("")
