"""Files for people where the description grew: depths downwards, rain of every gauge."""

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
import xarray as xr
from one_day import lay_out

from pipeline.lineage.text import trace_text
from pipeline.lineage.trace import Question, trace_cell
from pipeline.nights import handover, night

NOW = datetime(2023, 3, 11, tzinfo=UTC)
SECOND = '\n[[source]]\nid = "b"\nkind = "table"\nfiles = "b/*.csv"\nlayout = "analog"\n'
CLOCK = '[source.clock]\nutc_offset = "+01:00"\nstamp = "end"\n'


def test_an_upper_sensor_and_a_second_gauge_that_came_later(tmp_path, monkeypatch):
    """By hand: 0.2 mm in each of 96 quarters of an hour, from noon on by another gauge.

    That of the first midnight fell the day before: 47 are the first gauge's, 48 the second's.
    """
    folder = lay_out(tmp_path / "site")
    night.store_night(folder, NOW)
    wiring, site = folder / "wiring.csv", folder / "site.toml"
    rows = wiring.read_text().replace(
        "logger-a,rain,,,rain,mm,,,", "logger-a,rain,,,rain,mm,,,2023-03-10T12:00"
    )
    late = "logger-a,other,T1,5,permittivity,1,,,\nb,rain,,,rain,mm,,2023-03-10T12:00,\n"
    wiring.write_text(rows + late)
    text = site.read_text()
    at = text.index("\n[[source]]")
    site.write_text(text[:at] + SECOND + CLOCK + text[at:])
    shutil.copytree(folder / "data" / "logger-a", folder / "data" / "b")
    night.deliver_night(folder, night.store_night(folder, NOW))
    snapshot = night.site_store(night.open_description(folder)).read()
    assert snapshot.labels["depth"][-1] == 0.05
    depths = {}
    for path in sorted((folder / "out" / "netcdf").glob("*.nc")):
        with xr.open_dataset(path) as file:
            if "depth" in file.dims:
                depths[path.stem.rpartition("_")[2]] = file["depth"].values
    assert len(depths) == 2
    assert "daily" in depths
    assert all((np.diff(found) > 0).all() for found in depths.values())
    # The day is told once, by the gauge that took over.
    with xr.open_dataset(folder / "out/netcdf/north-slope_2023-03_daily_weather.nc") as file:
        rain = file["rain"].isel(time=-1).to_series().to_numpy()
        assert file["station_id"].values.astype(str).tolist() == ["logger-a", "b"]
    np.testing.assert_allclose(rain, [np.nan, 95 * 0.2], rtol=1e-6)
    noon = datetime(2023, 3, 10, 12, tzinfo=UTC)
    asked = [
        trace_cell(folder, Question(name, noon, product="daily_rain"))
        for name in ("logger-a", "b")
    ]
    assert [account["agrees"] for account in asked] == [True, True]
    assert "told by 'b'" in asked[0]["why_missing"]
    assert asked[1]["rule"]["counted"] == 95
    by_whom = [step["station"] for step in asked[1]["steps"]]
    assert (by_whom.count("logger-a"), by_whom.count("b")) == (47, 48)
    assert "--tube logger-a --product rain" in trace_text(asked[1])
    drawn = []
    monkeypatch.setattr(handover, "draw_site", lambda *parts: drawn.append(parts[2]))
    monkeypatch.setattr(handover, "draw_space", lambda *_: [])
    for name in ("draw_water", "draw_storage", "draw_health_pictures"):
        monkeypatch.setattr(handover, name, lambda *_, **__: [])
    handover.draw_pictures(night.open_description(folder), snapshot)
    assert float(drawn[0].sum()) == pytest.approx(96 * 0.2, abs=1e-5)
