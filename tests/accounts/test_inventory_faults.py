"""Raw files that cannot be what they seem: no usable values, the future, two of one stamp.

What the night does with such values is tested elsewhere; here, that `percolog check` tells.
"""

from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from raw_files import COLUMNS, START, bus, table, told

HEADER_LINES = 2
COLUMN = "[[tableSchema.columns]]"
NULL = (COLUMN, f'[tableSchema]\nnull = ["NAN"]\n{COLUMN}')


@pytest.fixture
def remarks(make_site):
    """Return what is said of the invented site with some raw files and edits."""
    return partial(told, make_site)


def with_point(text):
    """Return an export as a logger of another language writes it."""
    head, rows = text.split("\n")[:HEADER_LINES], text.split("\n")[HEADER_LINES:]
    return "\n".join([*head, *(row.replace(",", ".") for row in rows)])


def test_numbers_with_the_other_decimal_sign_are_told_with_the_setting(remarks):
    [text] = remarks({"logger-a/sep.csv": with_point(table())})
    # By hand: three columns of 40 rows, none of them read; two lines of header.
    assert text == (
        "logger-a/sep.csv, line 3: found no usable value in columns 'mV_1', 'mV_2', 'rain': "
        "120 value(s) that are no numbers, the first '412.5' in column 'mV_1'; expected a "
        "number with decimal ','. The values look like numbers with decimal '.': set "
        "decimalChar = '.' in othersDatatype of layouts/analog.toml; if only some files are "
        "so, give them a source and a layout of their own."
    )


def test_a_decimal_comma_where_points_are_expected_is_told_likewise(remarks):
    edits = {"layouts/analog.toml": [('decimalChar = ","', 'decimalChar = "."')]}
    [text] = remarks(edits=edits)
    assert "the first '412,5' in column 'mV_1'; expected a number with decimal '.'" in text
    assert "set decimalChar = ',' in othersDatatype of layouts/analog.toml" in text


def test_what_fails_alike_in_many_files_is_told_once(remarks):
    later = with_point(table(start=START + timedelta(days=1)))
    files = {"logger-a/sep.csv": with_point(table()), "logger-a/sep-2.csv": later}
    [text] = remarks(files)
    assert "and so in 1 more file" in text


def test_a_column_of_texts_is_told_though_the_others_are_sound(remarks):
    status = {**COLUMNS, "state": ("", "ok")}
    found = [text for text in remarks({"logger-a/sep.csv": table(status)}) if "usable" in text]
    assert len(found) == 1
    assert "no usable value in column 'state': 40 value(s)" in found[0]
    assert "role = 'ignore'" in found[0]
    assert "decimalChar" not in found[0]


def test_few_texts_in_a_column_are_not_told(remarks):
    rows = table().split("\n")
    for line in range(5, 20):  # 15 of 40
        rows[line] = rows[line].replace("388,1", "over")
    assert remarks({"logger-a/sep.csv": "\n".join(rows)}) == []
    for line in range(5, 30):
        rows[line] = rows[line].replace("388,1", "over")
    [text] = remarks({"logger-a/sep.csv": "\n".join(rows)})
    assert text.startswith("logger-a/sep.csv, line 6: found hardly a usable value in column")


def test_a_book_of_rounds_with_the_other_decimal_sign_is_told(remarks):
    rows = ["time;tube;direction;10;30"]
    rows += [f"2023-09-{day:02d} 10:00;T1;1;21,5;24,5" for day in range(2, 9)]
    [text] = remarks({"rounds/2023.csv": "\n".join(rows) + "\n"})
    assert "no usable value in columns '10', '30': 14 value(s)" in text
    assert "set decimalChar = ',' in othersDatatype of layouts/rounds.toml" in text


