"""A small invented field, and the files it sends: every kind of source, overlap and fault."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from bare_site import make_site, make_tube, make_wire
from bus_session import Session
from sent_pages import MARKER, SENTINEL, TEXT, Content, Dialect, HandRow, Page, Row, pack

from pipeline.site.layout import Layout, TranscriptForm
from pipeline.site.models import Clock, Site, Source, Visit

START = datetime.fromisoformat("2024-02-01T00:00:00+00:00")
START_S = int(START.timestamp())
STEP_S = 1800
DAY_S = 86_400
SPAN_STEPS = 120  # of the records: two and a half days
NOW_S = START_S + 4 * DAY_S
CHANNELS = {
    "logger": ["c1", "c2", "c3", "rain", "spare"],
    "clocked": ["k1", "k2"],
    "long": ["n1", "n2", "nowhere"],
}
SOURCES = ["logger", "logger", "clocked", "long", "bus", "book"]
BUS_STEMS = ["M.1", "M.2", "C.1", "V.1", "HA.1", "R1.1"]
# Every fault a file can have; an example has some of them, so that a failing one stays small.
FAULTS = (
    "early", "future", "off_step", "null", "text", "damaged", "misshapen", "bad_stamp",
    "restart", "blank", "unfinished", "shuffled", "corrected", "nameless", "column_lost",
)  # fmt: skip


@dataclass
class Sent:
    """A file as it will lie in the data folder in the end."""

    source: str
    path: str
    content: Content
    ending: str = ""

    @property
    def data(self) -> bytes:
        """Return its bytes on the disk."""
        return pack(self.content.data, self.ending)

    @property
    def is_settled(self) -> bool:
        """Tell whether what it holds is judged alike on every night.

        It is not where a stamp lies, or lay on some night, in the future, or where a clock
        begun anew may have stamped a row, which other files may put right.
        """
        stamps = [row.stamp_s for table in self.content.tables for row in table]
        stamps += [hand.stamp_s for hand in self.content.hand]
        return all(START_S <= stamp_s <= NOW_S - 3 * DAY_S for stamp_s in stamps)


class Field:
    """A site drawn by lot, and a press that prints its files."""

    def __init__(self, chance: random.Random, faults: frozenset[str], folder: Path) -> None:
        self.chance, self.faults = chance, faults
        self.dialects = {
            name: Dialect.draw(chance) for name in ("logger", "clocked", "long", "book")
        }
        self.site = self._site(folder)
        # What the sensors measured: one value and one jitter for each channel and step, so
        # that files that overlap hold the same.
        self.truth = {
            (channel, step): chance.randrange(0, 8000) / 8
            for channels in CHANNELS.values()
            for channel in channels
            for step in range(SPAN_STEPS)
        }
        self.jitter = {
            step: chance.choice((0, 0, 0, -700, 899, 900, 61)) for step in range(SPAN_STEPS)
        }
        self.sessions: list[Session] = []

    def has(self, fault: str, likely: float = 1.0) -> bool:
        """Tell by lot whether a fault happens here, if the example has it at all."""
        return fault in self.faults and self.chance.random() < likely

    def send(self, number: int, source: str = "") -> Sent:
        """Print one file of one source, any if none is named."""
        source = source or self.chance.choice(SOURCES)
        # Names do not follow the order of printing: a late file may sort first.
        path = f"{source}/{self.chance.choice('abcdef')}{number}.txt"
        kinds = {"bus": self._bus, "book": self._book, "long": self._long}
        content = kinds.get(source, self._wide)(source)
        ending = self.chance.choice(["", "", "", ".gz", ".xz", ".zip"])
        return Sent(source, path + ending, content, ending)

    def resend(self, sent: Sent, number: int) -> Sent:
        """Send the same bytes again under another name, perhaps packed."""
        ending = self.chance.choice(["", ".gz", ".xz", ".zip"])
        path = f"{sent.source}/{self.chance.choice('abcdef')}r{number}.txt{ending}"
        return replace(sent, path=path, ending=ending)

    def _rows(self, source: str) -> list[tuple[int, int]]:
        """Return (step, stamp on the logger's clock) of the rows of one file."""
        first = self.chance.randrange(SPAN_STEPS - 5)
        steps = range(first, min(SPAN_STEPS, first + self.chance.randint(1, 25)))
        rows = [(s, self._stamp(s)) for s in steps if self.chance.random() < 0.9]
        if self.has("shuffled", 0.3):
            self.chance.shuffle(rows)
        rows += [self.chance.choice(rows) for _ in range(bool(rows) and self.has("shuffled"))]
        if self.has("early", 0.5):
            at = self.chance.randint(0, len(rows))
            count = self.chance.randint(1, 3)
            old = START_S - 9 * DAY_S
            rows[at:at] = [(0, old + k * STEP_S) for k in range(count)]
        if self.has("future", 0.5):
            rows.append((SPAN_STEPS - 1, NOW_S + self.chance.choice((-2, 9)) * DAY_S))
        return rows

    def _stamp(self, step: int) -> int:
        """Return the stamp of a step on a clock an hour ahead of UTC."""
        jitter = self.jitter[step] if "off_step" in self.faults else 0
        return START_S + (step + 3) * STEP_S + 3600 + jitter

    def _value(self, channel: str, step: int) -> float | str | None:
        """Return a cell's value, a text that is none, or None."""
        if self.has("null", 0.15):
            return self.chance.choice([None, SENTINEL])
        if self.has("text", 0.05):
            return TEXT
        value = self.truth[(channel, step)]
        return value + 1 if self.has("corrected", 0.1) else value

    def _noise(self, page: Page, cells: list[str], damage_left: int) -> None:
        """Perhaps write a line that holds no reading."""
        if self.has("restart", 0.08):
            page.header()
        if self.has("blank", 0.08):
            self.chance.choice([page.blank, page.comment])()
        if self.has("misshapen", 0.08):
            page.misshapen(cells, self.chance.randrange(2))
        if damage_left > 0 and self.has("damaged", 0.1):
            page.damaged(cells)

    def _wide(self, source: str) -> Content:
        """Print a table with a column a channel."""
        channels = [c for c in CHANNELS[source] if not self.has("column_lost", 0.2)]
        channels = channels or CHANNELS[source][:1]
        page = Page(self.dialects[source], ["time", *channels])
        rows: list[Row] = []
        for step, stamp_s in self._rows(source):
            values = {channel: self._value(channel, step) for channel in channels}
            cells = [page.dialect.stamp(stamp_s), *map(page.cell, values.values())]
            if self.has("bad_stamp", 0.08):
                page.write([cells[0][:-2] + "xx", *cells[1:]])
                filled = _filled(values.values())
                page.lose("bad_stamp", bool(filled), filled)
                page.content.nulls += len(values) - filled
                continue
            line = page.write(cells)
            numbers = {c: v for c, v in values.items() if isinstance(v, float)}
            texts = sum(v == TEXT for v in values.values())
            page.lose("not_a_number", 0, texts)
            page.content.nulls += len(values) - len(numbers) - texts
            if numbers or texts:
                page.content.with_values += 1
                rows.append(Row(line, stamp_s, numbers))
            self._noise(page, cells, len(rows) // 2 - page.content.lost_rows["damaged_text"])
        return page.finish([rows], self._unfinished(page))

    def _long(self, source: str) -> Content:
        """Print a table with a value a row."""
        page = Page(self.dialects[source], ["time", "channel", "value"])
        tables: dict[str, list[Row]] = {}
        for step, stamp_s in self._rows(source):
            for channel in CHANNELS[source]:
                value = self._value(channel, step)
                stamp = page.dialect.stamp(stamp_s)
                nameless = self.has("nameless", 0.1) and page.dialect.delimiter != " +"
                cells = [stamp, "" if nameless else channel, page.cell(value)]
                line = page.write(cells)
                if not _filled([value]):
                    page.content.nulls += 1
                elif nameless:
                    page.lose("no_name", 1, value != TEXT)
                    page.lose("not_a_number", 0, value == TEXT)
                else:
                    page.content.with_values += 1
                    if value == TEXT:
                        page.lose("not_a_number", 0, 1)
                    else:
                        rows = tables.setdefault(channel, [])
                        rows.append(Row(line, stamp_s, {channel: value}))
                count = sum(map(len, tables.values()))
                left = count // 2 - page.content.lost_rows["damaged_text"]
                self._noise(page, cells, left)
        return page.finish(list(tables.values()), self._unfinished(page))

    def _book(self, source: str) -> Content:
        """Print a book of hand rounds with a column a depth."""
        page = Page(self.dialects[source], ["time", "tube", "direction", "reader", "10", "30"])
        hand: list[HandRow] = []
        for _ in range(self.chance.randint(1, 12)):
            stamp_s = START_S + self.chance.choice((-3, 0, 1, 2, 30)) * DAY_S + 9 * 3600
            tube = self.chance.choice(["T1", "T2", "T9"])
            direction = self.chance.choice(["1", "2", "90", "", "up"])
            if page.dialect.delimiter == " +":
                direction = direction or "3"
            values = [self.chance.choice([None, TEXT, 20.0, 20.5, 31.25]) for _ in range(2)]
            stamp, cells = page.dialect.stamp(stamp_s), [page.cell(v) for v in values]
            line = page.write([stamp, tube, direction, "Ada", *cells])
            filled, texts = _filled(values), values.count(TEXT)
            page.content.nulls += 2 - filled
            page.lose("not_a_number", 0, texts)
            if direction == "up":
                page.lose("not_a_number", bool(filled), filled - texts)
                continue
            page.content.with_values += bool(filled)
            angle = {"1": 0.0, "2": 120.0, "3": 240.0, "90": 90.0, "": float("nan")}[direction]
            hand += [
                HandRow(line, stamp_s, tube, "Ada", angle, depth, value)
                for depth, value in zip((0.1, 0.3), values, strict=True)
                if isinstance(value, float)
            ]
        content = page.finish([], self._unfinished(page))
        content.hand = hand
        return content

    def _unfinished(self, page: Page) -> str:
        """Return the beginning of a last line that never got its end, or nothing."""
        stamp = page.dialect.stamp(START_S + DAY_S)
        return stamp[:9] if self.has("unfinished", 0.5) else ""

    def _bus(self, source: str) -> Content:
        """Let the bus talk for a while, within the record."""
        session = Session(self.chance)
        begin = START + timedelta(seconds=self.chance.randrange(2 * DAY_S))
        session.now = begin.replace(tzinfo=None)
        session.run("01"[: self.chance.randint(1, 2)])
        if not session.lines:
            session.log(">", b"0!")
        table = [
            Row(line, stamp_s, {channel: value})
            for line, stamp_s, channel, value in sorted(session.stored)
        ]
        return Content(
            session.text(),
            rows=len(session.lines),
            with_values=len({row.line for row in table}),
            tables=[table],
            lost_values=session.rejected,
        )

    def _site(self, folder: Path) -> Site:
        """Return the description of the field."""
        book = [
            {"name": "tube", "role": "key", "datatype": {"base": "string"}},
            {"name": "direction", "role": "key", "datatype": {"base": "string"}},
            {"name": "reader", "role": "key", "datatype": {"base": "string"}},
        ]
        number = {"base": "number", "decimalChar": self.dialects["long"].decimal}
        long = [
            {"name": "channel", "role": "key", "datatype": {"base": "string"}},
            {"name": "value", "role": "value", "datatype": number},
        ]
        layouts = {
            "logger": self.dialects["logger"].layout("logger", []),
            "clocked": self.dialects["clocked"].layout("clocked", []),
            "long": self.dialects["long"].layout("long", long),
            "book": self.dialects["book"].layout("book", book, rounds={"unit": "%"}),
            "bus": Layout(id="bus", transcript=TranscriptForm()),
        }
        kinds = {"bus": "sdi12", "book": "rounds"}
        clocks = {
            "logger": Clock(utc_offset="+01:00", stamp=self.chance.choice(["end", "start"])),
            "long": Clock(zone="Europe/Paris"),  # no change of offset within the record
            "clocked": Clock(utc_offset="+01:00"),
        }
        sources = tuple(
            Source(
                id=name,
                kind=kinds.get(name, "table"),
                files=f"{name}/*",
                layout=name,
                clock=clocks.get(name, Clock(utc_offset="Z")),
            )
            for name in layouts
        )
        return make_site(
            folder=folder,
            data=folder / "data",
            output=folder / "out",
            store=str(folder / "store"),
            start=START,
            interval_s=STEP_S,
            sources=sources,
            layouts=layouts,
            tubes=(
                make_tube("T1", installed=START),
                make_tube("T2", installed=START + timedelta(hours=30)),
            ),
            wiring=_wiring(),
            visits=_checks(self.chance),
        )


def _filled(values) -> int:
    """Return how many cells hold anything but "no value"."""
    return sum(value not in (None, SENTINEL, MARKER) for value in values)


def _wiring():
    """Return the wires; each channel has cells of its own, one moves between two depths."""
    moved = START + timedelta(hours=20)
    rain = {"depth_m": None, "quantity": "rain", "unit": "mm", "probe": ""}
    wires = [
        make_wire("T1", 0.1, source="logger", channel="c1", until=moved),
        make_wire("T1", 0.3, source="logger", channel="c1", start=moved),
        make_wire("T2", 0.1, source="logger", channel="c2"),
        make_wire("T2", 0.3, source="logger", channel="c3"),
        make_wire("", source="logger", channel="rain", **rain),
    ]
    for channel, depth in (("k1", 0.1), ("k2", 0.3)):
        more = {"quantity": "permittivity", "unit": "1"}
        wires.append(make_wire("T1", depth, source="clocked", channel=channel, **more))
    for channel, tube, depth in (("n1", "T1", 0.1), ("n2", "T2", 0.3)):
        more = {"quantity": "water_content", "unit": "%"}
        wires.append(make_wire(tube, depth, source="long", channel=channel, **more))
    quantities = (("soil_temperature", "degC"), ("root_permittivity", "1"))
    places = [
        (tube, depth, *q) for q in quantities for tube in ("T1", "T2") for depth in (0.1, 0.3)
    ]
    channels = [f"{address}.{stem}" for address in "01" for stem in BUS_STEMS]
    for channel, (tube, depth, quantity, unit) in zip(channels, places, strict=False):
        more = {"quantity": quantity, "unit": unit}
        wires.append(make_wire(tube, depth, source="bus", channel=channel, **more))
    return tuple(wires)


def _checks(chance: random.Random) -> tuple[Visit, ...]:
    """Return two checks of the clock that drifts.

    Both offsets are odd and the first is even away from them, so that no correction is a half.
    """
    offsets = (0, chance.choice((-1301, 77, 1301)))
    return tuple(
        Visit(
            row=2 + k,
            time=START + timedelta(hours=5 + 40 * k),
            source="clocked",
            action="clock",
            value=offset,
            unit="s",
        )
        for k, offset in enumerate(offsets)
    )
