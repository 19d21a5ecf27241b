"""Lines of keys in TOML: every key the standard library's reader finds has its line."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.site.toml_files import TomlFile, read_toml

# Tricky but valid TOML 1.0; keys end in the number of the line they stand on.
TRICKY = '''# [comment_9] key = 1
top_2 = "# no comment = [x]"
a_3.b_3 . "c d_3" = 'li"teral'
text_4 = """
not_a_key = 1
[nor_a_table] \\""" ""x"""""
raw_7 = \'\'\'
also = "none" \'\'\'
list_9 = [ # comment ]
  1, "]", [2, # three
  3],
  { in_12 = 1, deep_12.er_12 = "}" },
]
date_14 = 1979-05-27 07:32:00
[table_15] # comment
key_16 = { x_16 = [ { y_16 = 1 } ] }
[table_15.sub_17]
[[many_18]]
k_19 = true
[many_18.inner_20]
k_21 = +inf
[[many_18.rows_22]]
[[many_18.rows_22]]
k_24 = 1
[[many_18]]
k_26 = 0x_26
'''.replace("0x_26", "0xff")


def paths(value, base=()):
    """Yield every path of nested TOML data."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        yield (*base, key)
        if isinstance(item, dict | list):
            yield from paths(item, (*base, key))


def test_every_key_of_a_tricky_text_stands_on_its_line():
    toml = TomlFile("x.toml", tomllib.loads(TRICKY), TRICKY)
    found = {path: toml.lines.get(path) for path in paths(toml.data)}
    assert None not in found.values()
    named = {p: line for p, line in found.items() if isinstance(p[-1], str)}
    assert len(named) == 23
    assert {p: int(p[-1].rsplit("_", 1)[1]) for p in named} == named


def test_elements_of_arrays_have_lines():
    toml = TomlFile("x.toml", tomllib.loads(TRICKY), TRICKY)
    assert [toml.line_of(("list_9", i)) for i in range(4)] == [10, 10, 10, 12]
    assert toml.line_of(("many_18", 1)) == 25


def test_a_missing_key_is_placed_at_its_table():
    toml = TomlFile("x.toml", tomllib.loads(TRICKY), TRICKY)
    assert toml.line_of(("table_15", "absent")) == 15
    assert toml.line_of(("many_18", 1, "absent")) == 25
    assert toml.line_of(("absent",)) is None


@pytest.mark.parametrize("name", ["site.toml", "soils.toml", "calibrations.toml"])
def test_every_key_of_the_field_is_on_a_line_that_holds_it(name):
    text = (Path(__file__).parent / "field" / name).read_text()
    toml = TomlFile(name, tomllib.loads(text), text)
    lines = text.split("\n")
    for path in paths(toml.data):
        if isinstance(path[-1], str):
            assert path[-1] in lines[toml.lines[path] - 1]


@given(st.text(alphabet="ab.=[]{}\"'#\\\n ,1-", max_size=60))
def test_the_scanner_finds_all_that_the_reader_finds(text):
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    toml = TomlFile("x.toml", data, text)
    for path in paths(data):
        assert path in toml.lines


def test_a_time_without_seconds_is_told_how_to_be_written(tmp_path):
    path = tmp_path / "laws.toml"
    path.write_text("version = 2\nfrom = 2024-05-05T00:00 # noon\n")
    problems = []
    assert read_toml(path, "laws.toml", problems) is None
    assert problems[0].place == "line 2"
    assert problems[0].advice == "A time has seconds here: 2024-05-05T00:00:00."
