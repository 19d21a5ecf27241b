"""A change of the description computes the tubes it concerns, and no tube between them."""

import shutil
from datetime import UTC, datetime

import big_field
import numpy as np
import pytest

from pipeline.axis import DAY_S, TimeAxis
from pipeline.engine.effective import changed_days, rules_table
from pipeline.history.revisions import recalibrate_site
from pipeline.nights import night
from pipeline.store.cubes import SPECS

NOW = datetime(2030, 1, 1, tzinfo=UTC)
DAYS = 4
LATER = """
[[law]]
id = "probe"
version = 2
kind = "probe"
probes = ["P0", "P1", "P2"]
form = "polynomial"
coefficients = {c0 = 1.25, c1 = 4.0, c2 = 0.8}
valid = [0.0, 1.2]
standard_error = 0.02
from = 2023-01-04
origin = "invented"
"""


def describe(folder):
    """Write three tubes, of which the one in the middle is taken out on the second day."""
    big_field.describe_field(folder, 3)
    wiring = folder / "wiring.csv"
    wiring.write_text(wiring.read_text().replace("P1,2023-01-01,", "P1,2023-01-01,2023-01-02"))
    big_field.write_days(folder, 3, 0, DAYS)
    return folder


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    folder = describe(tmp_path_factory.mktemp("stored") / "site")
    night.store_night(folder, NOW)
    return folder


def add_law(folder):
    laws = folder / "calibrations.toml"
    laws.write_text(laws.read_text() + LATER)


def set_outer_tubes_deeper(folder):
    tubes = folder / "tubes.csv"
    lines = [
        line.replace(",,0,loam", ",,2,loam") if line.startswith(("T0", "T2")) else line
        for line in tubes.read_text().splitlines()
    ]
    tubes.write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize("edit", [add_law, set_outer_tubes_deeper])
def test_only_the_tubes_concerned_are_computed_and_all_is_as_from_the_start(
    stored, tmp_path, edit
):
    folder = shutil.copytree(stored, tmp_path / "site")
    edit(folder)
    shown = recalibrate_site(folder, NOW, dry_run=True)
    assert [row["tube"] for row in shown["tubes"]] == ["T0", "T2"]
    night.store_night(folder, NOW)
    fresh = describe(tmp_path / "fresh")
    edit(fresh)
    night.store_night(fresh, NOW)
    found, expected = (
        night.site_store(night.open_description(f)).read() for f in (folder, fresh)
    )
    held = [key for key in SPECS if expected.holds(key)]
    assert {"water/cleaned_water_content", "products/storage"} <= set(held)
    for key in held:
        np.testing.assert_array_equal(found.array(key)[:], expected.array(key)[:], err_msg=key)


def test_a_day_that_holds_a_reading_of_the_evening_before_is_computed_with_it():
    """Taken at 23:57, before a law that ends at midnight, a reading stands at midnight."""
    axis = TimeAxis(0, 600)
    ends = [[None, "a"], [DAY_S, "b"], [2 * DAY_S, "c"]]
    other = [[None, "a"], [DAY_S, "B"], [2 * DAY_S, "c"]]
    for kind, expected in (
        ("calibrate", [0, 1, 1, 0]),
        ("drift", [0, 1, 1, 0]),
        ("qc", [0, 1, 0, 0]),
    ):
        stored = rules_table({"T1": {kind: ends}})
        marked = changed_days(stored, {kind: other}, "T1", axis, 4)
        assert marked.astype(int).tolist() == expected
