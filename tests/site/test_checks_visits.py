"""Visits and decisions of which nothing will come are told: with line, column and why."""

from datetime import UTC, datetime

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site

REFERENCE = "2023-09-01T11:00,T1,,reference,10,23.5,%,,AK"
CHECK = "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK"
INSTALLED = "2023-03-02T10:00,T2,,installation,,,,augered by hand,AK"
DECISIONS = "tube,depth_cm,from,until,verdict,why,who\n"


@pytest.fixture
def remarks(make_site):
    """Return what is said of one file of the invented site with a row in another's place."""

    def told(file, edits=None, files=None, now=None):
        site = load_site(make_site(edits, files))
        return [str(p) for p in review(site, now) if p.file == file]

    return told


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            REFERENCE,
            "2023-09-01T11:00,T1,,reference,,23.5,%,,AK",
            "line 4, column depth_cm: found 'reference' without depth_cm; expected tube, dep",
        ),
        (
            REFERENCE,
            "2023-09-01T11:00,,,sample,10,,,,AK",
            "line 4, column tube: found 'sample' without tube and value",
        ),
        (
            REFERENCE,
            "2023-09-01T11:00,T1,,reference,20,23.5,%,,AK",
            "line 4, column depth_cm: found 'reference' at 20 cm of tube 'T1'; expected a "
            "nominal depth of one of its sensors: 10, 30 cm. As it stands it counts for no",
        ),
        (
            REFERENCE,
            "2023-09-01T11:00,T1,,reference,0.3,23.5,%,,AK",
            "line 4, column depth_cm: found 'reference' at 0.3 cm of tube 'T1'; expected a "
            "nominal depth of one of its sensors: 10, 30 cm. If that was metres write 30.",
        ),
        (
            REFERENCE,
            "2023-09-01,T1,,reference,10,23.5,%,,AK",
            "line 4, column time: found 'reference' at midnight, as a date without a time",
        ),
        (
            CHECK,
            "2023-09-01T12:00,,logger-a,clock,,,,slow,AK",
            "line 5, column value: found 'clock' without value; expected how far",
        ),
        (
            INSTALLED,
            "2023-03-02T10:00,,,cleaning,,,,wiped,AK",
            "line 2, column tube: found 'cleaning' without tube and source; expected the tube",
        ),
        (
            INSTALLED,
            "2023-03-02T10:00,,bus,rotation,,,,turned,AK",
            "line 2, column tube: found 'rotation' without tube; expected the tube that was r",
        ),
    ],
)
def test_a_visit_that_counts_for_nothing_is_told(remarks, old, new, told):
    [text] = remarks("visits.csv", {"visits.csv": [(old, new)]})
    assert text.startswith(f"visits.csv, {told}")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (REFERENCE, REFERENCE),
        (REFERENCE, "2023-09-01T11:00,T1,,sample,20,23.5,%,for people,AK"),
        (INSTALLED, "2023-03-02T10:00,,,inspection,,,,walked the fence,AK"),
        (INSTALLED, "2023-03-02,T2,,installation,,,,augered by hand,AK"),
    ],
)
def test_other_visits_are_not(remarks, old, new):
    assert remarks("visits.csv", {"visits.csv": [(old, new)]}) == []


@pytest.mark.parametrize(
    ("span", "told"),
    [
        ("2023-05-01,2023-05-02", None),
        ("2022-05-01,2022-05-02", "expected a time of tube 'T1', from 2023-03-01T00:00+01:00"),
        ("2024-05-01,2024-05-02", "'reject' from 2024-05-01T00:00+01:00, in the future"),
    ],
)
def test_a_decision_on_another_time_is_told(remarks, span, told):
    table = f"{DECISIONS}T1,10,{span},reject,flooded,AK\n"
    now = datetime(2023, 10, 1, tzinfo=UTC)
    found = remarks("decisions.csv", files={"decisions.csv": table}, now=now)
    assert len(found) == bool(told)
    assert all("decisions.csv, line 2, column from: found" in text for text in found)
    assert all(told in text for text in found)
