"""``percolog events``: the stored tables as an account and as text."""

import json
from datetime import timedelta
from typing import ClassVar

import pytest
from truth_site import Instruments, make_site

import pipeline.accounts.events_report as report
from pipeline.errors import StoreError
from pipeline.products.event_store import SCHEMAS
from pipeline.store.opened import Opened

SITE = make_site({"A": "loam", "B": "loam"}, 3600, Instruments())


class FakeState:
    """A state with one event of tube A."""

    commit_id = "C1"
    attributes: ClassVar[dict] = {}

    axis, steps = SITE.axis, 24 * 400

    def __init__(self, rows):
        self.rows = rows

    def table(self, name):
        if self.rows is None:
            return None
        schema = SCHEMAS[name]
        rows = self.rows if name == "events" else []
        whole = [{field.name: row.get(field.name) for field in schema} for row in rows]
        return schema.empty_table() if not whole else schema_table(schema, whole)


def schema_table(schema, rows):
    import pyarrow as pa

    return pa.Table.from_pylist(rows, schema=schema)


@pytest.fixture
def state(monkeypatch):
    """Return a function that puts rows of events in place of a store."""

    def put(rows, site=SITE):
        opened = Opened(site, store=None, snapshot=FakeState(rows))
        monkeypatch.setattr(report, "open_state", lambda folder: opened)

    return put


EVENT = {
    "tube": "A",
    "event": "A-20250324T1330Z",
    "onset_s": 1742823000,  # by hand: 2025-03-24T13:30Z
    "end_s": 1742975100,
    "open": True,
    "depth_reached_m": 0.4,
    "gain_mm": 28.3,
    "gain_random_error_mm": 0.3,
    "gain_systematic_error_mm": 0.4,
    "gain_spacing_error_mm": 1.2,
    "rain_mm": 32.0,
    "remainder_mm": 3.7,
    "remainder_error_mm": float("nan"),
    "doubts": "overlap",
}


def test_an_event_is_told_with_its_errors_and_what_is_not_known(state):
    state([EVENT])
    account = report.events_report("site")
    row = account["events"][0]
    assert row["gain_error_mm"] == pytest.approx(1.3)  # by hand: 0.3, 0.4, 1.2 in quadrature
    assert row["remainder_error_mm"] is None
    # by hand, from 13:30: 152,100 s are 42 h and 15 min
    assert (row["onset"], row["end"]) == ("2025-03-24T13:30:00Z", "2025-03-26T07:45:00Z")
    assert row["peak"] is None
    json.dumps(account, allow_nan=False)
    text = report.events_text(account)
    for part in ("A-20250324T1330Z", "2025-03-24T13:30Z", "28.3 ± 1.3", "open", "overlap"):
        assert part in text
    assert "local practice" in text
    assert "±: one standard uncertainty" in text


@pytest.mark.parametrize(("hours", "until"), [(9600, "tube out"), (9601, "open")])
def test_the_last_event_of_a_tube_that_was_taken_out_is_over(state, hours, until):
    """The record goes on for 400 days; a removal after it has not been yet."""
    removed = SITE.start + timedelta(hours=hours)
    tubes = tuple(t.model_copy(update={"removed": removed}) for t in SITE.tubes)
    gone = SITE.model_copy(update={"tubes": tubes})
    state([EVENT], gone)
    account = report.events_report("site")
    assert account["removed"] == (["A", "B"] if until == "tube out" else [])
    line = next(x for x in report.events_text(account).splitlines() if EVENT["event"] in x)
    assert f"  {until}  " in line


def test_an_instant_that_is_not_is_null_for_programs(state):
    state([{**EVENT, "peak_s": -1}])  # as tables write it
    row = report.events_report("site")["events"][0]
    assert (row["peak_s"], row["peak"]) == (None, None)


def test_other_tubes_and_states_without_events(state):
    state([EVENT])
    assert report.events_report("site", "B")["events"] == []
    assert "no wetting event" in report.events_text(report.events_report("site", "B"))
    with pytest.raises(report.EventsError, match="found tube 'X'"):
        report.events_report("site", "X")
    state(None)
    with pytest.raises(StoreError, match="run percolog night"):
        report.events_report("site")


def test_a_misspelt_tube_is_refused_with_the_near_one(state):
    state([EVENT])
    with pytest.raises(report.EventsError) as caught:
        report.events_report("site", "AA")
    known = "expected one of 'A', 'B'. Did you mean 'A'?"
    assert str(caught.value).endswith(f"found tube 'AA'; {known}")
