"""The account of a night: how the sensors of each tube did."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from bare_site import at, make_site, make_wire

from pipeline.nights.summary import tube_rows
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
