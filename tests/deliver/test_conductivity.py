"""Conductivity in the field as files: strict CF, the same in all formats."""

import re
from types import SimpleNamespace

import netCDF4
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from checkers import remarks, second_opinion

from pipeline.deliver.conductivity import write_conductivity
from pipeline.deliver.row_fields import CONDUCTIVITY
from pipeline.delivering.events import conductivity_files
from pipeline.products.event_store import SCHEMAS, table_of

FIRST_S = 1709251200  # 2024-03-01T00:00Z
# tube, depth, water content, mm/d, its standard uncertainty, nights; by hand
CLASSES = [
    ("A1", 0.1, 0.215, 0.4, 0.2, 9),
    ("A1", 0.1, 0.225, 1.1, 0.3, 4),
    ("B1-long", 0.4, 0.305, 2.5, 0.7, 3),
]
LAW = {"intercept": -14.5, "slope": 60.0, "offset_mm_d": 0.2, "scatter_mm_d": 0.15}
KEYS = "tube depth_m water_content conductivity_mm_d conductivity_error nights".split()


def classes():
    """Return classes as the store holds them; the last sensor has no law."""
    rows = pd.DataFrame(CLASSES, columns=KEYS).assign(**LAW)
    rows.loc[2, ["intercept", "slope", "scatter_mm_d"]] = np.nan
    return rows


def state_of(rows):
    table = table_of("conductivity", [rows])
    axis = SimpleNamespace(origin_s=FIRST_S)
    return SimpleNamespace(axis=axis, days=60, table={"conductivity": table}.get)


@pytest.fixture(scope="module")
def made(tmp_path_factory, make_site, provenance):
    """Return the site and the paths of what is delivered, by suffix."""
    site, draft = make_site(), tmp_path_factory.mktemp("conductivity")
    gone = classes()[:1].assign(tube="taken out")
    state = state_of(pd.concat([classes(), gone]))
    found = list(conductivity_files(site, state, provenance, draft, True))
    assert {resource.path.stem for resource in found} == {f"{site.id}_conductivity"}
    return site, {resource.path.suffix: resource for resource in found}


def test_checkers_have_no_remark_but_on_names_that_cf_does_not_have(made, tmp_path):
    path = made[1][".nc"].path
    assert remarks(path, "cf:1.11", above=0) == []
    found = remarks(path, "acdd:1.3", above=1)
    # A soil's conductivity has no instant, hence no variable to hold the coverage against.
    timeless = [message for *_, message in found if message.startswith("Could not find time")]
    named = [group for _, group, message in found if message not in timeless]
    assert {message for *_, message in found} == {"standard_name", *timeless}
    assert len(timeless) == 1
    missing = {re.search(r'"(\w+)"', group).group(1) for group in named}
    assert not missing & {"soil_water_content", "depth", "sensor_depth"}
    counts = second_opinion(path, tmp_path)
    assert (counts["FATAL"], counts["ERROR"], counts["WARN"]) == (0, 0, 0)


def test_each_class_has_its_sensor_uncertainty_and_law_in_all_formats(made):
    files = made[1]
    assert sorted(files) == [".csv", ".nc", ".parquet"]
    table = pq.read_table(files[".parquet"].path).to_pandas()
    sheet = pd.read_csv(files[".csv"].path)
    pd.testing.assert_frame_equal(sheet, table, check_dtype=False)
    assert table["tube_id"].tolist() == [
        "A1",
        "A1",
        "B1-long",
    ]  # none of a tube the site has not
    assert table["conductivity"].tolist() == [0.4, 1.1, 2.5]
    assert table["conductivity_error"].tolist() == [0.2, 0.3, 0.7]
    deeper = {
        "A1": 0.0,
        "B1-long": 0.05,
    }  # set in so much [m]
    np.testing.assert_allclose(table["sensor_depth"], [r[1] + deeper[r[0]] for r in CLASSES])
    with netCDF4.Dataset(files[".nc"].path) as file:
        for name in table.columns.drop("tube_id"):
            values = np.ma.filled(file[name][:].astype(float), np.nan)
            np.testing.assert_array_equal(values, table[name])
        assert "featureType" not in file.ncattrs()
        assert file.time_coverage_start == "2024-03-01T00:00:00Z"
        assert file.time_coverage_duration == "P60D"
        assert file["conductivity"].units == "mm day-1"
        assert "conductivity_error" in file["conductivity"].ancillary_variables.split()
        assert "local practice" in file.comment


def test_every_column_has_a_line_for_the_dictionary(made):
    columns = {column.name: column for column in made[1][".parquet"].columns}
    assert {field.source for field in CONDUCTIVITY} == {
        *SCHEMAS["conductivity"].names,
        "real_depth_m",
    }
    assert set(pq.read_schema(made[1][".parquet"].path).names) == set(columns)
    assert all(column.description for column in columns.values())
    assert columns["conductivity_error"].units == "mm day-1"


def test_made_twice_the_bytes_are_the_same(made, tmp_path, provenance):
    site, files = made
    found = list(conductivity_files(site, state_of(classes()), provenance, tmp_path, True))
    for resource in found:
        assert resource.path.read_bytes() == files[resource.path.suffix].path.read_bytes()


def test_nothing_is_written_where_nights_told_nothing(tmp_path, make_site, provenance):
    site = make_site()
    state = state_of(classes()[:0])
    assert list(conductivity_files(site, state, provenance, tmp_path, True)) == []
    with pytest.raises(ValueError, match="at least one class"):
        write_conductivity(site, classes()[:0], (), (0, 1), provenance, tmp_path / "a.nc")


def test_the_usual_loss_is_not_said_to_be_taken_off(made):
    with netCDF4.Dataset(made[1][".nc"].path) as file:
        said = file["law_offset"].long_name
    assert "not itself taken off" in said
