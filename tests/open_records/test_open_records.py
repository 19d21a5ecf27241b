"""Open station records read as sites: every cell equals the source's text.

The records are not part of the project; each folder has a SOURCE.txt with origin and licence.
PERCOLOG_SHARED_DATA names the folder that holds them.
"""

import csv
import os
import shutil
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.readers import READERS
from pipeline.site.layout import Layout, layout_faults
from pipeline.site.load import load_site

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DATA = (ROOT / os.environ.get("PERCOLOG_SHARED_DATA", "../shared/data")).resolve()
SITES = ("boulder", "cook-farm", "ithaca", "scan-2198")

pytestmark = pytest.mark.skipif(
    not DATA.is_dir(),
    reason=f"the open records are not at {DATA}; set PERCOLOG_SHARED_DATA to their folder",
)


def load(name, folder):
    """Return a site whose data folder is that of the records."""
    site = folder / name
    shutil.copytree(HERE / "sites" / name, site)
    text = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(text.replace('"DATA"', f"'{DATA}'"), encoding="utf-8")
    return load_site(site)


def read_site_file(site, path, layout=None):
    source = site.sources[0]
    parsed = READERS[source.kind](
        (DATA / path).read_bytes(), site.layouts[layout or source.layout], path
    )
    assert parsed.rows_close()
    return parsed


def read_with(layout_name, path):
    text = (HERE / "layouts" / f"{layout_name}.toml").read_text(encoding="utf-8")
    layout = Layout.model_validate({"id": layout_name, **tomllib.loads(text)})
    assert layout_faults(layout, "table") == ()
    parsed = READERS["table"]((DATA / path).read_bytes(), layout, path)
    assert parsed.rows_close()
    return parsed


def seconds(text):
    """Return an ISO 8601 instant as seconds, whatever its clock."""
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1)) // timedelta(seconds=1)


def cell(parsed, line, channel):
    """Return (seconds, value) of the row from one line of the file."""
    (table,) = parsed.tables
    (row,) = np.flatnonzero(table.line == line)
    return int(table.stamp_s[row]), float(table.columns[channel][row])


@pytest.mark.parametrize("name", SITES)
def test_every_record_is_a_site_whose_channels_are_all_wired(name, tmp_path):
    site = load(name, tmp_path)
    (source,) = site.sources
    paths = sorted(DATA.glob(source.files))
    assert paths
    wired = {wire.channel for wire in site.wiring}
    for path in paths:
        parsed = read_site_file(site, str(path.relative_to(DATA)))
        assert set(parsed.tables[0].columns) == wired
        assert parsed.rejects == ()


ITHACA_2012 = "uscrn-hourly/CRNH0203-2012-NY_Ithaca_13_E.txt"
ITHACA_2022 = "uscrn-hourly/CRNH0203-2022-NY_Ithaca_13_E.txt"
BOULDER_2024 = "uscrn-hourly/CRNH0203-2024-CO_Boulder_14_W.txt"
SCAN = "scan-2198/SCAN_AllVariables_Daily_20130724-20170101_20241031.csv"
COOK = "caf-1999-probe/sheet_212_verbatim.csv"
NAN = float("nan")

