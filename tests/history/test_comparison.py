"""Rows of tables in two states: which are the same row with other numbers, by hand."""

import pandas as pd
import pyarrow as pa
import pytest

from pipeline.history.comparison import _table_rows

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
