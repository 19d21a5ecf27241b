"""Delimited tables: each form with a small invented sample; expected values are by hand."""

import numpy as np
import pytest

from pipeline.errors import ReaderError
from pipeline.ingest.delimited import read_table
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import REASONS
from pipeline.site.layout import Layout

NAN = np.nan
DAY = {"base": "date", "format": "yyyyMMdd"}
MARCH_1 = 1_709_251_200  # 2024-03-01 00:00
MINUTE = {"base": "dateTime", "format": "yyyy-MM-dd HH:mm"}
STAMP = {"name": "time", "role": "stamp", "datatype": MINUTE}


def make_layout(columns=(STAMP,), dialect=None, **schema):
    schema["columns"] = list(columns)
    known = {"id": "sample", "dialect": dialect or {}, "tableSchema": schema}
    return Layout.model_validate(known)


def read(text, layout=None, encoding="utf-8"):
    parsed = read_table(text.encode(encoding), layout or make_layout(), "raw/sample.csv")
    assert parsed.rows_close()
    assert all(reject.reason in REASONS for reject in parsed.rejects)
    return parsed


def values_of(parsed):
    """Return {channel: values} and check that stamps and lines are of the same length."""
    (table,) = parsed.tables
    assert all(len(c) == len(table.stamp_s) == len(table.line) for c in table.columns.values())
    return {name: column.tolist() for name, column in table.columns.items()}


def assert_values(parsed, expected):
    found = values_of(parsed)
    assert list(found) == list(expected)
    for name, values in expected.items():
        np.testing.assert_array_equal(found[name], values, err_msg=name)


def rejects_of(parsed):
    return {(r.reason, r.rows, r.values, r.first_line) for r in parsed.rejects}


def minutes(parsed):
    return ((parsed.tables[0].stamp_s - MARCH_1) // 60).tolist()


SIMPLE = {"a": [1.5, -2.0], "b": [NAN, 3.0]}


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("dialect", "text"),
    [
        ({}, "time,a,b|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,3|"),
        ({"delimiter": ";"}, "time;a;b|2024-03-01 00:00;1.5;|2024-03-01 00:10; -2 ;3.0|"),
        ({"delimiter": "\t"}, "time\ta\tb|2024-03-01 00:00\t1.5\t|2024-03-01 00:10\t-2\t3|"),
        ({}, '"time","a","b"|"2024-03-01 00:00","1.5",""|"2024-03-01 00:10","-2",3|'),
        ({}, "time,a,b|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,3,|"),
        ({}, "time,a,b,|2024-03-01 00:00,1.5,,|2024-03-01 00:10,-2,3|"),
        ({"skipRows": 2}, "x|y,z|time,a,b|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,3|"),
        (
            {"headerRowCount": 3, "titleRow": 2, "unitsRow": 3},
            "Site 7,,|time,a,b|,mV,mV|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,3|",
        ),
        (
            {"footerPrefixes": ["Total", "END"]},
            'time,a,b|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,3|"Total",2,3|END OF DATA|',
        ),
        (
            {"commentPrefix": "#"},
            "# one,,|time,a,b|2024-03-01 00:00,1.5,|#|||2024-03-01 00:10,-2,3|",
        ),
    ],
)
def test_dialects(dialect, text, line_end):
    parsed = read(text.replace("|", line_end), make_layout(dialect=dialect))
    assert_values(parsed, SIMPLE)
    assert minutes(parsed) == [0, 10]
    assert parsed.rejects == ()
    assert parsed.nulls == 1


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding):
    text = "time,Wärme °C\r\n2024-03-01 00:00,1.5\r\n"
    layout = make_layout(dialect={"encoding": encoding.removesuffix("-sig")})
    assert_values(read(text, layout, encoding), {"Wärme °C": [1.5]})


def test_any_run_of_blanks_and_columns_by_number():
    columns = [
        {"name": "d", "number": 2, "role": "stamp", "datatype": DAY},
        {"name": "t", "number": 3, "role": "stamp", "datatype": {"base": "hhmm"}},
        {"name": "w", "number": 5, "sentinels": [-99]},
    ]  # fmt: skip
    dialect = {"delimiter": " +", "headerRowCount": 0}
    layout = make_layout(columns, dialect, others="ignore")
    text = "7 20240301 0000  x 0.25 \n  7 20240301   10 \t x -99.000\n7 20240301 2400 y 0.5\n"
    parsed = read(text + " " * 1800 + "\n", layout)
    assert minutes(parsed) == [0, 24 * 60]
    assert_values(parsed, {"w": [0.25, 0.5]})
    assert (parsed.rows_with_values, parsed.rows_without_values, parsed.nulls) == (2, 2, 1)


