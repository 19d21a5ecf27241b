"""Verdicts that come from elsewhere: visits, decisions, supply, frost and times."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from bare_site import HOUR_S, at, make_block, make_site, make_tube, make_wire

from pipeline.qc.effective import effective_parameters
from pipeline.qc.flags import unpack
from pipeline.qc.spans import highest_of_last, hold_last, nearest_thermometer
from pipeline.qc.step import qc_look, qc_step
from pipeline.site.models import Clock, Decision, QcLimits, QcOverride, Source, Visit

NAN = float("nan")
STEPS = 10 * 24
LOGGERS = tuple(
    Source(id=name, kind="table", files="*", layout="plain", clock=Clock(utc_offset="Z"))
    for name in ("logger", "other")
)


def moist(columns=1, seed=0):
    rng = np.random.default_rng(seed)
    return 0.25 + 0.001 * rng.standard_normal((STEPS, columns))


def judged(site, values=None, **more):
    values = moist(len(site.tubes) * len(site.depths_m)) if values is None else values
    refused = np.zeros(values.shape)
    block = make_block(site, calibrated_water_content=values, outside_calibration=refused)
    for name, (dims, array) in more.items():
        if "station" in dims and "station" not in block.coords:
            block = block.assign_coords(station=["logger"])
        block[name] = (dims, array)
    return qc_step(block, site)


def hours(result, name, column=0):
    """Return the hours at which a test fired."""
    flag = unpack(result["tests"])[name].values.reshape(STEPS, -1)
    return np.flatnonzero(flag[:, column]).tolist()


def visit(**changes):
    return Visit(**{"row": 2, "time": at(3, 6), "action": "cleaning", **changes})


class TestMaintenance:
    """Hands on the tube or the logger."""

    def test_hours_around_a_visit_are_suspect(self):
        result = judged(make_site(visits=(visit(tube="T1"),)))
        assert hours(result, "maintenance") == [53, 54, 55]
        assert set(result["quality"].values.ravel()[[53, 54, 55]]) == {3}

    @pytest.mark.parametrize(
        ("changes", "touched"),
        [
            ({"tube": "T1"}, [0, 1]),
            ({"tube": "T1", "depth_m": 0.2}, [1]),
            ({"source": "logger"}, [0, 1, 2, 3]),
            ({"tube": "T2", "source": "logger"}, [2, 3]),
            ({"source": "other"}, []),
            ({"tube": "T1", "action": "reference"}, []),
            ({"tube": "T1", "action": "download"}, []),
        ],
    )
    def test_which_sensors_a_visit_touches(self, changes, touched):
        wires = tuple(make_wire(t, d) for t in ("T1", "T2") for d in (0.1, 0.2))
        tubes = (make_tube("T1"), make_tube("T2"))
        site = make_site(tubes=tubes, wiring=wires, visits=(visit(**changes),))
        result = judged(site)
        assert [c for c in range(4) if hours(result, "maintenance", c)] == touched

    def test_a_logger_counts_while_it_is_wired(self):
        wires = (make_wire(until=at(3)), make_wire(source="other", start=at(3)))
        site = make_site(sources=LOGGERS, wiring=wires, visits=(visit(source="logger"),))
        assert hours(judged(site), "maintenance") == []

    def test_off_and_tuned(self):
        for limit, count in ((None, 0), (0.0, 1), (3.0, 7)):
            site = make_site(visits=(visit(tube="T1"),), qc=QcLimits(maintenance_h=limit))
            assert len(hours(judged(site), "maintenance")) == count


def decision(verdict, first=None, until=None, **changes):
    fields = {"row": 2, "tube": "T1", "why": "seen", "who": "A. Keeper"}
    ends = {"start": first or at(3), "until": until or at(4)}
    return Decision(verdict=verdict, **{**fields, **ends, **changes})


class TestDecisions:
    """A person's verdict."""

    def test_reject_takes_sound_readings_out(self):
        result = judged(make_site(decisions=(decision("reject"),)))
        assert hours(result, "decision") == list(range(48, 72))
        assert (result["quality"].values.ravel()[48:72] == 4).all()
        assert result["cleaned_water_content"].isnull().values.ravel()[48:72].all()

    def test_keep_brings_back_what_the_tests_failed_and_still_shows_them(self):
        values = moist()
        values[50], values[60] = 0.9, NAN
        result = judged(make_site(decisions=(decision("keep"),)), values)
        flags, cleaned = (
            result[n].values.ravel() for n in ("quality", "cleaned_water_content")
        )
        assert (flags[50], flags[60]) == (1, 9)
        assert cleaned[50] == np.float32(0.9)
        assert hours(result, "gross_range") == [50]
        assert hours(result, "decision") == [h for h in range(48, 72) if h != 60]

    def test_of_two_the_lower_row_wins(self):
        for pair, flag in ((("keep", "reject"), 4), (("reject", "keep"), 1)):
            site = make_site(decisions=tuple(decision(verdict) for verdict in pair))
            result = judged(site)
            assert result["quality"].values.ravel()[60] == flag
            assert np.isfinite(result["cleaned_water_content"].values.ravel()[60]) == (
                flag == 1
            )

    def test_what_is_rejected_is_no_evidence(self):
        values = moist()
        values[60] = 0.45
        site = make_site(decisions=(decision("reject", at(3, 12), at(3, 13)),))
        result = judged(site, values)
        assert hours(result, "spike") == hours(result, "rate_of_change") == []

    def test_it_holds_for_its_sensor_only_and_outweighs_visit_and_supply(self):
        wires = tuple(make_wire(t, d) for t in ("T1", "T2") for d in (0.1, 0.2))
        site = make_site(
            tubes=(make_tube("T1"), make_tube("T2")),
            wiring=wires,
            visits=(visit(source="logger"),),
            decisions=(decision("keep", depth_m=0.2),),
        )
        flags = judged(site)["quality"].values.reshape(STEPS, 4)
        assert flags[54].tolist() == [3, 1, 3, 3]

    def test_only_its_time_is_ruled_otherwise(self):
        before = effective_parameters(make_site(), "T1")
        after = effective_parameters(make_site(decisions=(decision("keep"),)), "T1")
        edges = [None, int(at(3).timestamp()), int(at(4).timestamp())]
        assert [start for start, _ in after] == edges
        assert after[0][1] == after[2][1] == before[0][1] != after[1][1]

    def test_who_and_why_change_no_result(self):
        one = make_site(decisions=(decision("keep"),))
        other = make_site(decisions=(decision("keep", who="B", why="other", row=7),))
        assert effective_parameters(one, "T1") == effective_parameters(other, "T1")


