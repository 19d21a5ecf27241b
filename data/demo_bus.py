"""The digital probes' bus: a transcript of SDI-12 commands and replies, monthly files.

The dialogue follows the open SDI-12 standard: concurrent measurements with CRC every half
hour, all probes at once and their data collected in turn; soil temperature by a plain
measurement four times a day, its six values often too long for one reply. Some replies are
damaged on the way, some measurements are broken off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
from demo_draws import Draws
from demo_faults import Fault
from demo_weather import START, STEP, STEPS
from numpy.typing import NDArray

Array = NDArray[np.float64]

READ_EVERY = 2  # logging steps: half an hour
TEMPERATURE_EVERY = 24  # logging steps: six hours
DAMAGED_SHARE, ABORTED_SHARE = 0.0015, 0.0004
REPEATED_SHARE = 0.6  # of the failures, those that the logger asks again
SHORT_REPLY = 35  # characters of values after M (SDI-12, 4.4)
WAIT_S = 3
HEADER = "# SDI-12 transcript, lower slope; logger clock UTC+01:00 all the year round"


@dataclass(frozen=True)
class BusProbe:
    """One probe on the bus. ``permittivity`` and ``temperature`` are (sensors, steps)."""

    address: str
    tube: str
    permittivity: Array
    temperature: Array


@dataclass
class Transcript:
    """Lines by month, and the labels of what went wrong."""

    lines: dict[str, list[str]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    draws: Draws = field(default_factory=lambda: Draws("bus failures"))

    def log(self, at: datetime, text: str) -> None:
        """Add a line to the file of its month."""
        month = self.lines.setdefault(f"{at:%Y-%m}", [HEADER])
        month.append(f"{at:%Y-%m-%d %H:%M:%S} {text}")

    def label(self, kind: str, probe: BusProbe, at: datetime, what: str) -> None:
        """Label a failure of one reading."""
        self.faults.append(Fault(kind, "bus", probe.tube, None, at, at + STEP, what))

    def chance(self, share: float) -> bool:
        """Tell whether something with a probability of ``share`` happens now."""
        return self.draws.one() < share


def crc_text(text: str) -> str:
    """Return the three characters of the CRC of a reply (SDI-12, 4.4.12)."""
    crc = 0
    for byte in text.encode("ascii"):
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return "".join(chr(0x40 | (crc >> shift) & 0x3F) for shift in (12, 6, 0))


def make_transcript(probes: list[BusProbe]) -> Transcript:
    """Return the transcript of the whole demo."""
    transcript = Transcript()
    for step in range(0, STEPS, READ_EVERY):
        at = START + step * STEP
        _read_permittivity(transcript, probes, step, at)
        if step % TEMPERATURE_EVERY == 0:
            for place, probe in enumerate(probes):
                later = at + timedelta(seconds=20 + 5 * place)
                _read_temperature(transcript, probe, step, later)
    return transcript


def _read_permittivity(
    transcript: Transcript, probes: list[BusProbe], step: int, at: datetime
) -> None:
    """Start all probes, then collect from each in turn."""
    for place, probe in enumerate(probes):
        _start(transcript, probe, at + timedelta(seconds=place))
    for place, probe in enumerate(probes):
        collect = at + timedelta(seconds=len(probes) + WAIT_S + place)
        good = _reply(probe, step)
        transcript.log(collect, f">{probe.address}D0!")
        if transcript.chance(ABORTED_SHARE):
            transcript.log(collect, f"<{probe.address}{crc_text(probe.address)}")
            _after_failure(transcript, probe, "aborted", at, good)
        elif transcript.chance(DAMAGED_SHARE):
            transcript.log(collect, f"<{_damaged(good, transcript.draws)}")
            _after_failure(transcript, probe, "damaged_reply", at, good)
        else:
            transcript.log(collect, f"<{good}")


def _after_failure(
    transcript: Transcript, probe: BusProbe, kind: str, at: datetime, good: str
) -> None:
    """Label a failure, and ask again where the logger had time to."""
    again = at + timedelta(seconds=60 + 10 * int(probe.address))
    repeated = transcript.chance(REPEATED_SHARE)
    outcome = "asked again and read" if repeated else "reading lost"
    transcript.label(kind, probe, at, outcome)
    if not repeated:
        return
    if kind == "aborted":
        _start(transcript, probe, again)
        again += timedelta(seconds=WAIT_S + 1)
    transcript.log(again, f">{probe.address}D0!")
    transcript.log(again, f"<{good}")


def _start(transcript: Transcript, probe: BusProbe, at: datetime) -> None:
    """Start a concurrent measurement with CRC of six values in three seconds."""
    transcript.log(at, f">{probe.address}CC!")
    transcript.log(at, f"<{probe.address}{WAIT_S:03d}{len(probe.permittivity):02d}")


def _reply(probe: BusProbe, step: int) -> str:
    values = "".join(f"{value:+.2f}" for value in probe.permittivity[:, step])
    text = probe.address + values
    return text + crc_text(text)


def _damaged(reply: str, draws: Draws) -> str:
    """Return a reply with one digit changed, or broken off, or with its top bit set."""
    kind, place = draws.one(), 2 + draws.below(len(reply) - 8)
    if kind < 0.2:
        return reply[: place + 3]
    if kind < 0.3:
        return reply[:place] + chr(ord(reply[place]) | 0x80) + reply[place + 1 :]
    other = "7" if reply[place] != "7" else "3"
    return reply[:place] + other + reply[place + 1 :]


def _read_temperature(
    transcript: Transcript, probe: BusProbe, step: int, at: datetime
) -> None:
    """Log a plain measurement: start, service request, data in as many replies as it takes."""
    values = [f"{value:+.2f}" for value in probe.temperature[:, step]]
    transcript.log(at, f">{probe.address}M1!")
    transcript.log(at, f"<{probe.address}002{len(values)}")
    ready = at + timedelta(seconds=2)
    transcript.log(ready, f"<{probe.address}")
    for index, part in enumerate(_parts(values)):
        transcript.log(ready, f">{probe.address}D{index}!")
        transcript.log(ready, f"<{probe.address}{part}")


def _parts(values: list[str]) -> Iterator[str]:
    """Yield values joined as far as one reply may be long."""
    part = ""
    for value in values:
        if len(part) + len(value) > SHORT_REPLY:
            yield part
            part = ""
        part += value
    yield part
