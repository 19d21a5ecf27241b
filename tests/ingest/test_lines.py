"""Lines and encodings: places and numbers worked by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest.lines import holds_damage, split_lines, to_utf8


def lines_of(text):
    lines = split_lines(text)
    return [text[a:b] for a, b in zip(lines.start, lines.stop, strict=True)]


@pytest.mark.parametrize(
    ("text", "expected", "terminated"),
    [
        (b"a\nb\n", [b"a", b"b"], True),
        (b"a\r\nb\r\n", [b"a", b"b"], True),
        (b"a\rb\r", [b"a", b"b"], True),
        (b"a\r\nb\nc\rd\n", [b"a", b"b", b"c", b"d"], True),
        (b"\n\r\n\r", [b"", b"", b""], True),
        (b"a\nb", [b"a", b"b"], False),
        (b"a\r", [b"a"], True),
        (b"", [], True),
    ],
)
def test_every_line_end_ends_a_line(text, expected, terminated):
    assert lines_of(text) == expected
    assert split_lines(text).terminated is terminated


@given(st.binary(max_size=200))
def test_lines_are_those_of_the_standard_library(data):
    # reference code: bytes.splitlines, which splits at LF, CR LF and CR alike
    text = data.replace(b"\xef\xbb\xbf", b"")
    assert lines_of(text) == text.splitlines()
    assert split_lines(text).number.tolist() == list(range(1, len(text.splitlines()) + 1))


def test_a_mark_inside_files_joined_end_to_end_is_passed_over():
    assert lines_of(b"a\n\xef\xbb\xbfb\n") == [b"a", b"b"]


@pytest.mark.parametrize(
    ("encoding", "written_as"),
    [
        ("utf-8", "utf-8"),
        ("utf-8", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("latin-1", "latin-1"),
        ("cp1252", "cp1252"),
    ],
)
def test_text_of_every_encoding_becomes_utf8(encoding, written_as):
    text = "Tiefe;°C;ä\r\n"
    assert to_utf8(text.encode(written_as), encoding, "f") == text.encode()


def test_the_end_of_file_character_of_old_systems_is_left_out():
    assert to_utf8(b"a\r\n\x1a", "utf-8", "f") == b"a\r\n"


@pytest.mark.parametrize(
    ("data", "encoding", "message"),
    [
        (b"", "utf-8", "empty file"),
        (b"\r\n\n", "utf-8", "empty file"),
        ("a,b\n1,2\n".encode("utf-16"), "utf-8", 'encoding = "utf-16"'),
        (b"\x00\x01\x00\x02" * 50, "utf-8", "no text at all"),
        (b"time,a\n1,2\n", "utf-16", 'encoding = "utf-8"'),
    ],
)
def test_a_file_of_another_kind_is_refused_with_advice(data, encoding, message):
    with pytest.raises(ReaderError, match=message):
        to_utf8(data, encoding, "f.csv")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"plain\t1\r\n", False),
        ("grün\n".encode(), False),
        (b"with\x00nul\n", True),
        ("lost \ufffd\n".encode(), True),
    ],
)
def test_damage_is_told_from_text(text, expected):
    assert holds_damage(text, split_lines(text)) is expected


def test_places_are_small_integers():
    assert split_lines(b"a\n").start.dtype == np.int32
