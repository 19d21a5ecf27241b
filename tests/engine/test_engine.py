"""The engine: however the work is cut and in whatever order days arrive, the same bits."""

from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.axis import DAY_S, TimeAxis
from pipeline.engine import engine
from pipeline.engine.engine import run_steps
from pipeline.step import Step
from pipeline.store.site_store import SiteStore

AXIS = TimeAxis(origin_s=0, interval_s=DAY_S // 4)
DAYS, TUBES, DEPTHS = 90, 7, 2
PER_DAY = AXIS.steps_per_day
SITE = SimpleNamespace(depths_m=(0.1, 0.2))  # all that the engine itself asks of a site
RAW, ROOT, WATER = (
    "readings/voltage",
    "water/root_permittivity",
    "water/calibrated_water_content",
)


def spread(source, target, back_steps, ahead_steps):
    """Return a step function: the largest value within the look, NaN where there is none."""

    def function(block, site):
        values = block[source].values
        padded = np.pad(
            values, ((back_steps, ahead_steps), (0, 0), (0, 0)), constant_values=np.nan
        )
        width = back_steps + ahead_steps + 1
        shifted = [padded[k : k + len(values)] for k in range(width)]
        largest = np.fmax.reduce(shifted) + np.float32(0.1)
        return xr.Dataset({target: (block[source].dims, largest)})

    return function


def make_steps():
    day = PER_DAY
    return (
        Step(
            "first",
            spread("voltage", "root_permittivity", 2 * day, day),
            (RAW,),
            (ROOT,),
            lambda site: (2 * DAY_S, DAY_S),
            "test",
        ),
        Step(
            "second",
            spread("root_permittivity", "calibrated_water_content", day, 3 * day),
            (ROOT,),
            (WATER,),
            lambda site: (DAY_S, 3 * DAY_S),
            "test",
        ),
    )


def make_store(folder, days=DAYS):
    store = SiteStore(str(folder / "store"), AXIS, "test")
    with store.write() as writer:
        writer.widen("tube", [f"T{i}" for i in range(TUBES)])
        writer.widen("depth", [0.1 * (i + 1) for i in range(DEPTHS)])
        writer.ensure(RAW)
        writer.extend(days * PER_DAY)
        writer.commit("empty", {})
    return store


def bring(store, raw, changed):
    """One night: write the changed days of the readings, run the steps, commit."""
    with store.write() as writer:
        new = np.repeat(changed.T, PER_DAY, axis=0)[:, :, np.newaxis]
        writer.write(RAW, 0, np.where(new, raw, writer.read(RAW, 0, writer.steps)))
        written = run_steps(writer, SITE, make_steps(), changed)
        writer.commit("night", {})
    return written


def results(store):
    snapshot = store.read()
    return {key: snapshot.read(key, 0, snapshot.steps) for key in (ROOT, WATER)}


@pytest.fixture
def raw():
    random = np.random.default_rng(7)
    values = random.normal(size=(DAYS * PER_DAY, TUBES, DEPTHS)).astype(np.float32)
    values[random.random(values.shape) < 0.1] = np.nan
    return values


@pytest.fixture
def small_pieces(monkeypatch):
    """Cut the work finely, so that ninety days need many pieces in two blocks of tubes."""
    monkeypatch.setattr(engine, "SLAB_DAYS", 28)
    monkeypatch.setattr(engine, "BLOCK_TUBES", 5)


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10_000), nights=st.integers(2, 5))
def test_shuffled_nights_equal_one_run(tmp_path_factory, raw, small_pieces, seed, nights):
    random = np.random.default_rng(seed)
    night_of = random.integers(0, nights, size=(TUBES, DAYS))
    whole = make_store(tmp_path_factory.mktemp("whole"))
    bring(whole, raw, np.ones((TUBES, DAYS), dtype=bool))
    pieces = make_store(tmp_path_factory.mktemp("pieces"))
    for night in random.permutation(nights):
        bring(pieces, raw, night_of == night)
    for key, expected in results(whole).items():
        np.testing.assert_array_equal(results(pieces)[key], expected, err_msg=key)
    assert np.isfinite(results(whole)[WATER]).all()


def test_only_what_saw_a_change_is_written(tmp_path, raw):
    store = make_store(tmp_path)
    changed = np.zeros((TUBES, DAYS), dtype=bool)
    changed[3, 40] = True
    written = bring(store, raw, changed)
    # A change on day 40 reaches root permittivity on days 39 to 42 (looks: 2 back, 1 ahead),
    # and through it water content on days 36 to 43 (looks: 1 back, 3 ahead); by hand.
    assert np.flatnonzero(written[3]).tolist() == list(range(36, 44))
    assert not np.delete(written, 3, axis=0).any()
    water = results(store)[WATER]
    assert np.isnan(water[:, [0, 1, 2, 4, 5, 6]]).all()
    assert np.isfinite(water[36 * PER_DAY : 44 * PER_DAY, 3]).any()


def test_nothing_changed_writes_nothing(tmp_path):
    store = make_store(tmp_path)
    with store.write() as writer:
        run_steps(writer, SITE, make_steps(), np.zeros((TUBES, DAYS), dtype=bool))
        written = run_steps(writer, SITE, make_steps(), np.zeros((TUBES, DAYS), dtype=bool))
    assert not written.any()
