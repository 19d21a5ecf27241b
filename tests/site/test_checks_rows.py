"""Tables cut off within a line, and rows written twice, are told."""

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site

REFERENCE = "2023-09-01T11:00,T1,,reference,10,23.5,%,,AK\n"
CHECK = "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n"


@pytest.fixture
def remarks(make_site):
    """Return what is said of rows of the invented site after edits and with files."""

    def told(edits=None, files=None):
        site = load_site(make_site(edits, files))
        found = [str(problem) for problem in review(site)]
        return [text for text in found if "cut off" in text or "once more" in text]

    return told


def test_a_table_cut_off_within_its_last_row_is_told(remarks):
    """Each of its cells is one that may be, and rows below it are gone."""
    [text] = remarks({"visits.csv": [(CHECK, CHECK[: CHECK.index("low,AK")])]})
    assert text.startswith(
        "visits.csv, line 5: found a last row of 8 fields, ending in column 'note'; "
        "expected 9, as in all others."
    )


def test_rows_of_several_lengths_are_a_persons_way_to_write(remarks):
    ends = [(REFERENCE, REFERENCE.replace(",,AK", "")), (CHECK, CHECK.replace(",slow,AK", ""))]
    assert remarks({"visits.csv": ends}) == []


@pytest.mark.parametrize(
    ("again", "told"),
    [
        (REFERENCE, 1),
        (REFERENCE.replace("%,,AK", "%,copied,B. Walker"), 1),
        (REFERENCE.replace("11:00", "11:05"), 0),
        (REFERENCE.replace("23.5", "23.6"), 0),
        (CHECK, 1),
    ],
)
def test_a_visit_noted_twice_is_told_with_both_lines(remarks, again, told):
    found = remarks({"visits.csv": [(CHECK, CHECK + again)]})
    assert len(found) == told
    line = 5 if again == CHECK else 4
    assert all(f"visits.csv, line 6: found what line {line} says" in text for text in found)


def test_decisions_and_samples_written_twice_are_told(remarks):
    decision = "T1,10,2023-05-01,2023-05-02,reject,flooded,AK\n"
    sample = "2023-05-01,T1,10,0.25,1.4,{}\n"
    tables = {
        "decisions.csv": "tube,depth_cm,from,until,verdict,why,who\n" + decision * 2,
        "samples.csv": "time,tube,depth_cm,gravimetric,bulk_density,note\n"
        + sample.format("ring 3")
        + sample.format("entered again"),
    }
    found = remarks(files=tables)
    assert [text.split(":")[0] for text in found] == [
        "decisions.csv, line 3",
        "samples.csv, line 3",
    ]
