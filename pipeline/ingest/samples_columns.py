"""Columns of sampled files that yield no usable value, and what their cells look like."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.errors import Problem, ReaderError
from pipeline.ingest.numerals import cell_texts
from pipeline.ingest.records import ParsedFile, Reject
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import rows_of
from pipeline.ingest.sheet import open_sheet
from pipeline.site.layout import Column, Layout
from pipeline.site.models import Site, Source

MOSTLY = 0.5  # of the values of a column
_LISTED = 6
_CELLS = 200  # looked at of a column
_DEPTH = re.compile(r"\d+(?:[.,]\d+)?")
# Other than this with a point or a comma it is no plain number, such as 1.234.567.
_DECIMALS = {"decimal ','": r"[-+\u2212]?\d*,\d+", "decimal '.'": r"[-+\u2212]?\d*\.\d+"}


@dataclass(frozen=True)
class _Fault:
    """Columns of one file of which no value, or not half of them, is usable."""

    sample: Sample
    rejects: tuple[Reject, ...]
    none_left: bool

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(reject.column for reject in self.rejects)


def remarks_on_columns(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield the columns of a source's files that hold texts or nulls where values belong.

    Parameters
    ----------
    site : Site
    source : Source
        Any; a bus has no columns and gives no remark.
    samples : list of Sample
        Of its files. Columns that fail alike in several files are told once.
    """
    layout = site.layouts[source.layout]
    first: dict[tuple[tuple[str, ...], bool], _Fault] = {}
    files: dict[tuple[tuple[str, ...], bool], int] = {}
    for fault in (fault for sample in samples for fault in _faults(sample, layout)):
        key = (fault.names, fault.none_left)
        first.setdefault(key, fault)
        files[key] = files.get(key, 0) + 1
    for key, fault in first.items():
        yield _told(fault, layout, source, files[key] - 1)
    if source.kind == "table":
        yield from _empty_files(layout, source, samples)
        failed = {name for names, _ in first for name in names}
        yield from _empty_channels(site, source, samples, failed)


def _faults(sample: Sample, layout: Layout) -> Iterator[_Fault]:
    """Yield the columns that hold nothing but texts, and those that mostly do."""
    found: dict[bool, list[Reject]] = {True: [], False: []}
    for reject in sample.parsed.rejects:
        if reject.column:
            kept = _kept(sample.parsed, layout, reject.column)
            if reject.values > MOSTLY * (reject.values + kept):
                found[kept == 0].append(reject)
    order = [name for table in sample.parsed.tables for name in table.columns]
    for none_left, rejects in found.items():
        if rejects:
            if {reject.column for reject in rejects} <= set(order):
                rejects.sort(key=lambda reject: order.index(reject.column))
            yield _Fault(sample, tuple(rejects), none_left)


def _kept(parsed: ParsedFile, layout: Layout, column: str) -> int:
    """Return how many values of a column were read; of a long form, how many in all."""
    if any(each.role == "value" for each in layout.table_schema.columns):
        read = 0 if parsed.rounds is None else len(parsed.rounds.value)
        return read + sum(table.value_count() for table in parsed.tables)
    if parsed.rounds is not None:
        depth = _DEPTH.match(column.strip())
        depth_m = float(depth[0].replace(",", ".")) / 100 if depth else np.nan
        return int(np.count_nonzero(np.isclose(parsed.rounds.depth_m, depth_m)))
    columns = [table.columns.get(column, np.empty(0)) for table in parsed.tables]
    return sum(int(np.count_nonzero(~np.isnan(values))) for values in columns)


def _told(fault: _Fault, layout: Layout, source: Source, more: int) -> Problem:
    """Return the remark on some columns of a file, and of more files that are alike."""
    sample, example = fault.sample, fault.rejects[0]
    count = sum(reject.values for reject in fault.rejects)
    share = "no usable value" if fault.none_left else "hardly a usable value"
    also = f", and so in {more} more file(s)" if more else ""
    found = (
        f"{share} in {_listed(fault.names)}: {count} value(s) that are no numbers, the first "
        f"{example.found}{also}"
    )
    column = _column(layout, example.column)
    cells = [text for _, text in first_cells(sample, layout, source.kind, example.column)]
    advice = _advice(layout, column, example.expected, cells)
    return Problem(
        sample.path, sample.line(example.first_line), found, example.expected, advice
    )


