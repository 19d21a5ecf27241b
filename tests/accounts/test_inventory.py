"""What raw files say of the description: a remark for each contradiction, else none.

The files are written here, by the layouts of the invented site (tests/site/field).
"""

import gzip
import re
from datetime import datetime, timedelta
from functools import partial

import pytest
from raw_files import COLUMNS, START, bus, table, told

from pipeline.accounts import inventory
from pipeline.accounts.inventory import look
from pipeline.errors import SiteError
from pipeline.ingest import samples
from pipeline.site.load import load_site


@pytest.fixture
def remarks(make_site):
    """Return what is said of the invented site with some raw files and edits."""
    return partial(told, make_site)


def test_files_that_fit_the_description_are_told_nothing_of(remarks):
    rounds = "time;tube;direction;10;30\n2023-09-02 10:00;T1;1;21.5;24.0\n"
    assert remarks({"rounds/2023.csv": rounds}) == []


def test_no_data_folder_is_no_remark_of_the_inventory(make_site):
    folder = make_site()
    (folder / "data").rmdir()
    assert look(load_site(folder)) == []


def test_a_channel_no_file_has_is_told_with_the_one_that_was_meant(remarks):
    columns = {"mV_1": COLUMNS["mV_1"], "mV2": COLUMNS["mV_2"], "rain": COLUMNS["rain"]}
    found = remarks({"logger-a/sep.csv": table(columns)})
    assert found == [
        "wiring.csv, line 5, column channel: found channel 'mV_2', in none of the file "
        "'logger-a/sep.csv' of its time; expected a channel that source 'logger-a' logs then. "
        "Did you mean 'mV2'?",
        "logger-a/sep.csv: found channel 'mV2', which no row of wiring.csv names; expected "
        "channels wired to 'logger-a'. Add a row for each, or list it in the layout with "
        "role = 'ignore'.",
    ]


def test_a_channel_is_only_missed_in_files_of_its_wired_time(remarks):
    # mV_2 exists from October on; wired from then on, September's file need not have it.
    less = {name: COLUMNS[name] for name in ("mV_1", "rain")}
    files = {
        "logger-a/sep.csv": table(less),
        "logger-a/oct.csv": table(start=datetime(2023, 10, 2)),
    }
    late = ("mV_2,T1,30,voltage,mV,P3,,", "mV_2,T1,30,voltage,mV,P3,2023-10-01,")
    assert remarks(files, {"wiring.csv": [late]}) == []
    early = ("mV_2,T1,30,voltage,mV,P3,,", "mV_2,T1,30,voltage,mV,P3,,2023-10-01")
    [text] = [
        text for text in remarks(files, {"wiring.csv": [early]}) if "column channel" in text
    ]
    assert "'logger-a/oct.csv' has it: look at 'from' and 'until'." in text


def test_a_file_without_a_channel_that_others_have_is_told(remarks):
    less = table({name: COLUMNS[name] for name in ("mV_1", "rain")})
    later = table(start=datetime(2023, 10, 2))
    files = {"logger-a/sep.csv": less, "logger-a/oct.csv": later}
    assert remarks(files) == [
        "logger-a/sep.csv: found no column for 'mV_2', which other files have; expected the "
        "channels wired then (wiring.csv, line 5). Export the file again; if they were not "
        "logged, end their rows by 'until'."
    ]
    rest = table({"mV_2": COLUMNS["mV_2"]})  # of the same time, in a file beside
    assert remarks({**files, "logger-a/sep_2.csv": rest}) == []


def test_a_bus_value_no_reply_holds_is_told(remarks):
    [text] = remarks({"bus/sep.log": bus("0+2.5+2.6")})
    assert "wiring.csv, line 9, column channel: found channel '0.M.3'" in text