FIXED = [
    {"name": "when", "width": 16, "role": "stamp", "datatype": STAMP["datatype"]},
    {"name": "flag", "width": 2, "role": "ignore"},
    {"name": "a", "width": 6},
    {"name": "b", "width": 6},
]


def test_fixed_columns_may_touch():
    layout = make_layout(FIXED, {"delimiter": None, "headerRowCount": 0})
    text = "2024-03-01 00:00ab-12.25  7.50\n2024-03-01 00:10  100.00200.00\n"
    assert_values(read(text, layout), {"a": [-12.25, 100.0], "b": [7.5, 200.0]})


def test_a_fixed_line_cut_short_or_too_long_is_set_aside():
    layout = make_layout(FIXED, {"delimiter": None, "headerRowCount": 0})
    good = "2024-03-01 00:00    1.00  2.00"
    text = f"{good}\n{good[:-1]}\n{good} 9\n{good}   \n"
    parsed = read(text, layout)
    assert rejects_of(parsed) == {("wrong_field_count", 2, 0, 2)}
    assert parsed.tables[0].line.tolist() == [1, 4]


def test_fixed_columns_count_characters_not_bytes():
    columns = [FIXED[0], {"name": "note", "width": 4, "role": "ignore"}, {"name": "a"}]
    layout = make_layout(columns, {"delimiter": None, "headerRowCount": 0})
    assert_values(read("2024-03-01 00:00übél1.25\n", layout), {"a": [1.25]})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1,5", 1.5),
        ("-0,25", -0.25),
        ("1.234,5", 1234.5),
        ("12.345.678", 12345678.0),
        ("+7", 7.0),
        (",5", 0.5),
        ("5,", 5.0),
        ("1,5E-3", 0.0015),
        ("\u22122,5", -2.5),
    ],
)
def test_decimal_comma_and_groups(text, expected):
    layout = make_layout(
        dialect={"delimiter": ";"}, othersDatatype={"decimalChar": ",", "groupChar": "."}
    )
    assert_values(read(f"time;a\n2024-03-01 00:00;{text}\n", layout), {"a": [expected]})


@pytest.mark.parametrize(
    "text", ["1.5", "12.34", "1234.567", "1..234", ".234", "1,5,0", "1,2.345", "1.23,4"]
)
def test_groups_of_another_length_are_no_number(text):
    # "1.5" with groups parted by "." is no 15: it is most likely a decimal point.
    layout = make_layout(
        dialect={"delimiter": ";"}, othersDatatype={"decimalChar": ",", "groupChar": "."}
    )
    parsed = read(f"time;a\n2024-03-01 00:00;{text}\n", layout)
    assert rejects_of(parsed) == {("not_a_number", 0, 1, 2)}


def test_a_narrow_space_parts_groups():
    layout = make_layout(dialect={"delimiter": ";"}, othersDatatype={"groupChar": "\u202f"})
    text = "time;a\n2024-03-01 00:00;1\u202f234.5\n"
    assert_values(read(text, layout), {"a": [1234.5]})


@pytest.mark.parametrize(
    "text",
    ["x", "NAN", "nan", "inf", "1.2.3", "1-2", "--1", "-", ".", "1e", "e5", "0x10", "1 2",
     "1_0", "1e309", "1e400", "12.3*", "½"],
)  # fmt: skip
def test_text_in_a_number_cell_is_set_aside_alone(text):
    parsed = read(f"time,a,b\n2024-03-01 00:00,{text},2\n")
    assert rejects_of(parsed) == {("not_a_number", 0, 1, 2)}
    assert parsed.rejects[0].found == f"{text!r} in column 'a'"
    assert_values(parsed, {"a": [NAN], "b": [2.0]})
    assert parsed.values_read == 2


@pytest.mark.parametrize(
    "text",
    ["0.16399999999999998", "0.1", "1e22", "1e23", "123456789012345678901234567890",
     "9007199254740993", "5e-290", "3.141592653589793238", "1797693134862315.7e284",
     "0.000000000000000000000000000123456789", "-0.0",
     "2.225073858507e-311", "5e-324", "1e-400", "1.7976931348623157e308"],
)  # fmt: skip
def test_every_number_is_rounded_correctly(text):
    # reference code: Python's float, correctly rounded since 3.1
    parsed = read(f"time,a\n2024-03-01 00:00,{text}\n")
    (found,) = values_of(parsed)["a"]
    assert found.hex() == float(text).hex()


