"""Whole sessions of a bus, made by simulated sensors and a recorder, with faults.

What must be stored is what the sensors sent: the simulator keeps its own list, by its own
means. Provenance of every expected value: the text the simulated sensor sent, as Python's
`float` reads it (the float64 nearest to the decimal number).
"""

import random
from collections import Counter
from itertools import chain

import pytest
from bus_session import Session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest.sdi12 import read_transcript
from pipeline.site.layout import Layout, TranscriptForm

LAYOUT = Layout(id="bus", transcript=TranscriptForm())


def readings(parsed) -> set[tuple]:
    """Return (line, second of the start, channel, value) of every value."""
    found = [
        (int(line), int(stamp), channel, float(value))
        for table in parsed.tables
        for channel, column in table.columns.items()
        for line, stamp, value in zip(table.line, table.stamp_s, column, strict=True)
    ]
    assert len(found) == len(set(found)), "a value was stored twice"
    return set(found)


def rejected_values(parsed) -> dict[str, int]:
    sums: Counter = Counter()
    for reject in parsed.rejects:
        sums[reject.reason] += reject.values
    return {reason: count for reason, count in sums.items() if count}


@settings(max_examples=60, deadline=None)
@given(st.randoms(use_true_random=True))
def test_what_sensors_sent_is_stored_and_all_else_is_accounted_for(chance):
    session = Session(chance).run()
    if not session.lines:
        return
    parsed = read_transcript(session.text(), LAYOUT, "bus.log")
    assert readings(parsed) == session.stored
    assert rejected_values(parsed) == {k: v for k, v in session.rejected.items() if v}
    assert parsed.rows_read == len(session.lines)
    assert parsed.rows_close()
    assert parsed.rows_with_values == len({line for line, *_ in session.stored})


def test_sessions_hold_what_they_are_meant_to():
    # Guards the test above against a simulator that has become tame.
    sessions = [Session(random.Random(seed)).run() for seed in range(60)]
    reasons = Counter(chain.from_iterable(s.rejected for s in sessions))
    channels = {row[2].split(".")[1] for s in sessions for row in s.stored}
    assert {"checksum", "count_mismatch", "damaged_text"} <= set(reasons)
    assert {"M", "M1", "C", "C9", "V", "HA", "R0"} <= channels
    assert max(len(s.stored) for s in sessions) > 500


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 30), st.data())
def test_one_damaged_character_of_a_checked_reply_never_stores_a_wrong_value(seed, data):
    session = Session(random.Random(seed)).run()
    checked = [
        n for n, line in enumerate(session.lines)
        if b" <" in line and line[-1] >= 0x40 and (b"+" in line or b"-" in line[22:])
    ]  # fmt: skip
    if not checked:
        return
    n = data.draw(st.sampled_from(checked))
    line = bytearray(session.lines[n])
    place = data.draw(st.integers(21, len(line) - 1))
    line[place] ^= data.draw(st.integers(1, 255))
    if line[place] == 10:
        return
    lines = [*session.lines[:n], bytes(line), *session.lines[n + 1 :]]
    parsed = read_transcript(b"".join(x + b"\r\n" for x in lines), LAYOUT, "bus.log")
    assert readings(parsed) <= repeats(session)
    assert parsed.rows_close()


def repeats(session: Session) -> set[tuple]:
    """Return what was sent as it stands in every line that repeats its reply.

    Of a measurement with more values than promised too: where the reply that was one too many
    is the damaged one, the rest is what was promised.
    """
    texts: dict[bytes, list[int]] = {}
    for number, line in enumerate(session.lines, start=1):
        texts.setdefault(line[20:], []).append(number)
    return {
        (number, *row[1:])
        for row in session.sent
        for number in texts[session.lines[row[0] - 1][20:]]
    }


FORMS = [
    {},
    {"joined": True},
    {"sent": "", "received": ""},
    {"answers": ("MC:2", "C:3")},
    {"stamp_position": "after"},
    {"stamp": "y-M-d H:m:s"},
]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 20),
    form=st.sampled_from(FORMS),
    changes=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=3), st.integers(0, 3))),
)
def test_no_bytes_do_more_than_raise_a_reader_error(seed, form, changes):
    text = Session(random.Random(seed)).run().text()
    for where, new, removed in changes:
        place = int(where * len(text))
        text = text[:place] + new + text[place + removed :]
    try:
        parsed = read_transcript(
            text, Layout(id="bus", transcript=TranscriptForm(**form)), "bus.log"
        )
    except ReaderError:
        return
    assert parsed.rows_close()
    assert parsed.rows_read == text.count(b"\n") + (not text.endswith(b"\n"))


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_rubbish_raises_nothing_but_a_reader_error(raw):
    try:
        parsed = read_transcript(raw, LAYOUT, "bus.log")
    except ReaderError:
        return
    assert parsed.rows_close()


def test_blocks_of_a_large_file_give_what_one_block_gives(monkeypatch):
    text = b"".join(Session(random.Random(seed)).run().text() for seed in range(5))
    whole = read_transcript(text, LAYOUT, "bus.log")
    for block in (1, 100, 4096):
        monkeypatch.setattr("pipeline.ingest.sdi12._BLOCK", block)
        parts = read_transcript(text, LAYOUT, "bus.log")
        assert readings(parts) == readings(whole)
        assert parts.rejects == whole.rejects


@pytest.mark.parametrize("seed", [1, 2])
def test_the_end_of_a_file_cut_anywhere_is_an_incomplete_line_at_most(seed):
    text = Session(random.Random(seed)).run().text()
    for cut in range(len(text) - 60, len(text)):
        parsed = read_transcript(text[:cut], LAYOUT, "bus.log")
        incomplete = [r for r in parsed.rejects if r.reason == "incomplete_line"]
        assert len(incomplete) == (text[cut - 1 : cut] != b"\n")
        assert parsed.rows_close()
