"""Clocks that only the files around can put right: resets and doubtful hours."""

import json
import os
import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lost_clock import EPOCH_S, START_S, STEP_S, Nights, lost_site, page, row

from pipeline.ingest.clock import ClockRules
from pipeline.ingest.clock_edges import (
    MOST_RUNS,
    Edges,
    Spine,
    edges_of,
    edges_of_grown,
)
from pipeline.site.models import Clock

DAY = 96  # rows
EXAMPLES = int(os.environ.get("PERCOLOG_LEDGER_EXAMPLES", "60")) // 5


@pytest.fixture
def nights(tmp_path):
    """Return a function that makes nights of a fresh site."""
    made = []

    def make(counted=False, **clock):
        made.append(None)
        return Nights(lost_site(tmp_path / str(len(made)), counted, **clock))

    return make


def true_rows(first, stop, counted=False):
    return [row(START_S + k * STEP_S, k if counted else None, k) for k in range(first, stop)]


def lost_rows(first, stop, began, counted=False):
    """Rows of a clock that showed the epoch at row ``began``."""
    return [
        row(EPOCH_S + (k - began) * STEP_S, k if counted else None, k)
        for k in range(first, stop)
    ]


def test_rows_at_the_end_of_a_file_that_fill_the_gap_to_the_next_file(nights):
    """By hand: 4 true rows, 3 lost, and the next file goes on with row 7."""
    field = nights()
    files = {
        "1.csv": page(true_rows(0, 4) + lost_rows(4, 7, 4)),
        "2.csv": page(true_rows(7, 12)),
    }
    first = field.night({"1.csv": files["1.csv"]})
    assert first["reasons"] == {"clock_reset": {"rows": 0, "values": 3}}
    totals = field.night(files)
    assert totals["reasons"] == {}
    assert field.cells() == {k: float(k) for k in range(12)}
    (repair,) = field.entry("1.csv").repairs
    assert repair.kind == "clock_reset"
    assert "after it '2.csv'" in repair.evidence
    assert repair.least_s == START_S + 4 * STEP_S - EPOCH_S
    assert json.loads(field.entry("1.csv").around)["after"] == ["2.csv"]
    assert field.entry("2.csv").around == ""


def test_rows_at_the_beginning_of_a_file_that_fill_the_gap_from_the_one_before(nights):
    field = nights()
    field.night({"2.csv": page(lost_rows(4, 7, 4) + true_rows(7, 12))})
    assert sorted(field.cells()) == list(range(7, 12))
    field.night({"1.csv": page(true_rows(0, 4))})
    assert field.cells() == {k: float(k) for k in range(12)}
    assert "before it '1.csv'" in field.entry("2.csv").repairs[0].evidence


@pytest.mark.parametrize("missing", [-1, 1, 5])
def test_rows_that_do_not_fill_the_gap_between_files_are_set_aside(nights, missing):
    field = nights()
    one = page(true_rows(0, 4) + lost_rows(4, 7, 4))
    totals = field.night({"1.csv": one, "2.csv": page(true_rows(7 + missing, 20))})
    assert totals["reasons"] == {"clock_reset": {"rows": 0, "values": 3}}


def test_a_file_wholly_lost_between_two_that_leave_just_its_room(nights):
    field = nights()
    files = {
        "9.csv": page(true_rows(0, DAY)),
        "10.csv": page(lost_rows(DAY, 2 * DAY, DAY)),
        "11.csv": page(true_rows(2 * DAY, 3 * DAY)),
    }
    assert field.night(files)["reasons"] == {}
    assert field.cells() == {k: float(k) for k in range(3 * DAY)}
    told = json.loads(field.entry("10.csv").around)
    assert (told["before"], told["after"]) == (["9.csv"], ["11.csv"])  # by number, not letter


