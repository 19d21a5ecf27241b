"""The table of suspected drift, from the daily means of a state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from bare_site import make_site, make_tube, make_wire

from pipeline.axis import TimeAxis
from pipeline.products.drift import SCHEMA, drift_suspects

TUBES = ("T1", "T2", "T3", "T4")


@dataclass
class State:
    """As much of a state as the step reads."""

    daily: np.ndarray
    axis: TimeAxis

    @property
    def days(self):
        return len(self.daily)

    @property
    def labels(self):
        return {"tube": list(TUBES), "depth": [0.3, 0.1]}  # as first seen

    def holds(self, key):
        return key == "daily/daily_water_content"

    def read(self, key, start, stop):
        return self.daily[start:stop]


def field(days=800, per_year=0.0):
    """Return a site and a state; the second tube drifts at 10 cm."""
    site = make_site(
        tubes=tuple(make_tube(name) for name in TUBES),
        wiring=tuple(make_wire(tube, d) for tube in TUBES for d in (0.1, 0.3)),
    )
    random = np.random.default_rng(5)
    season = 0.05 * np.cos(2 * np.pi * np.arange(days) / 365.25)
    shape = (days, len(TUBES), 2)
    daily = 0.25 + season[:, None, None] + random.normal(0, 0.001, shape)
    daily[:, 1, 1] += per_year * np.arange(days) / 365.25
    return site, State(daily.astype(np.float32), site.axis)


def table(site, state):
    computed = np.ones((len(TUBES), state.days), dtype=bool)
    return drift_suspects(state, site, computed)["drift_suspects"]


def test_the_drifting_sensor_is_told_and_no_other():
    site, state = field(per_year=0.03)
    found = table(site, state)
    assert found.schema == SCHEMA
    (row,) = found.to_pylist()
    assert (row["tube"], row["depth_m"], row["kind"]) == ("T2", 0.1, "neighbours")
    np.testing.assert_allclose(row["slope"], 0.03, atol=0.004)
    assert row["p"] < 0.01
    assert f"creeps up by {row['slope']:.3f} m3 m-3 a year" in row["sentence"]
    # By hand: blocks of 30 days, their middles at day 15 and, of 26, at day 765.
    assert (row["from_s"] - site.axis.origin_s) // 86_400 == 15
    assert (row["until_s"] - site.axis.origin_s) // 86_400 == 766


def test_nothing_is_told_of_sound_sensors_or_of_an_empty_store():
    site, state = field()
    assert table(site, state).num_rows == 0
    empty = State(state.daily[:0], state.axis)
    assert table(site, empty).equals(SCHEMA.empty_table())


def test_one_neighbour_is_no_witness():
    site, state = field(per_year=0.03)
    soils = {name: "loam" if name in ("T1", "T2") else "sand" for name in TUBES}
    tubes = tuple(t.model_copy(update={"soil": soils[t.tube]}) for t in site.tubes)
    apart = site.model_copy(update={"tubes": tubes})
    assert table(apart, state).num_rows == 0