def test_a_wired_channel_that_never_has_a_value_is_told_with_its_first_cell(remarks):
    dead = {**COLUMNS, "mV_2": ("mV", "NAN")}
    edits = {"layouts/analog.toml": [NULL]}
    [text] = remarks({"logger-a/sep.csv": table(dead)}, edits)
    assert text.startswith("wiring.csv, line 5, column channel: found channel 'mV_2' without")
    assert "(the first 'NAN' in line 3 of 'logger-a/sep.csv')" in text
    both = {**dead, "rain": ("mm", "NAN")}
    [text] = remarks({"logger-a/sep.csv": table(both)}, edits)
    assert "channels 'mV_2', 'rain' without a value in any row looked at" in text
    # A sensor that came later is not missed before: the row says from when on it is wired.
    late = ("mV_2,T1,30,voltage,mV,P3,,", "mV_2,T1,30,voltage,mV,P3,2023-10-01,")
    assert remarks({"logger-a/sep.csv": table(dead)}, {**edits, "wiring.csv": [late]}) == []


def test_a_file_without_any_value_is_told(remarks):
    nothing = {name: (unit, "NAN") for name, (unit, _) in COLUMNS.items()}
    [text] = remarks({"logger-a/sep.csv": table(nothing)}, {"layouts/analog.toml": [NULL]})
    assert text.startswith("logger-a/sep.csv: found no value at all: each of 120 cells")


SUBSOIL = "offset = -0.2 }\nvalid = [1.5, 8.0]"
# By hand, with the laws of tests/site/field: 388.1 mV are 1 + 2 * 0.3881 / 0.5 = 2.5524 of
# root permittivity, and by the law of the subsoil 0.12 * 2.5524 - 0.2 = 0.10629 m3 m-3.
FIRST = "the first {} in line 3 of 'logger-a/sep.csv'; expected"
PROBE, SOIL = "the valid range of law 'probe-batch', ", "the valid range of law 'subsoil', "
GROSS = "[qc]\ngross_fail = [{0}, 0.7]\ngross_suspect = [{0}, 0.6]"
RANGES = {
    "below the probe's": (
        388.1,
        ("calibrations.toml", "valid = [0.0, 1.0]", "valid = [0.4, 1.0]"),
        f"{PROBE}{FIRST.format(388.1)} 0.4 to 1 V.",
    ),
    "above the probe's": (1388.1, None, f"{PROBE}{FIRST.format(1388.1)} 0 to 1 V."),
    "within the soil's": (
        388.1,
        ("calibrations.toml", SUBSOIL, SUBSOIL.replace("1.5", "2.5")),
        "",
    ),
    "below the soil's": (
        388.1,
        ("calibrations.toml", SUBSOIL, SUBSOIL.replace("1.5", "2.6")),
        f"{SOIL}{FIRST.format(388.1)} 2.6 to 8 of root permittivity.",
    ),
    "within the test's": (388.1, ("site.toml", "[qc]", GROSS.format(0.1)), ""),
    "below the test's": (
        388.1,
        ("site.toml", "[qc]", GROSS.format(0.11)),
        "the range of the gross test (water content around 0.11), "
        f"{FIRST.format(388.1)} 0.11 to 0.7 m3 m-3, gross_fail of [qc].",
    ),
}


@pytest.mark.parametrize("case", RANGES)
def test_values_that_give_no_water_content_that_passes_are_told(remarks, case):
    value, edit, expected = RANGES[case]
    edits = {edit[0]: [edit[1:]]} if edit else {}
    columns = {**COLUMNS, "mV_2": ("mV", value)}
    found = remarks({"logger-a/sep.csv": table(columns)}, edits)
    told_of = [text for text in found if "line 5, column channel" in text]
    if not expected:
        assert told_of == []
        return
    [text] = told_of
    start = "wiring.csv, line 5, column channel: found hardly a value in "
    assert text.startswith(start + expected)


def test_one_file_out_of_range_among_sound_ones_is_told(remarks):
    odd = table({**COLUMNS, "mV_2": ("mV", 1388.1)}, start=START + timedelta(days=2))
    [text] = remarks({"logger-a/oct.csv": odd})
    assert "the first 1388.1 in line 3 of 'logger-a/oct.csv'; expected 0 to 1 V" in text