class TestSupply:
    """Voltage at the logger."""

    def volts(self, low=9.6):
        series = np.full((STEPS, 1), 12.8, np.float32)
        series[100:110] = low
        return {"supply_voltage": (("time", "station"), series)}

    def test_far_below_the_week_is_suspect(self):
        # By hand: 0.8 * 12.8 = 10.24.
        assert hours(judged(make_site(), **self.volts(10.2)), "supply") == list(
            range(100, 110)
        )
        assert hours(judged(make_site(), **self.volts(10.3)), "supply") == []

    def test_limits_in_volts(self):
        limits = QcLimits(supply_part=None, supply_suspect_v=11.0, supply_fail_v=10.0)
        for low, flag in ((11.0, 1), (10.5, 3), (9.9, 4)):
            result = judged(make_site(qc=limits), **self.volts(low))
            assert result["quality"].values.ravel()[105] == flag

    def test_a_voltage_holds_for_a_day(self):
        series = np.full((STEPS, 1), NAN, np.float32)
        series[90], series[100] = 12.8, 9.0
        found = judged(make_site(), supply_voltage=(("time", "station"), series))
        assert hours(found, "supply") == list(range(100, 125))

    def test_tubes_of_another_logger_are_not_touched(self):
        wires = (make_wire(source="other"),)
        site = make_site(sources=LOGGERS, wiring=wires)
        assert hours(judged(site, **self.volts()), "supply") == []

    def test_off_for_one_depth(self):
        wires = tuple(make_wire(depth_m=d) for d in (0.1, 0.2))
        off = QcOverride(depths_cm=(10.0,), set={"supply_part": None}, why="own battery")
        result = judged(make_site(wiring=wires, qc_overrides=(off,)), **self.volts())
        assert hours(result, "supply", 0) == []
        assert hours(result, "supply", 1) == list(range(100, 110))