def test_the_record_counter_goes_on_over_several_lost_files(nights):
    """By hand: the logger stood still over rows 10 to 19; the clock was set before row 60."""
    field = nights(counted=True)
    files = {
        "c.csv": page(true_rows(60, 80, True)),
        "a.csv": page(true_rows(0, 10, True)),
        "b2.csv": page(lost_rows(40, 60, 20, True)),
        "b1.csv": page(lost_rows(20, 40, 20, True)),
    }
    for name in ("b1.csv", "a.csv", "c.csv", "b2.csv"):
        totals = field.night({name: files[name]})
    assert totals["reasons"] == {}
    assert field.cells() == {k: float(k) for k in [*range(10), *range(20, 80)]}
    (repair,) = field.entry("b1.csv").repairs
    assert "records 20 to 60 follow without a gap" in repair.evidence
    assert json.loads(field.entry("b1.csv").around)["after"] == ["b2.csv", "c.csv"]


def test_a_counter_that_began_anew_is_no_evidence(nights):
    """Two files have a record 39; whether record 40 follows it nobody can tell."""
    field = nights(counted=True)
    files = {
        "a.csv": page(true_rows(0, 10, True) + lost_rows(20, 40, 20, True)),
        "b.csv": page([row(START_S + (500 + k) * STEP_S, k, k) for k in range(25, 46)]),
        "c.csv": page([row(START_S + (900 + k) * STEP_S, k, k) for k in range(40, 50)]),
    }
    assert field.night(files)["reasons"] == {"clock_reset": {"rows": 0, "values": 20}}


def test_an_epoch_after_the_start_is_seen_at_the_beginning_of_a_file(nights):
    """Alone the file looks as if it had been logged at the epoch."""
    field = nights(utc_offset="Z", epoch_s=START_S)
    lost = [row(START_S + k * STEP_S, None, 1000 + k) for k in range(3)]
    field.night({"b.csv": page(lost + true_rows(1003, 1010))})
    assert field.cells()[0] == 1000
    field.night({"a.csv": page(true_rows(990, 1000))})
    assert field.cells() == {k: float(k) for k in range(990, 1010)}


def test_a_later_file_that_leaves_a_choice_takes_a_repair_back(nights):
    field, once = nights(), nights()
    files = {
        "1.csv": page(true_rows(0, 4) + lost_rows(4, 7, 4)),
        "2.csv": page(true_rows(7, 12)),
    }
    field.night(files)
    between = {"1b.csv": page(true_rows(300, 304))}
    totals = field.night(between)
    assert totals["reasons"] == {"clock_reset": {"rows": 0, "values": 3}}
    once.night(files | between)
    assert field.state() == once.state()


def test_a_duplicate_comes_back_when_the_repair_it_repeats_is_taken_back(nights):
    """The memory was read out with the right clock too: 0.csv repeats rows of 1.csv."""
    field, once = nights(), nights()
    files = {
        "0.csv": page(true_rows(5, 7)),
        "1.csv": page(true_rows(0, 4) + lost_rows(4, 7, 4)),
        "2.csv": page(true_rows(7, 12)),
    }
    assert field.night(files)["duplicates"] == 2
    between = {"1b.csv": page(true_rows(300, 304))}
    totals = field.night(between)
    assert totals["duplicates"] == 0
    assert field.cells() == {k: float(k) for k in (*range(4), *range(5, 12), *range(300, 304))}
    once.night(files | between)
    assert field.state() == once.state()


def test_history_before_the_site_began_is_no_reset(nights):
    field = nights(counted=True)
    old = [row(START_S - (40 - k) * STEP_S, k, 1) for k in range(40)]
    files = {"1.csv": page(old[:20]), "2.csv": page(old[20:]), "3.csv": page([])}
    files["3.csv"] = page([row(START_S + k * STEP_S, 40 + k, k) for k in range(9)])
    assert field.night(files)["reasons"] == {"before_start": {"rows": 0, "values": 40}}
    assert all(not entry.repairs for entry in field.ledger.entries.values())


AUTUMN_S = 1_729_987_200  # 2024-10-27 00:00 UTC; clocks in Paris go back at 01:00 UTC


def paris_rows(first, stop):
    """Rows of quarter hours from two hours before the change on, as a clock in Paris shows."""
    rows = []
    for k in range(first, stop):
        utc_s = AUTUMN_S - 3600 + k * STEP_S
        rows.append(row(utc_s + (7200 if utc_s < AUTUMN_S + 3600 else 3600), None, k))
    return rows


