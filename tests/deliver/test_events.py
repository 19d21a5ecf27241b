"""Wetting events as files: strict CF, every column of the store, the same in all formats."""

import re

import netCDF4
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr
from checkers import remarks, second_opinion

from pipeline.deliver.event_changes import compare_events
from pipeline.deliver.event_fields import BY_DEPTH, DOUBTS, EVENTS, UPTAKE
from pipeline.deliver.event_tables import write_event_parquet, write_event_sheet
from pipeline.deliver.events import uptake_cube, write_events, write_uptake
from pipeline.derive.drained_hours import BELOW, HERE
from pipeline.products.event_store import SCHEMAS

NAMELESS = {f.name for f in (*EVENTS, *BY_DEPTH, *UPTAKE) if not f.standard_name}
DAY_S = 86400
ONSET_S = 1709262000  # 2024-03-01T03:00Z: 1709251200 is 2024-03-01T00:00Z
NOMINAL_M = {"A1": (0.1, 0.2, 0.4, 0.8), "B1-long": (0.1, 0.4)}


def stored(name, rows):
    """Return rows as the stored table of a name has them; numbers not given are 0.5 and on."""
    filled = []
    for place, row in enumerate(rows):
        whole = {}
        for number, field in enumerate(SCHEMAS[name]):
            kind = str(field.type)
            by_kind = {"double": 0.5 + number + 100 * place, "int64": 3, "bool": False}
            whole[field.name] = row.get(field.name, by_kind.get(kind, ""))
        filled.append(whole)
    return pd.DataFrame(filled, columns=SCHEMAS[name].names)


@pytest.fixture(scope="module")
def tables():
    """Return two events of two tubes, one sensor of the first not wetted."""
    named = [("A1", "A1-20240301T0300Z", ONSET_S), ("B1-long", "B1-2", ONSET_S + DAY_S)]
    events = stored(
        "events",
        [
            {
                "tube": tube,
                "event": event,
                "onset_s": onset,
                "end_s": onset + 3 * DAY_S,
                "open": tube == "B1-long",
                "peak_s": -1 if tube == "B1-long" else onset + 7200,
                "rain_mm": 12.5,
                "gradient_from": "texture" if tube == "A1" else "",
                "doubts": "gap frost unclear_drainage" if tube == "A1" else "",
            }
            for tube, event, onset in named
        ],
    )
    depths = stored(
        "event_depths",
        [
            {
                "tube": tube,
                "event": event,
                "depth_m": depth,
                "real_depth_m": depth + 0.05 * (tube == "B1-long"),
                "wetted": depth < 0.8,
                "onset_s": onset + 3600 * level if depth < 0.8 else -1,
                "rank": level + 1 if depth < 0.8 else -1,
                "gradient_from": "nights",
            }
            for tube, event, onset in named
            for level, depth in enumerate(NOMINAL_M[tube])
        ],
    )
    return events, depths


@pytest.fixture(scope="module")
def folder(tmp_path_factory, make_site, provenance, tables):
    """Return a folder with both kinds of file."""
    site, folder = make_site(), tmp_path_factory.mktemp("events")
    write_events(site, *tables, provenance, folder / "e.nc")
    write_uptake(site, make_uptake(site), provenance, folder / "u.nc")
    return folder


def make_uptake(site):
    days = site.axis.origin_s + DAY_S * np.arange(3)
    rows = stored(
        "uptake",
        [
            {"tube": "A1", "depth_m": 0.2, "day_s": int(days[1]), "night_s": int(days[1])},
            {"tube": "B1-long", "depth_m": 0.8, "day_s": int(days[2]), "night_s": -1},
        ],
    )
    return uptake_cube(site, rows, days, [0.1, 0.2, 0.4, 0.8])


