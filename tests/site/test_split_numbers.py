"""Decimal commas in a table that commas separate are told as that, not as what they cause."""

import pytest

from pipeline.accounts.check_and_ledger import survey_site
from pipeline.errors import SiteError
from pipeline.site.load import load_site

TWO = "T2,48.501,9.101,411.0,2023-03-02T10:00,,5,loam,lower,"


def _told(folder):
    with pytest.raises(SiteError) as caught:
        load_site(folder)
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("row", "found"),
    [
        # The soil takes the digits after the comma, and is no mistake of the row itself.
        (TWO.replace(",5,", ",0,4,"), "column set_in_cm: found '0,4', read"),
        (TWO.replace(",5,loam,lower,", ",0,4,loam"), "column set_in_cm: found '0,4', read"),
        (TWO.replace("411.0", "-411,0"), "column elevation_m: found '-411,0', read"),
        (
            "T2,48,501,9,101,411,0,2023-03-02T10:00,,5,loam,lower,",
            "column latitude: found '48,501', '9,101', '411,0', each read",
        ),
    ],
)
def test_a_row_is_told_once_by_the_column_of_the_comma(make_site, row, found):
    edits = {"tubes.csv": [(f'{TWO}"beside the track, wet"', row)]}
    [text] = _told(make_site(edits))
    assert f"tubes.csv, line 4, {found} as two fields" in text


def test_what_else_is_wrong_in_the_row_is_told_at_its_own_column(make_site):
    edits = {"tubes.csv": [("9.1,412.5,2023-03-01", "9.1,412,5,1 March")]}
    first, second = _told(make_site(edits))
    assert "line 2, column elevation_m: found '412,5'" in first
    assert "line 2, column installed: found '1 March'" in second


def test_two_ways_to_read_a_row_are_both_told(make_site):
    edits = {"visits.csv": [("10,23.5,%", "10,23,5,%")]}
    [text] = _told(make_site(edits))
    assert "visits.csv, line 4: found '10,23' or '23,5', read as two fields" in text


@pytest.mark.parametrize("row", [f"{TWO},,", TWO.replace(",5,", ",5,1,").replace("loam", "")])
def test_other_rows_of_more_fields_or_with_mistakes_are_let_be(make_site, row):
    """A comma too many at the end does no harm, and a missing soil is no comma's doing."""
    folder = make_site({"tubes.csv": [(f'{TWO}"beside the track, wet"', row)]})
    if row.endswith(",,"):
        assert load_site(folder).tube_by_id["T2"].set_in_m == 0.05
    else:
        assert not any("as two fields" in text for text in _told(folder))


def test_samples_are_not_read_by_half_numbers(make_site):
    """Each column takes its field: the sample held no water at a density of 25."""
    table = "time,tube,depth_cm,gravimetric,bulk_density,note\n2023-05-01,T1,10,0,25,1.4,\n"
    remarks = survey_site(make_site(files={"samples.csv": table}))["remarks"]
    told = [remark for remark in remarks if remark["file"] == "samples.csv"]
    assert [remark["place"] for remark in told] == ["line 2, column gravimetric"]
    assert told[0]["found"].startswith("'0,25', read as two fields")


def test_a_column_of_decimal_commas_takes_no_longer_than_others(make_site):
    """Sixty ways to join each row would be tried for ever, were the rows not bounded."""
    folder = make_site()
    with (folder / "tubes.csv").open("a") as file:
        file.write("T9,48,5,9,1,412,5,2023-03-01,,0,4,loam,,\n" * 5000)
    assert any("1000 mistakes down to here" in text for text in _told(folder))
