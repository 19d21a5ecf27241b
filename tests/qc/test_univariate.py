"""Each test by itself against the QARTOD definitions and a reference implementation."""

from __future__ import annotations

import warnings

import numpy as np
import pint
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UnitsError
from pipeline.qc.constants import PLATEAU_RISE
from pipeline.qc.hampel import flag_hampel
from pipeline.qc.univariate import (
    flag_flat_line,
    flag_gross_range,
    flag_missing,
    flag_outside_calibration,
    flag_rate_of_change,
    flag_spike,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the reference library warns while it is imported
    from ioos_qc import qartod

NAN = float("nan")
# One value of every kind; expected flags are reference code, ioos_qc 3.0.0 (1 pass, 2 not
# evaluated, 3 suspect, 4 fail, 9 missing), as written here and as run below.
SERIES = [
    *[0.200, 0.201, 0.202, 0.300, 0.203, 0.204, 0.180],
    *[0.205, 0.205, 0.205, 0.205, 0.205, 0.205, NAN, 0.210, 1.2],
]
GROSS = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 9, 1, 4]
SPIKE = [2, 1, 1, 4, 1, 1, 3, 1, 1, 1, 1, 1, 2, 9, 2, 2]
RATE = [1, 1, 1, 3, 3, 1, 1, 1, 1, 1, 1, 1, 1, 9, 1, 3]
FLAT = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 3, 3, 4, 9, 1, 1]
ZIGZAG = [1, 1.1, 1, 1.2, 1, 1.3, 1, 1.4, 1, 1.5, 1]


def make_series(values, minutes=60, dtype=np.float64):
    """Return a record on a regular axis."""
    time = np.datetime64("2024-01-01", "ns") + np.arange(len(values)) * np.timedelta64(
        minutes, "m"
    )
    return xr.DataArray(
        np.asarray(values, dtype=dtype),
        coords={"time": time},
        dims="time",
        name="theta",
        attrs={"units": "m3 m-3"},
    )


def two_levels(suspect, fail):
    """Return flags of two thresholds on the reference scale, 1 where neither fired."""
    return np.where(fail, 4, np.where(suspect, 3, 1))


def evaluated(flags):
    """Return reference flags with "not evaluated" and "missing" as "did not fire"."""
    return np.where(np.isin(flags, (2, 9)), 1, flags)


def fails(flags):
    return np.asarray(flags) == 4


