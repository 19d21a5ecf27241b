"""Delivered hand rounds: independent checkers, and every reading found again."""

import csv
import re

import netCDF4
import numpy as np
import pytest
import xarray as xr
from checkers import remarks
from hand_site import ORIGIN_S, hand_site, table

from pipeline.deliver.rounds import Origin, write_comparison, write_rounds
from pipeline.derive.rounds import hand_readings
from pipeline.derive.rounds_comparison import compare_rounds
from pipeline.site.models import Contact, Delivery

ORIGINS = {7: Origin("rounds/b.csv", "b" * 64), 8: Origin("rounds/ä.csv", "a" * 64)}
# What has no CF name, or none that fits: parts of an uncertainty, spreads, places in files.
NAMELESS = {
    "random_error",
    "systematic_error",
    "direction_spread",
    "odd_direction",
    "odd_direction_distance",
    "other_directions_spread",
    "source_index",
    "source_line",
    "reading_time",
    "permittivity_as_read",
}
PERSON = Contact(name="A. Person", email="a@example.org", url="https://example.org")


@pytest.fixture(scope="module")
def site():
    text = "license keywords acknowledgement project naming_authority references comment"
    delivery = Delivery(**{name: f"{name}, invented" for name in text.split()})
    return hand_site(delivery=delivery, creator=PERSON, publisher=PERSON)


@pytest.fixture(scope="module")
def readings(site):
    rows = [
        {"minute": 10080 * week + 3 * k + d, "direction_deg": 120.0 * d, "depth_m": depth,
         "value": 0.2 + 0.01 * d + 0.001 * k, "tube": tube, "file": 7 + week % 2}
        for week in range(3)
        for k, (tube, depth) in enumerate([("T1", 0.1), ("T1", 0.3), ("T2", 0.1), ("T2", 0.4)])
        for d in range(3)
    ]  # fmt: skip
    rows += [
        {"minute": 1, "value": 0.3},
        {"minute": 2, "value": 0.31, "direction_deg": np.nan, "reader": "=cmd|'x'!A1"},
        {"minute": 3, "value": 9.0, "quantity": "permittivity", "source": "other"},
        {"minute": 4, "value": -9.0, "quantity": "permittivity", "source": "other"},
    ]
    return hand_readings(table(*rows), site)


@pytest.fixture(scope="module")
def path(site, readings, provenance, tmp_path_factory):
    path = tmp_path_factory.mktemp("rounds") / "bare_rounds.nc"
    return write_rounds(site, readings, ORIGINS, provenance, path)


def test_cf_at_its_strictest_has_no_remark(path):
    assert remarks(path, "cf:1.11", above=0) == []


def test_acdd_recommendations_are_met(path):
    found = remarks(path, "acdd:1.3", above=1)
    missing = {re.search(r'variable "(\w+)" missing', group).group(1) for _, group, _ in found}
    assert {message for *_, message in found} == {"standard_name"}
    assert missing == NAMELESS


def test_every_reading_is_found_again_by_its_labels(path, readings):
    with xr.open_dataset(path) as file:
        profile = file["profile_index"].values
        found = {
            (
                str(file["round_id"].values[p]),
                str(file["tube_id"].values[p]),
                str(file["reader"].values[p]),
                float(np.nan_to_num(file["direction"].values[p], nan=-1)),
                int(file["repeat"].values[p]),
                float(file["nominal_depth"].values[i]),
                str(file["source_path"].values[file["source_index"].values[i]]),
                int(file["source_line"].values[i]),
                float(
                    np.nansum(
                        [
                            file[f"{n}_as_read"].values[i]
                            for n in ("water_content", "permittivity")
                        ]
                    )
                ),
                file["reading_time"].values[i].astype("datetime64[s]").astype(int).item(),
            )
            for i, p in enumerate(profile)
        }
    columns = ["round", "tube", "reader", "direction_deg", "repeat", "depth_m"]
    labels = readings.fillna({"direction_deg": -1})[columns].itertuples(index=False)
    rest = readings[["file", "line", "value", "time_s"]].itertuples(index=False)
    expected = {
        (*label, ORIGINS[file].path, line, value, time)
        for label, (file, line, value, time) in zip(labels, rest, strict=True)
    }
    assert found == expected
    assert len(found) == len(readings) == 40