def test_null_markers_and_sentinels_belong_to_their_columns():
    columns = [
        STAMP,
        {"name": "a", "null": ["NAN", "n/a"]},
        {"name": "b", "sentinels": [-6999, 7999]},
        {"name": "c"},
    ]
    layout = make_layout(columns, null=["---"], sentinels=[-9999])
    rows = ["NAN,-6999,---", "n/a,7999.0,-9999", "---,-6999.0001,-9999.000", "-9999,-9999,NAN",
            ",,", "-9998,-6998,-9998"]  # fmt: skip
    text = "time,a,b,c\n" + "".join(f"2024-03-01 00:{i}0,{r}\n" for i, r in enumerate(rows))
    parsed = read(text, layout)
    # "---" is no marker of column a, "NAN" none of c, and -9999 a number where b has its own
    assert rejects_of(parsed) == {("not_a_number", 0, 1, 4), ("not_a_number", 0, 1, 5)}
    assert_values(
        parsed,
        {"a": [NAN, NAN, -9998.0], "b": [NAN, -9999.0, -6998.0], "c": [NAN, NAN, -9998.0]},
    )
    assert parsed.tables[0].line.tolist() == [4, 5, 7]
    assert (parsed.nulls, parsed.rows_without_values) == (12, 4)


def test_line_numbers_are_those_of_the_file():
    text = (
        "made by logger 7\n"      # 1 skipped
        "\n"                      # 2
        "# comment\n"             # 3
        "time,a\n"                # 4 header
        "2024-03-01 00:00,1\n"    # 5
        "\n"                      # 6
        "# comment\n"             # 7
        "2024-03-01 00:10\n"      # 8 one field
        ",\n"                     # 9 blank cells
        "2024-03-01 00:20,2\n"    # 10
        "made by logger 7\n"      # 11 restarted
        "time,a\n"                # 12
        "2024-03-01 00:30,\n"     # 13 null
        "never,4\n"               # 14
        "2024-03-01 00:40,5"      # 15 no line end
    )  # fmt: skip
    parsed = read(text, make_layout(dialect={"skipRows": 1, "commentPrefix": "#"}))
    assert parsed.tables[0].line.tolist() == [5, 10]
    assert rejects_of(parsed) == {
        ("wrong_field_count", 1, 0, 8),
        ("bad_stamp", 1, 1, 14),
        ("incomplete_line", 1, 0, 15),
    }
    assert (parsed.rows_read, parsed.rows_with_values, parsed.rows_without_values) == (
        15,
        2,
        10,
    )


def test_another_header_inside_the_file_sets_aside_what_follows_it():
    text = (
        "time,a,b\n2024-03-01 00:00,1,2\n"
        "time,b,a\n2024-03-01 00:10,3,4\n"
        "time,a,b\n2024-03-01 00:20,5,6\n"
    )
    parsed = read(text)
    assert rejects_of(parsed) == {("wrong_header", 2, 0, 3)}
    assert_values(parsed, {"a": [1.0, 5.0], "b": [2.0, 6.0]})


def test_a_title_in_quotes_may_hold_anything():
    text = 'time,"a, upper",b,"say ""x"""\n2024-03-01 00:00,1,2,3\n'
    assert list(values_of(read(text))) == ["a, upper", "b", 'say "x"']


def test_a_title_may_span_lines():
    text = 'time,"a\r\n[mV]",b\r\n2024-03-01 00:00,1,2\r\n2024-03-01 00:10,3,4\r\n'
    parsed = read(text)
    assert_values(parsed, {"a\r\n[mV]": [1.0, 3.0], "b": [2.0, 4.0]})
    assert parsed.tables[0].line.tolist() == [3, 4]


def test_a_stray_quote_costs_its_own_line_only():
    rows = [f"2024-03-01 00:{i:02},{i},{i}" for i in range(40)]
    rows[3] = '2024-03-01 00:03,"3,3'
    parsed = read("time,a,b\n" + "\n".join(rows) + "\n")
    assert rejects_of(parsed) == {("wrong_field_count", 1, 0, 5)}
    assert parsed.rows_with_values == 39


def test_a_backslash_escapes_where_quotes_are_not_doubled():
    layout = make_layout(dialect={"doubleQuote": False})
    text = 'time,"a\\",b",c\n2024-03-01 00:00,1,2\n'
    assert list(values_of(read(text, layout)))[1] == "c"


def test_untitled_and_repeated_titles_stay_apart():
    text = "time,?,,?,a\n2024-03-01 00:00,1,2,3,4\n"
    assert_values(read(text), {"?": [1.0], "_col.3": [2.0], "?#4": [3.0], "a": [4.0]})


