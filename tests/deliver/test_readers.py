"""Delivered files opened by programs of others: right value, time and depth, worked by hand.

Expected values follow from the voltages in `delivered_site` by the laws of the site, written
out here anew; times from the logger's clock, an hour ahead of UTC; depths from its wiring.
"""

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from delivered_site import make_delivered, millivolts
from readers import READERS, missing


def water(hour, depth):
    """Return water content by hand: laws of the site, root permittivity linear in voltage."""
    volt = millivolts(hour, depth) / 1000
    root = 1 + 4 * volt if volt <= 0.5 else 3 + 6 * (volt - 0.5)
    return (0.119 * root - 0.19, 0.12 * root - 0.2)[depth]


def day_mean(day, depth):
    """Return the mean of a local day: 0 is the 3rd of March."""
    return np.mean([water(24 * day + quarter / 4, depth) for quarter in range(96)])


@dataclass(frozen=True)
class Cell:
    """A cell and the value it must hold: ``time`` in UTC, ``depth`` as on the depth axis."""

    file: str
    variable: str
    tube: str
    time: str
    depth: float
    value: float
    within: float


ROUNDED = 3.2e-5  # of water content to 12 bits, see pipeline.deliver.encoding
NATIVE, DAILY, LAYERS, ROUNDS = "all", "all_daily", "all_layers_daily", "rounds"
EVENTS, UPTAKE = "all_events", "all_uptake"
# In the file of means over tubes a name may begin with the quantity: its mean is the rest.
MEAN_OF = r"^soil_water_(content|storage)_(?!as_calibrated)"
THETA, STORED = "soil_water_content", "soil_water_storage"
PEAK, NIGHT = "water_content_peak", "night_water_content"
SIXTH = "2023-03-05T23:00:00"  # where the local 6th of March begins
CELLS = [
    # 10:00 local on the 6th is hour 82 of the record: the upper sensor at its highest.
    Cell(NATIVE, THETA, "T1", "2023-03-06T09:00:00", 0.1, water(82, 0), ROUNDED),
    Cell(NATIVE, THETA, "T1", "2023-03-06T09:00:00", 0.3, water(82, 1), ROUNDED),
    Cell(NATIVE, THETA, "T1", "2023-03-02T23:00:00", 0.1, water(0, 0), ROUNDED),
    Cell(NATIVE, THETA, "T1", "2023-03-12T22:45:00", 0.3, water(239.75, 1), ROUNDED),
    # The transcript says 2.75 and 3.10 at noon in Paris.
    Cell(NATIVE, THETA, "T2", "2023-03-06T11:00:00", 0.1, 0.119 * 2.75 - 0.19, ROUNDED),
    Cell(NATIVE, THETA, "T2", "2023-03-06T11:00:00", 0.3, 0.12 * 3.1 - 0.2, ROUNDED),
    Cell(DAILY, THETA, "T1", SIXTH, 0.1, day_mean(3, 0), ROUNDED),
    Cell(DAILY, THETA, "T1", "2023-03-11T23:00:00", 0.3, day_mean(9, 1), ROUNDED),
    # Of layers 0-10 and 10-30 cm: constant above the first sensor, linear between two.
    Cell(LAYERS, STORED, "T1", SIXTH, 0.05, 100 * day_mean(3, 0), 4e-3),
    Cell(LAYERS, STORED, "T1", SIXTH, 0.2, 100 * (day_mean(3, 0) + day_mean(3, 1)), 4e-3),
    # The book says 20.1, 25.2 and 28.0 percent at 9:00 local.
    Cell(ROUNDS, THETA, "T1", "2023-03-11T08:00:00", 0.1, 0.201, 1e-7),
    Cell(ROUNDS, THETA, "T1", "2023-03-11T08:00:00", 0.5, 0.28, 1e-7),
    # The upper sensor begins to rise at 6:00 UTC, by 0.019 an hour: 0.005 higher a quarter
    # later. Peaks within the voltage's jitter of 0.8 mV, which is 0.0006 of water content.
    Cell(EVENTS, PEAK, "T1", "2023-03-06T06:15:00", 0.1, water(82, 0), 6e-4),
    Cell(EVENTS, PEAK, "T1", "2023-03-06T06:15:00", 0.3, water(90, 1), 6e-4),
    Cell(EVENTS, PEAK, "T1", "2023-03-10T12:15:00", 0.3, water(192, 1), 6e-4),
    # Before the first storm water stands still.
    Cell(UPTAKE, NIGHT, "T1", "2023-03-03T23:00:00", 0.1, water(0, 0), 6e-4),
    Cell(UPTAKE, NIGHT, "T1", "2023-03-03T23:00:00", 0.3, water(0, 1), 6e-4),
]
UNKNOWN_TO_CDO = "CDO skips with a warning what has no axis of time: rounds, events"
TUBES = ["T1", "T2"]


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    """Return the folder of NetCDF files of a small site."""
    return make_delivered(tmp_path_factory.mktemp("readers") / "site") / "netcdf"


