"""Tables of events: however nights are cut, the same as in one run, bit for bit."""

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from memory_store import MemoryState
from truth_site import DEPTHS_M, START, Instruments, make_site

from pipeline.axis import DAY_S
from pipeline.derive.event_block import EVER_S, relative_error_between
from pipeline.derive.tube_laws import tube_laws
from pipeline.products import event_drainage
from pipeline.products.event_blocks import Reader
from pipeline.products.events import TABLES, events_inputs, events_step, tube_profile
from pipeline.products.tube_records import record_inputs
from pipeline.qc.flags import TEST_BITS
from pipeline.record_step import keep_table

DAYS, INTERVAL_S = 80, 7200
PER_DAY = DAY_S // INTERVAL_S
TUBES = {"B": "loam", "A": "loam"}  # not in order of the alphabet
SITE = make_site(TUBES, INTERVAL_S, Instruments())
WATER, TESTS, RAIN = "water/cleaned_water_content", "water/tests", "readings/rain"


def invented(seed):
    """Return water (time, tube, depth) and rain: storms trickle down, everything drains."""
    random = np.random.default_rng(seed)
    steps = DAYS * PER_DAY
    rain = np.zeros(steps)
    for at in random.integers(0, steps - 6, DAYS // 6):
        rain[at : at + 4] += random.exponential(3.0, 4)
    water = np.empty((steps, 2, len(DEPTHS_M)))
    for tube in range(2):
        supply = rain / 1000
        for k in range(len(DEPTHS_M)):
            content, keep = 0.2, np.exp(-1 / (12.0 * (k + 1)))
            level = np.empty(steps)
            for i in range(steps):
                content = 0.2 + (content - 0.2) * keep + supply[i] * 6
                level[i] = content
            water[:, tube, k] = level
            lag = 3 * (k + 1)
            supply = 0.7 * np.concatenate([np.zeros(lag), supply[:-lag]])
    water += 0.0004 * random.standard_normal(water.shape)
    for _ in range(3):
        at, width = random.integers(0, steps - 60), random.integers(1, 60)
        water[at : at + width, random.integers(2)] = np.nan
    return water.astype(np.float32), rain[:, None].astype(np.float32)


def empty_state():
    state = MemoryState(SITE.axis)
    state.labels.update(tube=list(TUBES), depth=list(DEPTHS_M), station=["logger"])
    steps = DAYS * PER_DAY
    state.arrays = {
        WATER: np.full((steps, 2, len(DEPTHS_M)), np.nan, np.float32),
        TESTS: np.zeros((steps, 2, len(DEPTHS_M)), np.uint32),
        RAIN: np.full((steps, 1), np.nan, np.float32),
    }
    return state


def night(state, water, rain, days, tubes, rainy):
    """Bring some days of some tubes and some days of rain, and run the step."""
    computed = np.zeros((2, DAYS), bool)
    for day in days:
        span = slice(day * PER_DAY, (day + 1) * PER_DAY)
        for tube in tubes:
            state.arrays[WATER][span, tube] = water[span, tube]
            computed[tube, day] = True
    for day in rainy:
        span = slice(day * PER_DAY, (day + 1) * PER_DAY)
        state.arrays[RAIN][span] = rain[span]
        computed[:, day] = True
    if computed.any():
        last = int(np.flatnonzero(computed.any(axis=0))[-1]) + 1
        state.steps = max(state.steps, last * PER_DAY)
        for name, made in events_step(state, SITE, computed[:, : state.days]).items():
            keep_table(state, name, made)


def in_one_run(water, rain):
    state = empty_state()
    night(state, water, rain, range(DAYS), (0, 1), range(DAYS))
    return kept(state)


def kept(state):
    """Return the tables of a state, those in parts as one."""
    return {name: state.table(name) for name in TABLES}


def assert_same(found, expected):
    assert expected["uptake"].num_rows > 0
    for name in TABLES:
        assert found[name].equals(expected[name]), name


@settings(
    max_examples=3, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)
@given(st.integers(0, 10**6), st.data())
def test_any_cut_of_the_nights_gives_the_same_tables(seed, data):
    water, rain = invented(seed)
    expected = in_one_run(water, rain)
    assert expected["events"].num_rows > 4
    random = np.random.default_rng(seed)
    state = empty_state()
    cuts = sorted(data.draw(st.sets(st.integers(1, DAYS - 1), max_size=6)))
    pieces = np.split(np.arange(DAYS), cuts)
    parts = [(days, tube) for days in pieces for tube in (0, 1)]
    if data.draw(st.booleans()):  # late data: parts come in any order
        random.shuffle(parts)
    for days, tube in parts:
        night(state, water, rain, days, (tube,), days if random.uniform() < 0.5 else ())
    night(state, water, rain, (), (), range(DAYS))
    assert_same(kept(state), expected)


def test_a_day_that_comes_late_changes_no_event_after_those_it_touches():
    """The last event made anew has one after it, whose rain is not its own."""
    water, rain = invented(1)
    expected = in_one_run(water, rain)
    state = empty_state()
    late = 15
    night(state, water, rain, [day for day in range(DAYS) if day != late], (0, 1), range(DAYS))
    night(state, water, rain, [late], (0, 1), ())
    assert_same(kept(state), expected)


def test_days_some_weeks_apart_that_come_late_together_give_no_row_twice():
    """What each of them touches overlaps: a front found by both is one front."""
    water, rain = invented(2)
    expected = in_one_run(water, rain)
    state = empty_state()
    late = (12, 50)
    night(state, water, rain, [d for d in range(DAYS) if d not in late], (0, 1), range(DAYS))
    night(state, water, rain, late, (0, 1), ())
    assert_same(kept(state), expected)


def test_an_open_event_closes_later_as_in_one_run():
    water, rain = invented(5)
    expected = in_one_run(water, rain)
    state = empty_state()
    were_open = 0
    for first in range(0, DAYS, 4):
        days = range(first, first + 4)
        night(state, water, rain, days, (0, 1), days)
        events = state.tables["events"].to_pandas()
        if len(events):
            assert events.groupby("tube")["open"].sum().max() == 1
            were_open += int(events["open"].sum())
    assert were_open > 0
    assert_same(kept(state), expected)


def test_a_night_that_changes_nothing_changes_no_table():
    water, rain = invented(6)
    state = empty_state()
    night(state, water, rain, range(DAYS), (0, 1), range(DAYS))
    before = kept(state)
    night(state, water, rain, (DAYS - 1,), (0, 1), (DAYS - 1,))
    assert_same(kept(state), before)


def test_rows_no_changed_day_can_touch_are_taken_over(monkeypatch):
    water, rain = invented(7)
    state = empty_state()
    night(state, water, rain, range(DAYS), (0, 1), range(DAYS))
    steps_read = 0
    read = MemoryState.read

    def counted(self, key, start, stop, columns=slice(None)):
        nonlocal steps_read
        steps_read += stop - start
        return read(self, key, start, stop, columns)

    monkeypatch.setattr(MemoryState, "read", counted)
    night(state, water, rain, (5,), (1,), ())
    assert 0 < steps_read < 4 * DAYS * PER_DAY  # never all of a longer record


@pytest.mark.parametrize("tube", ["A", "B"])
def test_names_tell_tube_and_first_onset(tube):
    tables = in_one_run(*invented(8))
    events = tables["events"].to_pandas()
    mine = events[events["tube"] == tube]
    assert len(mine) > 2
    stamps = mine["onset_s"].to_numpy().astype("datetime64[s]")
    for name, stamp in zip(mine["event"], stamps, strict=True):
        expected = str(stamp)[:16].replace("-", "").replace(":", "")
        assert name == f"{tube}-{expected}Z"
    assert (np.diff(mine["onset_s"]) > 0).all()
    assert (mine["end_s"].to_numpy()[:-1] == mine["onset_s"].to_numpy()[1:]).all()


def with_two_gauges(first, second, stride=2):
    """Return the site with two sources of rain, and a state that met "other" first."""
    slow = SITE.sources[0].model_copy(update={"interval_s": stride * INTERVAL_S})
    other = SITE.sources[0].model_copy(update={"id": "other"})
    (wire,) = (w for w in SITE.wiring if w.quantity == "rain")
    wires = (*SITE.wiring, wire.model_copy(update={"source": "other"}))
    site = SITE.model_copy(update={"sources": (slow, other), "wiring": wires})
    state = empty_state()
    state.labels["station"] = ["other", slow.id]
    state.arrays[RAIN] = np.full((DAYS * PER_DAY, 2), np.nan, np.float32)
    state.arrays[RAIN][: len(first)] = np.array([second, first]).T
    return site, state


def test_totals_of_a_gauge_that_logs_less_often_are_whole_and_counted_once():
    """By hand: totals of two steps, one of them missing, where a second gauge stands in."""
    nan = np.nan
    first = [nan, 3.0, nan, nan, nan, 0.0, nan, 1.0]
    site, state = with_two_gauges(first, [0.5] * 8)
    rain = Reader(state, site).rain(0, 1)
    assert rain[:8].tolist() == [0.0, 3.0, 0.5, 0.5, 0.0, 0.0, 0.0, 1.0]
    assert np.isnan(rain[8:]).all()
    state.labels["station"].reverse()
    state.arrays[RAIN] = state.arrays[RAIN][:, ::-1]
    assert Reader(state).rain(0, 1)[:3].tolist() == [0.5, 3.0, 0.5]  # as of every step


def test_a_total_tells_of_its_own_steps_and_not_of_a_missing_one_before_it():
    """By hand: totals of four steps; the second and third are missing, as are their steps."""
    nan = np.nan
    first = [1.0, *[nan] * 11, 2.0, *[nan] * 3, 0.0]
    site, state = with_two_gauges(first, [nan] * len(first), stride=4)
    rain = Reader(state, site).rain(0, 2)
    expected = [1.0, *[nan] * 8, 0.0, 0.0, 0.0, 2.0, 0.0, 0.0, 0.0, 0.0]
    np.testing.assert_array_equal(rain[: len(first)], expected)


def test_laws_are_fitted_anew_only_when_the_nights_that_count_are_others(monkeypatch):
    """At 76 and 78 nights, which 77 and 79 days have; with late data in the past, at once."""
    water, rain = invented(5)
    expected = in_one_run(water, rain)
    fits = []

    def counting(pattern):
        fits.append(pattern["tube"].iloc[0])
        return tube_laws(pattern)

    monkeypatch.setattr(event_drainage, "tube_laws", counting)
    state = empty_state()
    missing = 40
    known = [day for day in range(75) if day != missing]
    night(state, water, rain, known, (0, 1), range(75))
    told = []
    for day in range(75, DAYS):
        fits.clear()
        night(state, water, rain, [day], (0, 1), [day])
        told.append(len(fits))
    assert told == [0, 2, 0, 2, 0]
    fits.clear()
    night(state, water, rain, [missing], (0,), ())
    assert fits == ["B"]
    night(state, water, rain, [missing], (1,), ())
    assert_same(kept(state), expected)


def test_which_gauge_counts_goes_by_the_description_and_is_told_where_it_changes():
    site, state = with_two_gauges([2.0, 0.0], [1.0, 1.0])
    swapped = site.model_copy(update={"sources": site.sources[::-1]})
    assert Reader(state, site).rain(0, 1)[1] == 0.0
    assert Reader(state, swapped).rain(0, 1)[1] == 1.0
    for inputs in (events_inputs, record_inputs):
        assert inputs(state, site) != inputs(state, swapped)


def test_a_tube_nothing_is_wired_to_any_more_keeps_no_rows():
    """It has no profile then, and uptake is kept in parts: what is not given stays."""
    water, rain = invented(9)
    state = empty_state()
    night(state, water, rain, range(DAYS), (0, 1), range(DAYS))
    assert set(state.table("uptake")["tube"].to_pylist()) == {"A", "B"}
    wires = tuple(wire for wire in SITE.wiring if wire.tube != "B")
    state.arrays[WATER][:, 0] = np.nan
    computed = np.zeros((2, DAYS), bool)
    computed[0] = True
    site = SITE.model_copy(update={"wiring": wires})
    for name, made in events_step(state, site, computed).items():
        keep_table(state, name, made)
    for name in TABLES:
        assert set(state.table(name)["tube"].to_pylist()) == {"A"}, name


@pytest.mark.parametrize("test", ["step", "noise_burst", "flat_line", "supply"])
def test_what_doubts_a_sensor_doubts_its_event(test):
    """docs/events.md names the tests; one that marks a single reading says nothing of it."""
    state = empty_state()
    state.steps = DAYS * PER_DAY
    state.arrays[TESTS][5, 1, 2] = TEST_BITS[test] | TEST_BITS["missing"]
    state.arrays[TESTS][7, 1, 2] = TEST_BITS["spike"] | TEST_BITS["frozen"]
    frozen, suspect = Reader(state).marks(1, np.array(DEPTHS_M), 0, 1)
    assert np.argwhere(suspect).tolist() == [[2, 5]]
    assert np.argwhere(frozen).tolist() == [[2, 7]]


def test_the_error_of_a_gain_is_by_the_laws_in_force_while_it_lasted():
    # by hand: all laws have a slope of 0.1 with an error of 0.001, those from day 10 to 20 one
    # of 0.008, and those after that state none, for which 0.03 stands.
    def versions(law):
        covariance = ((1e-6, 0.0), (0.0, 1e-6)), ((6.4e-5, 0.0), (0.0, 1e-6)), None
        for number, stated in enumerate(covariance):
            start = None if number == 0 else START + timedelta(days=10 * number)
            changes = {"version": number + 1, "effective": start, "covariance": stated}
            line = {"coefficients": {**law.coefficients, "slope": 0.1}}
            yield law.model_copy(update={**changes, **line})

    laws = tuple(version for law in SITE.laws for version in versions(law))
    site = SITE.model_copy(update={"laws": laws})
    profile = tube_profile(site, "A", list(DEPTHS_M))
    first_s = int(START.timestamp())
    foot = first_s + DAY_S * np.array([1, 12, 25, 8, 18, 8])
    peak = first_s + DAY_S * np.array([9, 15, 26, 12, 22, -5])  # the last one has no peak
    found = relative_error_between(profile, foot, peak)
    np.testing.assert_allclose(found, [0.01, 0.08, 0.03, 0.08, 0.08, 0.01])
    water, rain = invented(3)
    state = empty_state()
    early = profile._replace(relative_errors=((EVER_S, 0.01), (first_s + 40 * DAY_S, 0.5)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.products.events.tube_profile", lambda *_: early)
        night(state, water, rain, range(DAYS), (0,), range(DAYS))
    events = state.table("events").to_pandas()
    shares = events["gain_systematic_error_mm"] / events["gain_mm"].abs()
    late = events["onset_s"] > first_s + 41 * DAY_S
    assert 0 < late.sum() < len(events)
    np.testing.assert_allclose(shares[late], 0.5, rtol=1e-5)
    before = events["peak_s"] < first_s + 30 * DAY_S
    assert np.isclose(shares[before], 0.01, rtol=1e-5).any()