def test_columns_are_renamed_picked_and_left_out():
    columns = [STAMP | {"titles": "Zeit"}, {"name": "T1/30", "titles": "VWC_30"}]
    text = "x,VWC_30,Zeit,y\n7,0.25,2024-03-01 00:00,text\n"
    parsed = read(text, make_layout(columns, others="ignore"))
    assert_values(parsed, {"T1/30": [0.25]})


LONG = [
    STAMP,
    {"name": "probe", "role": "key"},
    {"name": "depth", "role": "key"},
    {"name": "reading", "role": "value"},
]


def test_long_form_gives_a_table_a_channel():
    text = (
        "time,probe,depth,reading,note\n"
        "2024-03-01 00:00,P1,10,1.5,\n"
        "2024-03-01 00:00,P1,20,2.5,\n"
        "2024-03-01 00:00,P2,10,,\n"
        "2024-03-01 00:10,P1,10,3.5,late\n"
        "2024-03-01 00:10,,10,4.5,\n"
        "2024-03-01 00:10,P1,20,x,\n"
    )
    parsed = read(text, make_layout(LONG))
    found = [
        (t.line.tolist(), {k: v.tolist() for k, v in t.columns.items()}) for t in parsed.tables
    ]
    assert found == [([2, 5], {"P1/10": [1.5, 3.5]}), ([3], {"P1/20": [2.5]})]
    assert rejects_of(parsed) == {("no_name", 1, 1, 6), ("not_a_number", 0, 1, 7)}
    assert (parsed.values_read, parsed.nulls) == (5, 1)


def test_damaged_bytes_cost_their_rows():
    rows = [f"2024-03-01 00:{i:02},{i}".encode() for i in range(10)]
    rows[2] = b"2024-03-01 00:02,\xff\xfe"
    rows[5] = b"2024-03-01 00:05,\x00\x00"
    parsed = read_table(b"time,a\n" + b"\n".join(rows) + b"\n", make_layout(), "f.csv")
    assert rejects_of(parsed) == {("damaged_text", 2, 0, 4)}
    assert parsed.rows_close()


@pytest.mark.parametrize(
    ("text", "place", "message"),
    [
        ("", "", "empty file"),
        ("Time,a\n2024-03-01 00:00,1\n", "line 1", "'time' may be 'Time' here"),
        ("x\ny\n", "line 1", "also 'time'"),
        ("time,time\n2024-03-01 00:00,1\n", "line 1", "'time' 2 times"),
        ("time,a", "line 1", "0 header rows"),
    ],
)
def test_a_file_that_does_not_fit_is_explained(text, place, message):
    with pytest.raises(ReaderError, match=message) as caught:
        read_table(text.encode(), make_layout(), "raw/f.csv")
    assert caught.value.problem.file == "raw/f.csv"
    assert caught.value.problem.place == place


def test_the_message_shows_the_rows_as_the_layout_splits_them():
    with pytest.raises(ReaderError, match=r"'time;a' \| 'b'; '2024-03-01 00:00;1' \| '5'"):
        read_table(b"time;a,b\n2024-03-01 00:00;1,5\n", make_layout(), "f.csv")


def test_titles_in_another_encoding_are_refused():
    with pytest.raises(ReaderError, match="cp1252"):
        read_table("time,Wärme\n2024-03-01 00:00,1\n".encode("latin-1"), make_layout(), "f")


def test_a_file_of_damage_is_refused():
    data = b"time,a\n" + b"2024-03-01 00:00,\xe4\n" * 3
    with pytest.raises(ReaderError, match="3 of 3 rows"):
        read_table(data, make_layout(), "f.csv")


def test_a_header_alone_is_a_file_without_values():
    parsed = read("time,a\n")
    assert (parsed.rows_read, parsed.rows_without_values, parsed.values_read) == (1, 1, 0)


def test_every_kind_has_its_reader():
    assert set(READERS) == {"table", "rounds", "sdi12"}


@pytest.mark.parametrize("kind", ["table", "rounds"])
@pytest.mark.parametrize("data", [b"", b"time,a", b"\xff\xfe\x00"])
def test_readers_refuse_empty_and_truncated_files(kind, data):
    with pytest.raises(ReaderError):
        READERS[kind](data, make_layout(), "f.csv")


def test_a_long_table_with_a_header_only_is_read_as_no_rows():
    columns = [STAMP, {"name": "key", "role": "key"}, {"name": "v", "role": "value"}]
    parsed = read("time,key,v\n", make_layout(columns))
    assert (parsed.tables, parsed.rows_read, parsed.rows_with_values) == ((), 1, 0)