class TestFrozen:
    """Soil temperature at the sensor or nearest to it."""

    def site(self, depths=(0.1, 0.2, 0.6), warm=(0.2,), **changes):
        wires = [make_wire(depth_m=d) for d in depths]
        wires += [make_wire(depth_m=d, quantity="soil_temperature", unit="degC") for d in warm]
        return make_site(wiring=tuple(wires), **changes)

    def temperature(self, series, column=1):
        values = np.full((STEPS, 1, 3), NAN, np.float32)
        values[:, 0, column] = series
        return {"soil_temperature": (("time", "tube", "depth"), values)}

    def test_at_or_below_zero_is_suspect_at_every_depth_nearest_to_it(self):
        series = np.full(STEPS, 5.0)
        series[100:110], series[110] = -0.5, 0.0
        result = judged(self.site(), **self.temperature(series))
        for column in range(3):
            assert hours(result, "frozen", column) == list(range(100, 111))
        assert (result["quality"].values[100:111] == 3).all()

    def test_a_temperature_holds_for_twelve_hours(self):
        series = np.full(STEPS, NAN)
        series[[90, 100]] = 1.0, -1.0
        found = judged(self.site(), **self.temperature(series))
        assert hours(found, "frozen", 1) == list(range(100, 113))

    def test_nearest_thermometer(self):
        site = self.site(warm=(0.1, 0.6))
        assert [nearest_thermometer(site, "T1", d) for d in (0.1, 0.2, 0.6)] == [0.1, 0.1, 0.6]
        assert nearest_thermometer(site, "T1", 0.35) == 0.1  # of two as near the upper
        assert nearest_thermometer(make_site(), "T1", 0.1) is None

    def test_off_and_tuned(self):
        series = self.temperature(np.full(STEPS, -1.0))
        assert (
            hours(judged(self.site(qc=QcLimits(frozen_degc=None)), **series), "frozen") == []
        )
        assert (
            hours(judged(self.site(qc=QcLimits(frozen_degc=-1.5)), **series), "frozen") == []
        )
        assert hours(judged(self.site(), **series), "frozen", 1) == list(range(STEPS))

    def test_without_temperature_nothing_is_said(self):
        assert hours(judged(self.site()), "frozen") == []


class TestTiming:
    """Readings that do not follow each other at the interval."""

    def offsets(self, series):
        values = np.zeros((STEPS, 1, 1), np.int32)
        values[:, 0, 0] = series
        return {"voltage_offset_s": (("time", "tube", "depth"), values)}

    def test_a_jump_of_the_clock_is_suspect_once(self):
        series = np.where(np.arange(STEPS) < 100, -600, 400)  # by hand: 1000 s > 900 s
        result = judged(make_site(), **self.offsets(series))
        assert hours(result, "timing") == [100]
        assert result["quality"].values.ravel()[100] == 3

    def test_a_constant_offset_is_none_nor_is_a_missing_reading(self):
        values = moist()
        values[[50, 51]] = NAN
        series = np.full(STEPS, 1700)
        series[[50, 51]] = 0  # what the store holds where nothing was read
        assert hours(judged(make_site(), values, **self.offsets(series)), "timing") == []

    def test_off_and_tuned(self):
        series = self.offsets(np.where(np.arange(STEPS) < 100, 0, 1000))
        assert hours(judged(make_site(), **series), "timing") == [100]
        for part in (None, 0.3):
            limits = QcLimits(timing_part=part)
            assert hours(judged(make_site(qc=limits), **series), "timing") == []


class TestHolding:
    """The last value, and the highest of some."""

    def test_hold_last(self):
        values = np.array([NAN, 1.0, NAN, NAN, 2.0, NAN, NAN, NAN])[:, None]
        out = np.empty_like(values)
        hold_last(values, 2, out)
        np.testing.assert_array_equal(out[:, 0], [NAN, 1, 1, 1, 2, 2, 2, NAN])

    def test_highest_of_last(self):
        rng = np.random.default_rng(1)
        values = rng.normal(size=(200, 2))
        values[rng.random((200, 2)) < 0.3] = NAN
        out = np.empty_like(values)
        highest_of_last(values, 7, out)
        for i in range(200):
            part = values[max(0, i - 7) : i + 1]
            expected = np.fmax.reduce(part, axis=0)
            np.testing.assert_array_equal(out[i], expected)


