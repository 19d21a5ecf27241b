"""Tubes described before they are set, and tubes taken out: nothing to look at, or to draw."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pyarrow as pa
import pytest

from pipeline.nights import handover
from pipeline.products.verdicts import verdict_rows
from pipeline.words import needs_look, told_verdict

MARCH, APRIL = (datetime(2025, month, 1, tzinfo=UTC) for month in (3, 4))
CARE = {"verdict": 1, "found": 1, "reason": "a void", "action": "set it anew"}


def site_of(**tubes):
    """Return a site of tubes, each set and taken out at two times."""
    return SimpleNamespace(
        tubes=tuple(
            SimpleNamespace(tube=name, installed=installed, removed=removed)
            for name, (installed, removed) in tubes.items()
        )
    )


def snapshot_of(*tubes):
    table = pa.Table.from_pylist([{"tube": tube, **CARE} for tube in tubes])
    return SimpleNamespace(table=lambda name: table)


@pytest.mark.parametrize(
    ("installed", "removed", "look", "told"),
    [
        (MARCH, None, True, "use with care"),
        (APRIL, None, False, "not set yet"),
        (MARCH, datetime(2025, 3, 10, tzinfo=UTC), False, "use with care; taken out"),
        (MARCH, APRIL, True, "use with care"),  # to be taken out
    ],
)
def test_only_a_tube_in_the_ground_needs_a_look(installed, removed, look, told):
    site = site_of(T1=(installed, removed))
    now = datetime(2025, 3, 20, tzinfo=UTC)
    (row,) = verdict_rows(site, snapshot_of("T1"), now)
    assert (needs_look(row), told_verdict(row)) == (look, told)
    assert bool(row["action"]) == look


def test_pictures_show_the_tubes_that_were_there():
    """By hand: days 0 to 10 of March; out on its first instant, set on the first after it."""
    end = datetime(2025, 3, 11, tzinfo=UTC)
    site = site_of(A=(MARCH, None), B=(MARCH, MARCH), C=(end, None), D=(MARCH, end))
    site.report = SimpleNamespace(days=120)
    axis = SimpleNamespace(origin_s=int(MARCH.timestamp()))
    found = handover.drawn_tubes(site, SimpleNamespace(days=10, axis=axis))
    assert [tube.tube for tube in found] == ["A", "D"]
