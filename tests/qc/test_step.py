"""The quality step: verdicts and their order, fronts never bad, the same bits anywhere."""

from __future__ import annotations

import typing

import numpy as np
import pytest
import xarray as xr
from bare_site import HOUR_S, make_block, make_horizon, make_site, make_tube, make_wire
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.qc.constants import SPIKE_RETURN
from pipeline.qc.flags import TEST_BITS, unpack
from pipeline.qc.step import qc_look, qc_step
from pipeline.qc.univariate import (
    flag_flat_line,
    flag_gross_range,
    flag_missing,
    flag_outside_calibration,
    flag_rate_of_change,
    flag_spike,
)
from pipeline.site.models import Clock, QcLimits, QcOverride, Soil, Source

NAN = float("nan")
OFF = QcLimits(
    **{
        name: None
        for name, field in QcLimits.model_fields.items()
        if type(None) in typing.get_args(field.annotation)
    }
)
# Windows short enough for a property test.
SHORT = QcLimits(flat_suspect_h=4.0, flat_fail_h=8.0)
# The tests that have a function of their own in `pipeline.qc.univariate`.
PLAIN = {
    **dict.fromkeys(("spike_noise", "stuck_chance", "burst_noise", "step_suspect")),
    **dict.fromkeys(("dropout_fall", "neighbour_suspect", "maintenance_h")),
    **dict.fromkeys(("frozen_degc", "frozen_fall")),
}


def only(**limits):
    """Return limits with only some tests on."""
    return OFF.model_copy(update=limits)


def run(values, limits=None, outside=None, **site):
    """Return a site, and the step's result for one sensor's series."""
    made = make_site(qc=limits or QcLimits(), **site)
    refused = np.zeros(len(values)) if outside is None else outside
    block = make_block(made, calibrated_water_content=values, outside_calibration=refused)
    return qc_step(block, made)


def quality(result):
    return result["quality"].values.ravel().tolist()


def fired(result, name):
    return unpack(result["tests"])[name].values.ravel().tolist()


def test_results_are_described_and_shaped_as_the_block():
    result = run([0.2, NAN])
    assert {name: str(v.dtype) for name, v in result.items()} == {
        "tests": "uint16",
        "quality": "uint8",
        "cleaned_water_content": "float32",
    }
    assert all(v.dims == ("time", "tube", "depth") for v in result.values())
    assert result["cleaned_water_content"].attrs["units"] == "m3 m-3"
    assert "flag_masks" in result["tests"].attrs
    assert "flag_values" in result["quality"].attrs


def test_missing_and_refused_readings():
    result = run([0.2, NAN, NAN], outside=[0, 0, 2])
    assert quality(result) == [1, 9, 4]
    assert fired(result, "missing") == [False, True, False]
    assert fired(result, "outside_calibration") == [False, False, True]


def test_verdicts_of_the_reference_series():
    # The series of test_univariate with its thresholds; provenance of the single flags there.
    # Here the tests follow each other: the reading after the spike is not blamed for it.
    values = [
        *[0.200, 0.201, 0.202, 0.300, 0.203, 0.204, 0.180],
        *[0.205, 0.205, 0.205, 0.205, 0.205, 0.205, NAN, 0.210, 1.2],
    ]
    limits = QcLimits(
        gross_fail=(0.0, 1.0),
        gross_suspect=(0.05, 0.5),
        rate_suspect_per_h=0.05,
        spike_suspect=0.02,
        spike_fail=0.05,
        flat_tolerance=0.0005,
        flat_suspect_h=3.0,
        flat_fail_h=5.0,
    )
    result = run(values, limits)
    assert quality(result) == [1, 1, 1, 4, 1, 1, 3, 1, 1, 1, 3, 3, 4, 9, 1, 4]
    bits = TEST_BITS
    expected = np.zeros(16, dtype=int)
    expected[[3, 6]] = bits["spike"]
    expected[[10, 11, 12]] = bits["flat_line"]
    expected[13], expected[15] = bits["missing"], bits["gross_range"]
    assert result["tests"].values.ravel().tolist() == expected.tolist()