@pytest.mark.parametrize("name", ["e.nc", "u.nc"])
class TestConformance:
    def test_cf_at_its_strictest_has_no_remark(self, folder, name):
        assert remarks(folder / name, "cf:1.11", above=0) == []

    def test_acdd_misses_nothing_but_names_that_cf_does_not_have(self, folder, name):
        found = remarks(folder / name, "acdd:1.3", above=1)
        assert {message for *_, message in found} <= {"standard_name"}
        missing = {re.search(r'"(\w+)"', group).group(1) for _, group, _ in found}
        assert missing <= NAMELESS

    def test_second_checker_has_no_error_and_no_warning(self, folder, tmp_path, name):
        counts = second_opinion(folder / name, tmp_path)
        assert (counts["FATAL"], counts["ERROR"], counts["WARN"]) == (0, 0, 0)

    def test_names_of_variables_that_are_referred_to_exist(self, folder, name):
        with netCDF4.Dataset(folder / name) as file:
            for variable in file.variables.values():
                for attribute in ("bounds", "coordinates", "ancillary_variables"):
                    named = set(getattr(variable, attribute, "").split())
                    assert named <= set(file.variables)
            texts = [
                v.long_name for v in file.variables.values() if "long_name" in v.ncattrs()
            ]
        assert len(set(texts)) == len(texts)


def test_every_stored_column_is_delivered():
    for name, fields in (("events", EVENTS), ("event_depths", BY_DEPTH)):
        # What amounts by the hour are computed from is kept, but is no result.
        shown = [column for column in SCHEMAS[name].names if column not in (*HERE, *BELOW)]
        assert len(fields) == len(shown)
        assert {field.source for field in fields} == set(shown)
    placed = {"tube", "day_s", "depth_m"}
    assert {field.source for field in UPTAKE} == set(SCHEMAS["uptake"].names) - placed


def test_events_lie_at_their_place_and_depth(folder, tables):
    events, depths = tables
    with xr.open_dataset(folder / "e.nc") as file:
        assert file["event_id"].values.tolist() == events["event"].tolist()
        assert str(file["time"].values[0]) == "2024-03-01T03:00:00.000000000"
        length = np.diff(file["time_bounds"].values, axis=1).ravel()
        assert (length == np.timedelta64(3, "D")).all()
        assert file["depth"].values.tolist() == [0.1, 0.2, 0.4, 0.8]
        # By hand: B1-long sits 5 cm deeper and has two of the four sensors.
        np.testing.assert_allclose(
            file["sensor_depth"].values[1], [0.15, np.nan, 0.45, np.nan]
        )
        assert file["wetted"].values.tolist() == [[1, 1, 1, 0], [1, 9, 1, 9]]
        onset = file["onset_time"].values
        assert str(onset[0, 2]) == "2024-03-01T05:00:00.000000000"
        assert np.isnat(onset[0, 3])
        assert np.isnat(file["profile_storage_peak_time"].values[1])
        gain = depths.set_index(["event", "depth_m"])["gain"]
        assert file["water_content_gain"].values[1, 2] == gain["B1-2", 0.4]
        assert np.isnan(file["water_content_gain"].values[1, 1])


def test_doubts_and_origins_are_flags_with_meanings(folder):
    with netCDF4.Dataset(folder / "e.nc") as file:
        doubts = file["doubts"]
        assert doubts.flag_meanings.split() == list(DOUBTS)
        # By hand: bit 1 is "gap", bit 5 "frost", bit 9 "unclear_drainage".
        assert doubts[:].tolist() == [2 + 32 + 512, 0]
        assert doubts.flag_masks.tolist() == [1 << bit for bit in range(11)]
        assert doubts.dtype == doubts.flag_masks.dtype  # CF 1.11, 3.5: of the variable's type
        assert file["profile_gradient_from"][:].tolist() == [2, 0]
        assert file["profile_gradient_from"].flag_meanings == "unknown nights texture"
        assert file["gradient_from"][:].tolist() == [[1, 1, 1, 1], [1, 9, 1, 9]]
        assert file["gradient_from"].flag_meanings == "unknown nights texture no_sensor"


def test_uptake_lies_on_its_day(folder):
    with xr.open_dataset(folder / "u.nc") as file:
        values = file["uptake"].values
        assert file["uptake"].attrs["units"] == "mm day-1"
        # Uptake is of the whole day, and adds up; drainage is of a night alone.
        assert file["uptake"].attrs["cell_methods"] == "time: mean"
        assert "of the night" in file["night_drainage"].attrs["cell_methods"]
        number = SCHEMAS["uptake"].names.index("uptake_mm_d")
        assert (values[0, 1, 1], values[1, 2, 3]) == (0.5 + number, 100.5 + number)
        assert np.isfinite(values).sum() == 2
        assert np.isnat(file["night_time"].values[1, 2, 3])


