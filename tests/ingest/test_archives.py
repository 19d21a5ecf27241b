"""Compressed files: written by the standard library, damaged and forged by hand."""

import bz2
import gzip
import io
import lzma
import tracemalloc
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest import archives
from pipeline.ingest.archives import expand

TEXT = b"time;a\n" + b"".join(b"2024-03-01 %02d:00;%d\n" % (h, h * 37) for h in range(24))


def zipped(members, method=zipfile.ZIP_DEFLATED):
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", method) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return sink.getvalue()


def outcome(data):
    """Return what is inside, or the error of ours; any other error fails the test."""
    try:
        return expand(data, "raw/export")
    except ReaderError as error:
        return error


PACKED = {
    "gz": gzip.compress(TEXT),
    "gz, two streams": gzip.compress(TEXT[:50]) + gzip.compress(TEXT[50:]),
    "gz, padded": gzip.compress(TEXT) + bytes(512),
    "xz": lzma.compress(TEXT),
    "xz, two streams padded": lzma.compress(TEXT[:50]) + bytes(8) + lzma.compress(TEXT[50:]),
    "zip": zipped([("export.csv", TEXT)]),
    "zip, folder in the name": zipped([("2024/export.csv", TEXT)]),
    "zip, stored": zipped([("export.csv", TEXT)], zipfile.ZIP_STORED),
}


@pytest.mark.parametrize("kind", PACKED)
@pytest.mark.parametrize("name", ["raw/export", "raw/export.csv"])
def test_the_first_bytes_tell_what_a_file_is(kind, name):
    assert expand(PACKED[kind], name) == TEXT


@pytest.mark.parametrize("name", ["raw/export.csv", "raw/export.txt", "raw/gz"])
def test_other_files_are_left_as_they_are(name):
    assert expand(TEXT, name) is TEXT


REFUSED = {
    "two members": (zipped([("a.csv", TEXT), ("b.csv", TEXT)]), "2 members, 'a.csv', 'b.csv'"),
    "no member": (zipped([]), "0 members"),
    "a folder": (zipped([("logs/", b"")]), "a folder"),
    "a folder beside": (zipped([("logs/", b""), ("logs/a.csv", TEXT)]), "2 members"),
    "spreadsheet": (zipped([("[Content_Types].xml", b"x"), ("b", b"y")]), "as CSV"),
    "up": (zipped([("../a.csv", TEXT)]), "leads out of"),
    "up inside": (zipped([("a/../../a.csv", TEXT)]), "leads out of"),
    "up backwards": (zipped([("..\\a.csv", TEXT)]), "leads out of"),
    "absolute": (zipped([("/etc/a.csv", TEXT)]), "an absolute path"),
    "drive": (zipped([("C:\\a.csv", TEXT)]), "an absolute path"),
    "bz2 inside": (zipped([("a.csv", TEXT)], zipfile.ZIP_BZIP2), "method 12"),
    "lzma inside": (zipped([("a.csv", TEXT)], zipfile.ZIP_LZMA), "method 14"),
    "gz and more": (gzip.compress(TEXT) + b"time;a\n", "goes on with b'time;a"),
    "xz and more": (lzma.compress(TEXT) + b"time;a\n", "goes on with b'time;a"),
    "gz, wrong sum": (PACKED["gz"][:-8] + bytes(8), "is damaged"),
    "zip, wrong sum": (PACKED["zip, stored"].replace(b"23:00", b"23:01"), "is damaged"),
}  # fmt: skip


@pytest.mark.parametrize("kind", REFUSED)
def test_archives_that_are_refused_say_why(kind):
    data, words = REFUSED[kind]
    with pytest.raises(ReaderError) as caught:
        expand(data, "raw/export")
    assert words in str(caught.value)
    assert caught.value.problem.file == "raw/export"
    assert caught.value.problem.advice


def test_an_encrypted_zip_is_refused():
    data = bytearray(PACKED["zip, stored"])
    for at in (data.index(b"PK\x03\x04") + 6, data.index(b"PK\x01\x02") + 8):
        data[at] |= 1  # general purpose bit 0 (APPNOTE 4.4.4)
    with pytest.raises(ReaderError, match="an encrypted zip"):
        expand(bytes(data), "export.zip")


@pytest.mark.parametrize("name", ["a.gz", "a.csv.XZ", "a.zip"])
@pytest.mark.parametrize("data", [TEXT, bz2.compress(TEXT)])
def test_a_name_that_claims_what_the_bytes_are_not(name, data):
    with pytest.raises(ReaderError, match="begins with"):
        expand(data, name)


@pytest.mark.parametrize("name", ["a.gz", "a.csv.XZ", "a.zip"])
def test_an_empty_file_is_none_that_is_packed(name):
    with pytest.raises(ReaderError, match="compressed file that is empty"):
        expand(b"", name)
    assert expand(b"", "a.csv") == b""


@pytest.mark.parametrize("kind", PACKED)
def test_a_file_cut_anywhere_is_refused_or_the_whole_of_its_first_streams(kind):
    data = PACKED[kind]
    whole = (TEXT, TEXT[:50])
    for cut in range(6, len(data), 7):
        found = outcome(data[:cut])
        assert found in whole or "compressed file that" in str(found)


@pytest.mark.parametrize(
    ("kind", "pack"),
    [
        ("gz", gzip.compress),
        ("xz", lzma.compress),
        ("zip", lambda data: zipped([("export.csv", data)])),
    ],
)
def test_a_bomb_is_refused_before_it_fills_the_memory(kind, pack):
    bomb = pack(bytes(80 * 1024**2))
    assert archives.compression(bomb) == kind
    tracemalloc.start()
    try:
        with pytest.raises(ReaderError, match="that expand to"):
            expand(bomb, "raw/bomb")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # The limit, again while the buffer grows, the steps, and the bomb's own bytes.
    assert peak < 4 * archives.RATIO_FLOOR_BYTES + 2 * len(bomb)


def test_the_absolute_limit_holds_whatever_the_ratio(monkeypatch):
    monkeypatch.setattr(archives, "MAX_EXPANDED_BYTES", len(TEXT) - 1)
    with pytest.raises(ReaderError, match="that expand to"):
        expand(PACKED["gz"], "raw/export")
    monkeypatch.setattr(archives, "MAX_EXPANDED_BYTES", len(TEXT))
    assert expand(PACKED["gz"], "raw/export") == TEXT


@given(st.sampled_from(list(PACKED)), st.data())
@settings(max_examples=300, deadline=None)
def test_changed_bytes_give_the_text_or_an_error_of_ours(kind, data):
    packed = bytearray(PACKED[kind])
    for _ in range(data.draw(st.integers(1, 3))):
        packed[data.draw(st.integers(0, len(packed) - 1))] = data.draw(st.integers(0, 255))
    found = outcome(bytes(packed))
    assert isinstance(found, bytes) or found.problem.file == "raw/export"
