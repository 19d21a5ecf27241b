"""Rows of tables in two states: which are the same row with other numbers, by hand."""

import pandas as pd
import pyarrow as pa
import pytest

from pipeline.history.comparison import _table_rows
from pipeline.history.hand_readings import hand_readings_apart
from pipeline.history.revising_text import difference_text

TUBE = {"tube": "T1", "depth_m": [0.1, 0.1]}
DAYS = {"day_s": [0, 86400]}
TABLES = {
    "uptake": ({**TUBE, **DAYS}, {"uptake_mm_d": [1.0, 2.0]}, {"uptake_mm_d": [1.0, 2.5]}),
    "site_means": (
        {"quantity": "storage", "layer": "top", "group": ["", "crest"], "day_s": 0},
        {"mean": [60.0, 61.0]},
        {"mean": [60.0, 62.0]},
    ),
    "event_depths": (
        {"tube": "T1", "event": "T1-a", "depth_m": [0.1, 0.2]},
        {"onset_s": [100, 200]},
        {"onset_s": [100, 300]},
    ),
    "rank_correlations": (
        {
            "quantity": "storage",
            "first_month": "2025-03",
            "second_month": ["2025-04", "2025-05"],
        },
        {"rank_correlation": [0.9, 0.8]},
        {"rank_correlation": [0.9, 0.7]},
    ),
    "tube_blocks": ({**TUBE, "block": [0, 1]}, {"noise": [0.1, 0.2]}, {"noise": [0.1, 0.3]}),
    "conductivity": (  # in classes of 0.01
        {**TUBE, "conductivity_mm_d": [1.0, 2.0]},
        {"water_content": [0.205, 0.214]},
        {"water_content": [0.205, 0.216]},
    ),
}


class State:
    """A state that holds one table."""

    def __init__(self, name, columns):
        self.held = {name: pa.Table.from_pandas(pd.DataFrame(columns), preserve_index=False)}

    def tables(self):
        return list(self.held)

    def table(self, name):
        return self.held.get(name)


@pytest.mark.parametrize("name", TABLES)
def test_a_row_whose_numbers_move_has_changed(name):
    named, was, became = TABLES[name]
    states = State(name, {**named, **was}), State(name, {**named, **became})
    (told,) = _table_rows(*states)
    assert told == {
        **{"table": name, "rows_before": 2, "rows_after": 2},
        **{"appeared": 0, "vanished": 0, "changed": 1},
    }


def test_a_day_more_has_appeared():
    day = {"tube": "T1", "depth_m": 0.1, "uptake_mm_d": 1.0}
    old = State("uptake", {**day, "day_s": [0]})
    (told,) = _table_rows(old, State("uptake", {**day, "day_s": [0, 86400]}))
    assert (told["appeared"], told["vanished"], told["changed"]) == (1, 0, 0)


BOOK = {
    **{"time_s": [0, 0, 0, 3600], "tube": ["T1", "T1", "T1", "T2"], "reader": ""},
    **{"direction_deg": [0.0, 90.0, 0.0, 0.0], "depth_m": [0.1, 0.1, 0.2, 0.1]},
    **{"quantity": "water_content", "occurrence": 0, "source": "rounds"},
}
VALUES = [0.2, 0.25, 0.3, 0.21]


def book(values, file=1, rows=slice(None)):
    """Return a state with four hand readings, of which some rows are there."""
    told = {**BOOK, "value": values, "file": file, "line": [2, 3, 4, 5]}
    return State("rounds", pd.DataFrame(told)[rows])


def test_one_corrected_hand_reading_of_a_book_sent_again_is_one_change():
    corrected = book([0.2, 0.24, 0.3, 0.21], file=2)
    (told,) = _table_rows(book(VALUES), corrected)
    assert (told["appeared"], told["vanished"], told["changed"]) == (0, 0, 1)
    (row,) = hand_readings_apart(book(VALUES), corrected)
    assert (row["place"], row["depth_cm"], row["cells"]) == ("T1", 10.0, 1)
    assert row["mean"] == row["largest"] == pytest.approx(-0.01)
    assert row["first"] == row["last"] == "1970-01-01T00:00:00Z"
    alone = {"arrays": [], "tables": [told], "water": [], "storage": [], "readings": []}
    alone |= {"hand_readings": [row], "description": [], "events": None}
    assert "no value changes" not in difference_text(alone)
    assert "-0.0100" in difference_text(alone)


def test_a_book_that_is_only_read_from_another_file_has_not_changed():
    states = book(VALUES), book(VALUES, file=2)
    assert list(_table_rows(*states)) == list(hand_readings_apart(*states)) == []


def test_hand_readings_that_come_and_go_are_told_by_place():
    old, new = book(VALUES, rows=slice(0, 3)), book(VALUES, rows=slice(1, 4))
    told = {
        (row["place"], row["depth_cm"]): (row["appeared"], row["vanished"], row["mean"])
        for row in hand_readings_apart(old, new)
    }
    assert told == {("T1", 10.0): (0, 1, None), ("T2", 10.0): (1, 0, None)}
    everything = hand_readings_apart(State("fronts", {}), old)
    assert [row["appeared"] for row in everything] == [2, 1]