@pytest.mark.parametrize("border", range(4, 13))
def test_the_hour_that_occurs_twice_split_over_two_files(nights, border):
    """02:00 to 02:45 come as rows 4 to 7 and 8 to 11; the border lies anywhere in them."""
    field, late = nights(zone="Europe/Paris"), nights(zone="Europe/Paris")
    files = {"1.csv": page(paris_rows(0, border)), "2.csv": page(paris_rows(border, 20))}
    assert field.night(files)["reasons"] == {}
    first = (AUTUMN_S - 3600 - START_S) // STEP_S
    assert field.cells() == {first + k: float(k) for k in range(20)}
    for name in ("2.csv", "1.csv"):
        late.night({name: files[name]})
    assert late.state() == field.state()


class Story:
    """What a logger lived through: failures, visits that set its clock, cuts into files."""

    def __init__(self, seed):
        chance = self.chance = random.Random(seed)
        self.counted = chance.random() < 0.6
        rows, files, k, record, began = [], [], 0, 0, None
        while k < 260:
            if began is None and chance.random() < 0.03:
                k += chance.choice([0, 0, 0, 1, 7])  # how long it stood still
                began = k
            elif began is not None and chance.random() < 0.06:
                began = None
            stamp_s = START_S + k * STEP_S
            if began is not None:
                stamp_s = EPOCH_S + (k - began) * STEP_S
            rows.append(row(stamp_s, record if self.counted else None, k))
            k, record = k + 1, record + 1
            if chance.random() < 0.06:
                files.append(rows)
                rows = []
        files.append(rows)
        name = chance.choice(["{:03}.csv", "f{}.csv"])
        self.files = {name.format(n): page(part) for n, part in enumerate(files) if part}
        for name in chance.sample(sorted(self.files), min(2, len(self.files))):
            self.files[f"again-{name}"] = self.files[name]  # the same bytes re-sent

    def nights(self):
        """Return what comes on each night: any order, some files in the making."""
        plan = [{} for _ in range(self.chance.randint(1, 5))]
        for name, text in self.files.items():
            night = self.chance.randrange(len(plan))
            for earlier in range(night):
                if self.chance.random() < 0.3:
                    length = len(text) * (earlier + 1) // (night + 1)
                    plan[earlier][name] = text[:length]
            plan[night][name] = text
        return plan


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.integers(0, 2**32))
def test_lost_clocks_in_any_order_of_files_come_to_the_same_and_never_to_a_wrong_time(
    tmp_path_factory, seed
):
    story = Story(seed)
    folder = tmp_path_factory.mktemp("lost")
    once = Nights(lost_site(folder / "once", story.counted))
    once.night(story.files)
    pieces = Nights(lost_site(folder / "pieces", story.counted))
    for files in story.nights():
        pieces.night(files)
    assert pieces.state() == once.state()
    # Each value is the number of its step; a counter is good to one interval.
    for step, value in once.cells().items():
        assert abs(step - value) <= (1 if story.counted else 0)


@given(
    st.lists(
        st.tuples(st.sampled_from([-3, 0, 1, 2]), st.sampled_from([1, 1, 0])), max_size=90
    ),
    st.lists(st.integers(0, 90), max_size=3),
    st.booleans(),
)
def test_the_edges_of_a_file_that_grew_are_those_of_the_whole(steps, cuts, is_long):
    stamps = 10**9 + np.cumsum([0, *(step for step, _ in steps)])
    counts = np.cumsum([5, *(more for _, more in steps)])
    if is_long:  # such a file tells each stamp once
        fresh = np.concatenate(([True], np.diff(stamps) != 0))
        stamps, counts = stamps[fresh], counts[fresh]
    rules = ClockRules(Clock(utc_offset="Z"), 1, 0)
    whole = edges_of(Spine(stamps, counts), rules)
    grown = None
    bounds = sorted({0, *(min(cut, len(stamps)) for cut in cuts), len(stamps)})
    for start, stop in pairwise(bounds):
        part = Spine(stamps[start:stop], counts[start:stop])
        grown = edges_of_grown(grown, part, is_long)
    assert grown == whole
    assert Edges.from_json(whole.to_json()) == whole
    if len(whole.head.runs) < MOST_RUNS:
        np.testing.assert_array_equal(whole.head.spread(True)[0], stamps)
        np.testing.assert_array_equal(whole.tail.spread(False)[1], counts)