@pytest.mark.parametrize(
    ("stated", "value", "meant"),
    [
        ("mV", 0.41, "'V'"),  # by hand: 0.41 mV would be 0.00041 V
        ("V", 412.5, "'mV'"),
        ("uV", 412.5, "'mV'"),
    ],
)
def test_a_unit_that_makes_values_impossible_is_told(remarks, stated, value, meant):
    columns = {**COLUMNS, "mV_2": (stated, value)}
    edit = ("mV_2,T1,30,voltage,mV", f"mV_2,T1,30,voltage,{stated}")
    [text] = remarks({"logger-a/sep.csv": table(columns)}, {"wiring.csv": [edit]})
    assert text.startswith("wiring.csv, line 5, column unit: found voltage in")
    assert f"values around {value:g}" in text
    assert f"Did you mean the unit {meant}" in text


@pytest.mark.parametrize(
    ("stated", "value", "meant"), [("%", 0.25, "m3 m-3"), ("m3 m-3", 25.0, "%")]
)
def test_percent_and_fractions_are_told_apart(remarks, stated, value, meant):
    columns = {**COLUMNS, "mV_2": ("", value)}
    edit = ("mV_2,T1,30,voltage,mV,P3", f"mV_2,T1,30,water_content,{stated},P3")
    [text] = remarks({"logger-a/sep.csv": table(columns)}, {"wiring.csv": [edit]})
    assert f"Did you mean the unit '{meant}'?" in text


def test_a_header_that_states_another_unit_is_told(remarks):
    columns = {**COLUMNS, "mV_2": ("V", 388.1)}
    [text] = remarks({"logger-a/sep.csv": table(columns)})
    assert text.startswith("wiring.csv, line 5, column unit: found 'mV', where the header of")
    assert "has 'V'" in text


@pytest.mark.parametrize("spelling", ["mV", "millivolt", "Millivolt eff.", "", "-"])
def test_a_unit_spelt_otherwise_or_unknown_is_not_told(remarks, spelling):
    assert remarks({"logger-a/sep.csv": table({**COLUMNS, "mV_2": (spelling, 388.1)})}) == []


def test_an_undeclared_marker_of_no_value_is_told_with_its_line(remarks):
    text = table()
    lines = text.split("\n")
    lines[9] = lines[9].replace("388,1", "-6999").replace("412,5", "-6999")
    [told] = remarks({"logger-a/sep.csv": "\n".join(lines)})
    assert told.startswith("logger-a/sep.csv, line 10: found -6999 as a value of 2 channels")
    assert "add -6999 to 'sentinels' of [tableSchema] in layouts/analog.toml" in told
    declared = (
        "[[tableSchema.columns]]",
        "[tableSchema]\nsentinels = [-6999]\n[[tableSchema.columns]]",
    )
    edits = {"layouts/analog.toml": [declared]}
    assert remarks({"logger-a/sep.csv": "\n".join(lines)}, edits) == []


def test_a_value_that_could_be_a_reading_is_no_marker(remarks):
    assert remarks({"logger-a/sep.csv": table({**COLUMNS, "mV_2": ("mV", 999.0)})}) == []


def test_readings_finer_than_the_axis_would_be_superseded(remarks):
    [text] = remarks({"logger-a/sep.csv": table(minutes=5)})
    assert "site.toml, key source.0.interval: found readings every 5 min" in text
    assert "set interval = '5 min' in [site]" in text


def test_readings_rarer_than_stated_are_told(remarks):
    [text] = remarks({"bus/sep.log": bus(minutes=60)})
    assert "key source.1.interval: found readings every 1 h" in text
    assert "Set interval = '1 h' in [[source]]" in text
    stated = ('layout = "transcript"', 'layout = "transcript"\ninterval = "1 h"')
    assert remarks({"bus/sep.log": bus(minutes=60)}, {"site.toml": [stated]}) == []