# Printed: site, file, line, channel, stamp and cell as they stand in the file. Times of day
# 2400 and 0000 and serial days are worked by hand (36301 is 1999-05-21, day 141 of the year).
CELLS = [
    ("ithaca", ITHACA_2012, 1, "water_5", "2012-01-01T01:00", 0.366),
    ("ithaca", ITHACA_2012, 1, "water_100", "2012-01-01T01:00", 0.373),
    ("ithaca", ITHACA_2012, 2000, "water_50", "2012-03-24T08:00", 0.287),
    ("ithaca", ITHACA_2012, 2000, "temperature_100", "2012-03-24T08:00", 7.8),
    ("ithaca", ITHACA_2012, 2000, "air_temperature", "2012-03-24T08:00", 13.1),
    ("ithaca", ITHACA_2012, 4400, "water_5", "2012-07-02T08:00", 0.120),
    ("ithaca", ITHACA_2012, 4400, "temperature_5", "2012-07-02T08:00", 18.0),
    ("ithaca", ITHACA_2012, 8784, "water_20", "2013-01-01T00:00", 0.317),
    ("ithaca", ITHACA_2022, 700, "water_5", "2022-01-30T04:00", NAN),
    ("ithaca", ITHACA_2022, 700, "water_20", "2022-01-30T04:00", 0.313),
    ("ithaca", ITHACA_2022, 700, "temperature_5", "2022-01-30T04:00", -0.1),
    ("ithaca", ITHACA_2022, 8760, "rain", "2023-01-01T00:00", 0.6),
    ("ithaca", ITHACA_2022, 8760, "water_100", "2023-01-01T00:00", 0.329),
    ("boulder", BOULDER_2024, 1, "air_temperature", "2024-01-01T01:00", -2.7),
    ("boulder", BOULDER_2024, 1, "water_5", "2024-01-01T01:00", NAN),
    ("boulder", BOULDER_2024, 1, "temperature_5", "2024-01-01T01:00", NAN),
    ("boulder", BOULDER_2024, 4000, "air_temperature", "2024-06-15T16:00", 15.9),
    ("boulder", BOULDER_2024, 8784, "temperature_5", "2025-01-01T00:00", -2.5),
    ("boulder", BOULDER_2024, 8784, "temperature_10", "2025-01-01T00:00", -1.8),
    ("boulder", BOULDER_2024, 8784, "temperature_20", "2025-01-01T00:00", NAN),
    ("scan-2198", SCAN, 2, "TAVG:1:", "2013-07-26", 67.8),
    ("scan-2198", SCAN, 2, "PRCP:1:", "2013-07-26", NAN),
    ("scan-2198", SCAN, 2, "SMS:1:-2", "2013-07-26", 13.0),
    ("scan-2198", SCAN, 28, "SMS:1:-40", "2013-08-28", 42.5),
    ("scan-2198", SCAN, 28, "STO:2:-40", "2013-08-28", 65.0),
    ("scan-2198", SCAN, 500, "SMS:1:-8", "2015-01-29", 37.5),
    ("scan-2198", SCAN, 500, "STO:2:-40", "2015-01-29", 42.0),
    ("scan-2198", SCAN, 991, "PRCP:1:", "2016-12-27", 0.03),
    ("scan-2198", SCAN, 991, "SMS:1:-2", "2016-12-27", NAN),
    ("cook-farm", COOK, 5, "Surface", "1999-05-21T18:00", 0.012),
    ("cook-farm", COOK, 5, "7th foot", "1999-05-21T18:00", 0.026),
    ("cook-farm", COOK, 100, "1st foot", "1999-06-19T12:00", 0.311),
    ("cook-farm", COOK, 100, "6th foot", "1999-06-19T12:00", 0.507),
    ("cook-farm", COOK, 247, "Surface", "1999-07-26T06:00", 0.153),
    ("cook-farm", COOK, 247, "6th foot", "1999-07-26T06:00", 0.51),
]


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    """Return a function that reads a site's file once."""
    done = {}

    def read(name, path):
        if (name, path) not in done:
            site = load(name, tmp_path_factory.mktemp(name))
            done[name, path] = read_site_file(site, path)
        return done[name, path]

    return read


@pytest.mark.parametrize(("name", "path", "line", "channel", "stamp", "value"), CELLS)
def test_cells_equal_the_source(reading, name, path, line, channel, stamp, value):
    found = cell(reading(name, path), line, channel)
    np.testing.assert_array_equal(found, (seconds(stamp), value))


@pytest.mark.parametrize(
    ("name", "path"),
    [("ithaca", ITHACA_2012), ("ithaca", ITHACA_2022), ("boulder", BOULDER_2024)],
)
def test_all_rows_of_the_hourly_record_equal_the_source(reading, name, path):
    # reference code: str.split and float of the standard library
    parsed = reading(name, path)
    (table,) = parsed.tables
    source = [line.split() for line in (DATA / path).read_text("ascii").splitlines()]
    fields = [source[line - 1] for line in table.line]
    wanted = [
        seconds(f"{f[1][:4]}-{f[1][4:6]}-{f[1][6:]}T{f[2][:2]}:{f[2][2:]}") for f in fields
    ]
    assert table.stamp_s.tolist() == wanted
    for offset, depth in enumerate((5, 10, 20, 50, 100)):
        for kind, first, missing in (("water", 28, -99.0), ("temperature", 33, -9999.0)):
            values = np.array([float(f[first + offset]) for f in fields])
            values[values == missing] = np.nan
            np.testing.assert_array_equal(table.columns[f"{kind}_{depth}"], values)


