"""Invariants of reading delimited files: tables come back exactly, damage is contained."""

import contextlib
import time
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest.delimited import read_table
from pipeline.ingest.rounds import read_rounds
from pipeline.site.layout import Layout

EPOCH = np.datetime64("1970-01-01T00:00:00")
PATTERNS = {
    "yyyy-MM-dd HH:mm": "%Y-%m-%d %H:%M",
    "dd.MM.yyyy HH:mm": "%d.%m.%Y %H:%M",
    "yyyyMMddHHmm": "%Y%m%d%H%M",
}
numbers = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12),
    st.integers(-(10**6), 10**6).map(lambda n: n / 1000),
)


@dataclass
class Written:
    """A table written in some dialect, and what was written."""

    data: bytes
    layout: Layout
    minutes: list
    cells: list  # of rows; None where null


@st.composite
def written_tables(draw):
    width, height = draw(st.integers(1, 6)), draw(st.integers(0, 12))
    delimiter = draw(st.sampled_from([",", ";", "\t", " +", None]))
    decimal = draw(st.sampled_from([".", ","])) if delimiter != "," else "."
    pattern = draw(st.sampled_from(list(PATTERNS)))
    if delimiter == " +":
        pattern = "yyyyMMddHHmm"
    marker = draw(st.sampled_from(["NAN", "-", "n/a"]))
    quoted = draw(st.booleans()) and delimiter not in (None, " +")
    line_end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-16", "latin-1"]))
    header = draw(st.booleans())
    minutes = draw(st.lists(st.integers(-(10**7), 10**8), min_size=height, max_size=height))
    cells = [[draw(st.one_of(st.none(), numbers)) for _ in range(width)] for _ in minutes]
    texts = [["stamp", *(f"c{i}" for i in range(width))]] if header else []
    for minute, row in zip(minutes, cells, strict=True):
        when = (EPOCH + np.timedelta64(minute, "m")).astype(object)
        texts.append(
            [when.strftime(PATTERNS[pattern])]
            + [marker if v is None else repr(v).replace(".", decimal) for v in row]
        )
    widths = [max((len(row[k]) for row in texts), default=1) + 1 for k in range(width + 1)]
    lines = [_line(row, delimiter, quoted, widths) for row in texts]
    columns = [
        {"name": "stamp", "role": "stamp", "datatype": {"base": "dateTime", "format": pattern}}
    ] + [{"name": f"c{i}", "datatype": {"decimalChar": decimal}} for i in range(width)]
    if delimiter is None:
        columns = [c | {"width": w} for c, w in zip(columns, widths, strict=True)]
    dialect = {"delimiter": delimiter, "encoding": encoding, "headerRowCount": int(header)}
    schema = {"columns": columns, "null": [marker]}
    layout = Layout.model_validate({"id": "x", "dialect": dialect, "tableSchema": schema})
    text = "".join(line + line_end for line in lines)
    return Written(text.encode(encoding), layout, minutes, cells)


def _line(row, delimiter, quoted, widths):
    if delimiter is None:
        return "".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
    if quoted:
        row = [f'"{cell}"' for cell in row]
    return (" " if delimiter == " +" else delimiter).join(row)


@given(written_tables())
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_was_written_is_read_back_exactly(written):
    if len(written.data) <= 2:
        with pytest.raises(ReaderError):
            read_table(written.data, written.layout, "f")
        return
    parsed = read_table(written.data, written.layout, "f")
    assert parsed.rows_close()
    assert parsed.rejects == ()
    kept = [k for k, row in enumerate(written.cells) if any(v is not None for v in row)]
    (table,) = parsed.tables
    assert table.stamp_s.tolist() == [written.minutes[k] * 60 for k in kept]
    header = written.layout.dialect.header_row_count
    assert table.line.tolist() == [k + 1 + header for k in kept]
    for name, column in table.columns.items():
        expected = [written.cells[k][int(name[1:])] for k in kept]
        wanted = [np.nan if v is None else v for v in expected]
        np.testing.assert_array_equal(column, wanted)
    assert parsed.nulls == sum(v is None for row in written.cells for v in row)


SAMPLE = (
    b'made by,"x\n# note\ntime,tube,10,20\n2024-03-01 00:00,T1,1.5,"2"\n'
    b"2024-03-01 00:10,T1,NAN,-9999\n\n2024-03-01 00:20,T2,1e3,4\r\n2024-03-01 00:30,T2,5,6\n"
)
COLUMNS = [
    {"name": "time", "role": "stamp", "datatype": {"base": "dateTime"}},
    {"name": "tube", "role": "key"},
]


def sample_layout(**dialect):
    schema = {"columns": COLUMNS, "null": ["NAN"], "sentinels": [-9999]}
    dialect = {"skipRows": 1, "commentPrefix": "#", **dialect}
    return Layout.model_validate({"id": "x", "dialect": dialect, "tableSchema": schema})


PIECES = [b'"', b'""', b"\r", b"\n", b",", b"\x00", b"\xef\xbf", b"\xff", b"9" * 40]
mutations = st.lists(
    st.tuples(
        st.sampled_from(["put", "cut", "copy"]),
        st.integers(0, len(SAMPLE)),
        st.one_of(
            st.binary(max_size=6),
            st.sampled_from(PIECES),
        ),
    ),
    max_size=8,
)  # fmt: skip


def mutate(data, changes):
    for how, place, piece in changes:
        if how == "put":
            data = data[:place] + piece + data[place + len(piece) :]
        elif how == "cut":
            data = data[:place] + data[place + len(piece) :]
        else:
            data = data[:place] + piece + data[place:]
    return data


@pytest.mark.parametrize("reader", [read_table, read_rounds])
@pytest.mark.parametrize(
    "dialect", [{}, {"delimiter": " +"}, {"encoding": "utf-16"}, {"headerRowCount": 0}]
)
@given(changes=mutations)
@settings(deadline=None, max_examples=60)
def test_damage_raises_nothing_but_reader_errors_and_the_account_closes(
    reader, dialect, changes
):
    began = time.monotonic()
    with contextlib.suppress(ReaderError):
        parsed = reader(mutate(SAMPLE, changes), sample_layout(**dialect), "f")
        assert parsed.rows_close()
        assert parsed.rows_read > 0
    assert time.monotonic() - began < 60  # compiling included


@given(changes=mutations)
@settings(deadline=None, max_examples=60)
def test_every_cell_of_a_sound_row_is_a_value_a_null_or_set_aside(changes):
    try:
        parsed = read_table(mutate(SAMPLE, changes), sample_layout(), "f")
    except ReaderError:
        return
    shaped = parsed.rows_read - sum(r.rows for r in parsed.rejects if r.reason != "bad_stamp")
    channels = len(parsed.tables[0].columns)
    assert (parsed.values_read + parsed.nulls) <= channels * shaped
    assert (parsed.values_read + parsed.nulls) % max(channels, 1) == 0


def test_half_a_million_open_quotes_do_not_stall():
    data = b"time,tube,10,20\n" + b'2024-03-01 00:00,T1,"1,2\n' * 500_000
    began = time.monotonic()
    parsed = read_table(data, sample_layout(skipRows=0), "f")
    assert parsed.rejects[0].rows + parsed.rows_with_values > 0
    assert parsed.rows_close()
    assert time.monotonic() - began < 30
