"""Whether a transcript of an SDI-12 bus ends within an exchange."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pipeline.ingest import sdi12_codes as codes
from pipeline.ingest.sdi12 import bus_lines
from pipeline.site.layout import Layout

_LOOKED_AT = 2000  # lines, of many rounds


@dataclass
class _Asked:
    """A measurement under way: where it was started, what was promised, what came."""

    line: int
    promised: int | None = None
    came: int = 0


@dataclass
class _Bus:
    """What is open on the bus; lines count from 0.

    ``heard`` are the addresses that have answered, ``whole`` those that have given a whole
    measurement: others are not expected to.
    """

    under_way: dict[int, _Asked] = field(default_factory=dict)
    heard: set[int] = field(default_factory=set)
    whole: set[int] = field(default_factory=set)
    unanswered: tuple[int, int] | None = None  # line and address of the last command
    last_reply: int | None = None  # address, where the last line is a reply
    cut: int | None = None  # the last line, where it has no end

    def take(self, number: int, line: Any) -> None:
        """Take the next line that is not quiet."""
        self.cut = number if line["kind"] == codes.INCOMPLETE else None
        self.last_reply = None
        if line["kind"] != codes.BUS:
            # A damaged line may have been any command or reply: nothing is expected after it.
            self.under_way.clear()
            self.unanswered = None
            return
        if line["command"] != codes.NO_COMMAND:
            self._command(number, int(line["command"]), int(line["command_address"]))
        if line["reply"] != codes.NO_REPLY:
            self._reply(line, int(line["reply_address"]))

    def _command(self, number: int, command: int, address: int) -> None:
        self.unanswered = (number, address)
        if codes.MEASURE <= command <= codes.HIGH_VOLUME:
            self.under_way[address] = _Asked(number)

    def _reply(self, line: Any, address: int) -> None:
        self.unanswered, self.last_reply = None, address
        self.heard.add(address)
        asked = self.under_way.get(address)
        if asked is None:
            return
        if line["reply"] == codes.PROMISE and asked.promised is None:
            asked.promised = int(line["promised"])
        elif line["reply"] == codes.DATA:
            asked.came += int(line["count"])
        if asked.promised is not None and asked.came >= asked.promised:
            self.whole.add(address)
            del self.under_way[address]

    def end(self) -> tuple[int, str] | None:
        """Return the line, from 0, at which something is open, and what."""
        if self.cut is not None:
            return self.cut, "within a line"
        for address, asked in sorted(self.under_way.items(), key=lambda item: item[1].line):
            due = address in self.whole or address == self.last_reply
            if due and asked.promised is not None:
                name = chr(codes.ADDRESSES[address])
                told = f"{asked.came} of {asked.promised} values"
                return asked.line, f"within a measurement of address {name!r}: {told}"
        if self.unanswered is not None and self.unanswered[1] in self.heard:
            return self.unanswered[0], "behind a command that has no reply"
        return None


def open_end(data: bytes, layout: Layout, name: str) -> tuple[int, str] | None:
    """Return where a transcript leaves an exchange open at its end, and which.

    Parameters
    ----------
    data : bytes
        Its last lines, or the whole of it.
    layout : Layout
        Its ``transcript`` form says how lines are written.
    name : str
        The file's name, for messages.

    Returns
    -------
    (int, str) or None
        The line of ``data``, from 1, and what is open there; None where nothing is, or where
        the log holds no commands. A sensor that never gives a whole answer is not waited for.

    Raises
    ------
    ReaderError
        If the layout has no usable transcript form.
    """
    form, _, lines = bus_lines(data, layout, name)
    bus = _Bus()
    begin = max(0, len(lines) - _LOOKED_AT)
    for number in range(begin, len(lines)):
        if lines[number]["kind"] != codes.QUIET:
            bus.take(number, lines[number])
    if form.answers and bus.cut is None:
        return None
    end = bus.end()
    return None if end is None else (end[0] + 1, end[1])
