"""Sampled files that lack their end, or that hold bytes no logger means to write."""

from __future__ import annotations

import codecs
from collections.abc import Iterator

from pipeline.errors import Problem
from pipeline.ingest.decimal_commas import on_split_numbers, split_count
from pipeline.ingest.records import Reject
from pipeline.ingest.samples import Sample
from pipeline.ingest.sdi12_end import open_end
from pipeline.site.layout import Layout
from pipeline.site.models import Site, Source

_LOOKED_AT = 50  # rows of a file without titles
_WIDE = ("utf-16", "utf-32", "utf_16", "utf_32")


def remarks_on_bytes(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield which files hold NUL bytes or halves of numbers, and logs that lack their end.

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
    if source.kind == "table":
        yield from _halves_of_numbers(layout, samples)
    if source.kind == "sdi12":
        yield from _cut_off(site, source, samples)
    else:
        yield from _cut_lines(samples)


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


def _cut_lines(samples: list[Sample]) -> Iterator[Problem]:
    """Name the first table that ends within a line: without an end, or with too few fields."""
    ends = [(sample, end) for sample in samples if (end := _last_reject(sample)) is not None]
    if not ends:
        return
    sample, end = ends[0]
    also = f"; {len(ends) - 1} more file(s) end so too" if len(ends) > 1 else ""
    advice = (
        "Harmless while the file is still being written: the line is read once it is whole. "
        "Else copy the file again, and have a last line ended like the others."
    )
    place = sample.line(end.first_line) if sample.whole else ""
    found = f"a last line cut off ({end.found}){also}"
    yield Problem(sample.path, place, found, end.expected, advice)


def _last_reject(sample: Sample) -> Reject | None:
    """Return why the last line of a file is set aside, where it is for being cut off."""
    data = sample.head + sample.tail
    lines = data.count(b"\n") + (not data.endswith(b"\n"))
    for reject in sample.parsed.rejects:
        short = reject.reason == "wrong_field_count" and reject.rows == 1 and _fewer(reject)
        if reject.reason == "incomplete_line" or (short and reject.first_line == lines):
            return reject
    return None


def _fewer(reject: Reject) -> bool:
    """Tell whether a row set aside has too few fields, and not too many or an open quote."""
    counts = [text.split(" ", 1)[0] for text in (reject.found, reject.expected)]
    return all(count.isdecimal() for count in counts) and int(counts[0]) < int(counts[1])


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


def _halves_of_numbers(layout: Layout, samples: list[Sample]) -> Iterator[Problem]:
    """Name a file without titles in which every number may be two fields.

    Only titles tell how many fields a row must have: halves of numbers are read for values.
    """
    listed, dialect = len(layout.table_schema.columns), layout.dialect
    if dialect.header_row_count or dialect.delimiter != ",":
        return
    for sample in samples:
        lines = sample.head.splitlines()[dialect.skip_rows :][:_LOOKED_AT]
        rows = [line for line in lines if line.strip()]
        surplus = [row.count(b",") + 1 - listed for row in rows]
        if rows and surplus[0] > 0 and surplus == [split_count(row) for row in rows]:
            shown = rows[0][:60].decode(errors="replace")
            found = f"{surplus[0] + listed} fields in {shown!r}"
            expected = f"{listed}, as many as layouts/{layout.id}.toml lists"
            place, advice = sample.line(1), on_split_numbers(rows[0], surplus[0], layout)
            yield Problem(sample.path, place, found, expected, advice)
            return