def test_fixed_columns_and_runs_of_blanks_read_the_same(tmp_path):
    site = load("ithaca", tmp_path)
    fixed = read_site_file(site, ITHACA_2022, "hourly-fixed")
    blanks = read_site_file(site, ITHACA_2022, "hourly-blanks")
    assert fixed.nulls == blanks.nulls
    np.testing.assert_array_equal(fixed.tables[0].stamp_s, blanks.tables[0].stamp_s)
    for name, values in fixed.tables[0].columns.items():
        np.testing.assert_array_equal(values, blanks.tables[0].columns[name])


def test_all_rows_of_the_daily_record_equal_the_source(reading):
    # reference code: csv.DictReader and float of the standard library
    (table,) = reading("scan-2198", SCAN).tables
    with (DATA / SCAN).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert table.line.tolist() == list(range(2, len(rows) + 2))
    for name, values in table.columns.items():
        wanted = [float(row[name]) if row[name] else NAN for row in rows]
        np.testing.assert_array_equal(values, wanted, err_msg=name)


def test_serial_days_agree_with_the_day_of_year_beside_them(reading):
    # the sheet states both; reference code: datetime.strptime
    (table,) = reading("cook-farm", COOK).tables
    with (DATA / COOK).open(newline="") as file:
        rows = list(csv.reader(file))
    for stamp, line in zip(table.stamp_s, table.line, strict=True):
        _, _, day, clock = rows[line - 1][:4]
        wanted = datetime.strptime(f"1999 {day} {int(clock):04}", "%Y %j %H%M")
        assert stamp == seconds(wanted.isoformat())


def test_a_row_behind_a_line_of_blanks():
    parsed = read_with("subhourly", "crn-messy/CRN_with_problems.txt")
    assert (parsed.rows_read, parsed.rows_with_values, parsed.rejects) == (3, 3, ())
    # printed, line 1: 20200706 1200, 24.9 degrees, solar -99999, soil -99.000 and -9999.0
    assert cell(parsed, 1, "air_temperature") == (seconds("2020-07-06T12:00"), 24.9)
    for channel in ("solar", "water_5", "temperature_5"):
        assert np.isnan(cell(parsed, 1, channel)[1])
    # printed, line 2, behind 1,600 blanks and more
    assert cell(parsed, 2, "air_temperature") == (seconds("2020-07-06T13:05"), 26.8)


def test_sentinels_differ_from_column_to_column():
    parsed = read_with("subhourly", "crn-messy/CRNS0101-05-2019-AZ_Tucson_11_W.txt")
    assert cell(parsed, 2, "air_temperature") == (seconds("2019-01-01T16:15"), 3.3)
    assert np.isnan(cell(parsed, 1, "air_temperature")[1])
    assert cell(parsed, 1, "solar")[1] == 296.0


def test_a_weather_sheet_with_a_word_for_a_date():
    parsed = read_with("weather-1999", "caf-1999-probe/sheet_119_verbatim.csv")
    bad = [r for r in parsed.rejects if r.reason == "bad_stamp"]
    assert [(r.rows, r.first_line, r.found) for r in bad] == [(1, 5, "'Date'")]
    # printed, line 7: 36301, 141, 1600, volts 12.26 ... vapour pressure 0.828
    assert cell(parsed, 7, "Volts") == (seconds("1999-05-21T16:00"), 12.26)
    assert cell(parsed, 7, "Vapor Pressure")[1] == 0.828
    assert cell(parsed, 1456, "Aire Temperature") == (seconds("1999-07-26T06:00"), 9.8)
    assert parsed.rows_with_values == 1451


def test_long_decimals_are_read_as_written():
    parsed = read_with("swap", "icos-lanna-swap/lanna_slice.csv")
    assert cell(parsed, 3, "soil moisture") == (seconds("2014-01-01"), 0.16399999999999998)
    assert cell(parsed, 22, "icos_ts") == (seconds("2014-03-01"), 3.006)
