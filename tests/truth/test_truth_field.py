"""The test field: truth that closes, sensors that feel it, faults where labels say."""

from itertools import pairwise

import numpy as np
import pytest
from truth_faults import EVERY_KIND, FROZEN, LEAST_SPIKE, PASSING
from truth_field import LOOKED_AT_SEEDS, TUNING_SEEDS, UNSEEN_SEEDS, make_field, without_rain
from truth_ground import MIDDLE_CM
from truth_rounds import FAULTY_DIRECTION_DEG, ONE_SIDED
from truth_score import run_steps
from truth_sensors import bell, unfrozen_share
from truth_site import DEPTHS_M, Instruments

from pipeline.calibrate.laws import check_laws
from pipeline.derive.rounds import hand_readings, rotation_spread

EXACT = Instruments(noise=1e-6, resolution=1e-6, calibration_error=False)
SHORT_DAYS = 20


def short_field(seed=TUNING_SEEDS[0], **options):
    return make_field(seed, ("loam",), days=SHORT_DAYS, **options)


def sensor(field, label):
    """Return the series of the sensor a label is on."""
    cell = field.readings["permittivity"].sel(tube=label.tube, depth=label.depth_m)
    return cell.values


def test_what_is_tuned_on_is_not_what_is_reported():
    seeds = (*TUNING_SEEDS, *LOOKED_AT_SEEDS, *UNSEEN_SEEDS)
    assert len(set(seeds)) == len(seeds)


def test_the_same_seed_gives_the_same_field_and_another_seed_another():
    first, again, other = short_field(), short_field(), short_field(TUNING_SEEDS[1])
    assert first.readings.identical(again.readings)
    assert first.labels == again.labels
    assert not first.readings.equals(other.readings)


def test_true_water_adds_up_above_a_metre(spoilt):
    truth = spoilt.truth.astype(np.float64)
    stored = truth["storage"].sel(layer="profile")
    gone = truth["evaporation"] + (truth["uptake"] + truth["drainage"]).sel(depth=1.0)
    gained = (truth["infiltration"] - gone).cumsum("time")
    error = (stored - stored[0]) - (gained - gained[0])
    assert float(abs(error).max()) < 0.1  # mm
    assert float(stored.max() - stored.min()) > 30


def test_hourly_readings_see_the_same_water_as_those_of_ten_minutes():
    fine, coarse = short_field(faults=()), short_field(faults=(), interval_s=3600)
    at_hours = fine.truth["water_content"].sel(time=coarse.truth["time"])
    assert at_hours.equals(coarse.truth["water_content"])
    rain = [float(field.truth["rain"][:, 0].sum()) for field in (fine, coarse)]
    assert rain[0] == pytest.approx(rain[1], rel=1e-5)
    assert len(fine.events) > 10


def test_the_window_is_a_bell_around_its_depth():
    weight = bell(20.0)
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ MIDDLE_CM == pytest.approx(20.0, abs=0.05)
    assert np.sqrt(weight @ (MIDDLE_CM - 20.0) ** 2) == pytest.approx(3.0, abs=0.15)


def test_exact_sensors_give_back_the_true_water_content():
    # Sensors at 10 and 40 cm feel one horizon alone; across a boundary no single law is exact.
    field = short_field(faults=(), instruments=EXACT)
    found = run_steps(field)["calibrated_water_content"]
    error = abs(found - field.truth["water_content"]).max(["time", "tube"])
    assert error.sel(depth=[0.1, 0.4]).max() < 1e-5
    assert error.sel(depth=0.3) > 1e-5


def test_laws_of_the_site_can_be_used(spoilt):
    assert check_laws(spoilt.site) == []


def test_every_kind_of_fault_is_there_and_labelled(spoilt):
    kinds = {label.kind for label in spoilt.labels}
    assert kinds == set(EVERY_KIND) - {FROZEN}
    assert spoilt.label_mask(FROZEN).any()
    steps = spoilt.readings.sizes["time"]
    assert all(0 <= label.first < label.stop <= steps for label in spoilt.labels)
    assert {role for role in spoilt.roles.values()} >= {"sound", "worn", "bypass"}


def test_a_sensor_has_one_kind_of_passing_fault_and_its_faults_are_apart(spoilt):
    by_sensor = {}
    for label in spoilt.labels:
        if label.kind in PASSING:
            by_sensor.setdefault((label.tube, label.depth_m), []).append(label)
    assert len(by_sensor) > len(PASSING)
    for labels in by_sensor.values():
        assert len({label.kind for label in labels}) == 1
        assert all(a.stop + 2 < b.first for a, b in pairwise(labels))


