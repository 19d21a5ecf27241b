"""Merging readings into cells: the outcome must not depend on the order of arrival."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.merge import (
    DUPLICATE,
    STORED,
    SUPERSEDED,
    Ranks,
    Readings,
    Window,
    merge,
)
from pipeline.ingest.superseded import Superseded


@dataclass(frozen=True)
class Reading:
    """One reading of one cell, for the plain model below."""

    file: int
    line: int
    step: int
    value: float
    offset_s: int


def readings_of(rows):
    """Return rows as the columns `merge` takes."""
    return Readings(
        step=np.array([r.step for r in rows], dtype=np.int64),
        column=np.zeros(len(rows), dtype=np.int64),
        value=np.array([r.value for r in rows], dtype=np.float32),
        file=np.array([r.file for r in rows], dtype=np.int64),
        line=np.array([r.line for r in rows], dtype=np.int32),
        offset_s=np.array([r.offset_s for r in rows], dtype=np.int32),
    )


def empty_window(steps=4):
    shape = (steps, 1)
    return Window(
        0,
        np.full(shape, np.nan, np.float32),
        np.zeros(shape, np.int64),
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
    )


# File 7 sorts before file 3, which sorts before file 5.
RANKS = Ranks.of({7: ("a.csv",), 3: ("b.csv",), 5: ("c.csv",)})
ORDER = {7: 0, 3: 1, 5: 2}


def arrive(batches):
    """Merge batches one after another and return cells, accounts and superseded rows."""
    window, book, counts = empty_window(), Superseded(None), Counter()
    for rows in batches:
        outcome = merge(window, readings_of(rows), RANKS)
        for row, code in zip(rows, outcome.code, strict=True):
            counts[row.file, int(code)] += 1
        for file, same in zip(outcome.displaced.file, outcome.displaced_same, strict=True):
            counts[int(file), STORED] -= 1
            counts[int(file), DUPLICATE if same else SUPERSEDED] += 1
        for lost in (
            readings_of(rows).take(outcome.code == SUPERSEDED),
            outcome.displaced.take(~outcome.displaced_same),
        ):
            book.add("voltage", lost, ["T1"] * len(lost), [0.1] * len(lost))
        held = lambda rows: (  # noqa: E731
            window.value[rows["step"].to_numpy(), 0],
            window.offset_s[rows["step"].to_numpy(), 0],
        )
        for file, repeats in book.settle(RANKS, held).items():
            counts[file, SUPERSEDED] -= repeats
            counts[file, DUPLICATE] += repeats
    cells = [a.tolist() for a in (window.value, window.file, window.line, window.offset_s)]
    return cells, +counts, book.to_table().to_pylist()


def model(rows):
    """Return the winner of each cell and the accounts, by the rule as the docs state it."""
    counts, winners = Counter(), {}
    for step in {r.step for r in rows}:
        here = [r for r in rows if r.step == step]
        key = lambda r: (-abs(r.offset_s), -r.offset_s, ORDER[r.file], r.line)  # noqa: E731
        winner = max(here, key=key)
        winners[step] = winner
        for value in {(r.value, r.offset_s) for r in here}:
            equal = [r for r in here if (r.value, r.offset_s) == value]
            best = max(equal, key=key)
            counts[best.file, STORED if best is winner else SUPERSEDED] += 1
            for other in equal:
                if other is not best:
                    counts[other.file, DUPLICATE] += 1
    return winners, +counts


rows_strategy = st.lists(
    st.builds(
        Reading,
        file=st.sampled_from([7, 3, 5]),
        line=st.integers(1, 40),
        step=st.integers(0, 3),
        value=st.sampled_from([0.25, 0.5]),
        offset_s=st.sampled_from([0, 0, -60, 60]),
    ),
    unique_by=lambda r: (r.file, r.line),
    min_size=1,
    max_size=12,
)


@settings(max_examples=150, deadline=None)
@given(rows_strategy, st.data())
def test_any_order_of_arrival_gives_what_the_rule_says(rows, data):
    shuffled = data.draw(st.permutations(rows))
    cut = data.draw(st.integers(0, len(rows)))
    cells, counts, superseded = arrive([b for b in (shuffled[:cut], shuffled[cut:]) if b])
    winners, expected = model(rows)
    for step, winner in winners.items():
        found = tuple(cell[step][0] for cell in cells)
        assert found == (winner.value, winner.file, winner.line, winner.offset_s)
    assert counts == expected
    assert sum(counts.values()) == len(rows)
    assert len(superseded) == sum(n for (_, code), n in counts.items() if code == SUPERSEDED)


def test_reading_the_same_lines_again_changes_nothing():
    rows = [Reading(7, 1, 0, 0.25, 0), Reading(7, 2, 1, 0.5, 0)]
    window = empty_window()
    merge(window, readings_of(rows), RANKS)
    before = window.value.copy()
    outcome = merge(window, readings_of(rows), RANKS)
    assert outcome.code.tolist() == [STORED, STORED]
    assert len(outcome.displaced) == 0
    np.testing.assert_array_equal(window.value, before)


def test_the_reading_nearest_to_the_step_wins_over_a_later_file():
    near, far = Reading(7, 1, 0, 0.25, 10), Reading(5, 1, 0, 0.5, -200)
    for batches in ([[near], [far]], [[far], [near]], [[near, far]]):
        cells, counts, superseded = arrive(batches)
        assert cells[0][0] == [0.25]
        assert counts == {(7, STORED): 1, (5, SUPERSEDED): 1}
        assert superseded[0]["value"] == 0.5