def test_files_of_a_time_before_the_site_are_told_together(remarks):
    years = {year: table(start=datetime(year, 9, 2)) for year in (1923, 2013)}
    found = remarks({f"logger-a/{year}.csv": text for year, text in years.items()})
    [text] = [text for text in found if "before the site" in text]
    assert text.startswith(
        "logger-a/1923.csv: found each of 40 row(s) stamped before the site began, from "
        "1923-09-01T23:00Z to 1923-09-02T08:45Z, and so in 1 more file; expected stamps "
        "from 2023-02-28T23:00Z on."
    )


def test_a_file_of_a_time_when_nothing_was_wired_is_told(remarks):
    # The first half of August: both channels of T1 are wired from September on.
    august = {"logger-a/aug.csv": table(start=datetime(2023, 8, 2))}
    rows = ("mV_1,T1,10,voltage,mV,P1,,2023-09-01", "mV_1,T1,10,voltage,mV,P1,,2023-07-01")
    late = ("mV_2,T1,30,voltage,mV,P3,,", "mV_2,T1,30,voltage,mV,P3,2023-09-01,")
    rain = ("logger-a,rain,,,rain,mm,,,", "logger-a,rain,,,rain,mm,,2023-09-01,")
    [text] = remarks(august, {"wiring.csv": [rows, late, rain]})
    assert text.startswith("logger-a/aug.csv: found stamps from 2023-08-01T23:00Z to")
    assert "when none of its channels is wired" in text
    assert remarks(august, {"wiring.csv": [rows, late]}) == []  # the rain is of the station


def test_a_file_that_fails_for_several_reasons_is_told(remarks):
    rows = table().split("\n")
    for line in range(2, 12):
        rows[line] = rows[line].replace("2023", "2o23")
    for line in range(12, 25):
        rows[line] += ";1;2"
    [text] = remarks({"logger-a/sep.csv": "\n".join(rows)})
    assert text.startswith(
        "logger-a/sep.csv: found 23 of 40 rows of the sample set aside (bad_stamp, "
        "wrong_field_count)"
    )


def test_stamps_of_the_future_are_told_by_the_clock_given(remarks):
    # The rows run for ten hours from midnight, UTC+1; the clock stands at nine, UTC+1.
    now = datetime(2023, 9, 2, 8, tzinfo=UTC)
    assert remarks(now=now) == []  # an hour or less is the difference of two clocks
    [text] = remarks({"logger-a/sep.csv": table(rows=50)}, now=now)
    # By hand: the row of 10:15 (UTC+1), 9:15Z, is the 42nd, in line 44; 50 rows end at 12:15.
    assert text.startswith(
        "logger-a/sep.csv, line 44: found 9 row(s) stamped in the future, the first "
        "2023-09-02T09:15Z; expected stamps until now, 2023-09-02T08:00Z."
    )


def test_hand_readings_of_the_future_are_told(remarks):
    rows = ["time;tube;direction;10", *(f"2032-09-02 10:0{k};T1;1;21" for k in range(3)), ""]
    [text] = remarks(
        {"rounds/2023.csv": "\n".join(rows)}, now=datetime(2024, 1, 1, tzinfo=UTC)
    )
    assert text.startswith("rounds/2023.csv, line 2: found 3 row(s) stamped in the future")


@pytest.mark.parametrize(
    ("stated", "values", "meant"),
    [
        ("%", ("0.21", "0.24", "0.31"), "m3 m-3"),
        ("m3 m-3", ("21", "24", "31"), "%"),
        ("%", ("21", "24", "31"), None),
        ("m3 m-3", ("0.21", "0.24", "0.31"), None),
    ],
)
def test_books_of_percent_and_of_fractions_are_told_apart(remarks, stated, values, meant):
    rows = [f"2023-09-0{day} 10:00;T1;1;{v}" for day, v in enumerate(values, start=2)]
    book = "\n".join(["time;tube;direction;10", *rows, ""])
    edits = {"layouts/rounds.toml": [('unit = "%"', f'unit = "{stated}"')]}
    found = remarks({"rounds/2023.csv": book}, edits)
    if meant is None:
        assert found == []
        return
    [text] = found
    assert f"rounds/2023.csv, line 2: found water_content in {stated!r}" in text
    assert f"Set unit = {meant!r} in [rounds] of layouts/rounds.toml" in text


