"""Warnings about a site that loads: what is told, and that a tidy site is told nothing."""

import os

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site

RAW = ("logger-a/jan.csv", "bus/jan.log", "rounds/2023.csv")


def tidy(folder, names=RAW):
    for name in names:
        path = folder / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return folder


def warnings(folder):
    return [str(problem) for problem in review(load_site(folder))]


def test_a_tidy_site_is_told_nothing(make_site):
    assert warnings(tidy(make_site())) == []


def test_a_missing_data_folder_is_told(make_site):
    folder = make_site()
    (folder / "data").rmdir()
    [text] = warnings(folder)
    assert "no folder" in text
    assert "site.data" in text


def test_a_source_without_files_is_told(make_site):
    [text] = warnings(tidy(make_site(), RAW[1:]))
    assert "source.0.files: found no file like 'logger-a/*.csv'" in text


def test_files_nobody_claims_are_told_once_a_folder(make_site):
    folder = tidy(make_site(), (*RAW, "logger-a/notes.txt", "logger-a/jan.bak", ".hidden"))
    [text] = warnings(folder)
    assert (
        "data folder 'logger-a': found 'jan.bak', 'notes.txt', which no source claims" in text
    )


def test_a_file_of_two_sources_is_told(make_site):
    folder = make_site({"site.toml": [("bus/*.log", "**/*.[lc]*")]})
    found = [text for text in warnings(tidy(folder)) if "a file of the sources" in text]
    assert len(found) == 2
    assert "'logger-a', 'bus'" in found[0]


def test_our_own_files_below_the_data_are_told(make_site):
    folder = make_site({"site.toml": [("interval =", 'output = "data/out"\ninterval =')]})
    tidy(folder, (*RAW, "out/table.csv"))
    [text] = warnings(folder)
    assert "key site.output" in text


@pytest.mark.parametrize(
    ("start", "told"), [("2023-09-01", 0), ("2023-09-02", 0), ("2023-09-03", 1)]
)
def test_a_gap_in_the_wiring_of_more_than_a_day_is_told(make_site, start, told):
    folder = make_site({"wiring.csv": [("P2,2023-09-01", f"P2,{start}")]})
    found = warnings(tidy(folder))
    assert len(found) == told
    assert all(
        "line 4: found voltage of 'T1' not wired for 2.0 days" in text for text in found
    )


def test_a_time_in_which_another_signal_was_logged_is_no_gap(make_site):
    row = "logger-a,mV_1,T1,10,permittivity,1,,2023-08-01,2023-09-02\n"
    ended = ("2023-09-01\n\n", "2023-08-01\n\n")
    for between, told in ((row, 0), ("", 1)):
        later = ("logger-a,mV_1,T1,10,voltage,mV,P2,2023-09-01", "P2,2023-09-02")
        again = f"{between}{later[0].replace('P2,2023-09-01', later[1])}"
        folder = make_site({"wiring.csv": [ended, (later[0], again)]})
        assert sum("not wired for" in text for text in warnings(tidy(folder))) == told


def test_a_wire_left_open_on_a_removed_tube_is_told(make_site):
    folder = make_site({"tubes.csv": [("2023-03-01,,0", "2023-03-01,2024-01-01,0")]})
    found = warnings(tidy(folder))
    [text] = found
    assert text.startswith("wiring.csv, line 4, column until: ")
    assert "removed (and 1 more row)" in text


def test_a_tube_without_wiring_is_told_unless_rounds_are_made(make_site):
    extra = ("T2,", "T3,48.5,9.1,412,2023-06-01,,0,loam,,\nT2,")
    assert warnings(tidy(make_site({"tubes.csv": [extra]}))) == []
    folder = make_site({"tubes.csv": [extra]})
    text = (folder / "site.toml").read_text()
    begin, end = text.index('[[source]]\nid = "rounds"'), text.index("[sensor_noise]")
    (folder / "site.toml").write_text(text[:begin] + text[end:])
    [told] = warnings(tidy(folder, RAW[:2]))
    assert "tube 'T3' without a row in wiring.csv" in told


def test_a_layer_below_the_deepest_sensor_is_told(make_site):
    # By hand: the deepest sensor is nominal 30 cm in T2, set in 5 cm.
    assert (
        warnings(tidy(make_site({"site.toml": [("bottom_cm = 30", "bottom_cm = 35")]}))) == []
    )
    folder = make_site({"site.toml": [("bottom_cm = 30", "bottom_cm = 60")]})
    [text] = warnings(tidy(folder))
    assert "layer 'root-zone' down to 60 cm; expected at most 35 cm" in text
    rule = ("day_completeness", 'below_last_sensor = "constant"\nday_completeness')
    assert (
        warnings(tidy(make_site({"site.toml": [("bottom_cm = 30", "bottom_cm = 60"), rule]})))
        == []
    )


def test_an_override_that_meets_no_sensor_is_told(make_site):
    folder = make_site({"site.toml": [("depths_cm = [10]", "depths_cm = [15]")]})
    [text] = warnings(tidy(folder))
    assert "key qc.override.0: found an override (beside the track" in text


def test_readings_before_their_calibration_are_told(make_site):
    edit = ('id = "subsoil"\nversion = 1', 'id = "subsoil"\nfrom = 2023-05-01\nversion = 1')
    found = warnings(tidy(make_site({"calibrations.toml": [edit]})))
    [text] = found
    assert text.startswith("wiring.csv, line 5: found readings from ")
    assert (
        "on, and so of 1 more row; expected readings after law 'subsoil' takes effect" in text
    )
    assert "(2023-05-01)" in text


def test_a_misspelt_table_nothing_reads_is_told(make_site):
    folder = tidy(make_site())
    os.rename(folder / "visits.csv", folder / "visit.csv")
    [text] = warnings(folder)
    assert "visit.csv: found a file nothing reads" in text
    assert "Did you mean 'visits.csv'?" in text
