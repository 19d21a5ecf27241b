"""The description in config/ fits the field the generator made, and reads all its files."""

from datetime import UTC, timedelta

import numpy as np
import pytest
from demo_exports import SENT_AGAIN
from demo_faults import step_of
from demo_field import PLACES, SOILS
from demo_probes import SENSOR_OFFSET, VOLTAGE_LAWS, sense
from demo_weather import DAYS, START
from make_demo import NEW_PROBE, PROBES, SWAP_TUBE, SWAPPED_AT

from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.laws import check_laws
from pipeline.ingest.readers import READERS
from pipeline.site.checks import review
from pipeline.site.load import load_site


@pytest.fixture(scope="module")
def site(config_folder):
    return load_site(config_folder)


@pytest.fixture(scope="module")
def parsed(site):
    return {
        path.name: READERS[source.kind](
            path.read_bytes(), site.layouts[source.layout], path.name
        )
        for source in site.sources
        for path in sorted(site.data.glob(source.files))
    }


def on_winter_clock(moment):
    return moment.replace(tzinfo=UTC) - timedelta(hours=1)


def test_nothing_in_the_description_looks_wrong(site):
    assert [str(problem) for problem in review(site)] == []
    assert [str(problem) for problem in check_laws(site)] == []


def test_the_site_begins_when_the_weather_does(site):
    assert site.start == on_winter_clock(START)
    assert site.interval_s == 900


def test_tubes_stand_as_the_generator_set_them(site):
    assert [tube.tube for tube in site.tubes] == [place.tube for place in PLACES]
    for tube, place in zip(site.tubes, PLACES, strict=True):
        assert (tube.soil, tube.set_in_m * 100) == (place.soil, place.set_in_cm)
    heights = [tube.elevation_m for tube in site.tubes]
    assert heights == sorted(heights, reverse=True)


def test_horizons_have_the_edges_and_textures_of_the_soil(site):
    for name, layers in SOILS.items():
        found = [(round(h.bottom_m * 100, 2), h.texture) for h in site.soils[name].horizons]
        assert found == [(layer.bottom_cm, layer.texture) for layer in layers]


def test_laws_of_the_horizons_hold_the_truth_within_their_stated_error(site):
    laws = {law.id: law for law in site.laws}
    for name, layers in SOILS.items():
        for horizon, layer in zip(site.soils[name].horizons, layers, strict=True):
            curve = make_curve(laws[horizon.calibration], horizon)
            root = np.linspace(2.4, 5.0, 27)
            error = curve.value(root) - (layer.slope * root + layer.offset)
            spread = np.sqrt(np.polynomial.polynomial.polyval(root, curve.variance))
            assert (np.abs(error) < 2.5 * spread).all()
            assert np.abs(error).max() > 1e-4  # a calibration is never the truth itself


@pytest.mark.parametrize("make", sorted(VOLTAGE_LAWS))
def test_laws_of_the_probes_are_those_of_their_make(site, make):
    law = next(law for law in site.laws if law.id == f"probe-{make}")
    assert tuple(law.coefficients.values()) == VOLTAGE_LAWS[make]
    assert law.standard_error == SENSOR_OFFSET


def test_the_probe_was_swapped_where_and_when_the_readings_change_law(site):
    for wire in site.wiring:
        if wire.quantity != "voltage":
            continue
        swapped = wire.tube == SWAP_TUBE and wire.start is not None
        assert wire.probe == (NEW_PROBE if swapped else PROBES[wire.tube])
        assert wire.start == (on_winter_clock(SWAPPED_AT) if swapped else None)
        goes = wire.tube == SWAP_TUBE and not swapped
        assert wire.until == (on_winter_clock(SWAPPED_AT) if goes else None)


def test_reference_readings_and_samples_are_near_the_truth(site, grounds):
    found = [visit for visit in site.visits if visit.action in ("reference", "sample")]
    assert len(found) >= 10
    for visit in found:
        step = step_of(visit.time.replace(tzinfo=None) + timedelta(hours=1))
        truth = sense(grounds[visit.tube], round(visit.depth_m * 100, 1)).content[step]
        assert (visit.unit, visit.value) == ("%", pytest.approx(100 * truth, abs=2.0))


def test_every_rotation_visit_has_its_round(site, parsed):
    rounds = parsed["rounds_2025.csv"].rounds
    days = {int(s) // 86_400 for s in rounds.stamp_s[(rounds.tube == "T6")]}
    visited = {
        int((v.time.timestamp() + 3600) // 86_400)
        for v in site.visits
        if v.action == "rotation"
    }
    assert visited == days
    assert len(days) == 3


def test_tables_are_read_whole(parsed):
    tables = {name: file for name, file in parsed.items() if name.startswith("plot")}
    assert all(file.rows_close() and not file.rejects for file in tables.values())
    rows = sum(file.rows_with_values for file in tables.values())
    sent_again = (SENT_AGAIN[1] - SENT_AGAIN[0]).days * 96
    power_loss = 38 * 4
    assert rows == DAYS * 96 - power_loss + sent_again
    assert sum(file.nulls for file in tables.values()) == (4 * 24 + 12.5) * 4


def test_of_the_bus_only_damaged_replies_are_set_aside(parsed, data_folder):
    buses = [file for name, file in parsed.items() if name.startswith("bus")]
    assert all(file.rows_close() for file in buses)
    rejects = [reject for file in buses for reject in file.rejects]
    assert {reject.reason for reject in rejects} == {"checksum", "damaged_text"}
    labelled = (data_folder / "faults.csv").read_text().count("damaged_reply,")
    assert sum(reject.rows for reject in rejects) == labelled


def test_the_bus_gives_what_it_was_asked_for(parsed, data_folder):
    lost = (data_folder / "faults.csv").read_text().count("reading lost")
    buses = [file for name, file in parsed.items() if name.startswith("bus")]
    kept = {"C": 0, "M1": 0}
    for file in buses:
        for table in file.tables:
            for channel, column in table.columns.items():
                family = channel.split(".")[1]
                kept[family] += int(np.count_nonzero(~np.isnan(column)))
    assert kept["C"] == (DAYS * 48 * 3 - lost) * 6
    assert kept["M1"] == DAYS * 4 * 3 * 6


def test_hand_rounds_are_read_whole(parsed):
    file = parsed["rounds_2025.csv"]
    assert file.rows_close()
    assert not file.rejects
    # by hand: 17 rounds of T8 (6 depths, 3 directions), T2 (4) and T5 (6), 3 of T6 (18).
    assert len(file.rounds.value) == 17 * (18 + 4 + 6) + 3 * 18
