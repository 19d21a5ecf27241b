"""The account of a night: how the sensors of each tube did."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from bare_site import at, make_site, make_wire

from pipeline.nights.summary import tube_rows, write_summary
from pipeline.qc.flags import Quality


def state(site, flags):
    """Return a state of one sensor with a flag at each step."""
    cells = np.array(flags, dtype=np.uint8)[:, None, None]
    return SimpleNamespace(
        axis=site.axis,
        steps=len(flags),
        labels={"tube": ["T1"], "depth": [0.1]},
        table=lambda _: None,
        holds=lambda _: True,
        read=lambda _, start, stop: cells[start:stop],
    )


def test_a_logger_set_to_another_interval_is_measured_by_the_one_of_the_time():
    """By hand: hourly to noon, every three hours after, of which the last is missing."""
    hourly = make_site().sources[0]
    slow = hourly.model_copy(update={"id": "slow", "interval_s": 3 * 3600})
    wires = (make_wire(until=at(1, 12)), make_wire(source="slow", start=at(1, 12)))
    site = make_site(sources=(hourly, slow), wiring=wires)
    flags = [Quality.GOOD] * 13 + [Quality.MISSING] * 11
    flags[15] = Quality.SUSPECT
    flags[21] = Quality.GOOD
    (row,) = tube_rows(site, state(site, flags))
    assert row["due"] == 12 + 4  # to the last reading, which closes the fourth three hours
    assert (row["good_pct"], row["suspect_pct"]) == (100 * 14 / 16, 100 / 16)
    assert row["missing_pct"] == 100 / 16


def told(folder, **parts):
    """Return the text of a night in which nothing was read, with some parts."""
    sums = (
        "values_read",
        "stored",
        "duplicates",
        "superseded",
        "rejected",
        "rows_read",
        "files",
    )
    night = dict.fromkeys(("title", "site", "commit", "message"), "") | {
        "ledger": dict.fromkeys(sums, 0), "tubes": [], **parts,
    }  # fmt: skip
    return write_summary(folder, night)[1].read_text()


def test_an_hour_told_apart_was_not_moved_and_a_tube_taken_out_is_no_new_one(tmp_path):
    hour = {"file": "a.csv", "first_line": 4, "rows": 2, "kind": "repeated_hour"}
    moved = {**hour, "kind": "clock_drift", "least_s": 30, "most_s": 40, "evidence": "checks"}
    still = {**hour, "least_s": 0, "most_s": 0, "evidence": "the rows go back"}
    tube = {"tube": "T1", "due": 0, "hand_readings": 0, "last_reading": None}
    text = told(tmp_path, clocks=[still, moved], tubes=[tube])
    assert "2 rows, repeated_hour; the rows go back" in text
    assert "2 rows, clock_drift, +30 to +40 s; checks" in text
    assert "no reading was due in the days computed" in text


def test_hand_readings_that_corrected_the_logger_are_no_evidence_that_it_agrees(tmp_path):
    none = dict.fromkeys(("mean_difference", "standard_deviation"))
    row = {"tube": "T1", "depth_cm": 10.0, "count": 0, "beyond_count": 0, **none}
    rows = [
        {**row, "corrected_count": 0},
        {**row, "corrected_count": 3},
        {**row, "count": 2, "mean_difference": 0.011, "beyond_count": 1, "corrected_count": 3},
    ]
    lines = told(tmp_path, rounds=rows).splitlines()
    first = lines.index("Hand rounds against loggers:") + 1
    assert lines[first : first + 3] == [
        "- T1 10 cm: no logged value at the time of any hand reading",
        "- T1 10 cm: 3 readings, by which the logger was corrected",
        "- T1 10 cm: 2 readings, hand minus logger +0.011 m3 m-3; 1 beyond twice their "
        "uncertainty; 3 more, by which the logger was corrected, left out",
    ]