@pytest.fixture(scope="module", params=READERS)
def reader(request):
    """Return a reader's name, and how it reads."""
    if reason := missing(request.param):
        pytest.skip(reason)
    return request.param, READERS[request.param][0]


def test_the_page_on_files_names_all_that_was_delivered(delivered):
    page = (Path(__file__).parents[2] / "docs" / "files.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([^`\n]+)`", page))
    for path in delivered.glob("*.nc"):
        with netCDF4.Dataset(path) as file:
            assert {re.sub(MEAN_OF, "", name) for name in file.variables} <= named, path.name
    with (delivered.parent / "dictionary.csv").open(encoding="utf-8") as dictionary:
        rows = list(csv.DictReader(dictionary))
    # In CSV a column is a variable at a place, "quality 20 cm".
    assert {row["column"].split(" ")[0] for row in rows} <= named
    assert len(rows) > 100


def place_of(cell, found):
    """Return where a cell lies in what was read, from names, times and depths alone."""
    time = np.ravel(found["reading_time" if cell.file == ROUNDS else "time"]).tolist()
    depth = np.ravel(found["depth"])
    if cell.file == ROUNDS:
        near = np.abs(depth - cell.depth) < 1e-9
        at = np.flatnonzero(near & (np.array(time) == cell.time))
        assert len(at) == 1
        return at[0]
    level = np.flatnonzero(np.abs(depth - cell.depth) < 1e-9)[0]
    if cell.file == EVENTS:
        return np.ravel_multi_index((time.index(cell.time), level), (len(time), len(depth)))
    tubes = found.get("tube_id", TUBES)  # iris and CDO leave texts out
    assert list(tubes) == TUBES[: len(tubes)]
    shape = len(tubes), len(time), len(depth)
    return np.ravel_multi_index(
        (list(tubes).index(cell.tube), time.index(cell.time), level), shape
    )


@pytest.mark.parametrize("kind", [NATIVE, DAILY, LAYERS, ROUNDS, EVENTS, UPTAKE])
def test_every_reader_finds_value_time_and_depth(delivered, reader, kind):
    name, read = reader
    if kind in (ROUNDS, EVENTS) and name == "CDO":
        pytest.skip(UNKNOWN_TO_CDO)
    cells = [cell for cell in CELLS if cell.file == kind]
    # Rounds: "time" is that of a whole profile.
    coordinates = ["reading_time"] if kind == ROUNDS else ["tube_id", "time"]
    names = [cells[0].variable, "depth", *coordinates]
    found = read(delivered / f"north-slope_{kind}.nc", names)
    values = np.ravel(found[cells[0].variable])
    for cell in cells:
        assert values[place_of(cell, found)] == pytest.approx(cell.value, abs=cell.within)
