"""Files for people where the description grew: depths downwards, rain of every gauge."""

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
import xarray as xr
from one_day import lay_out

from pipeline import handover, night

NOW = datetime(2023, 3, 11, tzinfo=UTC)
SECOND = '\n[[source]]\nid = "b"\nkind = "table"\nfiles = "b/*.csv"\nlayout = "analog"\n'
CLOCK = '[source.clock]\nutc_offset = "+01:00"\nstamp = "end"\n'


def test_an_upper_sensor_and_a_second_gauge_that_came_later(tmp_path, monkeypatch):
    """By hand: 0.2 mm in each of 96 quarters of an hour, from noon on by another gauge."""
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
    drawn = []
    monkeypatch.setattr(handover, "draw_site", lambda *parts: drawn.append(parts[2]))
    monkeypatch.setattr(handover, "draw_space", lambda *_: [])
    for name in ("draw_water", "draw_storage", "draw_health_pictures"):
        monkeypatch.setattr(handover, name, lambda *_, **__: [])
    handover.draw_pictures(night.open_description(folder), snapshot)
    assert float(drawn[0].sum()) == pytest.approx(96 * 0.2, abs=1e-5)