def test_tables_say_the_same_as_netcdf(folder, tables, tmp_path):
    rows = pq.read_table(write_event_parquet(tables[0], EVENTS, tmp_path / "e.parquet"))
    sheet = pd.read_csv(write_event_sheet(tables[0], EVENTS, tmp_path / "e.csv"))
    assert rows.column_names == sheet.columns.tolist() == [field.name for field in EVENTS]
    with xr.open_dataset(folder / "e.nc") as file:
        for name in ("rain", "profile_storage_gain", "profile_drainage_error"):
            assert rows[name].to_pylist() == sheet[name].tolist() == file[name].values.tolist()
        times = file["time"].values.astype("datetime64[s]").tolist()
    assert [time.replace(tzinfo=None) for time in rows["time"].to_pylist()] == times
    assert sheet["time"].tolist() == ["2024-03-01T03:00:00Z", "2024-03-02T03:00:00Z"]
    assert rows["profile_storage_peak_time"].to_pylist()[1] is None
    assert pd.isna(sheet["profile_storage_peak_time"][1])
    assert rows["doubts"].to_pylist() == ["gap frost unclear_drainage", ""]
    assert rows["still_open"].to_pylist() == sheet["still_open"].tolist() == [0, 1]


def test_made_twice_the_bytes_are_the_same(folder, tmp_path, make_site, provenance, tables):
    site = make_site()
    again = write_events(site, *tables, provenance, tmp_path / "other.nc")
    assert again.read_bytes() == (folder / "e.nc").read_bytes()
    again = write_uptake(site, make_uptake(site), provenance, tmp_path / "another.nc")
    assert again.read_bytes() == (folder / "u.nc").read_bytes()
    twice = [write_event_parquet(tables[1], BY_DEPTH, tmp_path / n) for n in ("a", "b")]
    assert twice[0].read_bytes() == twice[1].read_bytes()


def test_no_event_is_refused(make_site, provenance, tables, tmp_path):
    with pytest.raises(ValueError, match="expected at least one event"):
        write_events(make_site(), tables[0][:0], tables[1][:0], provenance, tmp_path / "e.nc")
    assert not list(tmp_path.iterdir())


def test_changes_tell_which_events_came_and_went_and_what_moved(tables, tmp_path):
    events, depths = tables
    later = events.assign(
        event=["A1-20240301T0300Z", "B1-3"], rain_mm=[14.0, 1.0], open=[True, True]
    )
    moved = depths.assign(onset_s=depths["onset_s"] + 900 * (depths["depth_m"] == 0.2))
    paths = {
        name: write_event_parquet(rows, fields, tmp_path / name)
        for name, rows, fields in (
            ("old", events, EVENTS),
            ("new", later, EVENTS),
            ("old depths", depths, BY_DEPTH),
            ("new depths", moved, BY_DEPTH),
        )
    }
    lines = [str(c) for c in compare_events("events", paths["old"], paths["new"])]
    # By hand: 14.0 less 12.5 mm.
    assert lines == [
        "events, tube B1-long: 1 new: B1-3",
        "events, tube B1-long: 1 gone: B1-2",
        "events rain, tube A1, all sensors: 1 changed, mean +1.5, largest +1.5; "
        "A1-20240301T0300Z to A1-20240301T0300Z",
        "events still_open, tube A1, all sensors: 1 changed; "
        "A1-20240301T0300Z to A1-20240301T0300Z",
    ]
    lines = [str(c) for c in compare_events("d", paths["old depths"], paths["new depths"])]
    assert len(lines) == 1
    assert "d onset_time, tube A1, 20 cm: 1 changed, mean +900, largest +900" in lines[0]
    assert compare_events("events", paths["old"], paths["old"]) == []
    vanished = compare_events("events", paths["old"], tmp_path / "none")
    assert [str(line).split(": ")[1] for line in vanished] == ["1 gone", "1 gone"]
