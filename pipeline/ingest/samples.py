"""The beginning and the end of a source's raw files, read to see what they hold.

A sample is bounded whatever the size of a file or the number of files, so that a look at a
site of many years costs seconds. It is read by the source's own reader, as the night does. Who
asks for it gets files whole, as far as `WHOLE_BYTES` of a source go.
"""

from __future__ import annotations

import codecs
import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ReaderError
from pipeline.ingest.archives import compression, expand
from pipeline.ingest.clock import to_utc
from pipeline.ingest.discover import Found
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import ParsedFile
from pipeline.site.models import Site, Source

HEAD_BYTES, TAIL_BYTES = 192 * 1024, 48 * 1024
MOST_FILES = 24
WHOLE_BYTES = 256 * 1024**2  # held in memory together, with some times as much read from them
# A compressed file is expanded whole, as its end cannot be had otherwise.
MOST_COMPRESSED = 64 * 1024**2
_MARK_BYTES = 16


@dataclass(frozen=True)
class Sample:
    """What the beginning and the end of one file hold.

    ``head_lines`` is the number of lines of its beginning: up to there a line number is that
    of the file. ``whole`` tells that nothing in between was left out; ``tail`` is what was
    read of the end, empty if the file is whole.
    """

    path: str
    head: bytes
    parsed: ParsedFile
    head_lines: int
    tail: bytes = b""
    _instants: list[NDArray[np.int64]] = field(default_factory=list, compare=False)

    @property
    def whole(self) -> bool:
        """Tell whether all of the file was read."""
        return not self.tail

    def line(self, number: int) -> str:
        """Return a line as the place of a remark; empty where it is not that of the file."""
        return f"line {number}" if 0 < number <= self.head_lines or self.whole else ""

    def instants(self, site: Site, source: Source) -> list[NDArray[np.int64]]:
        """Return the instants of each table's rows [UTC s], 0 where one cannot be told.

        Worked out once, as every wire of the file's own site and source asks for them.
        """
        if not self._instants:
            interval_s = source.interval_s or site.interval_s
            self._instants.extend(
                to_utc(table.stamp_s, source.clock, interval_s).utc_s
                for table in self.parsed.tables
            )
        return self._instants

    @property
    def channels(self) -> set[str]:
        """Return the channels the file names."""
        return {channel for table in self.parsed.tables for channel in table.columns}


def chosen(files: list[Found]) -> list[Found]:
    """Return at most `MOST_FILES` files, the first, the last and others evenly between."""
    if len(files) <= MOST_FILES:
        return files
    places = np.linspace(0, len(files) - 1, MOST_FILES).round().astype(int)
    return [files[place] for place in places]


def read_sample(site: Site, source: Source, found: Found, most: int = 0) -> Sample:
    """Return a sample of a file.

    Parameters
    ----------
    site : Site
    source : Source
    found : Found
    most : int
        A file of no more bytes is read whole, as is one of `HEAD_BYTES`.

    Raises
    ------
    ReaderError
        If the file cannot be read as its layout says.
    OSError
        If its bytes cannot be read.
    """
    head, tail = _ends(found.full, found.path, most)
    layout = site.layouts[source.layout]
    parsed = READERS[source.kind](head + tail, layout, found.path)
    return Sample(found.path, head, parsed, head.count(b"\n"), tail)


def try_sample(
    site: Site, source: Source, found: Found, most: int = 0
) -> Sample | ReaderError | OSError:
    """Return a sample (see `read_sample`), or the error why there is none."""
    try:
        return read_sample(site, source, found, most)
    except (ReaderError, OSError) as error:
        return error


def _ends(path: Path, name: str, most: int) -> tuple[bytes, bytes]:
    """Return a file of at most so many bytes; of a longer one its first and last lines."""
    with path.open("rb") as file:
        stream: BinaryIO = file
        if compression(file.read(_MARK_BYTES)):
            file.seek(0)
            stream = io.BytesIO(expand(file.read(MOST_COMPRESSED + 1), name))
        stream.seek(0)
        most = max(most, HEAD_BYTES)
        head = stream.read(most + 1)
        if len(head) <= most:
            return head, b""
        head = head[: HEAD_BYTES + 1]
        size = stream.seek(0, 2)
        stream.seek(max(HEAD_BYTES, (size - TAIL_BYTES) // 4 * 4))  # whole units of UTF-16
        tail = stream.read(TAIL_BYTES + 4)
    line_end = _line_end(head)
    head = head[: head.rfind(line_end) + len(line_end)]
    begin = tail.find(line_end)
    return head, tail[begin + len(line_end) :] if begin >= 0 else b""


def _line_end(head: bytes) -> bytes:
    """Return the bytes that end a line."""
    if head.startswith(codecs.BOM_UTF16_LE):
        return b"\n\x00"
    if head.startswith(codecs.BOM_UTF16_BE):
        return b"\x00\n"
    return b"\n" if b"\n" in head else b"\r"


def span(site: Site, source: Source, sample: Sample) -> tuple[int, int] | None:
    """Return the first and the last instant of a sample, UTC seconds."""
    ends = []
    for instants in sample.instants(site, source):
        instants = instants[instants > 0]
        if len(instants):
            ends.append((int(instants.min()), int(instants.max())))
    return (min(a for a, _ in ends), max(b for _, b in ends)) if ends else None