class TestReference:
    """The reference series and a second one, against numbers and against the library."""

    def test_gross_range(self):
        x = make_series(SERIES)
        ours = two_levels(flag_gross_range(x, 0.05, 0.5), flag_gross_range(x, 0.0, 1.0))
        reference = qartod.gross_range_test(SERIES, (0.0, 1.0), (0.05, 0.5))
        assert reference.tolist() == GROSS
        np.testing.assert_array_equal(ours, evaluated(reference))

    def test_spike(self):
        x = make_series(SERIES)
        ours = two_levels(flag_spike(x, 0.02), flag_spike(x, 0.05))
        reference = qartod.spike_test(SERIES, 0.02, 0.05, method="differential")
        assert np.ma.filled(reference, 9).tolist() == SPIKE
        np.testing.assert_array_equal(ours, evaluated(SPIKE))

    @pytest.mark.parametrize("dtype", [np.float32, np.float64])
    def test_spike_of_a_growing_zigzag(self, dtype):
        x = make_series(ZIGZAG, dtype=dtype)
        ours = two_levels(flag_spike(x, 0.15), flag_spike(x, 0.25))
        # Provenance: by hand. The smaller change at each extreme is .1 .1 .1 .2 .2 .3 .3 .4 .4
        # and, at the last but one, .5 (neighbours 1 and 1).
        assert ours.tolist() == [1, 1, 1, 3, 3, 4, 4, 4, 4, 4, 1]

    def test_rate_of_change(self):
        x = make_series(SERIES)
        reference = qartod.rate_of_change_test(SERIES, x.time.values, 0.05 / 3600)
        assert np.ma.filled(reference, 9).tolist() == RATE
        np.testing.assert_array_equal(
            two_levels(flag_rate_of_change(x, 0.05), False), evaluated(RATE)
        )

    def test_flat_line(self):
        x = make_series(SERIES)
        ours = two_levels(flag_flat_line(x, 3, 0.0005, 0), flag_flat_line(x, 5, 0.0005, 0))
        reference = qartod.flat_line_test(SERIES, x.time.values, 3 * 3600, 5 * 3600, 0.0005)
        assert np.ma.filled(reference, 9).tolist() == FLAT
        np.testing.assert_array_equal(ours, evaluated(FLAT))

    @settings(deadline=None)
    @given(
        st.lists(st.floats(0.125, 0.5, width=32), min_size=3, max_size=40),
        st.floats(0.01, 0.1),
    )
    def test_spike_and_rate_on_any_series(self, values, threshold):
        x = make_series(values)
        spikes = qartod.spike_test(values, None, threshold, method="differential")
        rates = qartod.rate_of_change_test(values, x.time.values, threshold / 3600)
        sizes = np.abs(np.diff(values, prepend=values[0]))
        # The library knows no rounding: leave out changes that equal the threshold to 1e-5.
        if np.min(np.abs(sizes - threshold)) > 1e-5:
            np.testing.assert_array_equal(flag_spike(x, threshold), fails(spikes))
            np.testing.assert_array_equal(
                flag_rate_of_change(x, threshold), np.asarray(rates) == 3
            )


class TestThresholds:
    """A reading equal to a threshold passes, whatever type it rests in."""

    @pytest.mark.parametrize("dtype", [np.float32, np.float64])
    def test_gross_range(self, dtype):
        x = make_series([0.05, 0.6, 0.7, 0.04], dtype=dtype)
        assert flag_gross_range(x, 0.05, 0.6).values.tolist() == [False, False, True, True]

    @pytest.mark.parametrize("dtype", [np.float32, np.float64])
    def test_spike_rate_and_flat_line(self, dtype):
        x = make_series([0.2, 0.26, 0.2], dtype=dtype)
        assert not flag_spike(x, 0.06).any()
        assert flag_spike(x, 0.0599).values.tolist() == [False, True, False]
        assert not flag_rate_of_change(x, 0.06).any()
        assert flag_rate_of_change(x, 0.0599).values.tolist() == [False, True, True]
        # Readings that differ by the tolerance count as equal.
        assert flag_flat_line(x, 2, 0.06).values.tolist() == [False, False, True]
        assert not flag_flat_line(x, 2, 0.0599).any()


def test_missing_and_refused_readings_are_told_apart():
    x, outside = make_series([0.2, NAN, NAN]), make_series([0, 0, 2], dtype=np.uint8)
    assert flag_missing(x, outside).values.tolist() == [False, True, False]
    assert flag_outside_calibration(outside).values.tolist() == [False, False, True]


def test_flags_carry_a_name_and_no_attributes_of_the_readings():
    x = make_series(SERIES)
    flags = {
        "gross_range": flag_gross_range(x, 0, 1),
        "spike": flag_spike(x, 0.1),
        "rate_of_change": flag_rate_of_change(x, 0.1),
        "flat_line": flag_flat_line(x, 3),
    }
    for name, flag in flags.items():
        assert (flag.name, flag.dtype, flag.attrs) == (name, bool, {})
    assert x.attrs == {"units": "m3 m-3"}


def test_dimensions_keep_their_order():
    x = make_series(SERIES).expand_dims(tube=2, axis=1).expand_dims(depth=3, axis=2)
    for flag in (flag_spike(x, 0.1), flag_flat_line(x, 3), flag_rate_of_change(x, 0.1)):
        assert flag.dims == ("time", "tube", "depth")


