"""A longer file may take back what the shorter one said; nights must end as one run does."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.nights import night
from pipeline.store.cubes import SPECS

NOW = datetime(2023, 4, 1, tzinfo=UTC)
EARLIER = """2023-03-10 10:00:00 >0M!
2023-03-10 10:00:00 <00013
2023-03-10 10:00:02 >0D0!
2023-03-10 10:00:02 <0+3.10+4.20+11.5
"""
OTHER = EARLIER.replace("+3.10+4.20+11.5", "+3.30+4.40+12.5")
CONTRADICTION = """2023-03-10 10:00:03 >0D0!
2023-03-10 10:00:03 <0+3.90+4.90+11.9
"""


def put(folder, name, text):
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="ascii")


def state_of(folder):
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    ledger = snapshot.table("ledger").to_pandas().drop(columns=["modified_ns"])
    return arrays, {"ledger": ledger, "superseded": snapshot.table("superseded").to_pandas()}


# What lies there besides, by name; "a.log" sorts before "x.log", so that its readings lose
# their cell, or count as duplicates, until x.log takes its own back.
BESIDE = {
    "nothing": {},
    "another value": {"a.log": OTHER},
    "the same value": {"a.log": EARLIER},
    "both": {"a.log": EARLIER, "b.log": OTHER, "c.log": EARLIER},
    "the same value, superseded": {"a.log": EARLIER, "z.log": OTHER},
}
# By hand: the readings at noon, and at ten those of the last log that still has any.
STORED = {
    "nothing": [3.1, 4.2],
    "another value": [3.1, 3.3, 4.2, 4.4],
    "the same value": [3.1, 3.1, 4.2, 4.2],
    "both": [3.1, 3.1, 4.2, 4.2],
    "the same value, superseded": [3.1, 3.3, 4.2, 4.4],
}


@pytest.mark.parametrize("beside", BESIDE)
def test_an_answer_taken_back_later_leaves_no_reading_behind(make_site, beside):
    nights, once = make_site(), make_site()
    for folder in (nights, once):
        put(folder, "bus/m.log", EARLIER.replace(" 10:", " 12:"))
        for name, text in BESIDE[beside].items():
            put(folder, f"bus/{name}", text)
    put(nights, "bus/x.log", EARLIER)
    first = night.store_night(nights, NOW)
    put(nights, "bus/x.log", EARLIER + CONTRADICTION)
    second = night.store_night(nights, NOW)
    put(once, "bus/x.log", EARLIER + CONTRADICTION)
    night.store_night(once, NOW)
    assert first["ledger"]["open_files"] == second["ledger"]["open_files"] == []
    found, expected = state_of(nights), state_of(once)
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for name, table in expected[1].items():
        assert found[1][name].equals(table), name
    roots = found[0]["readings/root_permittivity"]
    stored = np.sort(roots[np.isfinite(roots)]).tolist()
    assert stored == pytest.approx(STORED[beside])