def test_only_bad_readings_are_taken_out_and_nothing_is_filled_in():
    values = np.float32([0.2, 0.9, 0.21, NAN, 0.65, 0.2])
    result = run(values)
    assert quality(result) == [1, 4, 1, 9, 3, 3]  # the last comes down by more than 0.15 / h
    cleaned = result["cleaned_water_content"].values.ravel()
    np.testing.assert_array_equal(cleaned, np.float32([0.2, NAN, 0.21, NAN, 0.65, 0.2]))


def test_with_all_tests_off_nothing_is_evaluated():
    assert quality(run([0.2, 5.0, NAN], OFF)) == [2, 2, 9]


def test_the_ends_of_a_spike_test_are_not_evaluated():
    limits = only(spike_suspect=0.03, spike_fail=0.06)
    assert quality(run([0.2, 0.2, NAN, 0.2, 0.2, 0.2], limits)) == [2, 2, 9, 2, 1, 2]


def test_rate_of_change_needs_the_reading_before():
    result = run([0.2, 0.4, NAN, 0.2], only(rate_suspect_per_h=0.15))
    assert quality(result) == [2, 3, 9, 2]


@pytest.mark.parametrize(
    ("values", "flags"),
    [
        ([0.2, 0.3, 0.2], [1, 4, 1]),  # up and straight back
        ([0.3, 0.2, 0.3], [1, 4, 1]),  # down and straight back
        ([0.2, 0.3, 0.22], [1, 3, 1]),  # does not come all the way back
        ([0.2, 0.25, 0.2], [1, 3, 1]),  # small
        ([0.2, 0.3, 0.3], [1, 1, 1]),  # a step that stays up
        ([0.2, 0.3, 0.29], [1, 1, 1]),  # the top of a front
        ([0.3, 0.2, 0.2], [1, 1, 1]),  # a step down
    ],
)
def test_shapes_of_a_spike(values, flags):
    assert quality(run(values)) == flags


def test_over_long_steps_a_spike_is_only_suspect():
    assert quality(run([0.2, 0.3, 0.2], interval_s=3 * HOUR_S)) == [1, 3, 1]


def test_a_slow_source_has_its_neighbours_some_steps_away():
    slow = Source(
        id="logger",
        kind="table",
        files="*",
        layout="plain",
        clock=Clock(utc_offset="Z"),
        interval_s=HOUR_S,
    )
    values = [0.2, NAN, NAN, 0.3, NAN, NAN, 0.2]
    result = run(values, interval_s=1200, sources=(slow,))
    assert quality(result) == [1, 9, 9, 4, 9, 9, 1]


def test_overrides_hold_for_their_sensors_only():
    wires = tuple(make_wire(tube, depth) for tube in ("T1", "T2") for depth in (0.1, 0.2))
    wide = QcOverride(
        tubes=("T2",), depths_cm=(20.0,), set={"gross_suspect": (0.0, 0.7)}, why="peat"
    )
    site = make_site(
        tubes=(make_tube("T1"), make_tube("T2")), wiring=wires, qc_overrides=(wide,)
    )
    block = make_block(
        site, calibrated_water_content=[[0.65] * 4], outside_calibration=[[0] * 4]
    )
    assert qc_step(block, site)["quality"].values.tolist() == [[[3, 3], [3, 1]]]