def test_profiles_are_passes_down_a_tube_in_order_of_time(path):
    with netCDF4.Dataset(path) as file:
        assert file.featureType == "profile"
        assert file["profile_index"].instance_dimension == "profile"
        assert (np.diff(file["time"][:]) >= 0).all()
        index, depth = file["profile_index"][:], file["depth"][:]
        assert (np.diff(index) >= 0).all()
        assert (np.diff(depth)[np.diff(index) == 0] > 0).all()
        names = [str(name) for name in file["profile_id"][:]]
        assert len(set(names)) == len(names)
        assert "2024-01-01T00:00:00Z/book/Ada/T1/120deg/0" in names
        first = np.array(
            [file["reading_time"][:][index == p].min() for p in range(len(names))]
        )
        assert (first == file["time"][:]).all()
        assert file.time_coverage_resolution == "P7D"
        # T2 is set 5 cm deeper
        assert file.geospatial_vertical_max == pytest.approx(0.45)


def test_only_times_of_profiles_are_coordinates_called_time(path):
    with netCDF4.Dataset(path) as file:
        named = file.get_variables_by_attributes(standard_name="time")
        assert [variable.name for variable in named] == ["time"]
        for variable in file.variables.values():
            for attribute in ("coordinates", "ancillary_variables"):
                if attribute in variable.ncattrs():
                    assert set(variable.getncattr(attribute).split()) <= set(file.variables)


def test_reasons_and_spread_go_with_the_readings(path):
    with xr.open_dataset(path, mask_and_scale=True) as file:
        read = file["permittivity_as_read"].values
        assert file["outside_calibration"].values[read == -9].tolist() == [1]
        assert np.isnan(file["soil_water_content"].values[read == -9]).all()
        # 9 by Topp, Davis & Annan (1980), eq. 7, by hand
        np.testing.assert_allclose(
            file["soil_water_content"].values[read == 9], 0.168385, atol=1e-5
        )
        twice = file["direction_spread"].values[
            file["repeat"].values[file["profile_index"]] == 1
        ]
        # directions 0 (mean of 0.2 and 0.3), 120 and 240 degrees: 0.25, 0.21, 0.22; the other
        # place read twice was read in one direction alone
        np.testing.assert_allclose(twice, [0.04, np.nan], atol=1e-6)


def test_same_readings_in_another_order_give_the_same_bytes(
    site, provenance, tmp_path, path, readings
):
    mixed = readings.sample(frac=1, random_state=1)
    again = write_rounds(site, mixed, ORIGINS, provenance, tmp_path / path.name)
    assert again.read_bytes() == path.read_bytes()


def test_no_reading_makes_no_file(site, readings, provenance, tmp_path):
    with pytest.raises(ValueError, match="at least one hand reading"):
        write_rounds(site, readings.iloc[:0], ORIGINS, provenance, tmp_path / "x.nc")
    assert list(tmp_path.iterdir()) == []


def test_comparison_table_states_units_and_holds_no_formula(site, readings, tmp_path):
    dims = ("time", "tube", "depth")
    cells = {name: (dims, np.full((4, 2, 2), value, np.float32)) for name, value in
             (("cleaned_water_content", 0.25), ("random_error", 0.003),
              ("systematic_error", 0.004))}  # fmt: skip
    water = xr.Dataset(
        cells | {"quality": (dims, np.ones((4, 2, 2), np.uint8))},
        {"time": site.axis.times(0, 4), "tube": ["T1", "T2"], "depth": [0.1, 0.3]},
    )
    comparison = compare_rounds(site, readings, water)
    path = write_comparison(comparison, tmp_path / "tables" / "c.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(comparison)
    first = rows[0]
    assert first["time [UTC]"] == "2024-01-01T00:00:00Z"
    assert first["hand water content [m3 m-3]"] == "0.2"
    assert first["hand minus logger [m3 m-3]"] == "-0.05"
    assert first["difference over uncertainty [1]"] == "-10.0"
    assert first["beyond two uncertainties"] == "True"
    assert rows[-1]["logger time [UTC]"] == ""
    for row in rows:
        for cell in row.values():
            number = re.fullmatch(r"-?\d+(\.\d+)?", cell)
            assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert ORIGIN_S == 1_704_067_200  # 2024-01-01 00:00 UTC
