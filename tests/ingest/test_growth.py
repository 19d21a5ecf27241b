"""Grown files: what is read of the end alone equals, row by row, what the whole file gives."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest.clock import ClockRules
from pipeline.ingest.clock_edges import edges_of, spine_of
from pipeline.ingest.growth import carry_on, grown_edges, read_growth
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.place import Bench
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import Reject
from pipeline.ingest.tail import read_tail
from pipeline.site.layout import Layout
from pipeline.site.models import Clock, Source, Visit

STAMP = {
    "name": "time",
    "role": "stamp",
    "datatype": {"base": "dateTime", "format": "yyyy-MM-dd HH:mm"},
}
WIDE = "time,a,b|2024-03-01 00:00,1.5,|2024-03-01 00:10,-2,x7|2024-03-01 00:20,,|"
MESSY = (
    "made by x|# note|time,a,b|2024-03-01 00:00,1,2|2024-03-01 00:10,y,3|bad,1,2||# again|"
    "2024-03-01 00:20,1|time,a,b|2024-03-01 00:30,z,NaN,|2024-03-01 00:40,5,6|2024-03-01 0"
)
LONG = "time,key,v|" + "|".join(
    f"2024-03-01 00:{m:02},{k},{m}" for m in range(0, 60, 20) for k in ("a", "b", "")
)
FIXED = "2024-03-01 00:00   1.5|2024-03-01 00:10    -2|2024-03-01 00:20 junk!|2024-03-01 00:30"
QUOTED = '"time","a"|"2024-03-01 00:00","1"|"2024-03-01 00:10",2|"2024-03-01 00:20","x"|'
OPEN = '"time","a"|"2024-03-01 00:00","1"|"2024-03-01 00:10","|2"|"2024-03-01 00:20","4"|'
BARE = "2024-03-01 00:00;1;2|2024-03-01 00:10;3;4|2024-03-01 00:20;5;6;|2024-03-01 00:30;7|"
FOREIGN = (
    "time,a,b|2024-03-01 00:00,1,2|time,b,a|2024-03-01 00:10,3,4|2024-03-01 00:20,5,6|"
    "time,a,b|2024-03-01 00:30,7,8|"
)


def make_layout(dialect=None, columns=(), **more):
    schema = {"columns": [STAMP, *columns]}
    return Layout.model_validate(
        {"id": "x", "dialect": dialect or {}, "tableSchema": schema, **more}
    )


LONG_COLUMNS = [{"name": "key", "role": "key"}, {"name": "v", "role": "value"}]
CASES = {
    "wide": (WIDE, make_layout()),
    "messy": (MESSY, make_layout({"skipRows": 1, "commentPrefix": "#"})),
    "long": (LONG, make_layout(columns=LONG_COLUMNS)),
    "quoted": (QUOTED, make_layout()),
    "open quotes": (OPEN, make_layout()),
    "without titles": (BARE, make_layout({"delimiter": ";", "headerRowCount": 0})),
    "another header inside": (FOREIGN, make_layout()),
    "fixed columns": (
        FIXED,
        Layout.model_validate(
            {
                "id": "x",
                "dialect": {"delimiter": "", "headerRowCount": 0},
                "tableSchema": {"columns": [{**STAMP, "width": 16}, {"name": "a"}]},
            }
        ),
    ),
}
# The cases in which rows are shown to stand alone, so that the end alone is read.
BY_TAIL = ("wide", "messy", "long", "quoted", "fixed columns")
BUS = (
    "2024-03-01 00:00:00 >0M!|2024-03-01 00:00:00 <00012|2024-03-01 00:00:01 <0|"
    "2024-03-01 00:00:02 >0D0!|2024-03-01 00:00:02 <0+1.5|2024-03-01 00:00:03 >0D1!|"
    "2024-03-01 00:00:03 <0-2|2024-03-01 00:10:00 >1M!|2024-03-01 00:10:00 <10001|"
    "2024-03-01 00:10:01 >1D0!|2024-03-01 00:10:01 <1+7|2024-03-01 00:10:02 <1+8|"
)
BUS_LAYOUT = Layout.model_validate({"id": "bus", "transcript": {}})


@dataclass
class FakeSite:
    """As much of a site as reading a grown file asks for."""

    layouts: dict
    visits: tuple = ()
    interval_s: int = 600


def bench(layout, kind="table", visits=(), **clock):
    source = Source(id="s", kind=kind, files="*", layout="x", clock=Clock(**clock))
    return Bench(FakeSite({"x": layout}, visits), source, None, 0)


MARCH = datetime(2024, 3, 1, tzinfo=UTC)
CLOCK_CHECK = Visit(row=2, time=MARCH, source="s", action="clock", value=30.0, unit="s")


def account_of(data, parsed, layout=None):
    entry = FileEntry(1, "s", "f", 0, "read", len(data), 0, "", "", content_size=len(data))
    entry.begin(parsed)
    is_long = layout is not None and bench(layout).is_long
    rules = ClockRules(Clock(utc_offset="Z"), 600, 0)
    edges = edges_of(spine_of(parsed.tables, is_long), rules)
    entry.edges = "" if edges is None else edges.to_json()
    return entry


def rows_of(tables):
    """Return {(line, channel): (stamp, value)} of everything that is a value."""
    return {
        (int(line), name): (int(stamp), float(value))
        for table in tables
        for name, column in table.columns.items()
        for line, stamp, value in zip(table.line, table.stamp_s, column, strict=True)
        if not np.isnan(value)
    }


def assert_grows(data, cut, kind, layout):
    """Compare both parts, one after the other, with the whole; tell if that was possible."""
    whole = READERS[kind](data, layout, "f")
    before = READERS[kind](data[:cut], layout, "f")
    known = account_of(data[:cut], before, layout)
    growth = read_growth(data, known, bench(layout, kind, utc_offset="Z"))
    if growth is None:
        return False
    edges = grown_edges(known, growth, bench(layout, kind))
    assert edges == (account_of(data, whole, layout).edges if kind == "table" else "")
    old, new = rows_of(before.tables), rows_of(growth.tables)
    assert not old.keys() & new.keys()
    assert {**old, **new} == rows_of(whole.tables)
    entry = account_of(data, whole)
    grown = replace(entry)
    carry_on(grown, known, growth)
    assert grown == entry
    return True


def is_readable(data, kind, layout):
    try:
        READERS[kind](data, layout, "f")
    except ReaderError:
        return False
    return True


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("case", CASES)
def test_a_table_cut_anywhere_grows_to_the_same_account(case, line_end):
    text, layout = CASES[case]
    data = text.replace("|", line_end).encode()
    # Every third cut, from another one on for each line end, to be quick.
    cuts = range(1 + ["\n", "\r", "\r\n"].index(line_end), len(data), 3)
    cuts = [cut for cut in cuts if is_readable(data[:cut], "table", layout)]
    grown = [assert_grows(data, cut, "table", layout) for cut in cuts]
    assert sum(grown) > 10  # most cuts need no second taking in, whichever way
    if case in BY_TAIL:
        tails = []
        cuts = [cut for cut in cuts if line_end.encode() in data[:cut]]
        for cut in cuts:
            known = account_of(data[:cut], READERS["table"](data[:cut], layout, "f"))
            tails.append(read_tail(data, known, layout))
        assert sum(tail is not None for tail in tails) > 0.9 * len(cuts)


def test_a_tail_is_read_alone_and_numbered_as_in_the_whole_file():
    text, layout = CASES["wide"]
    data = (text.replace("|", "\n") + "2024-03-01 00:30,9,8\n").encode()
    cut = len(data) - 21
    known = account_of(data[:cut], READERS["table"](data[:cut], layout, "f"))
    tail = read_tail(data, known, layout)
    (table,) = tail.new.tables
    assert table.line.tolist() == [5]
    # by hand: the header and the new row, of the five lines
    assert tail.new.rows_read == 2
    assert tail.loose_end.rows_read == 1


@pytest.mark.parametrize("encoding", ["utf-8-sig", "latin-1", "cp1252", "utf-16", "shift_jis"])
def test_every_encoding_grows_to_the_same_account(encoding):
    layout = make_layout({"encoding": encoding})
    text = "time,T in 20 cm\n2024-03-01 00:00,1\n2024-03-01 00:10,ä\n2024-03-01 00:20,3\n"
    text = text.replace("ä", "\u00b0" if encoding == "shift_jis" else "ä")
    data = text.encode(encoding)
    cuts = [cut for cut in range(60, len(data)) if is_readable(data[:cut], "table", layout)]
    grown = [assert_grows(data, cut, "table", layout) for cut in cuts]
    assert any(grown)
    known = account_of(data[:-3], READERS["table"](data[:-4], layout, "f"))
    one_byte = encoding not in ("utf-16", "shift_jis")
    assert (read_tail(data, known, layout) is not None) == one_byte


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_transcript_cut_anywhere_grows_to_the_same_account(line_end):
    data = BUS.replace("|", line_end).encode()
    cuts = [c for c in range(1, len(data)) if is_readable(data[:c], "sdi12", BUS_LAYOUT)]
    grown = [assert_grows(data, cut, "sdi12", BUS_LAYOUT) for cut in cuts]
    assert sum(grown) > 0.9 * len(cuts)


def test_what_the_end_contradicts_is_taken_in_as_a_whole():
    # A second, different reply to the same D0 takes back the first (SDI-12 4.4.8).
    lines = ("0M!", "00001", "0D0!", "0+1", "0D0!", "0+2")
    data = "".join(
        f"2024-03-01 00:00:0{n} {'<>'[n % 2 == 0]}{text}\n" for n, text in enumerate(lines)
    ).encode()
    cut = data.index(b"2024-03-01 00:00:04")
    assert not assert_grows(data, cut, "sdi12", BUS_LAYOUT)
    known = account_of(data[:cut], READERS["sdi12"](data[:cut], BUS_LAYOUT, "f"))
    assert known.values_read == 1
    assert rows_of(READERS["sdi12"](data, BUS_LAYOUT, "f").tables) == {}


WHOLE_ONLY = {
    "rounds": {"kind": "rounds", "utc_offset": "Z"},
    "zone": {"zone": "Europe/Berlin"},
    "epoch": {"utc_offset": "Z", "epoch_s": 0},
    "check of the clock": {"utc_offset": "Z", "visits": (CLOCK_CHECK,)},
}


@pytest.mark.parametrize("case", WHOLE_ONLY)
def test_where_rows_depend_on_rows_the_whole_file_is_taken_in(case):
    text, layout = CASES["wide"]
    data = text.replace("|", "\n").encode()
    known = account_of(data[:40], READERS["table"](data[:40], layout, "f"))
    assert read_growth(data, known, bench(layout, **WHOLE_ONLY[case])) is None
    assert read_growth(data, known, bench(layout, utc_offset="Z")) is not None


@pytest.mark.parametrize("reason", ["before_start", "clock_reset"])
def test_where_a_clock_began_anew_the_whole_file_is_taken_in(reason):
    text, layout = CASES["wide"]
    data = text.replace("|", "\n").encode()
    known = account_of(data[:40], READERS["table"](data[:40], layout, "f"))
    known.reject(Reject(reason, 0, 1, 2, "", ""))
    assert read_growth(data, known, bench(layout, utc_offset="Z")) is None


@pytest.mark.parametrize("minute", [-10, 24 * 60 - 10, 24 * 60 - 9, -24 * 60 - 11])
def test_where_the_clock_leaps_or_falls_back_the_whole_file_is_taken_in(minute):
    rows = [f"{np.datetime64('2024-03-01T00:00') + m},1" for m in (0, 10, 20 + minute)]
    layout = Layout.model_validate(
        {"id": "x", "tableSchema": {"columns": [{**STAMP, "datatype": {"base": "dateTime"}}]}}
    )
    data = "\n".join(["time,a", *rows, ""]).encode()
    cut = len(data) - len(rows[2]) - 1
    known = account_of(data[:cut], READERS["table"](data[:cut], layout, "f"))
    growth = read_growth(data, known, bench(layout, utc_offset="Z"))
    # by hand: steps of 0, of a day, of a day and a minute, and of as much back
    assert (growth is None) == (minute != 24 * 60 - 10)


CELLS = ["1", "-2.5", "", "x", "NaN", '"3"', '"', '"4', "5,6", "time", "#", "\ufffd"]
STARTS = ["2024-03-01 00:00", '"2024-03-01 00:10"', "2024-13-01 00:00", "time", "", "# x"]


@given(
    st.lists(
        st.tuples(st.sampled_from(STARTS), st.lists(st.sampled_from(CELLS), max_size=3)),
        min_size=1,
        max_size=8,
    ),
    st.sampled_from(
        [
            {},
            {"headerRowCount": 0},
            {"commentPrefix": "#"},
            {"footerPrefixes": ["#", "2024-13"]},
            {"skipRows": 2},
        ]
    ),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.data(),
)
@settings(max_examples=400, deadline=None)
def test_any_rows_cut_anywhere_grow_to_the_same_account(rows, dialect, line_end, data):
    layout = make_layout(dialect, columns=[{"name": "a"}, {"name": "b"}])
    lines = ["time,a,b", *(",".join([first, *cells]) for first, cells in rows)]
    content = (line_end.join(lines) + data.draw(st.sampled_from([line_end, ""]))).encode()
    cut = data.draw(st.integers(1, max(1, len(content) - 1)))
    readable = is_readable(content, "table", layout)
    if readable and is_readable(content[:cut], "table", layout):
        assert_grows(content, cut, "table", layout)
