"""`percolog layers` on a made store: the file, the days asked for, and refusals."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from pipeline import open_site
from pipeline.cli import app
from pipeline.errors import SiteError, StoreError
from pipeline.site.load import load_site
from pipeline.store.site_store import SiteStore

DAYS = 4


@pytest.fixture
def field(make_site):
    """Return the folder of a site whose store holds four days of water content."""
    folder = make_site()
    site = load_site(folder)
    store = SiteStore(site.store, site.axis, site.id)
    tubes = [tube.tube for tube in site.tubes]
    with store.write() as writer:
        writer.extend(DAYS * site.axis.steps_per_day)
        for dim, labels in (("tube", tubes), ("depth", list(site.depths_m)[::-1])):
            writer.widen(dim, labels)  # depths upwards: the store keeps them as first seen
        shape = (writer.steps, len(tubes), len(site.depths_m))
        values = {"cleaned_water_content": 0.25, "random_error": 0.002}
        values |= {"systematic_error": 0.01, "quality": 1}
        for name, value in values.items():
            writer.ensure(f"water/{name}")
            array = np.full(shape, value, writer.array(f"water/{name}").dtype)
            writer.write(f"water/{name}", 0, array)
        writer.commit("made", {})
    return folder


def run(*arguments):
    return CliRunner().invoke(app, ["layers", *map(str, arguments)])


def test_the_file_holds_the_days_asked_for(field, tmp_path):
    site = load_site(field)
    deepest = 100 * max(site.sensor_depth_m(t.tube, max(site.depths_m)) for t in site.tubes)
    path = tmp_path / "layers.nc"
    start = np.datetime64(int(site.start.timestamp()) + site.utc_offset_s, "s")
    second = str(start + np.timedelta64(1, "D"))[:10]
    days = ("--from", second, "--until", second)
    result = run(field, "--bounds", f"0,5,{deepest}", "--output", path, *days, "--json")
    assert result.exit_code == 0, result.output
    account = json.loads(result.stdout)["sites"][0]
    assert account["times"] == 1
    with xr.open_dataset(path) as file:
        # by hand: 0.25 all over, 50 mm of soil
        top = file["soil_water_storage"].isel(depth=0).values
        assert top[np.isfinite(top)] == pytest.approx(12.5)
        assert np.isfinite(top).any()
        local = file["time"].values + np.timedelta64(site.utc_offset_s, "s")
        assert str(local[0])[:10] == second


@pytest.mark.parametrize(
    "wrong",
    [
        ("--bounds", "0,ten"),
        ("--bounds", "40,10"),
        ("--bounds", "0,10", "--step", "weekly"),
        ("--bounds", "0,10", "--until", "1999-01-01"),
    ],
)
def test_what_makes_no_file_is_wrong_usage(field, tmp_path, wrong):
    path = tmp_path / "x.nc"
    result = run(field, *wrong, "--output", path)
    assert result.exit_code == 2
    assert not path.exists()


def test_the_notebook_gives_the_same_layers_by_the_sites_rules(field):
    site = open_site(field)
    layers = site.model_layers([0, 0.05, 0.1], covariance=True)
    assert layers.sizes["time"] == DAYS
    assert (np.diff(site.water["depth"]) > 0).all()
    assert layers["layer_storage"].attrs["units"] == "mm"
    assert site.water["cleaned_water_content"].attrs["units"] == "m3 m-3"
    for flag in (site.water["quality"], layers["layer_quality"]):
        assert flag.attrs["flag_meanings"].split()[0] == "good"
        assert flag.attrs["flag_values"].dtype == flag.dtype
    told = repr(site)
    assert f"{DAYS} days" in told
    assert len(told) < 1000  # not the whole description
    first = layers["layer_covariance"].isel(time=0, tube=0).values
    assert first[0, 1] == pytest.approx(first[1, 0])


def test_layers_of_a_notebook_are_the_sites_own_unless_told(field):
    site = open_site(field)
    pairs = [(layer.top_m, layer.bottom_m) for layer in site.site.derive.layers]
    assert pairs
    found = site.model_layers()
    np.testing.assert_allclose(found["layer_bounds"], pairs)
    xr.testing.assert_identical(found, site.model_layers(pairs, "daily"))
    bare = site.site.derive.model_copy(update={"layers": ()})
    without = replace(site, site=site.site.model_copy(update={"derive": bare}))
    with pytest.raises(ValueError, match=r"describes no layers of its own, .*give them"):
        without.model_layers()


def test_a_state_is_opened_by_name_and_odd_names_are_refused(field, monkeypatch):
    newest = open_site(field).snapshot.commit_id
    assert open_site(str(field), newest[:8]).snapshot.commit_id == newest
    monkeypatch.setenv("HOME", str(field.parent))
    assert open_site(f"~/{field.name}").snapshot.commit_id == newest
    for name in ("", " ", 7, "never"):
        with pytest.raises(StoreError, match=rf"found no state '{name}'; expected 'now'"):
            open_site(field, name)
    for folder in ("", None, 3, b"field"):
        with pytest.raises(TypeError, match="expected the path of a site's folder, found"):
            open_site(folder)
    for commit in (True, 1.0, field):
        with pytest.raises(TypeError, match="commit: expected the number of a night, a date"):
            open_site(field, commit)
    with pytest.raises(SiteError, match="found no such folder"):
        open_site(field / "nowhere")
