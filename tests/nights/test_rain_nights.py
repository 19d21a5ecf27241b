"""Daily rain by nights: what is stamped at midnight is told by the day that ended there."""

from datetime import UTC, datetime

import numpy as np
import pytest
import xarray as xr
from one_day import HEADER, lay_out

from pipeline.lineage.trace import Question, trace_cell
from pipeline.nights import handover, night
from pipeline.nights.periods import Period

NOW = datetime(2023, 4, 10, tzinfo=UTC)
QUARTERS = [(h, m) for h in range(24) for m in (0, 15, 30, 45)]


def write_day(folder, day, midnight_mm):
    """Write a day's file of the logger: its total at midnight, and 0.2 mm each quarter."""
    date = f"{day[8:]}.{day[5:7]}.{day[:4]}"
    fell = [f"{midnight_mm}".replace(".", ","), *["0,2"] * 95]
    rows = [
        f"{date} {h:02d}:{m:02d};{300 + h};{400 + m};{mm}\n"
        for (h, m), mm in zip(QUARTERS, fell, strict=True)
    ]
    text = HEADER + "".join(rows)
    (folder / "data" / "logger-a" / f"{day}.csv").write_text(text, encoding="utf-8")


def field(tmp_path, name, *days):
    folder = lay_out(tmp_path / name)
    for path in (folder / "data" / "logger-a").iterdir():
        path.unlink()
    for day in days:
        write_day(folder, *day)
    return folder


def state(folder):
    return night.site_store(night.open_description(folder)).read()


def daily_rain(folder):
    snapshot = state(folder)
    return snapshot.read("daily/daily_rain", 0, snapshot.days)[:, 0]


def test_a_month_ends_with_what_the_first_of_the_next_brings(tmp_path):
    """By hand: 95 quarters of 0.2 mm on the last of March, and 5 mm up to its end."""
    last, first = ("2023-03-31", 9), ("2023-04-01", 5)
    folder = field(tmp_path, "site", last)
    night.deliver_night(folder, night.store_night(folder, NOW))
    path = folder / "out/netcdf/north-slope_2023-03_daily_weather.nc"
    with xr.open_dataset(path) as file:
        assert file["rain"].values[0, -1] == pytest.approx(95 * 0.2, rel=1e-6)
    write_day(folder, *first)
    night.deliver_night(folder, night.store_night(folder, NOW))
    with xr.open_dataset(path) as file:
        assert file["rain"].values[0, -1] == pytest.approx(95 * 0.2 + 5, rel=1e-6)
        midnight = np.datetime64("2023-03-30T23:00", "ns")  # of 31 March at UTC+01:00
        assert file["time"].values[-1] == midnight
        days = midnight + np.array([0, 1]) * np.timedelta64(1, "D")
        np.testing.assert_array_equal(file["time_bounds"].values[-1], days)
    whole = field(tmp_path, "whole", last, first)
    night.store_night(whole, NOW)
    np.testing.assert_array_equal(daily_rain(folder), daily_rain(whole))
    account = trace_cell(
        folder,
        Question("logger-a", datetime(2023, 3, 31, 12, tzinfo=UTC), product="daily_rain"),
    )
    assert account["agrees"]
    assert account["steps"][-1] == {"time": "2023-03-31T23:00:00Z", "value": 5.0}


@pytest.mark.parametrize(("stamp", "of_day"), [("end", 95), ("start", 96)])
def test_stamps_at_the_start_of_intervals_are_led_to_their_ends(tmp_path, stamp, of_day):
    """By hand: 96 totals from 00:00 to 23:45; those that begin then all fell in the day."""
    folder = field(tmp_path, "site", ("2023-03-10", 0.2))
    site = folder / "site.toml"
    site.write_text(site.read_text().replace('stamp = "end"', f'stamp = "{stamp}"'))
    night.store_night(folder, NOW)
    rain = daily_rain(folder)
    assert rain[9] == pytest.approx(of_day * 0.2, rel=1e-6)
    assert np.isnan(np.delete(rain, 9)).all()


def test_pictures_of_a_period_hold_what_is_stamped_as_it_ends(tmp_path, monkeypatch):
    folder = field(tmp_path, "site", ("2023-03-10", 9), ("2023-03-11", 5))
    night.store_night(folder, NOW)
    drawn = []
    monkeypatch.setattr(handover, "draw_site", lambda *parts: drawn.append(parts[2]))
    monkeypatch.setattr(handover, "draw_space", lambda *_: [])
    for name in ("draw_water", "draw_storage", "draw_health_pictures"):
        monkeypatch.setattr(handover, name, lambda *_, **__: [])
    period = Period("tenth", 9, 10)
    handover.draw_window(night.open_description(folder), state(folder), period, tmp_path)
    assert (drawn[0].size, float(drawn[0][0]), float(drawn[0][-1])) == (97, 9.0, 5.0)


def test_a_station_that_logs_no_rain_has_its_nights(tmp_path):
    """Of a site that logs air temperature alone no night could be computed."""
    folder = field(tmp_path, "site", ("2023-03-10", 9))
    wiring = folder / "wiring.csv"
    wiring.write_text(wiring.read_text().replace("rain,mm,,,", "air_temperature,degC,,,"))
    account = night.deliver_night(folder, night.store_night(folder, NOW))
    assert not [path for path in account["delivered"] if "daily_weather" in path]
    assert [path for path in account["delivered"] if path.endswith("03_weather.nc")]