def test_an_irregular_axis_is_refused():
    x = make_series(SERIES).isel(time=[0, 1, 3])
    with pytest.raises(ValueError, match=r"'theta': expected .*\(3600 to 7200 s\)"):
        flag_rate_of_change(x, 0.1)


TESTS = {
    "gross_range": lambda x: flag_gross_range(x, 0.05, 0.6),
    "rate_of_change": lambda x: flag_rate_of_change(x, 0.05),
    "spike": lambda x: flag_spike(x, 0.02),
    "hampel": lambda x: flag_hampel(x, 3),
    "flat_line": lambda x: flag_flat_line(x, 3),
    "missing": lambda x: flag_missing(x, xr.zeros_like(x).fillna(0).astype(np.uint8)),
}


@pytest.mark.parametrize("name", TESTS)
def test_units_are_looked_at_and_quantities_converted(name):
    x, ask = make_series(SERIES), TESTS[name]
    expected = ask(x)
    assert expected.any()
    percent = pint.UnitRegistry().Quantity(100 * x.values, "percent")
    np.testing.assert_array_equal(ask(x.drop_attrs().copy(data=percent)), expected)
    with pytest.raises(UnitsError, match="'theta': expected units 'm3 m-3', found '%'"):
        ask((100 * x).assign_attrs(units="%"))
    with pytest.raises(UnitsError, match="found None"):
        ask(x.drop_attrs())


@pytest.mark.parametrize("name", TESTS)
def test_flags_of_a_lazy_record_are_lazy_and_the_same(name):
    x, ask = make_series(SERIES), TESTS[name]
    found = ask(x.chunk(time=5))
    assert found.chunks is not None
    np.testing.assert_array_equal(found, ask(x))


@pytest.mark.parametrize("name", [name for name in TESTS if name[0] in "rshf"])
def test_a_record_that_runs_backwards_or_has_no_time_is_refused(name):
    x, ask = make_series(SERIES), TESTS[name]
    with pytest.raises(ValueError, match="'theta': expected times that rise; sort by time"):
        ask(x[::-1])
    with pytest.raises(ValueError, match="'theta': expected the dimension 'time'"):
        ask(x[0])


def test_a_refusal_of_other_times_is_no_missing_reading():
    x = make_series(SERIES)
    outside = xr.zeros_like(x, np.uint8).rename("outside")
    with pytest.raises(ValueError, match="'outside': expected the time of 'theta'"):
        flag_missing(x, outside[:3])


def test_a_missing_neighbour_means_not_evaluated():
    x = make_series([0.2, NAN, 0.9, 0.2, 0.2])
    assert not flag_spike(x, 0.1).any()
    assert flag_rate_of_change(x, 0.1).values.tolist() == [False, False, False, True, False]


@pytest.mark.parametrize("minutes", [5, 10, 60])
def test_a_short_step_counts_as_an_hour(minutes):
    x = make_series([0.20, 0.31], minutes)
    assert not flag_rate_of_change(x, 0.15).any()
    # Taken as it is, 0.11 in less than an hour is a higher rate.
    assert flag_rate_of_change(x, 0.15, shortest_h=0).any() == (minutes < 44)


def test_a_long_step_is_taken_as_it_is():
    assert not flag_rate_of_change(make_series([0.1, 0.5], minutes=240), 0.15).any()
    assert flag_rate_of_change(make_series([0.1, 0.8], minutes=240), 0.15).any()


def test_a_spike_that_does_not_come_back_is_told_from_one_that_does():
    spike, front = make_series([0.2, 0.3, 0.202]), make_series([0.2, 0.3, 0.22])
    for x in (spike, front):
        assert flag_spike(x, 0.06).values.tolist() == [False, True, False]
    assert flag_spike(spike, 0.06, return_part=0.1).any()
    assert not flag_spike(front, 0.06, return_part=0.1).any()


