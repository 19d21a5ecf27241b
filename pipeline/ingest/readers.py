"""The readers, by the kind of a source."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.ingest.delimited import read_table
from pipeline.ingest.records import ParsedFile
from pipeline.ingest.rounds import read_rounds
from pipeline.site.layout import Layout

Reader = Callable[[bytes, Layout, str], ParsedFile]


def read_sdi12(data: bytes, layout: Layout, name: str) -> ParsedFile:
    """Return the readings of a bus transcript; its decoder is loaded when first needed."""
    from pipeline.ingest.sdi12 import read_transcript

    return read_transcript(data, layout, name)


READERS: dict[str, Reader] = {
    "table": read_table,
    "rounds": read_rounds,
    "sdi12": read_sdi12,
}
