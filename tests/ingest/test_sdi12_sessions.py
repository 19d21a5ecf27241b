"""Whole sessions of a bus, made by simulated sensors and a recorder, with faults.

What must be stored is what the sensors sent: the simulator keeps its own list, by its own
means. Provenance of every expected value: the text the simulated sensor sent, as Python's
`float` reads it (the float64 nearest to the decimal number).
"""

import random
from collections import Counter
from datetime import datetime, timedelta
from itertools import chain

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ReaderError
from pipeline.ingest.sdi12 import read_transcript
from pipeline.ingest.sdi12_codes import ADDRESSES
from pipeline.ingest.sdi12_crc import crc_characters
from pipeline.site.layout import Layout, TranscriptForm

LAYOUT = Layout(id="bus", transcript=TranscriptForm())
EPOCH = datetime(1970, 1, 1)
WIDTHS = {"M": 35, "C": 75, "V": 35, "HA": 75}
DIGITS = {"M": 1, "C": 2, "V": 1, "HA": 3}
MOST = {"M": 9, "C": 20, "V": 9, "HA": 40}


class Session:
    """A recorder and its sensors: writes the log and knows what must be stored."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.now = datetime(2026, 1, 1) + timedelta(seconds=chance.randrange(10**7))
        self.lines: list[bytes] = []
        self.stored: set[tuple] = set()  # (line, second of the start, channel, value)
        self.rejected: Counter = Counter()  # values by reason

    def log(self, mark: str, text: bytes) -> int:
        """Write one line; return its number."""
        self.now += timedelta(seconds=self.chance.choice((0, 0, 0, 1, 2)))
        self.lines.append(f"{self.now} {mark}".encode() + text)
        return len(self.lines)

    def stamp(self) -> int:
        return int((self.now - EPOCH).total_seconds())

    def text(self) -> bytes:
        return b"".join(line + b"\r\n" for line in self.lines)

    def value(self) -> str:
        """Return a value as a sensor may write it: a sign, 1 to 7 digits, perhaps a point."""
        digits = "".join(self.chance.choices("0123456789", k=self.chance.randint(1, 7)))
        place = self.chance.randint(0, len(digits) + 1)
        point = "" if place > len(digits) else "."
        return self.chance.choice("+-") + digits[:place] + point + digits[place:]

    def noise(self):
        """Perhaps write a line that is nothing but noise."""
        if self.chance.random() < 0.1:
            raw = bytes(self.chance.choice(b"\x00\x01\x80\xfe\xff") for _ in range(3))
            self.log("<", raw)
            self.rejected["damaged_text"] += 0

    def damaged(self, reply: bytes, crc: bool) -> bytes:
        """Return the reply as a bad line would carry it, so that the damage can be seen."""
        place = self.chance.randrange(len(reply))
        other = bytearray(reply)
        # A reply with a DEL in its CRC is damaged text, not a wrong CRC, once that is broken.
        if crc and place and b"\x7f" not in reply and self.chance.random() < 0.5:
            other[place] = self.chance.choice([c for c in range(48, 58) if c != reply[place]])
        else:
            other[place] |= 0x80
        return bytes(other)

    def exchange(self, command: str, reply: str, crc: bool, keep=None):
        """Ask until the reply comes through; ``keep`` is called with its line."""
        faults = self.chance.choices(
            ("lost", "damaged", "none"), weights=(1, 1, 12), k=self.chance.randint(0, 2)
        )
        for fault in faults:
            self.log(">", command.encode())
            if fault == "damaged":
                bad = self.damaged(reply.encode(), crc)
                self.log("<", bad)
                seen = all(byte < 0x80 for byte in bad)
                signed = seen and bad[1:2] in (b"+", b"-")
                values = sum(byte in b"+-" for byte in bad) if signed else 0
                self.rejected["checksum" if seen else "damaged_text"] += values
            elif fault == "none":
                break
            yield
        self.log(">", command.encode()) if "none" not in faults else None
        start = self.stamp()
        line = self.log("<", reply.encode())
        if keep:
            keep(line, start)
        yield

    def measurement(self, address: str, family: str, number: str):
        """Run one measurement of one sensor; yields wherever others may speak."""
        crc = (family in "MC" and self.chance.random() < 0.5) or family == "HA"
        values = [self.value() for _ in range(self.chance.randint(1, MOST[family]))]
        fault = self.chance.choices(("none", "fewer", "more", "aborted"), (8, 1, 1, 1))[0]
        count = max(0, len(values) + {"fewer": 1, "more": -1}.get(fault, 0))
        wait = self.chance.randint(0, 999)
        promise = f"{address}{wait:03d}{count:0{DIGITS[family]}d}"
        if len(promise) != 4 + DIGITS[family]:
            return
        command = family + ("C" if crc and family != "HA" else "") + number
        starts: list[int] = []
        yield from self.exchange(
            f"{address}{command}!", promise, False, lambda line, start: starts.append(start)
        )
        if family in "MV" and wait and self.chance.random() < 0.7:
            self.log("<", address.encode())
        yield
        stem = f"{address}.{family}{number}"
        replies = [""] if fault == "aborted" else self.replies(values, WIDTHS[family])
        yield from self.read_out(address, stem, replies, crc, fault == "none", starts[-1])

    def replies(self, values: list[str], width: int) -> list[str]:
        """Return the values split over replies, none longer than ``width``."""
        parts = [""]
        for value in values:
            if len(parts[-1] + value) > width or (
                parts[-1] and len(parts) < 5 and self.chance.random() < 0.2
            ):
                parts.append("")
            parts[-1] += value
        return parts

    def read_out(self, address, stem, replies, crc, sound, start):
        """Ask for every reply, some of them twice."""
        first = 1
        for n, part in enumerate(replies):
            assert n < 10 or ".HA" in stem
            reply = address + part
            reply += crc_characters(reply.encode()).decode() if crc else ""
            lines: list[int] = []
            for _ in range(self.chance.choice((1, 1, 1, 2))):
                yield from self.exchange(
                    f"{address}D{n}!",
                    reply,
                    crc,
                    lambda line, _, seen=lines: seen.append(line),
                )
            values = part.replace("-", " -").replace("+", " +").split()
            if sound:
                self.stored |= {
                    (lines[0], start, f"{stem}.{first + k}", float(v))
                    for k, v in enumerate(values)
                }
            else:
                self.rejected["count_mismatch"] += len(values)
            first += len(values)

    def continuous(self, address: str, number: str):
        """Read one sensor without starting it."""
        values = [self.value() for _ in range(self.chance.randint(1, 8))]
        crc = self.chance.random() < 0.5
        reply = address + "".join(values)
        reply += crc_characters(reply.encode()).decode() if crc else ""

        def keep(line: int, start: int) -> None:
            self.stored.update(
                (line, start, f"{address}.R{number}.{k}", float(v))
                for k, v in enumerate(values, start=1)
            )

        yield from self.exchange(f"{address}R{'C' * crc}{number}!", reply, crc, keep)

    def small_talk(self, address: str):
        """Exchange what carries no readings."""
        command, reply = self.chance.choice(
            [("!", ""), ("I!", "14ACMEINC SNS100123"), ("IM!", "0019"), ("IM_001!", ",PR,mm;")]
        )
        yield from self.exchange(address + command, (address + reply) or address, False)

    def sensor(self, address: str):
        """Yield the life of one sensor in the session."""
        for _ in range(self.chance.randint(1, 4)):
            kind = self.chance.choice(("M", "C", "C", "V", "HA", "R", "talk"))
            if kind == "R":
                yield from self.continuous(address, str(self.chance.randint(0, 9)))
            elif kind == "talk":
                yield from self.small_talk(address)
            else:
                number = self.chance.choice(("", "1", "9")) if kind in "MC" else ""
                yield from self.measurement(address, kind, number)

    def run(self) -> "Session":
        """Let the sensors speak in turns drawn by lot."""
        count = self.chance.choice((1, 2, 5, 62))
        lives = [self.sensor(a) for a in self.chance.sample(ADDRESSES.decode(), count)]
        while lives:
            life = self.chance.choice(lives)
            try:
                next(life)
            except StopIteration:
                lives.remove(life)
            self.noise()
        return self


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
    """Return the stored readings as they stand in every line that repeats their reply."""
    texts: dict[bytes, list[int]] = {}
    for number, line in enumerate(session.lines, start=1):
        texts.setdefault(line[20:], []).append(number)
    return {
        (number, *row[1:])
        for row in session.stored
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
