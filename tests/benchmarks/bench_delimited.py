"""Reading a year of a 40-column logger at ten minutes, against Arrow reading the same bytes.

The floor is ``pyarrow.csv`` told the types of all columns: it neither checks rows one by one
nor knows line numbers, per-column nulls or stamps that are not ISO. Both run in turn in one
process and the ratio is of their medians.
"""

import io
import statistics
import time
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest

from pipeline.ingest.delimited import read_table
from pipeline.site.layout import Layout

ROWS, COLUMNS, REPEATS = 52_560, 40, 9
TARGET_RATIO = 3.0


@dataclass(frozen=True)
class Export:
    """How a logger writes."""

    delimiter: str
    decimal: str
    pattern: str
    strftime: str


EXPORTS = {
    "decimal point, ISO stamps": Export(",", ".", "yyyy-MM-dd HH:mm:ss", "%Y-%m-%d %H:%M:%S"),
    "decimal comma, dd.MM.yyyy": Export(";", ",", "dd.MM.yyyy HH:mm", "%d.%m.%Y %H:%M"),
}


def written(export, damaged=False):
    """Return the bytes of an export and the values in it."""
    values = np.random.default_rng(7).uniform(0, 1000, (ROWS, COLUMNS)).round(2)
    start = np.datetime64("2023-01-01T00:00")
    stamps = (start + np.arange(ROWS) * np.timedelta64(10, "m")).astype(object)
    lines = [export.delimiter.join(["time", *(f"c{i:02}" for i in range(COLUMNS))])]
    for stamp, row in zip(stamps, values.tolist(), strict=True):
        cells = [f"{value:.2f}".replace(".", export.decimal) for value in row]
        lines.append(export.delimiter.join([stamp.strftime(export.strftime), *cells]))
    if damaged:
        lines[1000] = lines[1000][: len(lines[1000]) // 2]
        lines[2000] = lines[2000].replace("c", "").replace(export.decimal, "x", 1)
    return ("\r\n".join(lines) + "\r\n").encode(), values


def layout_of(export):
    stamp = {"base": "dateTime", "format": export.pattern}
    return Layout.model_validate(
        {
            "id": "export",
            "dialect": {"delimiter": export.delimiter},
            "tableSchema": {
                "columns": [{"name": "time", "role": "stamp", "datatype": stamp}],
                "othersDatatype": {"decimalChar": export.decimal},
                "null": ["NAN"],
            },
        }
    )


def floor(data, export):
    types = {"time": pa.string()} | {f"c{i:02}": pa.float64() for i in range(COLUMNS)}
    return pa_csv.read_csv(
        io.BytesIO(data),
        parse_options=pa_csv.ParseOptions(delimiter=export.delimiter),
        convert_options=pa_csv.ConvertOptions(
            column_types=types, decimal_point=export.decimal, null_values=["NAN"]
        ),
    )


def medians(*actions):
    """Return the median seconds of each action, run in turn."""
    taken = [[] for _ in actions]
    for action in actions:
        action()
    for _ in range(REPEATS):
        for action, seconds in zip(actions, taken, strict=True):
            began = time.perf_counter()
            action()
            seconds.append(time.perf_counter() - began)
    return [statistics.median(seconds) for seconds in taken]


@pytest.mark.benchmark
@pytest.mark.parametrize("name", EXPORTS)
def test_a_year_at_ten_minutes(name):
    export = EXPORTS[name]
    data, values = written(export)
    layout = layout_of(export)
    columns = read_table(data, layout, "export").tables[0].columns
    np.testing.assert_array_equal(np.stack(list(columns.values()), axis=1), values)
    ours, arrow = medians(
        lambda: read_table(data, layout, "export"), lambda: floor(data, export)
    )
    megabytes = len(data) / 1e6
    print(
        f"\n{name}: {megabytes:.1f} MB, {ours:.3f} s ({megabytes / ours:.0f} MB/s), "
        f"Arrow {arrow:.3f} s, ratio {ours / arrow:.2f} (target {TARGET_RATIO})"
    )
    assert ours <= TARGET_RATIO * arrow


@pytest.mark.benchmark
def test_damaged_lines_do_not_slow_the_rest():
    export = EXPORTS["decimal point, ISO stamps"]
    layout = layout_of(export)
    sound, damaged = written(export)[0], written(export, damaged=True)[0]
    assert len(read_table(damaged, layout, "export").rejects) == 2
    slow, quick = medians(
        lambda: read_table(damaged, layout, "export"),
        lambda: read_table(sound, layout, "export"),
    )
    print(f"\none line cut, one cell no number: ratio {slow / quick:.2f} to the sound file")
    assert slow <= 1.5 * quick
