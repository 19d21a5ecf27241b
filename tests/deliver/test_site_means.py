"""Means over tubes and drift corrections as files: strict CF, and the same in all formats."""

import re

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr
from checkers import remarks, second_opinion

from pipeline.deliver import row_fields
from pipeline.deliver.event_tables import write_event_parquet, write_event_sheet
from pipeline.deliver.site_means import write_site_means
from pipeline.delivering.space import drift_files
from pipeline.engine.correcting import CHECKS, CORRECTIONS
from pipeline.products.space import MEANS, SCHEMAS

DAY_S = 86400
FIRST_S = 1709251200  # 2024-03-01T00:00Z
MEMBERS = {"": ["A1", "B1-long", "C1"], "upper": ["A1", "B1-long"]}
# quantity, depth, layer, group, day, mean; by hand
MEAN = [
    ("water_content", 0.1, "", "", 0, 0.25),
    ("water_content", 0.4, "", "", 2, 0.31),
    ("water_content", 0.1, "", "upper", 1, 0.22),
    ("storage", np.nan, "subsoil", "", 1, 140.5),
]


@pytest.fixture(scope="module")
def rows():
    """Return means as the store holds them; what is not the mean is ten, eleven and on."""
    found = []
    for quantity, depth, layer, group, day, mean in MEAN:
        row = {name: float(10 + n) for n, name in enumerate(SCHEMAS[MEANS].names)}
        row |= {"quantity": quantity, "depth_m": depth, "layer": layer, "group": group}
        found.append(row | {"day_s": FIRST_S + day * DAY_S, "mean": mean})
    return pd.DataFrame(found)


@pytest.fixture(scope="module")
def path(tmp_path_factory, make_site, provenance, rows):
    target = tmp_path_factory.mktemp("means") / "m.nc"
    return write_site_means(make_site(), rows, MEMBERS, provenance, target)


def test_checkers_have_no_remark_but_on_names_that_cf_does_not_have(path, tmp_path):
    assert remarks(path, "cf:1.11", above=0) == []
    found = remarks(path, "acdd:1.3", above=1)
    assert {message for *_, message in found} == {"standard_name"}
    missing = {re.search(r'"(\w+)"', group).group(1) for _, group, _ in found}
    assert not missing & {"soil_water_content", "soil_water_storage", "time", "depth"}
    counts = second_opinion(path, tmp_path)
    assert (counts["FATAL"], counts["ERROR"], counts["WARN"]) == (0, 0, 0)


def test_means_lie_at_their_group_day_and_place(path):
    with xr.open_dataset(path) as file:
        assert file["group_id"].values.tolist() == ["hillside", "upper"]
        water = file["soil_water_content"].transpose("group", "time", "depth").values
        assert water.shape == (2, 3, 2)
        found = water[0, 0, 0], water[0, 2, 1], water[1, 1, 0]
        np.testing.assert_allclose(found, (0.25, 0.31, 0.22), rtol=1e-6)
        assert np.isfinite(water).sum() == 3
        storage = file["soil_water_storage"].transpose("group", "time", "layer").values
        assert storage[0, 1].tolist()[1] == 140.5
        assert np.isfinite(storage).sum() == 1
        assert str(file["time"].values[0]) == "2024-03-01T00:00:00.000000000"
        # By hand: the middle of the first two tubes of the invented site.
        np.testing.assert_allclose(file["latitude"].values[1], 50.00115)
        number = SCHEMAS[MEANS].names.index("upper")
        assert file["soil_water_content_upper"].values[0, 0, 0] == 10 + number


def test_made_twice_the_bytes_are_the_same(path, tmp_path, make_site, provenance, rows):
    again = write_site_means(make_site(), rows, MEMBERS, provenance, tmp_path / "a.nc")
    assert again.read_bytes() == path.read_bytes()


def test_tables_hold_every_column_of_the_store(rows, tmp_path):
    fields = row_fields.SITE_MEANS
    assert {f.source for f in fields} == {*SCHEMAS[MEANS].names, "unit"}
    whole = rows.assign(unit="mm")
    table = pq.read_table(write_event_parquet(whole, fields, tmp_path / "m.parquet"))
    sheet = pd.read_csv(write_event_sheet(whole, fields, tmp_path / "m.csv"))
    assert table["mean"].to_pylist() == sheet["mean"].tolist() == [row[-1] for row in MEAN]
    assert table.column_names == sheet.columns.tolist()


class State:
    """A state that holds tables of drift."""

    def __init__(self, tables):
        self.tables = tables

    def table(self, name):
        return self.tables.get(name)


def test_corrections_and_checks_are_delivered_where_there_are_any(tmp_path, make_site):
    import pyarrow as pa

    columns = {field.source: ["x"] for field in row_fields.CORRECTIONS}
    columns |= {"depth_m": [0.4], "start_s": [FIRST_S], "until_s": [None], "first": [-0.25]}
    columns |= {name: [0.5] for name in ("last", "first_error", "last_error", "growth")}
    columns = {
        name: c for name, c in columns.items() if "low" not in name and "high" not in name
    }
    columns["until_s"] = pa.array([None], pa.int64())
    state = State({CORRECTIONS: pa.table(columns), CHECKS: None})
    made = list(drift_files(make_site(), state, tmp_path, True))
    assert [r.path.suffix for r in made] == [".parquet", ".csv"]
    assert {r.path.stem for r in made} == {"hillside_corrections"}
    sheet = pd.read_csv(made[1].path)
    assert (sheet["first"][0], sheet["depth"][0]) == (-0.25, 0.4)
    assert sheet["start_time"][0] == "2024-03-01T00:00:00Z"
    assert pd.isna(sheet["until_time"][0])
    assert pq.read_table(made[0].path)["until_time"].to_pylist() == [None]
    # A state of before corrections by two standards has no such columns.
    assert pq.read_table(made[0].path)["high_last"].to_pylist() == [None]
    assert list(drift_files(make_site(), State({}), tmp_path, True)) == []


def test_every_column_of_drift_in_the_store_has_a_field():
    from pipeline.engine.correcting import _CHECK_FIELDS, _CORRECTION_FIELDS

    for stored, fields in (
        (_CHECK_FIELDS, row_fields.DRIFT_CHECKS),
        (_CORRECTION_FIELDS, row_fields.CORRECTIONS),
    ):
        assert [name for name, _ in stored] == [field.source for field in fields]
