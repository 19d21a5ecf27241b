"""Tables kept in parts: they read as one, and a night writes the parts it changed alone."""

import numpy as np
import pyarrow as pa
import pytest
from memory_store import MemoryState

from pipeline.axis import DAY_S, TimeAxis
from pipeline.products.event_store import SCHEMAS, TableParts
from pipeline.record_step import put_parts
from pipeline.store.cubes import CHUNK_DAYS_DAILY, CHUNK_TUBES
from pipeline.store.tables import packed, unpacked

AXIS = TimeAxis(0, 600)
DAYS = CHUNK_DAYS_DAILY + 40  # two spans
TUBES = [f"T{number}" for number in range(CHUNK_TUBES + 2, 0, -1)]  # two blocks, not in order


def rows(tube, days, value=1.0):
    """Return a row a day, with nothing known but one value."""
    size = len(days)
    columns = {name: pa.nulls(size, kind.type) for name, kind in _fields()} | {
        "tube": pa.array([tube] * size),
        "day_s": pa.array(np.asarray(days, dtype=np.int64) * DAY_S),
        "depth_m": pa.array(np.full(size, 0.1)),
        "uptake_mm_d": pa.array(np.full(size, value)),
    }
    return pa.table(columns, schema=SCHEMAS["uptake"])


def _fields():
    return [(field.name, field) for field in SCHEMAS["uptake"]]


@pytest.fixture
def state():
    """A state with a row a day of every tube."""
    made = MemoryState(AXIS)
    made.extend(DAYS * AXIS.steps_per_day)
    made.labels["tube"] = list(TUBES)
    parts = TableParts(made, "uptake")
    for column, tube in enumerate(TUBES):
        parts.give(column, tube, rows(tube, range(DAYS)))
    put_parts(made, "uptake", parts.made())
    return made


def test_parts_read_as_one_table_in_order_of_tubes_and_days(state):
    whole = pa.concat_tables([rows(tube, range(DAYS)) for tube in sorted(TUBES)])
    assert state.parts("uptake") == ["00000-000", "00000-001", "00001-000", "00001-001"]
    assert state.table("uptake").equals(whole.combine_chunks())


def test_new_rows_of_a_tube_touch_the_parts_of_its_block_alone(state):
    before = dict(state.tables)
    parts = TableParts(state, "uptake")
    column, tube = CHUNK_TUBES, TUBES[CHUNK_TUBES]
    old = parts.rows(column, tube)
    late = pa.concat_tables([old.slice(0, DAYS - 1), rows(tube, [DAYS - 1], 2.0)])
    parts.give(column, tube, late)
    put_parts(state, "uptake", parts.made())
    same = {name for name, table in before.items() if state.tables[name] is table}
    assert set(before) - same == {"uptake.00001-001"}
    assert state.table("uptake")["uptake_mm_d"].to_pylist().count(2.0) == 1


def test_a_part_that_loses_its_rows_is_not_kept(state):
    parts = TableParts(state, "uptake")
    for column, tube in list(enumerate(TUBES))[CHUNK_TUBES:]:
        parts.give(column, tube, rows(tube, range(5)))
    put_parts(state, "uptake", parts.made())
    assert state.parts("uptake") == ["00000-000", "00000-001", "00001-000"]
    assert "uptake.00001-001" not in state.tables


def test_a_table_stored_whole_gives_way_to_its_parts():
    state = MemoryState(AXIS)
    state.put_table("uptake", rows("T9", [0]))
    put_parts(state, "uptake", {"00000-000": rows("T1", [0, 1])})
    assert state.table("uptake").equals(rows("T1", [0, 1]))


def test_a_table_comes_back_from_its_bytes():
    table = rows("T1", [3, 4])
    assert unpacked(packed(table)).equals(table)