def _column(layout: Layout, name: str) -> Column | None:
    columns = layout.table_schema.columns
    return next((column for column in columns if column.name == name), None)


def _advice(layout: Layout, column: Column | None, expected: str, cells: list[str]) -> str:
    """Return what to do about a column of texts, by what most of its cells look like."""
    file = f"layouts/{layout.id}.toml"
    filled = [cell for cell in (cell.strip() for cell in cells) if cell]
    for sign, pattern in _DECIMALS.items():
        alike = sum(re.fullmatch(pattern, cell) is not None for cell in filled)
        if sign not in expected and alike > MOSTLY * len(filled):
            place = f"the datatype of column {column.name!r}" if column else "othersDatatype"
            return (
                f"The values look like numbers with {sign}: set decimalChar = "
                f"{sign.removeprefix('decimal ')} in {place} of {file}."
            )
    return (
        f"If the text means 'no value', add it to 'null' in {file}; if the column holds no "
        "readings, list it there with role = 'ignore'."
    )


def first_cells(
    sample: Sample, layout: Layout, kind: str, column: str
) -> list[tuple[int, str]]:
    """Return line and text of the first cells of a column; none if the file has no such.

    Parameters
    ----------
    sample : Sample
        Of a delimited file.
    layout : Layout
    kind : str
        Of its source.
    column : str
        Name of the column.
    """
    try:
        sheet = open_sheet(sample.head, layout, kind, sample.path)
    except ReaderError:
        return []
    places = [k for k, each in enumerate(sheet.columns) if each.column.name == column]
    if not places or not len(sheet.lines):
        return []
    start, stop = (ends[:_CELLS] for ends in sheet.cells(places[0]))
    codes, texts = cell_texts(sheet.buffer, (start, stop))
    lines = sheet.lines.number[:_CELLS].tolist()
    return [(line, texts[code]) for line, code in zip(lines, codes.tolist(), strict=True)]


def _empty_files(layout: Layout, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Name files all cells of which say "no value", in one remark."""
    empty = [
        sample
        for sample in samples
        if sample.parsed.nulls and not sample.parsed.values_read and not sample.parsed.rejects
    ]
    if empty:
        sample = empty[0]
        also = f", and so in {len(empty) - 1} more file(s)" if len(empty) > 1 else ""
        found = f"no value at all: each of {sample.parsed.nulls} cells says 'no value'{also}"
        advice = "Look at logger and probes, and at 'null' and 'sentinels' of the layout."
        place = f"layouts/{layout.id}.toml"
        yield Problem(sample.path, "", found, f"readings as {place} describes them", advice)


def _empty_channels(
    site: Site, source: Source, samples: list[Sample], failed: set[str]
) -> Iterator[Problem]:
    """Name wired channels of which no sampled row of their time holds a value."""
    layout = site.layouts[source.layout]
    for wire in site.wiring:
        if wire.source != source.id or wire.channel in failed:
            continue
        rows = [
            (sample, table.line[inside], np.isnan(table.columns[wire.channel][inside]))
            for sample, table, inside in rows_of(site, source, wire, samples)
        ]
        rows = [part for part in rows if len(part[1])]
        if not rows or not all(empty.all() for _, _, empty in rows):
            continue
        sample, lines, _ = rows[0]
        cells = dict(first_cells(sample, layout, source.kind, wire.channel))
        line = int(lines[0])
        cell = f" ({cells[line]!r} in line {line} of {sample.path!r})" if line in cells else ""
        count = sum(len(lines) for _, lines, _ in rows)
        found = (
            f"channel {wire.channel!r} without a value in the {count} row(s) of its time that "
            f"were looked at{cell}"
        )
        advice = "Look at sensor and cable; end the row with 'until' where it was taken off."
        place = f"line {wire.row}, column channel"
        yield Problem("wiring.csv", place, found, "readings", advice)


def _listed(names: tuple[str, ...]) -> str:
    """Return columns as a message names them."""
    shown = ", ".join(repr(name) for name in names[:_LISTED])
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    return f"column{'s' if len(names) > 1 else ''} {shown}{more}"
