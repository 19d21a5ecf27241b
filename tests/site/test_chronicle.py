"""Lanes and columns of a timeline, from the description of the invented site alone.

Expected instants are worked out by hand: the site's midnight is 23:00 UTC of the day before.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.site.chronicle import Span, chronicle, column_edges, covered, dated_until
from pipeline.site.load import load_site

END = datetime(2024, 3, 1, tzinfo=UTC).timestamp()


def at(*parts):
    return datetime(*parts, tzinfo=UTC).timestamp()


@pytest.fixture
def lanes(make_site):
    def make(edits=None):
        found = chronicle(load_site(make_site(edits)), END, 100).lanes
        return {(lane.kind, lane.group, lane.name): lane for lane in found}

    return make


def test_a_tube_is_in_the_ground_from_its_installation_on(lanes):
    lane = lanes(
        {"tubes.csv": [("2023-03-01,,0", "2023-03-01,2024-01-01,0")], "visits.csv": []}
    )["tube", "T1", "T1"]
    assert [(s.start_s, s.stop_s) for s in lane.spans] == [
        (at(2023, 2, 28, 23), at(2023, 12, 31, 23))
    ]
    assert [(m.time_s, m.letter) for m in lane.marks] == [
        (at(2023, 9, 1, 8, 30), "S"),
        (at(2023, 9, 1, 10), "R"),
    ]


def test_a_sensor_holds_its_probes_in_turn_and_the_swap(lanes):
    lane = lanes()["sensor", "T1", "10 cm voltage"]
    assert [s.label for s in lane.spans] == ["P1", "P2"]
    assert lane.spans[0].stop_s == at(2023, 8, 31, 23)
    assert lane.changes_s == (at(2023, 8, 31, 23),)
    assert lane.sensor == ("voltage", "T1", 0.1)
    assert lane.interval_s == 900


def test_sensors_stand_by_quantity_and_then_downwards(make_site):
    order = [lane.name for lane in chronicle(load_site(make_site()), END, 100).lanes]
    assert order[order.index("T2") : order.index("logger-a")] == [
        "T2",
        "10 cm root_permittivity",
        "30 cm root_permittivity",
        "10 cm soil_temperature",
    ]
    assert order[order.index("logger-a") :][:2] == ["logger-a", "rain"]


def test_a_version_of_a_law_is_in_force_until_a_higher_one(lanes):
    second = (
        '[[law]]\nid = "subsoil"\nversion = 1',
        '[[law]]\nid = "subsoil"\nversion = 2\nfrom = 2023-06-01\nkind = "soil"\n'
        'form = "topp_1980"\norigin = "again"\n\n[[law]]\nid = "subsoil"\nversion = 1',
    )
    found = lanes({"calibrations.toml": [second]})["law", "soil", "subsoil"]
    assert [(s.label, s.stop_s > END) for s in found.spans] == [("1", False), ("2", True)]
    assert found.spans[0].stop_s == found.spans[1].start_s == at(2023, 5, 31, 23)


def test_a_version_that_never_holds_has_no_span(lanes):
    second = (
        '[[law]]\nid = "subsoil"\nversion = 1',
        '[[law]]\nid = "subsoil"\nversion = 2\nkind = "soil"\nform = "topp_1980"\n'
        'origin = "again"\n\n[[law]]\nid = "subsoil"\nversion = 1',
    )
    found = lanes({"calibrations.toml": [second]})["law", "soil", "subsoil"]
    assert [s.label for s in found.spans] == ["2"]


@pytest.mark.parametrize("most", [1, 7, 40, 100, 365, 10_000])
@pytest.mark.parametrize("days", [0.3, 3, 120, 4000])
def test_columns_cover_the_time_in_whole_steps_and_fit(field_site, most, days):
    start = field_site.start.timestamp()
    edges = column_edges(field_site, start, start + days * 86_400, most)
    widths = np.diff(edges)
    assert 1 <= len(widths) <= most
    assert edges[0] <= start
    assert edges[-1] >= start + days * 86_400
    assert (widths == widths[0]).all()
    assert widths[0] % field_site.interval_s == 0
    assert ((edges - field_site.axis.origin_s) % widths[0] == 0).all()  # days from midnight


def test_seconds_covered_are_those_of_the_overlap():
    edges = np.array([0.0, 10.0, 20.0, 30.0])
    spans = [Span(-5, 4), Span(12, 18), Span(25, 99)]
    # By hand: 4 of the first column, 6 of the second, 5 of the third.
    np.testing.assert_array_equal(covered(spans, edges), [4.0, 6.0, 5.0])


def test_the_latest_date_named_counts_up_to_now(field_site):
    # The last thing named is the visit of 2023-09-01 12:00 local; a day more is shown.
    assert dated_until(field_site, at(2030, 1, 1)) == at(2023, 9, 2, 11)
    assert dated_until(field_site, at(2023, 4, 1)) == at(2023, 3, 3, 9)
