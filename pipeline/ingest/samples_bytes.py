"""Sampled files that lack their end, or that hold bytes no logger means to write."""

from __future__ import annotations

import codecs
from collections.abc import Iterator

from pipeline.errors import Problem
from pipeline.ingest.samples import Sample
from pipeline.ingest.sdi12_end import open_end
from pipeline.site.models import Site, Source

_WIDE = ("utf-16", "utf-32", "utf_16", "utf_32")


def remarks_on_bytes(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield which files hold NUL bytes, and which bus logs end within an exchange.

    Parameters
    ----------
    site : Site
    source : Source
    samples : list of Sample
        Of its files. What is alike in several files is told once.
    """
    layout = site.layouts[source.layout]
    encoding = layout.dialect.encoding
    if source.kind == "sdi12" and layout.transcript is not None:
        encoding = layout.transcript.encoding
    if not codecs.lookup(encoding).name.startswith(_WIDE):
        yield from _nul_bytes(samples)
    if source.kind == "sdi12":
        yield from _cut_off(site, source, samples)


def _nul_bytes(samples: list[Sample]) -> Iterator[Problem]:
    for sample in samples:
        count = sample.head.count(0) + sample.tail.count(0)
        if not count:
            continue
        first = sample.head.find(0)
        line = sample.head.count(b"\n", 0, first) + 1
        place = f"line {line}" if first >= 0 else ""
        advice = (
            "A logger that lost its supply while writing, or a failing card, leaves such "
            "bytes; the lines with them are set aside. Copy the file again, and test the card."
        )
        yield Problem(sample.path, place, f"{count} NUL byte(s)", "text", advice)


def _cut_off(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Name the first bus log that ends within an exchange."""
    layout = site.layouts[source.layout]
    ends = [
        (sample, *end)
        for sample in samples
        if (end := open_end(sample.tail or sample.head, layout, sample.path))
    ]
    if not ends:
        return
    sample, line, found = ends[0]
    also = f"; {len(ends) - 1} more file(s) end so too" if len(ends) > 1 else ""
    advice = (
        "Harmless while the log is still being written. Else what is missing is lost: copy "
        "the file again, and let logs be parted between exchanges, not at a fixed time."
    )
    place = f"line {line}" if sample.whole else ""
    expected = "the whole exchange"
    yield Problem(sample.path, place, f"an end {found}{also}", expected, advice)
