"""A layout that does not fit is answered by what it sees and by what may be wrong with it."""

import pytest

from pipeline.errors import ReaderError
from pipeline.ingest.delimited import read_table
from pipeline.site.layout import Layout

TEXT = "Zeit;T1 10 cm;Wärme\n;mV;°C\n" + "".join(
    f"13.03.2024 {hour:02}:00;{hour},5;1,25\n" for hour in range(24)
)
STAMP = {
    "name": "Zeit",
    "role": "stamp",
    "datatype": {"base": "dateTime", "format": "dd.MM.yyyy HH:mm"},
}
FITS = {"delimiter": ";", "headerRowCount": 2}
WARM = {"name": "Wärme"}
# What is wrong: dialect, columns, encoding of the file, what the answer must show and advise.
WRONG = {
    "delimiter": (
        {"delimiter": ","},
        [STAMP],
        "utf-8",
        "'Zeit;T1 10 cm;Wärme'",
        "delimiter ';'",
    ),
    "delimiter, tab": ({"delimiter": "\t"}, [STAMP], "utf-8", "';mV;°C'", "delimiter ';'"),
    "no rows skipped": (
        {},
        [STAMP],
        "above",
        "'Zeit' | 'T1 10 cm' | 'Wärme'",
        "2 lines further",
    ),
    "too many skipped": (
        {"skipRows": 3},
        [STAMP],
        "utf-8",
        "'1,5' | '1,25'",
        "look like data",
    ),
    "one byte a letter": (
        {"encoding": "cp1252"},
        [STAMP, WARM],
        "utf-8",
        "'WÃ¤rme'",
        "'utf-8'",
    ),
    "UTF-8 expected": ({}, [STAMP], "latin-1", "'W\ufffdrme'", "'cp1252'"),
    "UTF-16 expected": (
        {"encoding": "utf-16"},
        [STAMP],
        "utf-8",
        "one byte a char",
        '"utf-8"',
    ),
    "UTF-16 found": ({}, [STAMP], "utf-16", "bytes of UTF-16", '"utf-16"'),
    "title": ({}, [{**STAMP, "name": "Zeitpunkt"}], "utf-8", "'Zeit' | 'T1", "may be 'Zeit'"),
}


def data_in(encoding):
    return (
        ("Station 7\nset 2024\n" + TEXT).encode()
        if encoding == "above"
        else TEXT.encode(encoding)
    )


@pytest.mark.parametrize("case", WRONG)
def test_the_answer_shows_the_first_lines_and_names_the_likely_mistake(case):
    dialect, columns, encoding, shown, advice = WRONG[case]
    layout = Layout.model_validate(
        {"id": "x", "dialect": {**FITS, **dialect}, "tableSchema": {"columns": columns}}
    )
    with pytest.raises(ReaderError) as caught:
        read_table(data_in(encoding), layout, "raw/f.csv")
    text = str(caught.value)
    assert text.startswith("raw/f.csv, line ")
    assert shown in text
    assert advice in caught.value.problem.advice


def test_the_right_layout_reads_the_sample():
    schema = {"columns": [STAMP], "othersDatatype": {"decimalChar": ","}}
    layout = Layout.model_validate({"id": "x", "dialect": FITS, "tableSchema": schema})
    parsed = read_table(TEXT.encode(), layout, "raw/f.csv")
    assert (parsed.rows_with_values, parsed.rejects) == (24, ())
