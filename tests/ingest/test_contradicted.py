"""A longer file may take back what the shorter one said; nights must end as one run does."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline import night
from pipeline.cubes import SPECS

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


@pytest.mark.parametrize("with_other", [False, True])
def test_an_answer_taken_back_later_leaves_no_reading_behind(make_site, with_other):
    nights, once = make_site(), make_site()
    for folder in (nights, once):
        put(folder, "bus/m.log", EARLIER.replace(" 10:", " 12:"))
        if with_other:  # sorts before "z.log", so its readings lose until z.log is spoilt
            put(folder, "bus/a.log", OTHER)
    put(nights, "bus/z.log", EARLIER)
    first = night.store_night(nights, NOW)
    put(nights, "bus/z.log", EARLIER + CONTRADICTION)
    second = night.store_night(nights, NOW)
    put(once, "bus/z.log", EARLIER + CONTRADICTION)
    night.store_night(once, NOW)
    assert first["ledger"]["open_files"] == second["ledger"]["open_files"] == []
    found, expected = state_of(nights), state_of(once)
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for name, table in expected[1].items():
        assert found[1][name].equals(table), name
    roots = found[0]["readings/root_permittivity"]
    stored = np.sort(roots[np.isfinite(roots)]).tolist()
    # By hand: the reading at noon, and at ten what the other log says, if there is one.
    assert stored == pytest.approx([3.1, 3.3, 4.2, 4.4] if with_other else [3.1, 4.2])
