"""Written times to seconds, against Python's datetime and against published epochs."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest.stamps import read_stamps, stamp_part
from pipeline.site.layout import Column, Datatype, Layout, TableSchema, layout_faults
from pipeline.site.patterns import pattern_tokens


def read(columns, *datatypes):
    """Return (seconds or None per row) of stamp columns given as lists of text."""
    buffer, spans = b"", []
    for cells in columns:
        edges = np.cumsum([len(buffer), *(len(cell.encode()) for cell in cells)])
        spans.append((edges[:-1].astype(np.int32), edges[1:].astype(np.int32)))
        buffer += "".join(cells).encode()
    parts = [stamp_part(Datatype.model_validate(d)) for d in datatypes]
    seconds, good = read_stamps(np.frombuffer(buffer or b" ", np.uint8), spans, parts)
    return [int(s) if g else None for s, g in zip(seconds, good, strict=True)]


def one(text, pattern, **more):
    return read([[text]], {"base": "dateTime", "format": pattern, **more})[0]


def utc(*parts):
    return int(datetime(*parts, tzinfo=UTC).timestamp())


# Reference code for all: Python's datetime.
@pytest.mark.parametrize(
    ("text", "pattern", "expected"),
    [
        ("2024-03-01 00:10:00", "yyyy-MM-dd HH:mm:ss", utc(2024, 3, 1, 0, 10)),
        ("2024-03-01T00:10", "yyyy-MM-ddTHH:mm", utc(2024, 3, 1, 0, 10)),
        ("2024-03-01T00:10", "yyyy-MM-dd'T'HH:mm", utc(2024, 3, 1, 0, 10)),
        ("202403010010", "yyyyMMddHHmm", utc(2024, 3, 1, 0, 10)),
        ("01.03.2024 0:10", "dd.MM.yyyy H:mm", utc(2024, 3, 1, 0, 10)),
        ("3/1/24 23:59", "M/d/yy H:mm", utc(2024, 3, 1, 23, 59)),
        (" 3/ 1/1969  9:05", "M/d/yyyy H:mm", utc(1969, 3, 1, 9, 5)),
        ("01/03/69 09:05", "dd/MM/yy HH:mm", utc(1969, 3, 1, 9, 5)),
        ("01/03/68 09:05", "dd/MM/yy HH:mm", utc(2068, 3, 1, 9, 5)),
        ("3/1/2024 12:05:09 AM", "M/d/yyyy h:mm:ss a", utc(2024, 3, 1, 0, 5, 9)),
        ("3/1/2024 12:05:09 pm", "M/d/yyyy h:mm:ss a", utc(2024, 3, 1, 12, 5, 9)),
        ("3/1/2024 1:05:09 p.m.", "M/d/yyyy h:mm:ss a", utc(2024, 3, 1, 13, 5, 9)),
        ("01-Mar-2024 07:00", "dd-MMM-yyyy HH:mm", utc(2024, 3, 1, 7)),
        ("1 SEPTEMBER 2024 07:00", "d MMMM yyyy HH:mm", utc(2024, 9, 1, 7)),
        ("Fri, 1 Mar 2024 07:00", "EEE, d MMM yyyy HH:mm", utc(2024, 3, 1, 7)),
        ("2024 061 0010", "yyyy DDD HHmm", utc(2024, 3, 1, 0, 10)),
        ("2024-12-31 24:00", "yyyy-MM-dd HH:mm", utc(2025, 1, 1)),
        ("2024-12-31 24:30", "yyyy-MM-dd kk:mm", utc(2024, 12, 31, 0, 30)),
        ("2024-03-01 00:10:00.750", "yyyy-MM-dd HH:mm:ss.SSS", utc(2024, 3, 1, 0, 10)),
        ("2024-03-01T00:10:00+02:00", "yyyy-MM-ddTHH:mm:ssX", utc(2024, 2, 29, 22, 10)),
        ("2024-03-01T00:10:00Z", "yyyy-MM-ddTHH:mm:ssX", utc(2024, 3, 1, 0, 10)),
        ("2024-03-01 00:10 -0330", "yyyy-MM-dd HH:mm Z", utc(2024, 3, 1, 3, 40)),
        ("2024-02-29 00:00", "yyyy-MM-dd HH:mm", utc(2024, 2, 29)),
        ("2000-02-29 00:00", "yyyy-MM-dd HH:mm", utc(2000, 2, 29)),
        ("1900-01-01 00:00", "yyyy-MM-dd HH:mm", utc(1900, 1, 1)),
        ("2024o'clock3-1", "yyyy'o''clock'M-d", utc(2024, 3, 1)),
    ],
)
def test_patterns(text, pattern, expected):
    assert one(text, pattern) == expected


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("2023-02-29 00:00", "yyyy-MM-dd HH:mm"),
        ("1900-02-29 00:00", "yyyy-MM-dd HH:mm"),
        ("2024-13-01 00:00", "yyyy-MM-dd HH:mm"),
        ("2024-00-01 00:00", "yyyy-MM-dd HH:mm"),
        ("2024-04-31 00:00", "yyyy-MM-dd HH:mm"),
        ("2024-01-01 24:01", "yyyy-MM-dd HH:mm"),
        ("2024-01-01 25:00", "yyyy-MM-dd HH:mm"),
        ("2024-01-01 00:60", "yyyy-MM-dd HH:mm"),
        ("2024-1-01 00:00", "yyyy-MM-dd HH:mm"),
        ("2024-01-01 00:00x", "yyyy-MM-dd HH:mm"),
        ("2024-01-01 00:0", "yyyy-MM-dd HH:mm"),
        ("2024-01-01", "yyyy-MM-dd HH:mm"),
        ("", "yyyy-MM-dd HH:mm"),
        ("3/1/2024 13:05 PM", "M/d/yyyy h:mm a"),
        ("3/1/2024 0:05 PM", "M/d/yyyy h:mm a"),
        ("2023 366 0000", "yyyy DDD HHmm"),
        ("01-Foo-2024", "dd-MMM-yyyy"),
        ("0000-01-01", "yyyy-MM-dd"),
    ],
)
def test_what_is_no_instant_is_bad(text, pattern):
    assert one(text, pattern) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2024-03-01 00:10", utc(2024, 3, 1, 0, 10)),
        ("2024-03-01T00:10:30", utc(2024, 3, 1, 0, 10, 30)),
        ("2024-03-01 00:10:30.25", utc(2024, 3, 1, 0, 10, 30)),
        ("2024-03-01T00:10:30Z", None),  # an offset must be in the pattern to be believed
        ("01.03.2024 00:10", None),
    ],
)
def test_without_a_pattern_iso_8601_is_read(text, expected):
    assert read([[text]], {"base": "dateTime"}) == [expected]


def test_date_and_time_in_columns_of_their_own():
    columns = [["01.02.2024", "01.02.2024"], ["06:30", "24:00"]]
    date, time = {"base": "date", "format": "dd.MM.yyyy"}, {"base": "time"}
    assert read(columns, date, time) == [utc(2024, 2, 1, 6, 30), utc(2024, 2, 2)]


def test_year_day_of_year_and_hhmm():
    columns = [
        ["1999"] * 5,
        ["141", "142", "365", "142", "366"],
        ["1800", "0", "2400", "630", "0"],
    ]
    year = {"base": "date", "format": "yyyy"}
    expected = [
        utc(1999, 5, 21, 18), utc(1999, 5, 22), utc(2000, 1, 1), utc(1999, 5, 22, 6, 30), None,
    ]  # fmt: skip
    assert read(columns, year, {"base": "dayOfYear"}, {"base": "hhmm"}) == expected


def test_a_fraction_of_the_day_of_year_is_the_time_of_day():
    columns = [["2024", "2024"], ["61.25", "61"]]
    found = read(columns, {"base": "date", "format": "yyyy"}, {"base": "dayOfYear"})
    assert found == [utc(2024, 3, 1, 6), utc(2024, 3, 1)]


@pytest.mark.parametrize("text", ["2360", "1275", "-5", "2401", "12.5", "x", ""])
def test_what_is_no_hhmm_is_bad(text):
    columns = [["2024-01-01"], [text]]
    assert read(columns, {"base": "date"}, {"base": "hhmm"}) == [None]


def test_seconds_and_milliseconds_since_1970():
    # printed: 1 000 000 000 s is 2001-09-09 01:46:40 UTC (POSIX.1-2017 rationale, A.4.16 form)
    assert read([["1000000000"]], {"base": "epochSeconds"}) == [utc(2001, 9, 9, 1, 46, 40)]
    assert read([["1000000000999"]], {"base": "epochMilliseconds"}) == [1_000_000_000]
    assert read([["1e300"]], {"base": "epochSeconds"}) == [None]


def test_serial_days_of_both_spreadsheet_systems():
    # by hand: 1 January 1970 is serial 25569 in the 1900 system, 24107 in the 1904 system
    assert read([["25569", "25569.5", "60"]], {"base": "serialDay"}) == [0, 43_200, None]
    assert read([["24107.25"]], {"base": "serialDay", "format": "1904"}) == [21_600]
    # ten minutes as a spreadsheet writes them out
    assert read([["45352.0069444444"]], {"base": "serialDay"}) == [utc(2024, 3, 1, 0, 10)]


def test_decimal_comma_in_serial_days():
    found = read([["45352,0069444444"]], {"base": "serialDay", "decimalChar": ","})
    assert found == [utc(2024, 3, 1, 0, 10)]


def test_month_names_of_another_language():
    months = "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.".split()
    assert one("01 août 2024", "dd MMM yyyy", months=months) == utc(2024, 8, 1)


@given(
    st.datetimes(min_value=datetime(1000, 1, 1), max_value=datetime(9999, 12, 31)),
    st.sampled_from(
        [
            ("yyyy-MM-dd HH:mm:ss", "{0:%Y-%m-%d %H:%M:%S}"),
            ("d.M.yyyy H:mm:ss", "{0.day}.{0.month}.{0.year} {0.hour}:{0:%M:%S}"),
            ("yyyyMMddHHmmss", "{0:%Y%m%d%H%M%S}"),
            ("yyyy/DDD hh:mm:ss a", "{0:%Y/%j %I:%M:%S %p}"),
            ("dd MMM yyyy HHmmss", "{0:%d %b %Y %H%M%S}"),
        ]
    ),
)
def test_every_instant_is_read_back(instant, form):
    pattern, written = form
    expected = (instant.replace(microsecond=0) - datetime(1970, 1, 1)) // timedelta(seconds=1)
    assert one(written.format(instant), pattern) == expected


def layout(*columns):
    return Layout(id="x", table_schema=TableSchema(columns=columns))


@pytest.mark.parametrize(
    ("datatype", "fault"),
    [
        ({"base": "dateTime", "format": "yyyy-MM HH:mm"}, "do not make a date"),
        ({"base": "time", "format": "HH:mm"}, "do not make a date"),
        ({"base": "dateTime", "format": "yyyy-MM-dd h:mm"}, "12-hour clock"),
        ({"base": "dateTime", "format": "yyyy-MM-dd QQ"}, "'Q' is not understood"),
        ({"base": "dateTime", "format": "%d.%m.%Y %H:%M"}, "write it as dd.MM.yyyy HH:mm"),
        ({"base": "dateTime", "format": "dd.MM.YYYY"}, "years are y"),
        ({"base": "dateTime", "format": "dd.mm.yyyy HH:MM"}, "months are MM, minutes mm"),
        ({"base": "dateTime", "format": "DD.MM.yyyy HH:mm"}, "days of the month are d"),
        ({"base": "dateTime", "format": "yyyyyy"}, "more than 4"),
        ({"base": "dateTime", "format": "yyyy 'x"}, "is not closed"),
        ({"base": "number"}, "a stamp is one of"),
        ({"base": "serialDay", "format": "1901"}, "1900"),
    ],
)
def test_a_layout_that_makes_no_instant_is_told(datatype, fault):
    column = Column(name="t", role="stamp", datatype=Datatype.model_validate(datatype))
    assert any(fault in text for text in layout_faults(layout(column), "table"))


def test_a_sound_layout_has_no_faults():
    column = Column(name="t", role="stamp", datatype=Datatype(base="serialDay"))
    assert layout_faults(layout(column), "table") == ()


def test_quotes_in_patterns():
    # UAX #35: two single quotes are an apostrophe
    assert [t.text or t.letter for t in pattern_tokens("y'o''clock'''")] == ["y", "o'clock'"]
    assert [t.text or t.letter for t in pattern_tokens("y''M")] == ["y", "'", "M"]