def test_stamps_that_run_backwards_are_told_with_their_line(remarks):
    order = [*range(10), 4, 5, *range(10, 30), 2]
    [text] = remarks({"logger-a/sep.csv": table(order=order)})
    # By hand: two header lines, ten rows, so the first step back stands in line 13.
    assert text.startswith(
        "logger-a/sep.csv, line 13: found stamps that run backwards, 2 time"
    )
    # The source has no zone: a clock that keeps summer time steps back each autumn.
    assert "name its 'zone' in [source.clock]" in text


def test_few_rows_split_by_their_decimal_commas_are_told(remarks):
    """A gauge whose zeros are whole loses its rain alone, far less than most of a file."""
    rows = [
        f"02.09.2023 {k // 4:02d}:{k % 4 * 15:02d},{500 + k},600,{'0,2' if k == 7 else 0}"
        for k in range(40)
    ]
    raw = "\n".join(["Time,mV_1,mV_2,rain", ",mV,mV,mm", *rows]) + "\n"
    edit = ('delimiter = ";"', 'delimiter = ","')
    found = remarks({"logger-a/sep.csv": raw}, {"layouts/analog.toml": [edit]})
    # By hand: two header lines and seven rows come before the only one with rain.
    [text] = [text for text in found if "wrong_field_count" in text]
    assert text.startswith("logger-a/sep.csv, line 10: found 1 rows of the sample set aside")
    assert "'0,2' looks like one number with a decimal comma" in text


def test_a_wrong_date_pattern_is_told_as_a_fault_of_the_layout(remarks):
    edit = ('format = "dd.MM.yyyy HH:mm"', 'format = "MM/dd/yyyy HH:mm"')
    [text] = remarks(edits={"layouts/analog.toml": [edit]})
    assert (
        "logger-a/sep.csv, line 3: found 40 rows of the sample set aside (bad_stamp)" in text
    )


def test_a_file_with_another_header_is_told_and_the_others_are_looked_at(remarks):
    files = {"logger-a/odd.csv": "Date;x\n;\n", "logger-a/sep.csv": table(minutes=5)}
    found = remarks(files)
    assert len(found) == 2
    assert found[0].startswith("logger-a/odd.csv")
    assert "source.0.interval" in found[1]


def test_a_tube_of_the_rounds_that_nobody_described_is_told(remarks):
    rows = [
        "time;tube;direction;10",
        "2023-09-02 10:00;T1;1;21",
        "2023-09-02 10:05;T22;1;21",
        "",
    ]
    rounds = "\n".join(rows)
    [text] = remarks({"rounds/2023.csv": rounds})
    assert text == (
        "rounds/2023.csv, line 3: found tube 'T22'; expected a tube of tubes.csv. "
        "Did you mean 'T2'?"
    )


def test_a_compressed_file_is_looked_into(remarks):
    packed = gzip.compress(table(minutes=5).encode(), mtime=0)
    edit = ("logger-a/*.csv", "logger-a/*")
    found = remarks({"logger-a/sep.csv.gz": packed}, {"site.toml": [edit]})
    assert any("readings every 5 min" in text for text in found)


def test_a_long_file_is_read_at_both_ends_only(remarks, monkeypatch):
    monkeypatch.setattr(samples, "HEAD_BYTES", 900)
    monkeypatch.setattr(samples, "TAIL_BYTES", 600)
    rows = table(rows=2000).split("\n")
    rows[1000] = rows[1000].replace("388,1", "-6999")  # between the ends: nobody looks
    assert remarks({"logger-a/sep.csv": "\n".join(rows)}) == []
    [text] = remarks({"logger-a/sep.csv": "\n".join(rows)}, whole=True)
    assert text.startswith("logger-a/sep.csv, line 1001: found -6999")
    rows[-5] = rows[-5].replace("388,1", "-6999")  # at the end: seen, its line not known
    [text] = remarks({"logger-a/sep.csv": "\n".join(rows)})
    assert text.startswith("logger-a/sep.csv: found -6999")


