"""Proposed layouts: what was written in some dialect is read back by what is proposed."""

import gzip
import json
import os
import tomllib
import zlib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.ingest.readers import READERS
from pipeline.ingest.sniff import render, sniff
from pipeline.site.layout import Layout, layout_faults

ROOT = Path(__file__).parents[2]
SHARED = (ROOT / os.environ.get("PERCOLOG_SHARED_DATA", "../shared/data")).resolve()
EPOCH = datetime(1970, 1, 1)
MARCH_13 = datetime(2024, 3, 13)
# UAX #35 pattern as proposed, and the strftime that writes it.
STAMPS = {
    "yyyy-MM-dd HH:mm": "%Y-%m-%d %H:%M",
    "yyyy-MM-ddTHH:mm:ss": "%Y-%m-%dT%H:%M:%S",
    "yyyy/MM/dd HH:mm:ss": "%Y/%m/%d %H:%M:%S",
    "dd.MM.yyyy HH:mm": "%d.%m.%Y %H:%M",
    "dd/MM/yyyy HH:mm:ss": "%d/%m/%Y %H:%M:%S",
    "MM/dd/yyyy HH:mm": "%m/%d/%Y %H:%M",
    "MM/dd/yyyy hh:mm a": "%m/%d/%Y %I:%M %p",
    "dd-MMM-yyyy HH:mm": "%d-%b-%Y %H:%M",
    "yyyyMMddHHmm": "%Y%m%d%H%M",
    "dd.MM.yy HH:mm": "%d.%m.%y %H:%M",
}


def propose(text, name="raw/sample.csv", encoding="utf-8"):
    """Return a proposal, after holding it to what every proposal must keep."""
    proposal = sniff(text.encode(encoding) if isinstance(text, str) else text, name)
    text = render(proposal)
    json.dumps(proposal.as_dict())
    if proposal.layout is None:
        assert proposal.problem
        assert proposal.problem in text
        return proposal
    form = tomllib.loads(text)
    again = Layout.model_validate({"id": proposal.layout.id, **form})
    assert again == proposal.layout.model_copy(update={"title": again.title})
    assert layout_faults(again, proposal.kind) == ()
    for doubt in proposal.doubts:
        assert doubt[:30] in text
    return proposal


def read(proposal, text, encoding="utf-8"):
    data = text.encode(encoding) if isinstance(text, str) else text
    return READERS[proposal.kind](data, proposal.layout, "raw/sample.csv")


def seconds(when):
    return (when - EPOCH) // timedelta(seconds=1)


def series(form, count=30, start=MARCH_13, minutes=60):
    """Return (written stamp, instant) of an even series."""
    times = [start + timedelta(minutes=minutes * n) for n in range(count)]
    return [(when.strftime(form), seconds(when)) for when in times]


