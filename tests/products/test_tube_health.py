"""Health from a state of the store: increments equal one run, and read what they touch."""

from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pytest
from memory_store import MemoryState
from truth_health import health_of, state_of
from truth_site import Instruments, make_site

from pipeline.products.neighbour_days import neighbour_days
from pipeline.products.tube_health import health_inputs, tube_health
from pipeline.products.tube_records import tube_records
from pipeline.site.models import Decision

STEP_S, DAYS = 3600, 100
NAMES = [f"L-{number:02d}" for number in range(7)]
STEPS = (tube_records, neighbour_days, tube_health)


@pytest.fixture(scope="module")
def site():
    return make_site(dict.fromkeys(NAMES, "loam"), STEP_S, Instruments())


@pytest.fixture(scope="module")
def courses(site):
    """Return water of seven tubes, one with a gap along its wall, another that departs."""
    random = np.random.default_rng(1)
    steps, tubes, depths = DAYS * 24, len(NAMES), len(site.depths_m)
    water = 0.22 + 0.0008 * random.standard_normal((steps, tubes, depths))
    rain = np.zeros(steps)
    for at in range(60, steps - 60, 130):
        rain[at - 1 : at + 2] = 4.0
        for depth in range(depths):
            begin = at + 6 * (depth + 1) ** 2
            fall = np.exp(-np.arange(max(0, steps - begin)) / 300)
            water[begin:, :, depth] += 0.04 * fall[:, None]
        water[at : at + 40, 0] += 0.08 * np.exp(-np.arange(40) / 8)[:, None]
    water[70 * 24 :, 3, 2] += 0.12
    water[random.random(water.shape) < 0.02] = np.nan
    return water.astype(np.float32), rain.astype(np.float32)


def run(state, site, computed):
    for step in STEPS:
        for name, table in step(state, site, computed).items():
            state.put_table(name, table)


def everything(state):
    return np.ones((len(NAMES), state.days), dtype=bool)


@pytest.fixture(scope="module")
def whole(site, courses):
    state = state_of(site, courses[0], rain=courses[1])
    run(state, site, everything(state))
    return state


def test_a_gap_along_the_wall_and_a_departure_are_told(whole):
    verdicts = whole.table("tube_verdicts").to_pandas().set_index("tube")["verdict"]
    assert verdicts["L-00"] == 2
    assert not (verdicts.drop("L-00") == 2).any()
    days = whole.table("neighbour_days").to_pandas()
    assert set(zip(days["tube"], days["depth_m"], strict=True)) >= {("L-03", 0.3)}
    assert (days["day_s"] >= whole.axis.origin_s + 60 * 86_400).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nights_in_any_order_give_the_tables_of_one_run(site, courses, whole, seed):
    random = np.random.default_rng(seed)
    water, rain = courses
    state = state_of(site, np.full_like(water, np.nan), rain=rain)
    run(state, site, everything(state))
    keys = {
        "water/cleaned_water_content": 24,
        "daily/daily_water_content": 1,
        "daily/daily_count": 1,
    }
    missing = np.ones((len(NAMES), DAYS), dtype=bool)
    while missing.any():
        computed = missing & (random.random(missing.shape) < random.choice([0.05, 0.3, 0.9]))
        if random.random() < 0.5:  # a download of a stretch of days
            computed[:] = False
            first = int(random.integers(0, DAYS))
            computed[:, first : first + 30] = missing[:, first : first + 30]
        for tube, day in np.argwhere(computed):
            for key, per_day in keys.items():
                part = (slice(day * per_day, (day + 1) * per_day), tube)
                state.arrays[key][part] = whole.arrays[key][part]
        missing &= ~computed
        if computed.any():
            run(state, site, computed)
    for name in ("tube_responses", "tube_blocks", "neighbour_days", "tube_health"):
        assert state.table(name).equals(whole.table(name)), name
    assert state.table("tube_verdicts").equals(whole.table("tube_verdicts"))


def test_a_total_that_a_response_lies_in_is_rain_before_it(site, courses, whole):
    """By hand: totals of six hours, told at the last; a response has those that it lies in."""
    water, rain = courses
    sums = np.full(rain.size, np.nan, np.float32)
    sums[4::6] = rain.reshape(-1, 6).sum(axis=1)  # of the axis' steps 0 to 5 told at 5
    (logger,) = (s for s in site.sources if s.id in site.stations)
    slow = site.model_copy(
        update={"sources": (logger.model_copy(update={"interval_s": 6 * STEP_S}),)}
    )
    state = state_of(slow, water, rain=sums)
    total = state.arrays["readings/rain"][:, 0]
    told = tube_records(state, slow, everything(state))["tube_responses"].to_pandas()
    step = (told["onset_s"].to_numpy() - state.axis.origin_s) // STEP_S
    assert step.size > 100
    for at, found in zip(step.tolist(), told["rain_mm"].tolist(), strict=True):
        first, last = (
            (at - 3) // 6,
            (at + 1) // 6,
        )  # three hours before the onset and one after
        stand = [6 * n + 5 for n in range(first, last + 1)]
        assert found == pytest.approx(np.nansum(total[stand]))


def test_rows_go_by_names_whatever_tube_was_described_first(site, courses, whole):
    state = state_of(site, courses[0], rain=courses[1])
    state.labels["tube"] = list(reversed(NAMES))
    water = "water/cleaned_water_content"
    state.arrays[water] = state.arrays[water][:, ::-1]
    for name, table in tube_records(state, site, everything(state)).items():
        assert table.num_rows > 0
        assert table.equals(whole.table(name)), name


@dataclass
class Counting:
    """A state that notes which cells were read."""

    state: object
    cells: dict[str, int] = field(default_factory=dict)

    def read(self, key, start, stop, columns=slice(None)):
        values = self.state.read(key, start, stop, columns)
        self.cells[key] = self.cells.get(key, 0) + values.size
        return values

    def __getattr__(self, name):
        return getattr(self.state, name)


def test_a_night_reads_the_block_it_touched_and_no_year_of_readings(site, whole):
    computed = np.zeros((len(NAMES), DAYS), dtype=bool)
    computed[:, -1] = True
    counting = Counting(whole)
    for step in STEPS:
        step(counting, site, computed)
    per_day = 24 * len(NAMES) * len(site.depths_m)
    # The block of 28 days that holds the last day, and what responses look at around it.
    assert counting.cells["water/cleaned_water_content"] <= 33 * per_day


def test_a_persons_verdict_counts_while_it_holds(site, courses):
    def decided(until):
        decision = Decision(
            row=2,
            tube="L-00",
            start=datetime(2024, 10, 1, tzinfo=UTC),
            until=until,
            verdict="use with care",
            why="sealed in spring",
            who="A. L.",
        )
        return site.model_copy(update={"decisions": (decision,)})

    state = state_of(site, courses[0], rain=courses[1])
    before = health_inputs(state, site)
    lasting = decided(datetime(2025, 12, 31, tzinfo=UTC))
    verdicts = health_of(state, lasting)[1].set_index("tube")
    assert verdicts.loc["L-00", ["verdict", "found", "decided_by"]].tolist() == [1, 2, "A. L."]
    assert health_inputs(state, lasting) != before
    lapsed = decided(datetime(2024, 11, 1, tzinfo=UTC))
    assert health_of(state, lapsed)[1].set_index("tube").loc["L-00", "verdict"] == 2


def test_a_site_read_by_hand_only_has_verdicts_too(site):
    verdicts = health_of(MemoryState(site.axis), site)[1]
    assert verdicts["tube"].tolist() == NAMES
    assert (verdicts["verdict"] == 1).all()  # nobody has seen them yet
