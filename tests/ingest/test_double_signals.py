"""Two sources at one sensor by two quantities: told, both kept, and alike in any order."""

import shutil
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from bare_site import START, make_site, make_wire
from traced_site import BUS, FIELD, NOW, day_text, put

from pipeline.ingest.double_signals import double_signals
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.nights import night
from pipeline.store.cubes import SPECS

LOGGER, LOG = "logger-a/a.csv", "bus/b.log"
ROW = {
    "tube": "T1",
    "depths_cm": [10.0],
    "counts": {"source": "bus", "quantity": "root_permittivity"},
    "beside": {"source": "logger-a", "quantity": "voltage"},
    "from": "2023-03-10T11:00:00Z",
    "until": "2023-03-10T11:00:00Z",
}


@pytest.fixture
def field(tmp_path):
    """Return a site whose bus is wired, for a day, to a sensor that the logger reads too."""
    folder = Path(shutil.copytree(FIELD, tmp_path / "site"))
    wiring = folder / "wiring.csv"
    text = wiring.read_text().replace("bus,0.M.1,T2,10", "bus,0.M.1,T1,10")
    wiring.write_text(text)
    return folder


@pytest.mark.parametrize("first", [LOGGER, LOG])
def test_night_by_night_is_as_one_run_and_both_are_kept_and_told(field, tmp_path, first):
    texts = {LOGGER: day_text({}), LOG: BUS}
    whole = Path(shutil.copytree(field, tmp_path / "whole"))
    told = []
    for name in sorted(texts, key=lambda name: name != first):
        put(field, name, texts[name])
        put(whole, name, texts[name])
        told.append(night.close_night(field, night.store_night(field, NOW)))
    assert [account["double_signals"] for account in told] == [[], [ROW]]
    page = (field / "out" / "summary.txt").read_text()
    line = "root_permittivity of bus counts, voltage of logger-a where that has no reading"
    assert f"- T1 10 cm, {ROW['from']} to {ROW['until']}: {line}" in page
    assert night.store_night(whole, NOW)["double_signals"] == [ROW]
    states = [night.site_store(night.open_description(f)).read() for f in (field, whole)]
    for key in filter(states[0].holds, SPECS):
        one, other = (state.array(key)[:] for state in states)
        np.testing.assert_array_equal(one, other, err_msg=key)
    # By hand: noon of the 10th is step 9 x 96 + 48; the bus has 2.75 there, and no other step.
    at = 9 * 96 + 48
    root = states[0].array("water/root_permittivity")[:][:, 0, 0]
    volts = states[0].array("readings/voltage")[:][:, 0, 0]
    assert root[at] == np.float32(2.75)
    assert np.isfinite(volts).sum() == 96
    assert root[at - 1] == pytest.approx(1 + 4 * volts[at - 1], abs=1e-5)


def hour(number):
    return START + timedelta(hours=number)


@pytest.mark.parametrize(
    ("until", "files", "told"),
    [
        (None, {"logger": [(0, 9)], "log": [(2, 3), (5, 6)]}, (2, 6)),
        (5, {"logger": [(0, 4), (4, 9)], "log": [(2, 3), (5, 6)]}, (2, 3)),
        (4, {"logger": [(0, 1), (6, 9)], "log": [(2, 3), (7, 8)]}, None),  # never at once
        (None, {"logger": [(0, 9)]}, None),
    ],
)
def test_the_time_told_is_that_of_files_while_both_are_wired(until, files, told):
    log = make_site().sources[0].model_copy(update={"id": "log"})
    end = None if until is None else hour(until)
    other = {"source": "log", "quantity": "water_content", "unit": "1", "probe": ""}
    wires = (make_wire(), make_wire(depth_m=0.3), make_wire(until=end, **other))
    site = make_site(sources=(*make_site().sources, log), wiring=wires)
    begin = int(START.timestamp())
    entries = [
        FileEntry(
            len(files) * i + j, source, f"{source}{j}", 0, "read", 1, 0, "", "", stored=1,
            first_s=begin + 3600 * a, last_s=begin + 3600 * b,
        )
        for i, (source, spans) in enumerate(files.items())
        for j, (a, b) in enumerate(spans)
    ]  # fmt: skip
    found = [
        (
            row["depths_cm"],
            row["counts"]["source"],
            row["beside"]["source"],
            row["from"],
            row["until"],
        )
        for row in double_signals(site, Ledger(entries))
    ]
    ends = [hour(number).strftime("%Y-%m-%dT%H:%M:%SZ") for number in told or ()]
    assert found == ([([10.0], "log", "logger", *ends)] if told else [])