@st.composite
def tables(draw):
    """Return a table written in a dialect that leaves no choice, and what it holds."""
    pattern = draw(st.sampled_from(list(STAMPS)))
    delimiter = draw(st.sampled_from([";", "\t", "|", ","]))
    decimal = "." if delimiter == "," else draw(st.sampled_from([".", ","]))
    null = draw(st.sampled_from(["", "NAN", "NaN", "---", "n/a"]))
    sentinel = draw(st.sampled_from([None, -6999, -9999.0, 7999, -99999]))
    quoted = draw(st.booleans())
    header = draw(st.sampled_from([0, 1, 2, 3]))
    preamble = draw(st.integers(0, 3)) if header else 0
    comments = draw(st.booleans())
    start = MARCH_13 + timedelta(days=draw(st.integers(0, 15)), hours=draw(st.integers(0, 5)))
    stamps = series(
        STAMPS[pattern], draw(st.integers(8, 40)), start, draw(st.sampled_from([15, 60]))
    )
    width = draw(st.integers(1, 6))
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    values = np.round(random.normal(20, 5, (len(stamps), width)), draw(st.integers(1, 4)))
    values[:, 0] += 0.5  # a whole number in every cell would say nothing of decimals
    lost = random.random(values.shape) < 0.1
    lost[0] = False
    marked = lost & (random.random(values.shape) < 0.5) & (sentinel is not None)
    mark = (lambda cell: f'"{cell}"') if quoted else str
    lines = [f"station file no {n}" for n in range(preamble)]
    lines += ["# a comment of no meaning"] if comments else []
    titles = [mark("Time"), *(mark(f"probe {k}") for k in range(width))]
    lines += [delimiter.join(titles)] if header else []
    lines += [delimiter.join(["", *(["mV"] * width)])] if header > 1 else []
    lines += [delimiter.join(["", *(["Avg"] * width)])] if header > 2 else []
    for i, (stamp, _) in enumerate(stamps):
        cells = [
            (str(sentinel).replace(".", decimal) if marked[i, k] else null)
            if lost[i, k]
            else repr(float(values[i, k])).replace(".", decimal)
            for k in range(width)
        ]
        lines.append(delimiter.join([mark(stamp), *cells]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
    text = "".join(line + draw(st.sampled_from(["\r\n", "\n"])) for line in lines)
    values[lost] = np.nan
    return text.encode(encoding), [instant for _, instant in stamps], values


@given(tables())
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
def test_tables_in_any_plain_dialect_are_read_back_equal(table):
    data, instants, values = table
    proposal = propose(data)
    assert proposal.problem == ""
    parsed = read(proposal, data)
    (found,) = parsed.tables
    kept = ~np.isnan(values).all(axis=1)
    assert parsed.rejects == ()
    assert found.stamp_s.tolist() == np.array(instants)[kept].tolist()
    np.testing.assert_array_equal(np.stack(list(found.columns.values()), axis=1), values[kept])


SAMPLES = {
    "day of year and hhmm": (
        "2024,73,{hhmm},{v}",
        ["date", "dayOfYear", "hhmm"],
        "Year,Day,Hour,a\n",
    ),
    "date and hhmm": ("20240313,{hhmm},{v}", ["date", "hhmm"], "day,time,a\n"),
    "date and time": ("13.03.2024;{h:02}:30;{v}", ["date", "time"], "Datum;Uhrzeit;a\n"),
    "runs of blanks": ("7  20240313  {hhmm}   {v}  {v}", ["date", "hhmm"], ""),
    "epoch seconds": ("{epoch},{v}", ["epochSeconds"], "t,a\n"),
    "epoch milliseconds": ("{epoch}000,{v}", ["epochMilliseconds"], "t,a\n"),
    "serial day": ("{serial},{v}", ["serialDay"], "t,a\n"),
}


@pytest.mark.parametrize("case", SAMPLES)
def test_other_ways_to_write_a_time(case):
    line, bases, header = SAMPLES[case]
    rows = []
    instants = [seconds(MARCH_13 + timedelta(hours=h, minutes=30)) for h in range(24)]
    for h, instant in enumerate(instants):
        serial = f"{instant / 86_400 + 25_569:.8f}"
        rows.append(line.format(h=h, hhmm=100 * h + 30, epoch=instant, serial=serial, v=h / 4))
    text = header + "".join(row + "\n" for row in rows)
    proposal = propose(text)
    stamps = [c for c in proposal.layout.table_schema.columns if c.role == "stamp"]
    assert [c.datatype.base for c in stamps] == bases
    (table,) = read(proposal, text).tables
    assert table.stamp_s.tolist() == instants
    assert list(table.columns.values())[-1].tolist() == [h / 4 for h in range(24)]


def test_fixed_columns_with_empty_cells():
    rows = [
        f"{stamp}{'' if h % 3 else h / 2!s:>8}{h * 1.5:>8.1f}"
        for h, (stamp, _) in enumerate(series("%Y-%m-%d %H:%M"))
    ]
    text = "".join(row + "\n" for row in rows)
    proposal = propose(text)
    assert proposal.layout.dialect.delimiter is None
    assert any("widths" in doubt for doubt in proposal.doubts)
    (table,) = read(proposal, text).tables
    first, second = list(table.columns.values())
    np.testing.assert_array_equal(first, [np.nan if h % 3 else h / 2 for h in range(30)])
    assert second.tolist() == [h * 1.5 for h in range(30)]


def test_long_form_is_told_from_wide():
    text = "when,channel,unit,value\n" + "".join(
        f"{stamp},{name},mV,{h + k / 10}\n"
        for h, (stamp, _) in enumerate(series("%Y-%m-%d %H:%M"))
        for k, name in enumerate(("T1/10", "T1/20", "T2/10"))
    )
    proposal = propose(text)
    roles = {c.name: c.role for c in proposal.layout.table_schema.columns}
    assert roles == {"when": "stamp", "channel": "key", "unit": "ignore", "value": "value"}
    assert any("long form" in doubt for doubt in proposal.doubts)
    tables = read(proposal, text).tables
    assert [list(table.columns) for table in tables] == [["T1/10"], ["T1/20"], ["T2/10"]]
    assert tables[1].columns["T1/20"].tolist() == [h + 0.1 for h in range(30)]


AMBIGUOUS = {
    # the first number changes from row to row: it is the day
    "by change": ("%d/%m/%Y %H:%M", 360, "dd/MM/yyyy HH:mm", "changes more often"),
    "by habit, points": ("%d.%m.%Y %H:%M", 15, "dd.MM.yyyy HH:mm", "no row tells"),
    "by habit, strokes": ("%m/%d/%Y %H:%M", 15, "MM/dd/yyyy HH:mm", "no row tells"),
    "short year": ("%d.%m.%y %H:%M", 15, "dd.MM.yy HH:mm", "two digits and may be any"),
}


@pytest.mark.parametrize("case", AMBIGUOUS)
def test_what_is_ambiguous_is_said(case):
    form, minutes, pattern, words = AMBIGUOUS[case]
    stamps = series(form, 24, datetime(2024, 3, 2), minutes)
    text = "time,a\n" + "".join(f"{stamp},{n}.5\n" for n, (stamp, _) in enumerate(stamps))
    proposal = propose(text)
    assert proposal.layout.table_schema.columns[0].datatype.format == pattern
    assert any(words in doubt for doubt in proposal.doubts)
    assert words in render(proposal)


def test_a_day_above_twelve_leaves_no_doubt():
    stamps = series("%d/%m/%Y %H:%M", 24)
    text = "time,a\n" + "".join(f"{stamp},{n}.5\n" for n, (stamp, _) in enumerate(stamps))
    assert propose(text).doubts == ()


def test_commas_that_may_be_groups_are_said():
    stamps = series("%Y-%m-%d %H:%M", 24)
    text = "time;a\n" + "".join(f"{stamp};{n},125\n" for n, (stamp, _) in enumerate(stamps))
    proposal = propose(text)
    assert any("decimal comma" in doubt for doubt in proposal.doubts)
    assert read(proposal, text).tables[0].columns["a"].tolist() == [
        n + 0.125 for n in range(24)
    ]


def test_odd_texts_sentinels_counter_units_and_footer_are_told():
    stamps = series("%Y-%m-%d %H:%M", 24)
    rows = [
        f"{stamp},{100 + n},{'broken' if n == 5 else n * 0.5},{-6999 if n == 7 else 20.5},up\n"
        for n, (stamp, _) in enumerate(stamps)
    ]
    head = "Station 7\ntime,record,a,b,state\n,,mV,°C,\n"
    text = head + "".join(rows) + "End of file\n"
    proposal = propose(text)
    layout, said = proposal.layout, " | ".join(proposal.doubts)
    assert layout.dialect.skip_rows == 1
    assert (layout.dialect.header_row_count, layout.dialect.units_row) == (2, 2)
    assert {c.name: c.role for c in layout.table_schema.columns} == {
        "time": "stamp",
        "record": "counter",
        "state": "ignore",
    }
    assert layout.table_schema.sentinels == (-6999,)
    assert "broken" in layout.table_schema.null
    for words in ("'broken'", "-6999", "record counter", "End of file", "line 2"):
        assert words in said
    parsed = read(proposal, text)
    assert [(r.reason, r.rows) for r in parsed.rejects] == [("wrong_field_count", 1)]
    assert parsed.nulls == 2


def test_a_cut_beginning_a_packed_file_and_other_encodings():
    stamps = series("%Y-%m-%d %H:%M", 400)
    rows = "".join(f"{stamp};{n},5\n" for n, (stamp, _) in enumerate(stamps))
    text = "Zeit;Bodentemperatur °C\n" + rows
    whole = propose(text, encoding="latin-1")
    assert whole.layout.dialect.encoding == "iso-8859-1"
    assert any("Bodentemperatur °C" in doubt for doubt in whole.doubts)
    cut = propose(text.encode("latin-1")[:3000])
    assert cut.layout.table_schema == whole.layout.table_schema
    assert cut.account["rejects"] == []
    packed = gzip.compress(text.encode("latin-1"))
    for data in (packed, packed[: len(packed) // 2]):
        proposal = propose(data, "raw/sample.csv.gz")
        assert proposal.layout.table_schema == whole.layout.table_schema
        assert proposal.facts[0] == "compressed (gz)"


BUS = [("0C!", "000302"), ("0D0!", "0+1.5-2"), ("1M!", "10001"), ("1D0!", "1+7.25")]
BUS_FORMS = {
    "marks": ("{t} >{c}|{t} <{r}|", {}),
    "words": ("{t};TX {c}|{t};RX {r}|", {"separator": ";", "sent": "TX", "received": "RX"}),
    "no marks": ("{t} {c}|{t} {r}|", {"sent": "", "received": ""}),
    "stamps behind": ("{c} {t}|{r} {t}|", {"stamp_position": "after"}),
    "joined": ("{t} {c}{r}|", {"joined": True}),
}


@pytest.mark.parametrize("case", BUS_FORMS)
@pytest.mark.parametrize("stamp", ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S"])
def test_bus_logs_are_told_and_read(case, stamp):
    line, expected = BUS_FORMS[case]
    lines = []
    for n in range(20):
        for k, (command, reply) in enumerate(BUS):
            when = MARCH_13 + timedelta(minutes=10 * n, seconds=5 * k)
            lines.append(line.format(t=when.strftime(stamp), c=command, r=reply))
    text = "# log of a bus\n" + "".join(lines).replace("|", "\n")
    proposal = propose(text)
    assert proposal.kind == "sdi12"
    for key, value in expected.items():
        assert getattr(proposal.layout.transcript, key) == value
    parsed = read(proposal, text)
    assert parsed.rejects == ()
    assert sorted(name for table in parsed.tables for name in table.columns) == [
        "0.C.1", "0.C.2", "1.M.1",
    ]  # fmt: skip
    assert parsed.tables[0].columns["0.C.2"].tolist() == [-2.0] * 20


def test_a_log_of_answers_only_says_what_a_person_must_state():
    text = "".join(
        f"{when} 0+{n}.5-2\n" for n, (when, _) in enumerate(series("%Y-%m-%d %H:%M:%S"))
    )
    proposal = propose(text)
    assert proposal.kind == "sdi12"
    assert proposal.problem
    assert any("transcript.answers" in doubt for doubt in proposal.doubts)


NOTHING = {
    "empty": (b"", "empty"),
    "blank": (b"\r\n\r\n", "empty"),
    "binary": (zlib.compress(os.urandom(3000)), "no text"),
    "prose": (b"A walk along the hedge.\nIt rained all the time.\n", "no delimiter"),
    "no dates": (b"a,b\n1,2\n3,4\n5,6\n", "no column holds dates"),
    "damaged archive": (gzip.compress(b"a")[:10] + b"\xff" * 40, "damaged"),
}


@pytest.mark.parametrize("case", NOTHING)
def test_what_no_layout_can_be_proposed_for_says_why(case):
    data, words = NOTHING[case]
    proposal = propose(data)
    assert proposal.layout is None
    assert words in proposal.problem


@given(st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
@settings(max_examples=80, deadline=None)
def test_any_bytes_give_a_proposal_or_a_reason(data):
    proposal = propose(data, "x")
    assert (proposal.layout is None) == bool(proposal.problem)


@given(st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), max_size=6))
@settings(max_examples=60, deadline=None)
def test_a_damaged_file_gives_a_proposal_or_a_reason(changes):
    stamps = series("%Y-%m-%d %H:%M", 60)
    rows = (f'"{stamp}",{n}.5,NAN\n' for n, (stamp, _) in enumerate(stamps))
    data = bytearray(('time,a,"b"\n' + "".join(rows)).encode())
    for place, byte in changes:
        data[place % len(data)] = byte
    proposal = propose(bytes(data))
    assert (proposal.layout is None) == bool(proposal.problem)


DEMO = sorted((ROOT / "data" / "raw").rglob("*.*"))


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.name)
def test_the_demo_files_are_read_like_the_demo_layouts_read_them(path):
    data = path.read_bytes()
    proposal = propose(data, path.name)
    name = path.parent.name
    text = (ROOT / "config" / "layouts" / f"{name}.toml").read_text()
    layout = Layout.model_validate({"id": name, **tomllib.loads(text)})
    kind = {"plot": "table", "bus": "sdi12", "rounds": "rounds"}[name]
    assert proposal.kind == kind
    expected = READERS[kind](data, layout, path.name)
    found = READERS[kind](data, proposal.layout, path.name)
    assert found.rows_with_values == expected.rows_with_values
    assert found.values_read == expected.values_read
    for ours, theirs in zip(found.tables, expected.tables, strict=True):
        np.testing.assert_array_equal(ours.stamp_s, theirs.stamp_s)
        assert ours.columns.keys() == theirs.columns.keys()


# File, rows with values and the problem; counted by hand from the number of lines.
OPEN = {
    "uscrn-hourly/CRNH0203-2012-NY_Ithaca_13_E.txt": 8784,
    "uscrn-hourly/CRNH0203-2024-CO_Boulder_14_W.txt": 8784,
    "scan-2198/SCAN_AllVariables_Daily_20130724-20170101_20241031.csv": 990,
    "icos-lanna-swap/lanna_slice.csv": 21,
    "crn-messy/CRN_with_problems.txt": 3,
    "caf-1999-probe/sheet_212_verbatim.csv": 243,
    "caf-1999-probe/sheet_119_verbatim.csv": 1451,
    "caf-gravimetric/VolumetricWaterContentFromRevisedBd_P2_20210907.csv": 5075,
    "caf-gravimetric/24_bulkDensityPerFootTidy.csv": "no column holds dates",
    "sdi12/spec_v1_4_examples.txt": "hold no time",
}


@pytest.mark.skipif(
    not SHARED.is_dir(),
    reason=f"the open records are not at {SHARED}; set PERCOLOG_SHARED_DATA to their folder",
)
@pytest.mark.parametrize("path", OPEN)
def test_open_records_are_read_whole_or_it_is_said_why_not(path):
    data = (SHARED / path).read_bytes()
    proposal = propose(data, path)
    if isinstance(OPEN[path], str):
        assert OPEN[path] in proposal.problem
        return
    parsed = READERS[proposal.kind](data, proposal.layout, path)
    assert parsed.rows_with_values == OPEN[path]
    assert sum(reject.rows for reject in parsed.rejects) == 0
