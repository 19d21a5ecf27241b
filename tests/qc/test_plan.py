"""Cadence, plateau level, looks and effective parameters of the quality tests."""

from __future__ import annotations

import json

import pytest
from bare_site import HOUR_S, at, make_horizon, make_site, make_wire

from pipeline.qc.effective import effective_parameters
from pipeline.qc.plan import PLATEAU_UNKNOWN, Cadence, plateau_level, sensor_cadences
from pipeline.qc.step import qc_look
from pipeline.site.models import Clock, QcLimits, QcOverride, Source

DAY_S = 24 * HOUR_S


def make_source(name, interval_s=None):
    return Source(
        id=name,
        kind="table",
        files="*",
        layout="plain",
        clock=Clock(utc_offset="Z"),
        interval_s=interval_s,
    )


def test_cadence_follows_the_wiring():
    wires = (
        make_wire(source="slow", until=at(3)),
        make_wire(source="quick", start=at(2), until=at(4)),
        make_wire(source="slow", start=at(4)),
    )
    sources = (make_source("slow", 4 * HOUR_S), make_source("quick"))
    site = make_site(sources=sources, wiring=wires)
    assert sensor_cadences(site, "T1", 0.1) == [
        Cadence(None, 4),
        Cadence(int(at(2).timestamp()), 1),
        Cadence(int(at(4).timestamp()), 4),
    ]


def test_cadence_without_wires_is_every_step():
    assert sensor_cadences(make_site(), "T1", 0.7) == [Cadence(None, 1)]


def test_a_wire_of_another_quantity_does_not_count():
    wires = (
        make_wire(source="slow"),
        make_wire(source="logger", quantity="soil_temperature", unit="degC"),
    )
    sources = (make_source("logger"), make_source("slow", 6 * HOUR_S))
    site = make_site(sources=sources, wiring=wires)
    assert sensor_cadences(site, "T1", 0.1) == [Cadence(None, 6)]


# Provenance: by hand. 0.9 * 0.45; 0.9 * (1 - 1.325 / 2.65).
@pytest.mark.parametrize(
    ("horizon", "level"),
    [
        (make_horizon(saturation=0.45, bulk_density=1.3), 0.405),
        (make_horizon(bulk_density=1.325), 0.45),
        (make_horizon(), PLATEAU_UNKNOWN),
        (None, PLATEAU_UNKNOWN),
    ],
)
def test_plateau_level(horizon, level):
    assert plateau_level(horizon) == pytest.approx(level)


def test_look_holds_the_longest_window_of_any_sensor():
    longer = QcOverride(set={"flat_fail_h": 1600.0}, why="coarse sensors")
    site = make_site(qc=QcLimits(frozen_fall=None), qc_overrides=(longer,))
    back, ahead = qc_look(site)
    assert back >= 1600 * HOUR_S + 3 * DAY_S
    assert ahead >= HOUR_S
    usual = make_site(qc=QcLimits(frozen_fall=None))
    assert qc_look(usual)[0] < back
    # Spikes at an hour are told from the eighteen chunks before, and frost from six weeks.
    calm = make_site(qc=QcLimits(frozen_fall=None, spike_noise=None))
    frost = make_site(qc=QcLimits(spike_noise=None))
    looks = [qc_look(made)[0] for made in (calm, frost, usual)]
    assert looks == sorted(set(looks))


def test_look_of_the_plain_tests_is_a_few_readings():
    off = QcLimits(
        **dict.fromkeys(("flat_suspect_h", "flat_fail_h", "neighbour_suspect")),
        frozen_fall=None,
        **dict.fromkeys(("spike_noise", "stuck_chance", "burst_noise", "step_suspect")),
    )
    site = make_site(qc=off, sources=(make_source("logger", 4 * HOUR_S),))
    back, ahead = qc_look(site)
    assert (back, ahead) == (15 * HOUR_S, 5 * HOUR_S)
    # By hand: of a total of four hours three are told after the first of its steps.
    gauge = make_wire(tube="", depth_m=None, quantity="rain", unit="mm", probe="")
    assert qc_look(site.model_copy(update={"wiring": (gauge,)})) == (back, ahead + 3 * HOUR_S)


def test_effective_parameters_are_canonical_and_leave_reasons_out():
    one = make_site(qc=QcLimits(why="as the others"))
    ((start, text),) = effective_parameters(one, "T1")
    assert start is None
    assert text == json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"))
    assert effective_parameters(make_site(), "T1") == [(None, text)]
    tighter = make_site(qc=QcLimits(spike_fail=0.05))
    assert effective_parameters(tighter, "T1") != [(None, text)]


def test_effective_parameters_are_dated_by_the_cadence():
    wires = (make_wire(until=at(2)), make_wire(source="slow", start=at(2)))
    sources = (make_source("logger"), make_source("slow", 2 * HOUR_S))
    found = effective_parameters(make_site(wiring=wires, sources=sources), "T1")
    assert [start for start, _ in found] == [None, at(2).timestamp()]