def test_of_many_files_a_bounded_number_is_read(remarks, monkeypatch):
    monkeypatch.setattr(samples, "MOST_FILES", 3)
    less = {name: COLUMNS[name] for name in ("mV_1", "rain")}
    files = {
        f"logger-a/sep-{n:02d}.csv": table(less, start=START + timedelta(days=n))
        for n in range(10)
    }
    files["logger-a/sep.csv"] = table(less, start=START + timedelta(days=20))
    [text] = remarks(files)
    assert "in none of 3 files of 11 of its time" in text
    [text] = remarks(files, whole=True)
    assert "in none of 11 files of its time" in text
    monkeypatch.setattr(inventory, "WHOLE_BYTES", 3000)  # the first alone goes
    monkeypatch.setattr(samples, "HEAD_BYTES", 900)
    [text] = remarks(files, whole=True)
    assert "11 files (their beginnings and ends)" in text


def test_check_tells_mistakes_first_and_remarks_only_of_a_sound_site(make_site):
    from pipeline.accounts.check_and_ledger import survey_site

    folder = make_site()
    (folder / "data" / "logger-a").mkdir()
    (folder / "data" / "logger-a" / "sep.csv").write_text(table(minutes=5))
    sound = survey_site(folder)
    assert sound["outcome"] == "attention"
    assert any("every 5 min" in remark["found"] for remark in sound["remarks"])
    broken = make_site({"wiring.csv": [("mV_2,T1", "mV_2,T9")]})
    with pytest.raises(SiteError):
        load_site(broken)
    assert survey_site(broken)["outcome"] == "wrong"


def test_check_tells_dates_as_they_were_stated_and_instants_with_the_sites_offset(
    make_site, capsys
):
    from pipeline.accounts.check_and_ledger import show_survey, survey_site

    account = survey_site(make_site())
    # tubes.csv says 2023-03-01 and 2023-03-02T10:00, an hour ahead of UTC
    installed = [tube["installed"] for tube in account["tubes"]]
    assert installed == ["2023-03-01T00:00:00+01:00", "2023-03-02T10:00:00+01:00"]
    show_survey(account)
    told = capsys.readouterr().err
    assert "T1    loam  2023-03-01  " in told
    assert "T2    loam  2023-03-02T10:00:00+01:00  " in told


def test_a_logger_set_to_a_longer_interval_is_told_with_the_files_since_then(remarks):
    files = {
        f"logger-a/{month:02d}.csv": table(start=datetime(2023, month, 2), minutes=minutes)
        for month, minutes in ((9, 15), (10, 30), (11, 30))
    }
    [text] = [line for line in remarks(files) if "readings every" in line]
    assert text.startswith(
        "logger-a/10.csv: found readings every 30 min, and so in 1 more file; expected every "
        "15 min, as in other files of the source."
    )
    assert "A logger set to another interval" in text


def test_day_and_month_exchanged_are_told_before_any_night(remarks):
    """By hand: 1 to 3 February at six hours, written month first, read day first."""
    lines = table(minutes=360, rows=12, start=datetime(2023, 2, 1)).splitlines()
    turned = [re.sub(r"^(\d\d)\.(\d\d)\.", r"\2.\1.", line) for line in lines]
    edits = {"site.toml": [('layout = "analog"', 'layout = "analog"\ninterval = "6 h"')]}
    found = remarks({"logger-a/sep.csv": "\n".join(turned) + "\n"}, edits)
    [text] = [line for line in found if "jump by a month" in line]
    assert "line 7: found dates" in text
    assert "from 2023-01-02T18:00:00 to 2023-02-02T00:00:00" in text


def test_a_mistake_in_the_samples_is_told_before_a_fit(make_site):
    from pipeline.accounts.check_and_ledger import survey_site

    folder = make_site()
    samples = "time,tube,depth_cm,wet_g,dry_g,volume_cm3\n2023-09-02,T1,10,100,130,100\n"
    (folder / "samples.csv").write_text(samples)
    told = [remark["advice"] for remark in survey_site(folder)["remarks"]]
    assert "Were wet and dry exchanged?" in told