def test_a_front_that_rises_over_two_readings_and_halves_in_one_is_no_spike():
    front, spike = make_series([0.0, 0.15, 0.3, 0.15]), make_series([0.15, 0.15, 0.3, 0.15])
    assert flag_spike(spike, 0.06, return_part=0.1).values.tolist() == [
        False,
        False,
        True,
        False,
    ]
    assert flag_spike(front, 0.06).values.tolist() == [False, False, True, False]
    assert not flag_spike(front, 0.06, return_part=0.1).any()


class TestFlatLine:
    """What ends a run of equal readings, and what makes it a plateau."""

    def test_a_reading_missing_within_a_run_does_not_end_it(self):
        x = make_series([0.2, NAN, 0.2, NAN, NAN, 0.2])
        assert flag_flat_line(x, 5).values.tolist() == [False] * 5 + [True]

    @pytest.mark.parametrize(("gap", "flat"), [(24, True), (25, False)])
    def test_a_gap_longer_than_a_day_ends_a_run(self, gap, flat):
        x = make_series([0.2, *[NAN] * (gap - 1), 0.2])
        assert bool(flag_flat_line(x, gap)[-1]) is flat

    def test_a_plateau_reached_by_a_rise_is_none(self):
        dry = np.linspace(0.2, 0.199, 24)
        plateau = make_series([*dry, *[0.4] * 10])
        stuck = make_series([*dry, *[dry[-1]] * 10])
        assert not flag_flat_line(plateau, 5).any()
        assert flag_flat_line(stuck, 5).values.tolist() == [False] * 28 + [True] * 6

    @pytest.mark.parametrize(("rise", "flat"), [(PLATEAU_RISE, False), (0.029, True)])
    def test_the_least_rise_that_counts(self, rise, flat):
        x = make_series([0.2, *[0.2 + rise] * 6], dtype=np.float32)
        assert bool(flag_flat_line(x, 5)[-1]) is flat

    def test_a_rise_is_looked_for_a_day_before_and_a_day_beyond_the_window(self):
        # Six days: flat for 5 h from the sixth reading on, the rise in sight until 29 h.
        x = make_series([0.2, *[0.4] * 40])
        flags = flag_flat_line(x, 5).values
        assert not flags[:31].any()  # the run began at 1: 30 - 1 = 29 h ago
        assert flags[31:].all()
        assert not flag_flat_line(x, 5, visible_h=40).any()

    def test_a_fall_leads_to_no_plateau(self):
        assert flag_flat_line(make_series([0.4, *[0.2] * 6]), 5).values[-1]

    @settings(deadline=None)
    @given(
        st.lists(
            st.one_of(st.sampled_from([0.2, 0.201, 0.202, 0.203, 0.25]), st.just(NAN)),
            min_size=1,
            max_size=50,
        ),
        st.sampled_from([0.0, 0.001, 0.002]),
        st.integers(1, 8),
    )
    def test_on_any_series_against_the_definition(self, values, tolerance, hours):
        if len(values) < 2:
            values = [*values, NAN]
        found = flag_flat_line(make_series(values), hours, tolerance).values
        assert found.tolist() == flat_line_by_definition(values, tolerance, hours)


def flat_line_by_definition(values, tolerance, hours):
    """Return the flags at hourly steps, each from the whole look back, slowly."""
    flags = []
    for i, x in enumerate(values):
        if np.isnan(x):
            flags.append(False)
            continue
        seen = [x]
        start = i
        for j in range(i - 1, -1, -1):
            if np.isnan(values[j]) and start - j <= 24:
                continue
            if start - j > 24 or np.ptp([*seen, values[j]]) > tolerance + 1e-9:
                break
            seen.append(values[j])
            start = j
        before = [v for v in values[max(0, start - 24) : start] if not np.isnan(v)]
        risen = any(values[start] - v >= PLATEAU_RISE - 1e-9 for v in before)
        flags.append(i - start >= hours and not (risen and i - start <= hours + 24))
    return flags