class TestFlatLine:
    """What stands still, and for how long it may."""

    def test_default_windows(self):
        # Hourly: equal for 120 h at the 121st reading, for 240 h at the 241st.
        flags = np.array(quality(run([0.2] * 250)))
        assert np.flatnonzero(np.diff(flags)).tolist() == [119, 239]
        assert flags[[0, 120, 240]].tolist() == [1, 3, 4]

    def test_a_saturated_plateau_after_a_rise_is_good_while_the_rise_is_in_sight(self):
        plateau = [0.2, *[0.34] * 300]
        flags = np.array(quality(run(plateau)))
        assert (flags[2:266] == 1).all()  # 240 h and a day
        assert (flags[266:] == 4).all()

    def test_near_saturation_standing_still_is_never_bad(self):
        soils = {"loam": Soil(id="loam", horizons=(make_horizon(saturation=0.36),))}
        flags = quality(run([0.2, *[0.34] * 300], soils=soils))
        assert set(flags[266:]) == {3}

    def test_a_gross_error_within_a_run_does_not_end_it(self):
        values = np.full(300, 0.2)
        values[50] = 0.9
        flags = quality(run(values))
        assert (flags[49], flags[50], flags[121], flags[240]) == (1, 4, 3, 4)


def step_by_functions(block, limits):
    """Return the step's three results put together from the single functions."""
    theta, outside = block["calibrated_water_content"], block["outside_calibration"]
    theta = theta.assign_attrs(units="m3 m-3")
    low, high = limits.gross_fail
    gross_bad = flag_gross_range(theta, low, high)
    gross = gross_bad | flag_gross_range(theta, *limits.gross_suspect)
    left = theta.where(~gross_bad)
    spike_bad = flag_spike(left, limits.spike_fail, SPIKE_RETURN)
    spike = flag_spike(left, limits.spike_suspect)
    left = left.where(~spike_bad)
    visible_h = limits.flat_fail_h + 24
    flat = flag_flat_line(left, limits.flat_suspect_h, limits.flat_tolerance, visible_h)
    flat_bad = flag_flat_line(left, limits.flat_fail_h, limits.flat_tolerance, visible_h)
    flat_bad &= theta < 0.35
    rate = flag_rate_of_change(left.where(~flat), limits.rate_suspect_per_h)
    missing = flag_missing(theta, outside)
    refused = flag_outside_calibration(outside)
    bad = refused | gross_bad | spike_bad | flat_bad
    suspect = gross | spike | rate | flat
    flag = xr.where(missing, 9, xr.where(bad, 4, xr.where(suspect, 3, 1)))
    tests = (
        missing * TEST_BITS["missing"]
        + refused * TEST_BITS["outside_calibration"]
        + gross * TEST_BITS["gross_range"]
        + spike * TEST_BITS["spike"]
        + rate * TEST_BITS["rate_of_change"]
        + flat * TEST_BITS["flat_line"]
    )
    return tests.values, flag.values, theta.where(~bad & ~missing).values


LEVELS = [0.0, 0.15, 0.2, 0.2005, 0.26, 0.33, 0.4, 0.65, 0.9]
readings = st.one_of(st.sampled_from(LEVELS), st.just(NAN), st.floats(0.0, 0.8))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(readings, st.integers(1, 12)), min_size=2, max_size=20),
    st.sampled_from([0.0, 0.001]),
)
def test_the_step_is_the_functions_one_after_the_other(stretches, tolerance):
    values = [value for value, count in stretches for _ in range(count)]
    refused = [int(np.isnan(value) and i % 3 == 0) for i, value in enumerate(values)]
    limits = SHORT.model_copy(update={"flat_tolerance": tolerance, **PLAIN})
    site = make_site(qc=limits)
    block = make_block(site, calibrated_water_content=values, outside_calibration=refused)
    result = qc_step(block, site)
    tests, flag, cleaned = step_by_functions(block, limits)
    np.testing.assert_array_equal(result["tests"], tests)
    np.testing.assert_array_equal(result["quality"], flag)
    np.testing.assert_array_equal(result["cleaned_water_content"], cleaned)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(readings, st.integers(1, 40)), min_size=4, max_size=14), st.data())
