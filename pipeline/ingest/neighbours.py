"""Which files of a source come before and after one, for the sake of its clock.

After a file comes the one whose record counter goes on, if just one does and the counter has
not begun anew; else the next by name, numbers within names counted as such. Copies of a file
are passed over. A file of which no row has a time of its own is looked through to the one
behind it. All of it follows from the files' own edges, never from what was decided of them,
so that the order in which they arrived makes no difference.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.ingest.clock_around import Around, Rows
from pipeline.ingest.clock_edges import Edges
from pipeline.ingest.ledger import FileEntry

MOST_FILES = 40  # looked through on each side
_OPEN = "true"  # in the text of edges
_NUMBER = re.compile(r"(\d+)")


@dataclass(frozen=True)
class _File:
    entry: FileEntry
    edges: Edges

    @property
    def content(self) -> str:
        return self.entry.content_sha256


class Neighbours:
    """The files of one source in order.

    Parameters
    ----------
    entries : iterable of FileEntry
        The newest revisions of its files.
    """

    def __init__(self, entries: Iterable[FileEntry]) -> None:
        read = [(entry, Edges.from_json(entry.edges)) for entry in entries]
        files = [_File(entry, edges) for entry, edges in read if edges is not None]
        self._files = sorted(files, key=lambda file: _natural(file.entry.path))
        self._place = {file.entry.path: k for k, file in enumerate(self._files)}
        self._first: dict[int, list[_File]] = defaultdict(list)
        self._last: dict[int, list[_File]] = defaultdict(list)
        for file in self._files:
            self._first[file.edges.head.count].append(file)
            self._last[file.edges.tail.count].append(file)

    def open_files(self) -> list[FileEntry]:
        """Return the accounts of files whose clock needs a look at others."""
        return [file.entry for file in self._files if file.edges.is_open]

    def around(self, path: str) -> Around:
        """Return the rows before and after a file, as far as they may bear on its clock."""
        file = self._files[self._place[path]]
        if not file.edges.is_open:
            return Around()
        before = [f.edges.at_tail(f.entry.path) for f in self._walk(file, -1)]
        after = [f.edges.at_head(f.entry.path) for f in self._walk(file, 1)]
        return Around(_joined(before[::-1]), _joined(after))

    def _walk(self, file: _File, way: int) -> list[_File]:
        """Return the files on one side, up to the first that has a time of its own."""
        met: list[_File] = []
        contents = {file.content}
        while len(met) < MOST_FILES:
            following = self._by_count(file, way, contents) or self._by_name(
                file, way, contents
            )
            if following is None:
                break
            met.append(following)
            contents.add(following.content)
            if not following.edges.is_passable:
                break
            file = following
        return met

    def _by_count(self, file: _File, way: int, met: set[str]) -> _File | None:
        """Return the one file whose record counter goes on, unless a record is held twice."""
        count = (file.edges.tail if way > 0 else file.edges.head).count
        if count < 0 or count + way < 0:
            return None
        going_on = (self._first if way > 0 else self._last)[count + way]
        found = {f.content: f for f in going_on if f.content not in met}
        if len(found) != 1 or self._is_held_elsewhere(file, count):
            return None
        return next(iter(found.values()))

    def _is_held_elsewhere(self, file: _File, count: int) -> bool:
        """Tell whether another file has a record of that number: the counter began anew."""
        return any(
            0 <= other.edges.head.count <= count <= other.edges.tail.count
            for other in self._files
            if other.content != file.content
        )

    def _by_name(self, file: _File, way: int, met: set[str]) -> _File | None:
        """Return the next file by name that is none of those met already."""
        place = self._place[file.entry.path] + way
        while 0 <= place < len(self._files):
            if self._files[place].content not in met:
                return self._files[place]
            place += way
        return None


def may_be_open(entry: FileEntry) -> bool:
    """Tell, at the cost of a look at a text, whether a file's clock may need others."""
    return _OPEN in entry.edges


def around_text(around: Around) -> str:
    """Return what a file's account keeps of its surroundings: which files, and a digest."""
    sides = {"before": around.before, "after": around.after}
    if not any(rows.files for rows in sides.values()):
        return ""
    digest = hashlib.sha256()
    for rows in sides.values():
        digest.update(rows.stamp_s.tobytes())
        digest.update(rows.counter.tobytes())
    files = {name: list(rows.files) for name, rows in sides.items()}
    return json.dumps({**files, "sha256": digest.hexdigest()}, sort_keys=True)


def _joined(parts: list[Rows]) -> Rows:
    if not parts:
        return Rows()
    return Rows(
        np.concatenate([part.stamp_s for part in parts]),
        np.concatenate([part.counter for part in parts]),
        tuple(name for part in parts for name in part.files),
    )


def _natural(path: str) -> tuple[tuple[tuple[int, str], ...], str]:
    """Return a sort key in which 10 comes after 9."""
    parts = _NUMBER.split(path)
    return tuple(
        (int(part), "") if part.isdecimal() and part.isascii() else (-1, part)
        for part in parts
    ), path
