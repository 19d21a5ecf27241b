"""`percolog limits` and the table behind it, on a made store; the notebook's cubes beside."""

import json
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from typer.testing import CliRunner

import pipeline
from pipeline.accounts import limits_report as limits_module
from pipeline.accounts.limits_report import (
    limits_of,
    limits_report,
    saturation_row,
    texture_row,
)
from pipeline.accounts.limits_text import limits_text
from pipeline.cli import app
from pipeline.errors import StoreError, UnitsError
from pipeline.products.limits import soil_limits_step
from pipeline.site.load import load_site
from pipeline.site.models import Horizon
from pipeline.store.site_store import SiteStore
from pipeline.units import plain
from pipeline.variables import VARIABLES

DEPTHS = (0.1, 0.3)
DAYS = 200


def daily_series(seed, scale=0.02):
    """Return daily means: spells of 20 days that drain, each wetted a little otherwise."""
    random = np.random.default_rng(seed)
    starts = 0.34 + 0.02 * random.random(DAYS // 20)
    spell = -scale * np.log1p(np.arange(20))
    return np.concatenate([start + spell for start in starts]).astype(np.float32)


@pytest.fixture
def field(make_site):
    """Return the folder of a site whose store holds daily means and nothing else."""
    folder = make_site()
    site = load_site(folder)
    tubes = [tube.tube for tube in site.tubes][:2]
    store = SiteStore(site.store, site.axis, site.id)
    with store.write() as writer:
        writer.extend(DAYS * site.axis.steps_per_day)
        for dim, labels in (("tube", tubes), ("depth", list(site.depths_m))):
            writer.widen(dim, labels)
        writer.ensure("daily/daily_water_content")
        values = np.full((DAYS, len(tubes), len(site.depths_m)), np.nan, dtype=np.float32)
        for tube in range(len(tubes)):
            for depth in range(len(site.depths_m)):
                values[:, tube, depth] = daily_series(10 * tube + depth)
        writer.write("daily/daily_water_content", 0, values)
        computed = np.ones((len(tubes), DAYS), dtype=bool)
        writer.put_table(
            "soil_limits", soil_limits_step(writer, site, computed)["soil_limits"]
        )
        writer.commit("made", {})
    return folder


def test_table_has_a_row_for_every_sensor_in_order(field):
    site = load_site(field)
    table = SiteStore(site.store, site.axis, site.id).read().table("soil_limits").to_pandas()
    assert list(table["tube"].unique()) == [t.tube for t in site.tubes][:2]
    for _, rows in table.groupby("tube"):
        assert rows["depth_m"].tolist() == sorted(site.depths_m)
    # by hand: 9 days after a start between 0.34 and 0.36: 0.02 ln 10 = 0.0461 lower
    assert table["upper"].between(0.34 - 0.0461, 0.36 - 0.0461).all()
    assert table["days_to_drain"].values == pytest.approx(9.0, abs=0.3)
    assert (table["days"] == DAYS).all()


def test_a_tube_without_a_computed_day_keeps_its_rows(field):
    site = load_site(field)
    snapshot = SiteStore(site.store, site.axis, site.id).read()
    stored = snapshot.table("soil_limits")
    marked = stored.to_pylist()
    marked[0] = {**marked[0], "upper": 0.123}  # the rows of the first tube are told from anew
    changed = pa.Table.from_pylist(marked, schema=stored.schema)

    class Marked:
        labels, days, holds, read = (
            snapshot.labels,
            snapshot.days,
            snapshot.holds,
            snapshot.read,
        )

        @staticmethod
        def table(name):
            return changed

    computed = np.zeros((2, DAYS), dtype=bool)
    computed[1, 3] = True
    kept = soil_limits_step(Marked, site, computed)["soil_limits"]
    assert kept.equals(changed)
    computed[:] = True
    assert soil_limits_step(Marked, site, computed)["soil_limits"].equals(stored)


def test_rows_go_by_names_whatever_tube_was_described_first(field):
    site = load_site(field)
    snapshot = SiteStore(site.store, site.axis, site.id).read()
    tubes = snapshot.labels["tube"]
    assert tubes == sorted(tubes)

    class Reversed:
        days, holds = snapshot.days, snapshot.holds
        labels = snapshot.labels | {"tube": tubes[::-1]}

        @staticmethod
        def read(key, start, stop, columns):
            return snapshot.read(key, start, stop)[:, ::-1][:, columns]

        @staticmethod
        def table(name):
            return None

    found = soil_limits_step(Reversed, site, np.ones((2, DAYS), dtype=bool))["soil_limits"]
    assert found.equals(snapshot.table("soil_limits"))


def test_report_tells_limits_texture_and_the_root_zone(field):
    account = limits_report(field, 0.3, 0.5)
    assert account["outcome"] == "done"
    zone = account["root_zones"][0]
    sensors = [row for row in account["sensors"] if row["tube"] == zone["tube"]]
    assert zone["total_available_mm"] > 0
    assert zone["depletion_mm"] >= 0
    due = zone["depletion_mm"] >= 0.5 * zone["total_available_mm"]
    assert zone["refill_mm"] == (zone["depletion_mm"] if due else 0.0)
    assert all(row["lower_is_bound"] for row in sensors)  # it never dried to a plateau
    text = limits_text(account)
    assert "local practice goes before it" in text
    assert "<= " in text
    assert "note  T2: depths as wired; its sensors sit 5 cm deeper" in text
    assert "+-: standard uncertainty" in text
    remark = (
        "note  it never dried to a plateau: the lower limit lies at or below the one shown"
    )
    assert f"{remark}: T1 10, 30 cm; T2 10, 30 cm" in text


def test_what_one_layer_holds_above_its_limit_does_not_make_up_for_another(field, monkeypatch):
    # by hand: 0.2 m with a limit of 0.30 hold 0.25, 0.2 m hold 0.36: 10 mm lack, 12 mm drain;
    # of 2 x 0.2 m x (0.30 - 0.10) = 80 mm are left 70.
    site = load_site(field)
    two = np.array([0.2, 0.2]), np.full(2, 0.30), np.full(2, 0.10)
    zone = limits_module._Zone([0, 1], *two, ["record"])
    monkeypatch.setattr(limits_module, "_zone", lambda *_: zone)
    held = ("2025-07-17", np.array([0.25, 0.36]))
    monkeypatch.setattr(limits_module, "_last_day", lambda *_: held)
    found = limits_module.root_zone(site, None, [{"tube": "T1"}], 0.4, 0.5)
    amounts = [found[f"{name}_mm"] for name in ("total_available", "depletion", "surplus")]
    assert amounts == pytest.approx([80.0, 10.0, 12.0])
    assert found["relative_available_water"] == pytest.approx(70 / 80)
    assert found["refill_mm"] == 0.0


def test_limits_upside_down_are_remarked_on_and_no_water_between_them_is_told(field):
    site = load_site(field)
    store = SiteStore(site.store, site.axis, site.id)
    with store.write() as writer:
        table = writer.table("soil_limits")
        rows = [{**row, "upper": 0.1, "lower": 0.2} for row in table.to_pylist()]
        writer.put_table("soil_limits", pa.Table.from_pylist(rows, schema=table.schema))
        writer.commit("turned", {})
    text = limits_text(limits_report(field, 0.3, 0.5))
    assert "upper limit not above the lower: too short or too wet" in text
    zone = limits_report(field, 0.3, 0.5)["root_zones"][0]
    assert zone["unknown"].startswith("upper limit at ")
    assert {zone[name] for name in ("total_available_mm", "depletion_mm", "refill_mm")} == {
        None
    }
    assert f"note  {zone['tube']}, root zone: {zone['unknown']}" in text


def test_a_root_zone_beyond_the_sensors_is_left_open(field):
    site = load_site(field)
    zone = limits_report(field, max(site.depths_m) + 0.5, 0.5)["root_zones"][0]
    if site.derive.below_last_sensor == "none":
        assert zone["total_available_mm"] is None
        assert "its sensors do not tell of" in zone["unknown"]
        assert zone["refill_mm"] is None
    else:
        assert zone["total_available_mm"] > 0


def test_a_root_zone_out_of_reach_of_all_sensors_is_told(field, monkeypatch):
    shallow = 0.05
    assert load_site(field).depths_m[0] == 0.1
    assert limits_report(field, shallow, 0.5)["root_zones"][0]["remark"] == ""
    monkeypatch.setattr("pipeline.accounts.limits_report.REACH_M", 0.04)
    account = limits_report(field, shallow, 0.5)
    remark = account["root_zones"][0]["remark"]
    assert remark.startswith("its first sensor is at 10 cm, out of reach")
    assert f"root zone: {remark}" in limits_text(account)


def test_command_prints_one_document(field):
    result = CliRunner().invoke(app, ["limits", str(field), "--json", "--root-depth", "30"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["command"] == "limits"
    assert found["sites"][0]["root_depth_m"] == 0.3
    wrong = CliRunner().invoke(app, ["limits", str(field), "--tube", "nobody"])
    assert wrong.exit_code == 2


def test_a_store_without_limits_says_what_to_do(make_site):
    folder = make_site()
    site = load_site(folder)
    with SiteStore(site.store, site.axis, site.id).write() as writer:
        writer.extend(1)
        writer.commit("empty", {})
    with pytest.raises(StoreError, match=r"run percolog night, and wait"):
        limits_report(folder, 0.3, 0.5)


def horizon(**changes):
    return Horizon(name="Ap", top_m=0, bottom_m=1, calibration="law", **changes)


def test_texture_comes_from_shares_before_the_class_and_less_the_stones():
    by_class = texture_row(horizon(texture="Loam"))
    assert by_class["texture_of"] == "class"
    # printed: Saxton & Rawls (2006), Table 3, loam: 28, 14 and 46 %
    assert by_class["texture_upper"] == pytest.approx(0.28, abs=0.005)
    assert by_class["table_19_upper"] == [0.20, 0.30]
    shares = texture_row(horizon(texture="Loam", sand_pct=10, clay_pct=45, organic_pct=2.5))
    assert shares["texture_of"] == "sand and clay"
    assert shares["texture_upper"] == pytest.approx(0.41, abs=0.005)  # silty clay, Table 3
    stony = texture_row(horizon(texture="loam", stones_pct=20))
    assert stony["texture_upper"] == pytest.approx(0.8 * by_class["texture_upper"])
    nothing = texture_row(horizon(texture="peat"))
    assert nothing["texture_upper"] is None
    assert nothing["table_19_upper"] is None
    assert texture_row(None)["texture_of"] is None


def test_saturation_is_as_stated_else_porosity():
    assert saturation_row(horizon(saturation=0.43, bulk_density=1.3))["saturation"] == 0.43
    # by hand: 1 - 1.30 / 2.65
    porosity = saturation_row(horizon(bulk_density=1.3))
    assert porosity["saturation"] == pytest.approx(0.50943, abs=5e-6)
    assert porosity["saturation_from"] == "bulk density"
    assert saturation_row(None)["saturation"] is None


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ((0.30, 0.10, False, 0.28, 0.14), (0.30, "record", 0.10, "record")),
        ((0.30, 0.20, True, 0.28, 0.14), (0.30, "record", 0.14, "texture")),
        ((0.30, 0.11, True, 0.28, 0.14), (0.30, "record", 0.11, "texture")),
        ((None, 0.20, True, 0.28, 0.14), (0.28, "texture", 0.14, "texture")),
        ((None, 0.20, True, None, None), (None, "", 0.20, "bound")),
        ((None, None, True, None, None), (None, "", None, "")),
    ],
)
def test_the_record_goes_before_texture_and_a_bound_is_no_limit(row, expected):
    names = ("upper", "lower", "lower_is_bound", "texture_upper", "texture_lower")
    assert tuple(limits_of(dict(zip(names, row, strict=True)))) == expected


def test_cubes_of_an_open_site_are_lazy_and_labelled(field):
    from pipeline import open_site

    site = open_site(field)
    content = site.daily["daily_water_content"]
    assert content.attrs["units"] == "m3 m-3"
    assert not content.variable._in_memory
    assert not plain(content, "m3 m-3").variable._in_memory  # nor read to look at its units
    with pytest.raises(UnitsError, match="expected units 'mm', found 'm3 m-3'"):
        plain(content, "mm")
    assert not content.variable._in_memory
    assert site.daily["sensor_depth"].dims == ("tube", "depth")
    assert site.daily["sensor_depth"].attrs["units"] == "m"
    assert (np.diff(site.daily["depth"]) > 0).all()
    names = list(site.daily)
    assert names == sorted(names, key=list(VARIABLES).index)  # the same in every session
    assert site.table("soil_limits")["upper"].notna().all()
    with pytest.raises(KeyError, match=r"no table 'nothing', but .*soil_limits"):
        site.table("nothing")
    assert "soil_limits" in site.tables


def test_the_package_itself_loads_nothing():
    code = "import sys, pipeline; sys.exit('numpy' in sys.modules or 'xarray' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    assert set(pipeline.__all__) <= set(dir(pipeline))  # completed as one types
    with pytest.raises(ImportError, match="cannot import name 'nothing'"):
        from pipeline import nothing  # noqa: F401