def test_any_window_with_its_looks_gives_the_same_bits(stretches, data):
    values = np.array([value for value, count in stretches for _ in range(count)])
    tolerance = data.draw(st.sampled_from([0.0, 0.001]))
    site = make_site(qc=SHORT.model_copy(update={"flat_tolerance": tolerance}))
    refused = np.isnan(values) & (np.arange(values.size) % 2 == 0)
    block = make_block(site, calibrated_water_content=values, outside_calibration=refused)
    first = data.draw(st.integers(0, values.size - 1))
    stop = data.draw(st.integers(first + 1, values.size))
    back, ahead = (seconds // HOUR_S for seconds in qc_look(site))
    start = max(0, first - back)
    part = qc_step(block.isel(time=slice(start, stop + ahead)), site)
    part = part.isel(time=slice(first - start, stop - start))
    xr.testing.assert_identical(qc_step(block, site).isel(time=slice(first, stop)), part)


@st.composite
def fronts(draw):
    """Draw a record with wetting fronts of any height and duration, and no fault.

    Each rises within one or more steps, may stay up, and drains for two steps or more: of the
    rise never more than five sixths goes within one step. A single low reading between two
    that are alike is a spike, and no front. Noise is that of a good sensor.
    """
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    level = draw(st.floats(0.05, 0.2))
    pieces = [np.full(draw(st.integers(2, 80)), level)]
    for _ in range(draw(st.integers(1, 4))):
        peak = draw(st.floats(level + 0.005, max(0.55, level + 0.02)))
        rise = np.linspace(level, peak, draw(st.integers(1, 5)) + 1)[1:]
        stay = np.full(draw(st.integers(0, 60)), peak)
        kept = draw(st.floats(1 / 6, 0.999))
        fall = level + (peak - level) * kept ** np.arange(1, draw(st.integers(2, 120)) + 1)
        pieces += [rise, stay, fall]
        level = float(fall[-1])
    clean = np.concatenate(pieces)
    return clean + rng.uniform(-0.0005, 0.0005, clean.size)


@settings(max_examples=150, deadline=None)
@given(fronts(), st.sampled_from([300, 600, 900, 3600]))
def test_a_wetting_front_is_never_bad(values, interval_s):
    result = run(values, interval_s=interval_s)
    assert 4 not in quality(result)
    assert result["cleaned_water_content"].notnull().all()


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 0.6), min_size=1, max_size=60), st.sampled_from([7200, 86400]))
def test_at_long_steps_no_change_within_range_is_ever_bad(values, interval_s):
    # Two equal readings apart keep the flat-line test out of it.
    values = np.asarray(values) + 1e-4 * (np.arange(len(values)) % 2)
    assert 4 not in quality(run(values, interval_s=interval_s))


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 0.35), st.floats(-1.0, 1.0), st.integers(1, 58))
def test_a_large_spike_on_a_quiet_record_is_bad_and_its_neighbours_are_good(level, way, where):
    rng = np.random.default_rng(where)
    values = level + rng.uniform(-0.0005, 0.0005, 60)
    height = np.copysign(0.08, way)
    values[where] += height
    flags = quality(run(values))
    assert flags[where] == 4
    assert set(flags[:where] + flags[where + 1 :]) == {1}


def test_more_columns_than_one_group_and_many_tubes():
    # The kernel takes sixteen columns at a time: each must get its own verdicts.
    tubes = tuple(make_tube(f"T{i}") for i in range(7))
    wires = tuple(make_wire(t.tube, depth) for t in tubes for depth in (0.1, 0.2, 0.3))
    limits = QcLimits(neighbour_suspect=None)
    site = make_site(tubes=tubes, wiring=wires, qc=limits)
    rng = np.random.default_rng(3)
    values = 0.25 + 0.05 * rng.standard_normal((90, 21))
    block = make_block(
        site, calibrated_water_content=values, outside_calibration=np.zeros((90, 21))
    )
    result = qc_step(block, site)["quality"].values.reshape(90, 21)
    for column in range(21):
        assert result[:, column].tolist() == quality(run(values[:, column], limits))


def test_inputs_are_not_changed():
    site = make_site()
    block = make_block(
        site, calibrated_water_content=[0.2, 0.9, NAN], outside_calibration=[0, 0, 4]
    )
    before = block.copy(deep=True)
    qc_step(block, site)
    xr.testing.assert_identical(block, before)
