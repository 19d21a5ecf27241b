"""What a site's watch remembers from night to night: one small file, whole or not at all.

``watch.json`` in the site's output holds the last night, the conditions that are open, what
was told and what is still to be told by which way. A condition is entered before it is told
and struck off a way's list after: a crash between the two tells it twice, never not at all.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from filelock import FileLock

from pipeline.axis import iso_utc
from pipeline.deliver.atomic import replacing
from pipeline.refusals import told
from pipeline.watch.conditions import AlertRow, Condition

FILE = "watch.json"
_WAIT_S = 30.0
_MOST_TOLD, _MOST_WAITING = 5000, 500
_FORM = 1


class OpenAlert(AlertRow):
    """A condition that is amiss."""

    raised: str  # instant, ISO 8601, UTC


class Note(AlertRow):
    """A change that is still to be told."""

    event: str  # raised or over
    time: str  # instant, ISO 8601, UTC
    ways: list[str]  # that have not told it yet


@dataclass
class Book:
    """The memory of a site's watch."""

    night: dict[str, Any] = field(default_factory=dict)
    open: dict[str, OpenAlert] = field(default_factory=dict)
    told: dict[str, str] = field(default_factory=dict)  # what happens once, and when
    waiting: list[Note] = field(default_factory=list)
    schedule: dict[str, object] = field(default_factory=dict)
    remark: str = ""  # what went wrong in reading it; never written
    refused: str = ""  # why nothing of it will be remembered; never written

    def update(
        self, found: Iterable[Condition], kinds: Iterable[str], ways: list[str], now: str
    ) -> tuple[list[Condition], list[str]]:
        """Enter what is amiss now; return what is new, and the keys of what is over.

        Parameters
        ----------
        found : iterable of Condition
            All that is amiss now.
        kinds : iterable of str
            The kinds that were looked for; open conditions of others stay as they are.
        ways : list of str
            By which ways changes are to be told.
        now : str
            The instant, ISO 8601.
        """
        present = {condition.key: condition for condition in found}
        new = [
            c for key, c in present.items() if key not in self.open and key not in self.told
        ]
        looked = set(kinds)
        gone = [
            key
            for key, entry in self.open.items()
            if entry["kind"] in looked and key not in present
        ]
        for key in gone:
            self._tell("over", self.open.pop(key), ways, now)
        for key, condition in present.items():
            if key in self.open:  # since when stays; the evidence is tonight's
                entry = self.open[key]
                entry["what"], entry["evidence"] = condition.what, condition.evidence
        for condition in new:
            self._tell("raised", condition.as_dict(), ways, now)
            if condition.lasting:
                self.open[condition.key] = {**condition.as_dict(), "raised": now}
            else:
                self.told[condition.key] = now
        self.told = dict(list(self.told.items())[-_MOST_TOLD:])
        return new, gone

    def _tell(self, event: str, entry: AlertRow, ways: list[str], now: str) -> None:
        note: Note = {**entry, "event": event, "time": now, "ways": list(ways)}
        self.waiting = [*self.waiting, note][-_MOST_WAITING:]

    def to_tell(self, way: str) -> list[Note]:
        """Return the notes that one way has still to tell."""
        return [note for note in self.waiting if way in note["ways"]]

    def strike(self, way: str) -> None:
        """Strike off what a way has told."""
        self._keep_ways(lambda name: name != way)

    def forget_ways_but(self, known: Iterable[str]) -> None:
        """Strike off the lists of ways that are no longer described."""
        names = set(known)
        self._keep_ways(lambda name: name in names)

    def _keep_ways(self, wanted: Callable[[str], bool]) -> None:
        for note in self.waiting:
            note["ways"] = [name for name in note["ways"] if wanted(name)]
        self.waiting = [note for note in self.waiting if note["ways"]]


@contextmanager
def opened(output: Path, to_tell: bool = False) -> Iterator[Book]:
    """Read the book under a lock, and write it when the block ends well.

    Parameters
    ----------
    output : Path
    to_tell : bool
        Go on where the disk refuses the book, with what can be read of it: a full disk is what
        has to be told. ``refused`` of the book then says why, at the end of the block.
    """
    with _locked(output, to_tell) as refused:
        book = _read_to_tell(output) if refused else read_book(output)
        book.refused = refused
        if book.remark and not refused:  # kept for a person to look at
            os.replace(output / FILE, output / f"{FILE}.damaged")
        yield book
        if refused:
            return
        try:
            write_book(output, book)
        except OSError as error:
            book.refused = told(error) or ""
            if not to_tell or not book.refused:
                raise


@contextmanager
def _locked(output: Path, to_tell: bool) -> Iterator[str]:
    """Hold the book's lock; where the disk refuses it, yield why if that is to be told."""
    lock, refused = FileLock(output / f".{FILE}.lock", timeout=_WAIT_S), ""
    try:
        output.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except OSError as error:
        refused = told(error) or ""
        if not to_tell or not refused:
            raise
    try:
        yield refused
    finally:
        lock.release()


def _read_to_tell(output: Path) -> Book:
    try:
        return read_book(output)
    except OSError:  # all is told anew
        return Book()


def read_book(output: Path) -> Book:
    """Return the book of a site; a new one where there is none or it cannot be read."""
    try:
        raw = (output / FILE).read_bytes()
    except FileNotFoundError:
        return Book()
    try:
        content = json.loads(raw)
        if content.get("sum", _sum(content)) != _sum(content):
            raise ValueError("its checksum is another")
        if content["form"] != _FORM:
            raise ValueError(f"form {content['form']!r}")
        book = Book(**{name: content[name] for name in _NAMES})
        right = all(isinstance(getattr(book, name), kind) for name, kind in _NAMES.items())
        if not right:
            raise ValueError("a part is not of its kind")
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        return Book(remark=f"{FILE} cannot be read ({error}); alerts begin anew")
    return book


def write_book(output: Path, book: Book) -> None:
    """Put the book in place of the one before."""
    content = {"form": _FORM, **{name: getattr(book, name) for name in _NAMES}}
    content["sum"] = _sum(content)
    text = json.dumps(content, indent=1, ensure_ascii=True, allow_nan=False) + "\n"
    with replacing(output / FILE) as temporary:
        temporary.write_text(text, encoding="utf-8")


def _sum(content: dict[str, object]) -> str:
    """Return a checksum of a book, without which a lost bit could end all telling for good."""
    parts = {name: content[name] for name in _NAMES}
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:16]


def stamp(now: datetime) -> str:
    """Return an instant as the book writes it."""
    return iso_utc(now.timestamp())


_NAMES: dict[str, type] = {
    "night": dict,
    "open": dict,
    "told": dict,
    "waiting": list,
    "schedule": dict,
}
