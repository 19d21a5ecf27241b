"""CSV tables as editors and spreadsheets save them."""

import tracemalloc

import pytest

from pipeline.errors import SiteError
from pipeline.site import text_files
from pipeline.site.load import load_site


def test_a_byte_order_mark_is_no_part_of_the_header(make_site):
    folder = make_site()
    path = folder / "tubes.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert [tube.tube for tube in load_site(folder).tubes] == ["T1", "T2"]


def test_semicolons_come_with_decimal_commas(make_site, field_site):
    folder = make_site()
    path = folder / "tubes.csv"
    text = path.read_text().replace('"beside the track, wet"', "beside the track+ wet")
    path.write_text(text.replace(",", ";").replace(".", ",").replace("+", ","))
    assert load_site(folder).tubes == field_site.tubes


def test_windows_line_ends_keep_the_lines(make_site):
    folder = make_site({"wiring.csv": [("rain,mm", "rain,mV")]})
    path = folder / "wiring.csv"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    with pytest.raises(SiteError, match=r"wiring\.csv, line 6, column unit"):
        load_site(folder)


def test_a_quoted_line_break_keeps_the_lines(make_site):
    edits = {"tubes.csv": [(",upper,", ',upper,"two\n# lines"'), ("48.501", "high")]}
    with pytest.raises(SiteError, match=r"tubes\.csv, line 5, column latitude"):
        load_site(make_site(edits))


def test_comment_lines_may_hold_quotes_and_commas(make_site):
    edit = ("# set deeper than planned", '# "open, "quote')
    assert len(load_site(make_site({"tubes.csv": [edit]})).tubes) == 2


def test_rows_of_bare_separators_are_blank(make_site):
    edit = ("# set deeper than planned", ",,,,,,,,,")
    assert len(load_site(make_site({"tubes.csv": [edit]})).tubes) == 2


def test_columns_may_stand_in_any_order_and_optional_ones_be_left_out(make_site):
    text = (
        "soil,tube,installed,elevation_m,longitude,latitude\n"
        "loam,T1,2023-03-01,412.5,9.1,48.5\nloam,T2,2023-03-02,411,9.101,48.501\n"
    )
    tube = load_site(make_site(files={"tubes.csv": text})).tube_by_id["T1"]
    assert (tube.latitude, tube.longitude, tube.set_in_m, tube.note) == (48.5, 9.1, 0.0, "")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "line 1: found an empty file"),
        (b"tube,latitude\n\xe9", "line 2: found a byte 0xe9 that is not UTF-8"),
        ("tube".encode("utf-16"), "line 1: found UTF-16 text"),
        (b"tube\tlatitude\n", "line 1: found a header separated by tabs"),
        (b"tube,tube\n", "line 1, column tube: found the column twice"),
        (b"T1,48.5,9.1\nT2,48.5,9.1\n", "line 1: found no column title, but 'T1,48.5,9.1'"),
        (b'"tube,latitude"\n"T1,48.5"\n', "line 1: found a header in one pair of quotes"),
        (b"PK\x03\x04\x14", "tubes.csv: found a spreadsheet's own file"),
        (b"x" * 200_000, "line 1: found broken CSV (field larger than field limit"),
    ],
)
def test_what_is_no_table_is_told(make_site, content, told):
    folder = make_site()
    (folder / "tubes.csv").write_bytes(content)
    with pytest.raises(SiteError) as caught:
        load_site(folder)
    assert any(told in str(problem) for problem in caught.value.problems), str(caught.value)


def test_rows_separated_otherwise_than_the_header_are_told_once(make_site):
    folder = make_site()
    header, *rows = (folder / "tubes.csv").read_text().splitlines()
    lines = [header.replace(",", ";"), *rows]
    (folder / "tubes.csv").write_text("\n".join(lines))
    told = (
        r"^tubes\.csv, line 2: found fields separated by ',' under a header separated by ';'"
    )
    with pytest.raises(SiteError, match=told) as caught:
        load_site(folder)
    assert len(caught.value.problems) == 1


def test_two_tables_below_each_other_are_told_once(make_site):
    folder = make_site()
    text = (folder / "tubes.csv").read_text()
    (folder / "tubes.csv").write_text(text * 2)
    with pytest.raises(
        SiteError, match=r"^tubes\.csv, line 5: found the header once more"
    ) as e:
        load_site(folder)
    assert len(e.value.problems) == 1


def test_a_file_beyond_the_bound_is_not_read(make_site, monkeypatch):
    monkeypatch.setattr(text_files, "LARGEST_BYTES", 20)
    with pytest.raises(SiteError, match=r"tubes\.csv: found a larger file"):
        load_site(make_site())


def test_a_folder_in_place_of_a_file_is_told(make_site):
    folder = make_site(files={"tubes.csv": None})
    (folder / "tubes.csv").mkdir()
    with pytest.raises(SiteError, match=r"tubes\.csv: found a folder"):
        load_site(folder)


def test_a_header_without_end_is_told_at_once(make_site):
    """Each unknown title was compared with all others: minutes for a few kilobytes."""
    folder = make_site()
    titles = "time,action," + ",".join(f"column{n}" for n in range(100_000))
    (folder / "visits.csv").write_text(titles + "\n")
    with pytest.raises(SiteError, match=r"visits\.csv, line 1: found a header of 100002 col"):
        load_site(folder)


@pytest.mark.parametrize("row", ["a", "a" + 11 * "," + "b"])
def test_a_table_of_mistakes_is_told_down_to_the_thousandth(make_site, row):
    """Each was told: a quarter of a megabyte of such rows took 140."""
    folder = make_site()
    with (folder / "tubes.csv").open("a") as file:
        file.write(f"{row}\n" * 20_000)
    tracemalloc.start()
    with pytest.raises(SiteError, match="1000 mistakes down to here") as told:
        load_site(folder)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert 1000 < len(told.value.problems) < 1100
    assert peak < 16 * 1024**2


def test_a_small_file_takes_little_memory(make_site):
    """As much room as the largest file may have was taken for each file."""
    folder = make_site()
    load_site(folder)
    tracemalloc.start()
    load_site(folder)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < text_files.LARGEST_BYTES // 8