def test_faults_do_what_their_labels_say(spoilt):
    for label in spoilt.labels:
        series = sensor(spoilt, label)
        inside = series[label.first : label.stop]
        if label.kind == "spike":
            assert abs(label.size) >= LEAST_SPIKE
        elif label.kind == "stuck":
            assert np.ptp(inside) == 0
        elif label.kind == "dropout":
            assert (np.isnan(inside) | (inside == 1.0)).all()
        elif label.kind == "out_of_range":
            assert np.isin(inside, [0.0, 90.0]).all()
        elif label.kind == "noise_burst":
            quiet, loud = (abs(np.diff(x)) for x in (series[: label.first], inside))
            assert np.median(loud) > 5 * np.median(quiet)


def test_lasting_faults_show_beside_the_same_tube_without_them(spoilt):
    real = spoilt.truth["real_depth"]
    role_of = {role: tube for tube, role in spoilt.roles.items()}
    swapped = real.sel(tube=role_of["swapped"]).values
    assert sorted(swapped) == pytest.approx(DEPTHS_M)
    assert (np.diff(swapped) < 0).any()
    assert abs(real.sel(tube=role_of["wrong_depth"]).values - DEPTHS_M).max() > 0.05
    result = run_steps(spoilt)["calibrated_water_content"]
    error = (result - spoilt.truth["water_content"]).median("time")
    for kind in ("void", "stone", "poor_contact"):
        depths = [label.depth_m for label in spoilt.labels if label.kind == kind]
        assert float(error.sel(tube=role_of[kind], depth=depths).max()) < -0.02


def test_water_along_the_wall_reaches_the_deepest_sensor_within_an_hour_of_rain(spoilt):
    tube = next(tube for tube, role in spoilt.roles.items() if role == "bypass")
    deep = spoilt.readings["permittivity"].sel(tube=tube, depth=1.0).values
    rain = spoilt.truth["rain"].sel(tube=tube).values
    heavy = int(np.argmax(np.convolve(rain, np.ones(18))[: rain.size]))
    assert deep[heavy : heavy + 6].max() - deep[heavy - 40 : heavy - 25].min() > 2.0


def test_ice_lowers_the_reading_and_not_the_water():
    assert unfrozen_share(np.array([5.0, 0.0, -0.1])) == pytest.approx([1.0, 1.0, 1.0])
    assert np.all(np.diff(unfrozen_share(np.linspace(-0.1, -2.0, 30))) <= 0)


def test_turned_in_a_tube_the_probe_is_low_on_the_side_of_a_void_or_stone_only(spoilt):
    spread = rotation_spread(hand_readings(spoilt.rounds, spoilt.site))
    reached = {(x.tube, x.depth_m) for x in spoilt.labels if x.kind in ONE_SIDED}
    at = list(zip(spread["tube"], spread["depth_m"], strict=True))
    odd = np.array([cell in reached for cell in at])
    assert odd.any()
    assert (spread["odd_direction"][odd] == FAULTY_DIRECTION_DEG).mean() > 0.9
    assert spread["direction_spread"][odd].median() > 0.03
    assert spread["direction_spread"][~odd].median() < 0.01


def test_drifting_sensors_have_references_and_a_cleaning(spoilt):
    drift = next(label for label in spoilt.labels if label.kind == "drift")
    visits = [
        v for v in spoilt.site.visits if (v.tube, v.depth_m) == (drift.tube, drift.depth_m)
    ]
    references = [v for v in visits if v.action == "reference"]
    assert len(references) >= 4
    assert [v.action for v in visits].count("cleaning") == 1
    truth = spoilt.truth["water_content"].sel(tube=drift.tube, depth=drift.depth_m)
    for visit in references:
        at = np.datetime64(visit.time.replace(tzinfo=None), "ns")
        assert visit.value == pytest.approx(float(truth.sel(time=at)), abs=0.04)


def test_a_field_without_logged_rain_is_the_same_but_for_the_gauge(spoilt):
    bare = without_rain(spoilt)
    assert "rain" in spoilt.station
    assert set(bare.station) == {"supply_voltage"}
    assert not [wire for wire in bare.site.wiring if wire.quantity == "rain"]
    assert bare.readings.identical(spoilt.readings)
    total = float(spoilt.truth["rain"][:, 0].sum())
    assert float(spoilt.station["rain"].sum()) == pytest.approx(total, abs=0.3)