def test_single_readings_beyond_all_water_are_told(remarks):
    values = ("21.5", "24.5", "245", "100", "21")
    rows = [f"2023-09-0{day} 10:00;T1;1;{v}" for day, v in enumerate(values, start=2)]
    book = "\n".join(["time;tube;direction;10", *rows, ""])
    [text] = remarks({"rounds/2023.csv": book})
    assert text.startswith(
        "rounds/2023.csv, line 4: found 1 reading(s) beyond all water, the first 245 in '%' "
        "of tube 'T1'; expected at most 1 m3 m-3."
    )


def test_hand_readings_of_a_tube_that_was_not_there_are_told(remarks):
    days = ("2023-03-01", "2023-03-02", "2023-03-03")  # T2 was set on 2 March
    book = "\n".join(["time;tube;direction;10", *(f"{d} 08:00;T2;1;21" for d in days), ""])
    [text] = remarks({"rounds/2023.csv": book})
    assert text.startswith(
        "rounds/2023.csv, line 2: found 1 reading(s) of tubes that were not in the ground "
        "then, the first of tube 'T2' on 2023-03-01"
    )


@pytest.mark.parametrize(
    ("depths", "told"),
    [
        ("10;30", ""),
        ("0.1;0.3", "line 2: found 48 reading(s) at less than 1 cm, the first at 0.1 cm"),
    ],
)
def test_hand_readings_at_depths_in_metres_are_told(remarks, depths, told):
    rows = [f"2023-09-02 {hour:02}:00;T2;1;21;23" for hour in range(24)]
    book = "\n".join([f"time;tube;direction;{depths}", *rows, ""])
    found = remarks({"rounds/2023.csv": book})
    assert [text for text in found if "less than" in text] == found
    assert len(found) == bool(told)
    assert all(f"rounds/2023.csv, {told}" in text for text in found)


def test_a_depth_that_occurs_once_in_a_book_is_told(remarks):
    layout = (
        '[dialect]\ndelimiter = ";"\n[rounds]\nunit = "%"\n'
        '[[tableSchema.columns]]\nname = "time"\nrole = "stamp"\n'
        'datatype = { base = "dateTime", format = "yyyy-MM-dd HH:mm" }\n'
        '[[tableSchema.columns]]\nname = "tube"\nrole = "key"\n'
        'datatype = { base = "string" }\n'
        '[[tableSchema.columns]]\nname = "depth_cm"\nrole = "key"\n'
        '[[tableSchema.columns]]\nname = "value"\nrole = "value"\n'
    )
    rows = [f"2023-09-02 {hour:02}:00;T2;10;21" for hour in range(24)]
    rows[7] = rows[7].replace(";10;", ";40;")
    book = "\n".join(["time;tube;depth_cm;value", *rows, ""])
    found = remarks({"rounds/2023.csv": book, "../layouts/rounds.toml": layout})
    [text] = [text for text in found if "occurs once" in text]
    assert text.startswith("rounds/2023.csv, line 9: found a reading at 40 cm of tube 'T2'")
    assert "expected depths as others: 10 cm" in text


def test_two_values_of_one_stamp_are_told_with_both_lines(remarks):
    rows = table().split("\n")
    rows.insert(12, rows[11].replace("388,1", "391,4"))
    [text] = remarks({"logger-a/sep.csv": "\n".join(rows)})
    # By hand: the row of 02:15, UTC+1, stands in line 12 and once more in line 13.
    assert text.startswith(
        "logger-a/sep.csv, line 13: found 1 stamp(s) with two different values, the first "
        "2023-09-02T01:15Z: 'mV_2' 388.1 in line 12, then 391.4; expected one value"
    )


def test_the_same_row_twice_and_the_hour_that_comes_twice_are_not_told(remarks):
    rows = table().split("\n")
    rows.insert(12, rows[11])
    assert remarks({"logger-a/sep.csv": "\n".join(rows)}) == []
    # In the zone of the bus 02:00 to 03:00 came twice on 2023-10-29 (European rule).
    hours = [f"2023-10-29 {hour:02d}:00:00" for hour in (0, 1, 2, 2, 3, 4)]
    lines = [
        f"{stamp} {said}"
        for k, stamp in enumerate(hours)
        for said in (">0M!", "<00003", ">0D0!", f"<0+2.5+2.6+1{k}.5")
    ]
    hourly = ('layout = "transcript"', 'layout = "transcript"\ninterval = "1 h"')
    edits = {"site.toml": [hourly]}
    assert remarks({"bus/sep.log": "\n".join(lines) + "\n"}, edits) == []


