"""Dates that contradict each other or the site's own time: warnings, each with its line."""

from datetime import UTC, datetime

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site


@pytest.fixture
def warnings(make_site):
    """Return what is said of the invented site after edits, its raw files in place."""

    def told(edits, now=None):
        folder = make_site(edits)
        for name in ("logger-a/jan.csv", "bus/jan.log", "rounds/2023.csv"):
            path = folder / "data" / name
            path.parent.mkdir()
            path.touch()
        return [str(problem) for problem in review(load_site(folder), now)]

    return told


SECOND = """
[[law]]
id = "subsoil"
version = 2
kind = "soil"
form = "topp_1980"
standard_error = 0.02
{from_key}
origin = "fitted again"
"""


@pytest.mark.parametrize(
    ("since", "told"),
    [("from = 2023-06-01", 0), ("", 1), ("from = 2023-03-31", 1), ("from = 2023-04-01", 1)],
)
def test_a_version_in_force_before_the_one_it_follows_is_told(warnings, since, told):
    first = ('id = "subsoil"\nversion = 1', 'id = "subsoil"\nversion = 1\nfrom = 2023-04-01')
    extra = (
        '[[law]]\nid = "subsoil"',
        SECOND.format(from_key=since) + '[[law]]\nid = "subsoil"',
    )
    found = [
        text for text in warnings({"calibrations.toml": [extra, first]}) if "version 2" in text
    ]
    assert len(found) == told
    assert all("version 1 is never used" in text for text in found)
    # The line on which the key, or where it is missing its table, stands: an editor's count.
    assert all("calibrations.toml, line " in text for text in found)


def test_a_visit_to_a_tube_not_in_the_ground_is_told(warnings):
    early = ("2023-09-01T11:00,T1,,reference", "2022-09-01T11:00,T1,,reference")
    [text] = warnings({"visits.csv": [early]})
    assert text.startswith("visits.csv, line 4, column time: found 'reference' on 2022-09-01")
    assert "It was from 2023-03-01T00:00+01:00 until now" in text  # as tubes.csv has it


def test_a_visit_before_there_was_a_site_is_told_except_installations(warnings):
    clock = ("2023-09-01T12:00,,logger-a,clock", "2022-09-01T12:00,,logger-a,clock")
    [text] = warnings({"visits.csv": [clock]})
    assert "line 5, column time: found 'clock' on 2022-09-01" in text
    put_up = (
        "2023-09-01T12:00,,logger-a,clock,,-40,s,slow",
        "2022-09-01T12:00,,logger-a,installation,,,,",
    )
    assert warnings({"visits.csv": [put_up]}) == []


@pytest.mark.parametrize(
    ("day", "told"),
    [("2023-09-01", 0), ("2023-08-31", 0), ("2023-08-20", 1), ("2023-09-12", 1)],
)
def test_a_swap_that_the_wiring_does_not_follow_is_told(warnings, day, told):
    found = warnings({"visits.csv": [("2023-09-01T09:30,T1,,swap", f"{day}T09:30,T1,,swap")]})
    assert len(found) == told
    assert all("line 3, column action: found a swap at tube 'T1'" in text for text in found)


def test_what_ended_before_the_site_began_is_told(warnings):
    found = warnings(
        {
            "site.toml": [("start = 2023-03-01", "start = 2023-10-01")],
            "visits.csv": [
                ("2023-09-01T12:00,,logger-a,clock", "2023-10-02T12:00,,logger-a,clock")
            ],
        }
    )
    [text] = [text for text in found if "after the site's start" in text]
    assert text.startswith(
        "wiring.csv, line 2, column until: found a wiring until 2023-09-01T00"
    )


@pytest.mark.parametrize(("interval", "told"), [("15 min", 0), ("30 min", 0), ("5 min", 1)])
def test_a_source_finer_than_the_axis_is_told(warnings, interval, told):
    found = warnings({"site.toml": [("note = ", f'interval = "{interval}"\nnote = ')]})
    assert len(found) == told
    assert all("key source.0.interval: found 5 min" in text for text in found)
    assert all("superseded; set interval = '5 min' in [site]" in text for text in found)


# By hand: the last of the visits of tests/site/field is on 2023-09-01 at 12:00, UTC+1.
@pytest.mark.parametrize(
    ("now", "lines"),
    [
        ((2023, 9, 1, 11, 0), []),
        ((2023, 9, 1, 10, 0), []),  # an hour: clocks differ
        ((2023, 9, 1, 9, 59), [5]),
        ((2023, 9, 1, 8, 30), [4, 5]),
    ],
)
def test_visits_of_the_future_are_told(warnings, now, lines):
    found = warnings({}, datetime(*now, tzinfo=UTC))
    assert [text.split(":")[0] for text in found] == [
        f"visits.csv, line {line}, column time" for line in lines
    ]
    assert all("in the future" in text for text in found)


def test_a_tube_and_a_site_of_the_future_are_told(warnings):
    now = datetime(2023, 12, 1, tzinfo=UTC)
    edit = ("T1,48.5,9.1,412.5,2023-03-01", "T1,48.5,9.1,412.5,2032-03-01")
    wires = [("mV_1,T1,10,voltage,mV,P1,,2023-09-01", "mV_1,T1,10,voltage,mV,P1,,2032-09-01")]
    wires.append(("P2,2023-09-01,", "P2,2032-09-01,"))
    found = warnings({"tubes.csv": [edit], "wiring.csv": wires}, now)
    assert any(
        "tubes.csv, line 2, column installed: found tube 'T1' installed in the future, on "
        "2032-03-01T00:00+01:00; expected a time until now (2023-12-01T01:00+01:00). If it "
        "is still to be set, all is well." in text
        for text in found
    )
    found = warnings({"site.toml": [("start = 2023-03-01", "start = 2032-03-01")]}, now)
    assert any(
        text.startswith("site.toml")
        and "a start in the future, 2032-03-01T00:00+01:00" in text
        for text in found
    )
