"""What a new state says it brought."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.nights.prepared import Prepared

DAYS = np.ones((1, 2), dtype=bool)


@pytest.mark.parametrize(
    ("rows", "values", "told"),
    [
        (0, 0, ""),
        (0, 48, ", 48 values set aside"),
        (3, 0, ", 3 rows set aside"),
        (1, 1, ", 1 row and 1 value set aside"),
        (26, 121, ", 26 rows and 121 values set aside"),
    ],
)
def test_rows_and_values_set_aside_are_counted_apart(rows, values, told):
    entry = SimpleNamespace(stored=7, rejected=values, rejected_rows=rows)
    state = Prepared(SimpleNamespace(read=[entry]), DAYS, DAYS)
    assert state.message() == f"1 file read, 7 values stored, 2 days computed{told}"