def test_nul_bytes_within_a_file_are_told_with_their_line(remarks):
    rows = table().encode().split(b"\n")
    rows[9] = b"02.09.2023 01:\0\0\0\0"
    [text] = remarks({"logger-a/sep.csv": b"\n".join(rows)})
    assert text.startswith("logger-a/sep.csv, line 10: found 4 NUL byte(s); expected text.")


ROUND = (">0M!", "<00003", ">0D0!", "<0+2.5+2.6+11.5")


@pytest.mark.parametrize(
    ("said", "end"),
    [
        (ROUND[:1], "behind a command that has no reply"),
        (
            ROUND[:2],
            "within a measurement of address '0': 0 of 3 values",
        ),
        (
            ROUND[:3],
            "within a measurement of address '0': 0 of 3 values",
        ),
        ((*ROUND[:3], "<0+2.5+2.6"), "within a measurement of address '0': 2 of 3 values"),
        (ROUND, None),
        # Nobody is at address 7: a log that ends with the vain question lacks nothing.
        ((*ROUND, ">7M!"), None),
    ],
)
def test_a_bus_log_that_ends_within_an_exchange_is_told(remarks, said, end):
    lines = "".join(f"2023-09-02 02:30:00 {word}\n" for word in said)
    found = remarks({"bus/sep.log": bus() + lines})
    ends = [text for text in found if "found an end" in text]
    expected = [f"bus/sep.log, line 41: found an end {end}; expected"] if end else []
    assert [text[: len(expected[0])] for text in ends] == expected


def test_a_bus_log_that_ends_within_a_line_is_told(remarks):
    [text] = remarks({"bus/sep.log": bus()[:-6]})
    assert text.startswith("bus/sep.log, line 40: found an end within a line; expected")


def test_check_itself_tells_of_the_files_and_of_the_future(make_site):
    from pipeline.accounts.check_and_ledger import survey_site

    folder = make_site()
    for name, text in {"logger-a/sep.csv": with_point(table()), "bus/sep.log": bus()}.items():
        (folder / "data" / name).parent.mkdir()
        (folder / "data" / name).write_text(text)
    account = survey_site(folder, datetime(2023, 9, 1, 10, 30, tzinfo=UTC))
    assert account["outcome"] == "attention"  # the command ends with 3
    told = [f"{remark['file']} {remark['found']}" for remark in account["remarks"]]
    # By hand: the last visit is at 11:00Z, within the hour; the logs begin with 2 September,
    # one at UTC+1 and one in the summer time of Paris, UTC+2.
    assert [text for text in told if "future" in text] == [
        "logger-a/sep.csv 40 row(s) stamped in the future, the first 2023-09-01T23:00Z",
        "bus/sep.log 10 row(s) stamped in the future, the first 2023-09-01T22:00Z",
    ]
    assert any("no usable value in columns 'mV_1'" in text for text in told)


@pytest.mark.parametrize(
    ("missing", "ended", "told"),
    [
        (0, True, ""),
        (4, False, "a last line cut off ('02.09.2023 09:45;412,5;388,1')"),
        (1, False, "a last line cut off ('02.09.2023 09:45;412,5;388,1;0,')"),
        (4, True, "a last line cut off (3 fields in '02.09.2023 09:45;412,5;388,1')"),
    ],
)
def test_a_table_cut_off_within_its_last_line_is_told(remarks, missing, ended, told):
    text = table()
    assert text.endswith("\n")
    cut = text[: len(text) - 1 - missing] + "\n" * ended
    found = [t for t in remarks({"logger-a/sep.csv": cut}) if "cut off" in t]
    assert len(found) == bool(told)
    line = text.count("\n")
    assert all(f"logger-a/sep.csv, line {line}: found {told}" in t for t in found)
