"""Stamps of transcripts, against the standard library reading the same text."""

from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.sdi12_stamp import FIELDS, read_stamp, stamp_program, stamp_widths

EPOCH = datetime(1970, 1, 1)
instants = st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31)).map(
    lambda instant: instant.replace(microsecond=0)
)
# Pattern of UAX #35, the same for strftime (reference code: CPython's datetime).
PATTERNS = [
    ("yyyy-MM-dd HH:mm:ss", "%Y-%m-%d %H:%M:%S"),
    ("yyyy-MM-dd'T'HH:mm:ss", "%Y-%m-%dT%H:%M:%S"),
    ("[dd.MM.yyyy HH:mm:ss]", "[%d.%m.%Y %H:%M:%S]"),
    ("MM/dd/yyyy hh:mm:ss a", "%m/%d/%Y %I:%M:%S %p"),
    ("dd MMM yyyy HH:mm:ss", "%d %b %Y %H:%M:%S"),
    ("yyyyMMddHHmmss", "%Y%m%d%H%M%S"),
    ("yyyy DDD HH:mm:ss", "%Y %j %H:%M:%S"),
]


def read(text: str, pattern: str) -> tuple[int, int]:
    """Return seconds since 1970 and the end of the stamp, negative if there is none."""
    buffer = np.frombuffer(text.encode(), dtype=np.uint8)
    scratch = np.zeros(FIELDS, dtype=np.int64)
    return read_stamp(buffer, 0, len(buffer), stamp_program(pattern), scratch)


@pytest.mark.parametrize(("pattern", "strftime"), PATTERNS)
@settings(deadline=None)  # the first call compiles
@given(instant=instants)
def test_equals_the_standard_library(pattern, strftime, instant):
    text = instant.strftime(strftime)
    seconds, end = read(text + " >", pattern)
    assert end == len(text)
    assert seconds == int((instant - EPOCH).total_seconds())


# (pattern, text, the same instant in ISO 8601 form); provenance: by hand.
READ = [
    ("d.M.yyyy H:m", "1.2.2026 3:04", "2026-02-01T03:04:00"),
    ("yyyy-MM-dd HH:mm:ss.SSS", "2026-02-01 03:04:05.999", "2026-02-01T03:04:05"),
    ("yyyy-MM-dd HH:mm:ssX", "2026-02-01 03:04:05+02:00", "2026-02-01T01:04:05"),
    ("yyyy-MM-dd HH:mm:ssX", "2026-02-01 03:04:05Z", "2026-02-01T03:04:05"),
    ("yy-MM-dd HH:mm", "68-02-01 00:00", "2068-02-01T00:00:00"),
    ("yy-MM-dd HH:mm", "69-02-01 00:00", "1969-02-01T00:00:00"),
    ("yyyy-MM-dd HH:mm", "2026-12-31 24:00", "2027-01-01T00:00:00"),
    ("yyyy-MM-dd kk:mm", "2026-12-31 24:30", "2026-12-31T00:30:00"),
    ("yyyy-MM-dd hh:mm a", "2026-12-31 12:30 am", "2026-12-31T00:30:00"),
    ("yyyy-MM-dd hh:mm a", "2026-12-31 12:30 PM", "2026-12-31T12:30:00"),
    ("yyyy-MM-dd HH:mm", "2024-02-29 00:00", "2024-02-29T00:00:00"),
    ("dd-MMM-yyyy HH:mm", "01-DEC-2026 00:00", "2026-12-01T00:00:00"),
]


@pytest.mark.parametrize(("pattern", "text", "expected"), READ)
def test_forms_of_stamps(pattern, text, expected):
    seconds, end = read(text, pattern)
    assert end == len(text)
    assert seconds == int((datetime.fromisoformat(expected) - EPOCH).total_seconds())


@pytest.mark.parametrize(
    ("text", "end"),
    [
        ("", -1),
        ("x", -1),
        ("2026", -2),
        ("2026-13-01 00:00:00", -2),
        ("2026-00-01 00:00:00", -2),
        ("2026-02-29 00:00:00", -2),
        ("1900-02-29 00:00:00", -2),
        ("2026-04-31 00:00:00", -2),
        ("2026-01-01 24:00:01", -2),
        ("2026-01-01 00:60:00", -2),
        ("2026-01-01 00:00:60", -2),
        ("2026/01-01 00:00:00", -2),
        ("2026-01-01 00:00:0", -2),
    ],
)
def test_stamps_that_are_none(text, end):
    assert read(text, "yyyy-MM-dd HH:mm:ss")[1] == end


@pytest.mark.parametrize(
    "pattern",
    ["HH:mm:ss", "yyyy-MM HH:mm", "yyyy-MM-dd", "yyyy-MM-dd hh:mm", "yyyy-MMMM-dd HH:mm",
     "yyyy-MM-dd HH:mm EEE", "yyyy-MM-dd 'HH:mm", "y" + "-" * 80],
)  # fmt: skip
def test_patterns_that_fix_no_instant_are_refused(pattern):
    with pytest.raises(ValueError, match="date pattern"):
        stamp_program(pattern)


@pytest.mark.parametrize(
    ("pattern", "widths"),
    [
        ("yyyy-MM-dd HH:mm:ss", (19, 19)),
        ("d.M.y H:mm a", (13, 19)),
        ("yyyyDDDHHmmX", (12, 17)),
    ],
)
def test_widths_bound_every_stamp(pattern, widths):
    # By hand: the sum of the least and of the most characters of each field.
    assert stamp_widths(stamp_program(pattern)) == widths
