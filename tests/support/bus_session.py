"""A simulated bus: sensors, a recorder that writes the transcript, and faults on the line.

The simulator keeps its own list of what must be stored, by its own means: the text each sensor
sent, as Python's `float` reads it (the float64 nearest to the decimal number).
"""

import random
from collections import Counter
from datetime import datetime, timedelta

from pipeline.ingest.sdi12_codes import ADDRESSES
from pipeline.ingest.sdi12_crc import crc_characters

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
        self.sent: set[tuple] = set()  # the same of all that came through, to be stored or not
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
            rows = {
                (lines[0], start, f"{stem}.{first + k}", float(v))
                for k, v in enumerate(values)
            }
            self.sent |= rows
            if sound:
                self.stored |= rows
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
            rows = {
                (line, start, f"{address}.R{number}.{k}", float(v))
                for k, v in enumerate(values, start=1)
            }
            self.sent |= rows
            self.stored |= rows

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

    def run(self, addresses: str | None = None) -> "Session":
        """Let the sensors (some of all, if none are named) speak in turns drawn by lot."""
        if addresses is None:
            count = self.chance.choice((1, 2, 5, 62))
            addresses = "".join(self.chance.sample(ADDRESSES.decode(), count))
        lives = [self.sensor(a) for a in addresses]
        while lives:
            life = self.chance.choice(lives)
            try:
                next(life)
            except StopIteration:
                lives.remove(life)
            self.noise()
        return self
