"""Decimal commas where commas separate the columns are named, whatever they made of a file."""

import pytest
from raw_files import START, table, told

from pipeline.ingest.delimited import read_table
from pipeline.site.layout import Layout

STAMP = {
    "name": "time",
    "role": "stamp",
    "datatype": {"base": "dateTime", "format": "yyyy-MM-dd HH:mm"},
}
LAYOUT = Layout(id="plain", dialect={}, tableSchema={"columns": [STAMP]})
TITLES = "time,mV_1,mV_2\n"


@pytest.mark.parametrize(
    ("row", "named"),
    [
        ("2023-04-01 00:00,301,5,402,7", "'301,5'"),
        ("2023-04-01 00:00,301.5,-4,7", "'-4,7'"),
        ("2023-04-01 00:00,301,402,7", "'402,7'"),  # values stand behind depths and the like
        # One field too many, and a stop while writing: no number is two fields here.
        ("2023-04-01 00:00,301.5,402.7,1", ""),
        ("2023-04-01 00:00,301,5,402,7,8,9,1,x", ""),
        ("2023-04-01 00:00", ""),
    ],
)
def test_a_row_of_too_many_fields_names_the_number_that_makes_them(row, named):
    [reject] = read_table(f"{TITLES}{row}\n".encode(), LAYOUT, "a.csv").rejects
    assert reject.reason == "wrong_field_count"
    assert reject.advice.startswith(f"{named} looks like one number") == bool(named)
    if named:
        assert "delimiter = ';' and decimalChar = ',' in layouts/plain.toml" in reject.advice


def test_check_says_what_to_do_about_such_a_file(make_site):
    with_commas = table().replace(";", ",")
    edits = {"layouts/analog.toml": [('delimiter = ";"', 'delimiter = ","')]}
    found = told(make_site, {"logger-a/sep.csv": with_commas}, edits)
    [text] = [text for text in found if "wrong_field_count" in text]
    assert "looks like one number with a decimal comma" in text


def test_halves_of_numbers_read_for_values_are_told(make_site):
    """Without titles nothing says how many fields a row has; all of them are numbers."""
    rows = "".join(f"{START:%d.%m.%Y} {hour:02}:00,{300 + hour},5,0,0\n" for hour in range(24))
    columns = "".join(f'[[tableSchema.columns]]\nname = "{n}"\n' for n in ("mV_1", "rain"))
    edits = {
        "layouts/analog.toml": [
            ('delimiter = ";"\nheaderRowCount = 2\nunitsRow = 2', "headerRowCount = 0"),
            ("[tableSchema.othersDatatype]", f"{columns}[tableSchema.othersDatatype]"),
        ]
    }
    found = [text for text in told(make_site, {"logger-a/sep.csv": rows}, edits)]
    [text] = [text for text in found if text.startswith("logger-a/sep.csv, line 1: found 5 f")]
    assert "expected 3, as many as layouts/analog.toml lists" in text
    whole = rows.replace(",5,0,0", ".5,0.0")
    assert not any(
        "found 5 f" in t for t in told(make_site, {"logger-a/sep.csv": whole}, edits)
    )
