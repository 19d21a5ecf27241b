"""Pictures of a site's events from its tables: which are drawn, and the limits in them."""

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from memory_store import MemoryState
from truth_site import DEPTHS_M, Instruments, make_site

import pipeline.accounts.events_pictures as pictures
from pipeline.axis import DAY_S
from pipeline.products.events import events_step, tube_profile
from pipeline.products.limits import SCHEMA

DAYS, INTERVAL_S = 24, 3600
SITE = make_site({"A": "loam", "B": "loam"}, INTERVAL_S, Instruments())


def limit_rows(tube, upper=0.3, lower=0.1, error=0.02, bound=False):
    return [
        {
            "tube": tube,
            "depth_m": depth,
            "upper": upper,
            "upper_error": error,
            "upper_spells": 3,
            "lower": lower,
            "lower_error": error,
            "lower_spells": 2,
            "lower_is_bound": bound,
            "highest": 0.35,
            "days": DAYS,
        }
        for depth in DEPTHS_M
    ]


@pytest.fixture
def state(monkeypatch):
    """A store with two storms in tube A and nothing in tube B."""
    state = MemoryState(SITE.axis)
    state.labels.update(tube=["A", "B"], depth=list(DEPTHS_M), station=["logger"])
    state.steps = steps = DAYS * DAY_S // INTERVAL_S
    water = np.full((steps, 2, len(DEPTHS_M)), np.nan, np.float32)
    hours = np.arange(steps)
    for k in range(len(DEPTHS_M)):
        storms = sum(
            0.1 * np.exp(-(hours - at) / 60) * (hours >= at)
            for at in (150 + 4 * k, 350 + 4 * k)
        )
        water[:, 0, k] = 0.2 + storms - 2e-5 * hours
    state.arrays = {
        "water/cleaned_water_content": water,
        "water/tests": np.zeros(water.shape, np.uint32),
    }
    state.tables.update(events_step(state, SITE, np.ones((2, DAYS), bool)))
    state.tables["soil_limits"] = pa.Table.from_pylist(limit_rows("A"), schema=SCHEMA)
    tables = {name: state.tables[name] for name in ("events", "event_depths")}
    opened = SimpleNamespace(site=SITE, snapshot=state)
    monkeypatch.setattr(pictures, "stored_events", lambda *a: (opened, tables))
    return state


def test_tubes_are_drawn_and_each_event_of_the_one_asked_for(state, tmp_path):
    names = [path.name for path in pictures.event_pictures(tmp_path, tmp_path)]
    assert names == ["A-events.png"]  # B has no value
    events = state.tables["events"].to_pandas()["event"].tolist()
    assert len(events) == 2
    drawn = pictures.event_pictures(tmp_path, tmp_path / "new", "A")
    assert [path.stem for path in drawn] == ["A-events", *events]
    assert all(path.is_file() for path in drawn)


def test_what_the_soil_holds_at_its_limits_adds_up_with_its_error(state):
    profile = tube_profile(SITE, "A", list(DEPTHS_M))
    upper, lower = pictures.stored_limits(SITE, state, profile)
    # by hand: 0.3 and 0.1 over the metre to the last sensor; sensors at 10, 20, 30, 40, 60 and
    # 100 cm stand for 15, 10, 10, 15, 30 and 20 cm, in quadrature 441.6 mm, times 0.02.
    assert (upper.value, lower.value) == pytest.approx((300.0, 100.0))
    assert upper.error == pytest.approx(8.83, abs=0.01)
    assert (upper.note, lower.note) == ("record", "record")


def test_a_limit_without_an_error_is_as_unsure_as_texture_and_none_is_said(state):
    rows = limit_rows("A", error=None, bound=True)
    state.tables["soil_limits"] = pa.Table.from_pylist(rows, schema=SCHEMA)
    profile = tube_profile(SITE, "A", list(DEPTHS_M))
    upper, lower = pictures.stored_limits(SITE, state, profile)
    assert upper.error == pytest.approx(22.08, abs=0.01)  # by hand: 441.6 mm times 0.05
    assert lower.note in ("at or below", "texture")
    state.tables["soil_limits"] = pa.Table.from_pylist(rows[1:], schema=SCHEMA)
    assert pictures.stored_limits(SITE, state, profile) == (None, None)


def test_pictures_that_cannot_be_drawn_are_told_beside_the_events(state, tmp_path):
    (tmp_path / "taken").write_text("a file")
    account = {"events": [1, 2], "outcome": "done"}
    pictures.add_pictures(account, tmp_path, tmp_path / "taken")
    assert (account["outcome"], account["events"]) == ("failed", [1, 2])
    assert [failure["part"] for failure in account["failures"]] == ["draw"]
