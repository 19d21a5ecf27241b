"""Transcripts that cannot be read at all are refused with what was found and expected."""

import pytest

from pipeline.errors import ReaderError
from pipeline.ingest.sdi12 import read_transcript
from pipeline.site.layout import Layout, TranscriptForm

LOG = b"2026-01-01 00:00:01 >0R0!\n2026-01-01 00:00:02 <0+1\n"


@pytest.mark.parametrize(
    ("data", "form", "found"),
    [
        (b"", {}, "empty file"),
        (b"time;value\n1;2\n", {}, "line 1: found 'time;value'"),
        (b"2026-01-01 00:00:01 >0M", {}, "line 1"),
        (b"\n" * 1_000_001, {}, "1000001 lines in 1000001 bytes"),
        (LOG, {"stamp": "yyyy-MM-dd"}, "hour and minute"),
        (LOG, {"stamp": "yyyy-QQ-dd HH:mm"}, "letter 'Q'"),
        (LOG, {"encoding": "klingon"}, "encoding 'klingon'"),
        (LOG, {"separator": "-" * 40}, "at most 32 characters"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_files_that_can_not_be_read(data, form, found):
    layout = Layout(id="bus", transcript=TranscriptForm(**form))
    with pytest.raises(ReaderError, match=r"^bus\.log") as caught:
        read_transcript(data, layout, "bus.log")
    assert found in str(caught.value)


def test_a_layout_without_transcript_is_refused():
    with pytest.raises(ReaderError, match="without a transcript"):
        read_transcript(b"x\n", Layout(id="table"), "bus.log")