def whole_field(interval_s):
    """Return a site and a block with faults of every kind, ninety days long."""
    rng = np.random.default_rng(interval_s)
    wires = [make_wire(depth_m=d) for d in (0.1, 0.2, 0.3)]
    wires += [make_wire(depth_m=0.2, quantity="soil_temperature", unit="degC")]
    site = make_site(
        wiring=tuple(wires),
        interval_s=interval_s,
        qc=QcLimits(rate_suspect_per_h=0.04),
        visits=(visit(tube="T1", time=at(20)),),
        decisions=(decision("keep", at(25), at(26)), decision("reject", at(15), at(16))),
    )
    steps = 90 * 24 * HOUR_S // interval_s
    x = 0.25 + 0.001 * rng.standard_normal((steps, 1, 3))
    for _ in range(100):
        first, column = int(rng.integers(50, steps - 50)), int(rng.integers(3))
        kind, long = int(rng.integers(5)), int(rng.integers(10, steps // 12))
        part = x[first : first + long, 0, column]
        if kind == 0:
            part[0] += rng.normal() * 0.03
        elif kind == 1:
            part[:] = part[0] - rng.choice([0.0, 0.08])
        elif kind == 2:
            part += rng.choice([-0.03, 0.03])
        elif kind == 3:
            part += 0.01 * rng.standard_normal(part.size)
        else:
            part[:5] = NAN
    time = site.axis.times(0, steps)
    block = make_block(site, calibrated_water_content=x, outside_calibration=np.isnan(x))
    block = block.assign_coords(station=["logger"], time=time)
    rain = (rng.random((steps, 1)) < 0.01).astype(np.float32)
    volts = np.float32(12 + rng.normal(size=(steps, 1)))
    cold = np.full(x.shape, NAN, np.float32)
    cold[::6, 0, 1] = np.cumsum(rng.normal(size=len(cold[::6])))
    block["rain"] = (("time", "station"), rain)
    block["supply_voltage"] = (("time", "station"), volts)
    block["soil_temperature"] = (("time", "tube", "depth"), cold)
    drawn = np.repeat(rng.integers(-500, 500, (steps // 40 + 1, 1, 3)), 40, axis=0)[:steps]
    block["voltage_offset_s"] = (("time", "tube", "depth"), drawn.astype(np.int32))
    block["random_error"] = (
        ("time", "tube", "depth"),
        np.float32(0.001 * (1 + rng.random(x.shape))),
    )
    return site, block


@pytest.mark.parametrize("interval_s", [900, HOUR_S])
def test_any_window_with_its_looks_gives_the_same_bits(interval_s):
    """Promise 3 for all tests together: a verdict does not depend on where a block begins."""
    site, block = whole_field(interval_s)
    whole = qc_step(block, site)
    names = unpack(whole["tests"])
    silent = {name for name, flag in names.items() if not flag.any()}
    assert silent <= {"gross_range", "neighbour_depth", "missing", "neighbour_tube"}
    steps = block.sizes["time"]
    back, ahead = (seconds // interval_s for seconds in qc_look(site))
    assert back + ahead < 0.75 * steps
    rng = np.random.default_rng(2)
    for first in rng.integers(back // 2, steps - 20, 25).tolist():
        stop = first + int(rng.integers(1, 200))
        start = max(0, first - back)
        part = qc_step(block.isel(time=slice(start, stop + ahead)), site)
        part = part.isel(time=slice(first - start, stop - start))
        for name in whole:
            expected = whole[name].isel(time=slice(first, stop))
            np.testing.assert_array_equal(part[name], expected, err_msg=f"{name} {first}")


def test_an_hour_more_of_anything_changes_no_verdict_older_than_the_look_back():
    site, block = whole_field(HOUR_S)
    back, _ = (timedelta(seconds=s) for s in qc_look(site))
    before = qc_step(block, site)["tests"]
    charged = ~unpack(before)["supply"].values.any(axis=(1, 2))
    hour = int(np.flatnonzero(charged[200:])[0]) + 200
    late = block.copy(deep=True)
    late["supply_voltage"][hour] = 1.0
    late["rain"][hour] = 9.0
    marked = np.flatnonzero((qc_step(late, site)["tests"] != before).values.any(axis=(1, 2)))
    assert marked.size > 0
    assert marked[0] >= hour - 5 * 24
    assert marked[-1] <= hour + back / timedelta(hours=1)
