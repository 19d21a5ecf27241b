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
from pipeline.site.layout import Layout
from pipeline.site.models import Site, Source
from pipeline.words import also_in

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
    alike: dict[tuple[tuple[str, ...], bool, str], list[_Fault]] = {}
    for fault in (fault for sample in samples for fault in _faults(sample, layout)):
        advice = _advice(layout, source, fault)
        alike.setdefault((fault.names, fault.none_left, advice), []).append(fault)
    for (_, _, advice), faults in alike.items():
        yield _told(faults[0], advice, len(faults) - 1)
    if source.kind == "table":
        yield from _empty_files(layout, samples)
        failed = {name for names, _, _ in alike for name in names}
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


def _told(fault: _Fault, advice: str, more: int) -> Problem:
    """Return the remark on some columns of a file, and of more files that are alike."""
    example = fault.rejects[0]
    count = sum(reject.values for reject in fault.rejects)
    share = "no usable value" if fault.none_left else "hardly a usable value"
    found = (
        f"{share} in {_listed(fault.names)}: {count} value(s) that are no numbers, the first "
        f"{example.found}{also_in(more)}"
    )
    place = fault.sample.line(example.first_line)
    return Problem(fault.sample.path, place, found, example.expected, advice)


def _advice(layout: Layout, source: Source, fault: _Fault) -> str:
    """Return what to do about columns of texts, by what most cells of the first look like."""
    file, example = f"layouts/{layout.id}.toml", fault.rejects[0]
    cells = first_cells(fault.sample, layout, source.kind, example.column)
    null = {"", *layout.table_schema.null}
    filled = [text for text in (text.strip() for _, text in cells) if text not in null]
    for sign, pattern in _DECIMALS.items():
        alike = sum(re.fullmatch(pattern, text) is not None for text in filled)
        if sign not in example.expected and alike > MOSTLY * len(filled):
            return (
                f"The values look like numbers with {sign}: set decimalChar = "
                f"{sign.removeprefix('decimal ')} in {_datatype(layout, example)} of {file}; "
                "if only some files are so, give them a source and a layout of their own."
            )
    return (
        f"If the text means 'no value', add it to 'null' in {file}; if the column holds no "
        "readings, list it there with role = 'ignore'."
    )


def _datatype(layout: Layout, example: Reject) -> str:
    """Return where the layout says how the numbers of a column are written."""
    listed = {column.name for column in layout.table_schema.columns}
    is_listed = example.column in listed
    return f"the datatype of column {example.column!r}" if is_listed else "othersDatatype"


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


def _empty_files(layout: Layout, samples: list[Sample]) -> Iterator[Problem]:
    """Name files all cells of which say "no value", in one remark."""
    empty = [
        sample
        for sample in samples
        if sample.parsed.nulls and not sample.parsed.values_read and not sample.parsed.rejects
    ]
    if empty:
        sample = empty[0]
        found = f"no value at all: each of {sample.parsed.nulls} cells says 'no value'"
        found += also_in(len(empty) - 1)
        advice = "Look at logger and probes, and at 'null' and 'sentinels' of the layout."
        place = f"layouts/{layout.id}.toml"
        yield Problem(sample.path, "", found, f"readings as {place} describes them", advice)


def _empty_channels(
    site: Site, source: Source, samples: list[Sample], failed: set[str]
) -> Iterator[Problem]:
    """Name, in one remark, wired channels that no sampled row of their time has a value of."""
    layout, empty, example = site.layouts[source.layout], [], ""
    for wire in site.wiring:
        if wire.source != source.id or wire.channel in failed:
            continue
        rows = [
            (sample, table.line[inside], table.columns[wire.channel][inside])
            for sample, table, inside in rows_of(site, source, wire, samples)
            if inside.any()
        ]
        if not rows or not all(np.isnan(values).all() for _, _, values in rows):
            continue
        empty.append(wire)
        sample, line = rows[0][0], int(rows[0][1][0])
        cells = dict(first_cells(sample, layout, source.kind, wire.channel))
        if not example and line in cells:
            example = f" (the first {cells[line]!r} in line {line} of {sample.path!r})"
    if empty:
        names = tuple(dict.fromkeys(wire.channel for wire in empty))
        found = f"{_listed(names, 'channel')} without a value in any row looked at{example}"
        advice = "Look at sensor and cable; end the row with 'until' where it was taken off."
        place = f"line {empty[0].row}, column channel"
        yield Problem("wiring.csv", place, found, "readings while they are wired", advice)


def _listed(names: tuple[str, ...], what: str = "column") -> str:
    """Return columns as a message names them."""
    shown = ", ".join(repr(name) for name in names[:_LISTED])
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    return f"{what}{'s' if len(names) > 1 else ''} {shown}{more}"
