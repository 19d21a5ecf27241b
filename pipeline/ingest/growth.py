"""A file that has grown: only what is new in it is placed, and the rest of its account stands.

There are two ways. A delimited table is read from the last known line end on (`tail`), where
it is certain that each row stands for itself. Any other file is read twice, as it was and as
it is, and what the second reading has in addition is new. Where a row once read would now be
read otherwise, or a stamp's place depends on the rows around it, neither holds, and the file
is taken in as if it had never been seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.axis import DAY_S
from pipeline.errors import ReaderError
from pipeline.ingest.clock import to_utc
from pipeline.ingest.clock_edges import Edges, edges_of_grown, spine_of
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.place import Bench, Placed
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import ParsedFile, Reject, Table
from pipeline.ingest.tail import Tail, read_tail
from pipeline.site.clock_checks import clock_checks
from pipeline.site.models import Clock

# Rows that a clock begun anew may have stamped; what follows them may yet put them right.
_CLOCK_REASONS = frozenset({"before_start", "clock_reset"})


@dataclass(frozen=True)
class Growth:
    """What a grown file brought.

    ``tables`` hold the new rows only. The counts and ``rejects`` are those of the whole file,
    as far as they are known before the new rows are placed.
    """

    tables: tuple[Table, ...]
    rows_read: int
    rows_with_values: int
    rows_without_values: int
    nulls: int
    values_read: int
    rejects: tuple[Reject, ...]


def read_growth(data: bytes, known: FileEntry, bench: Bench) -> Growth | None:
    """Return what a grown file brought, or None where it must be taken in as a whole.

    Parameters
    ----------
    data : bytes
        The whole file, of which the first ``known.content_size`` bytes are those read then.
    known : FileEntry
        The account of the version before, under the same description of its source.
    bench : Bench
        The source and its site.
    """
    if not _is_even(known, bench):
        return None
    kind, layout = bench.source.kind, bench.site.layouts[bench.source.layout]
    if kind == "table":
        try:
            tail = read_tail(data, known, layout)
        except ReaderError:
            tail = None
        if tail is not None and _goes_on(tail, known, bench):
            return _with_tail(known, tail)
    try:
        before = READERS[kind](data[: known.content_size], layout, known.path)
        after = READERS[kind](data, layout, known.path)
    except ReaderError:
        return None
    return _with_difference(known, before, after)


def is_settled(placed: Placed) -> bool:
    """Tell whether the new rows of a file left no question about the clock."""
    return not placed.repairs and not any(
        reject.reason in _CLOCK_REASONS for reject in placed.rejects
    )


def carry_on(entry: FileEntry, known: FileEntry, growth: Growth) -> None:
    """Go on with an account where that of the version before ended."""
    entry.rows_read = growth.rows_read
    entry.rows_with_values = growth.rows_with_values
    entry.rows_without_values = growth.rows_without_values
    entry.nulls, entry.values_read = growth.nulls, growth.values_read
    entry.rejects = list(growth.rejects)
    entry.stored, entry.duplicates = known.stored, known.duplicates
    entry.superseded = known.superseded
    entry.first_s, entry.last_s = known.first_s, known.last_s


def _is_even(known: FileEntry, bench: Bench) -> bool:
    """Tell whether the stamps of a file need nothing but an offset, each by itself.

    A zone, checks of the clock and rows stamped by a clock begun anew need the rows around.
    """
    source = bench.source
    plain = Clock(utc_offset=source.clock.utc_offset, stamp=source.clock.stamp)
    return (
        source.kind != "rounds"
        and source.clock == plain
        and not clock_checks(bench.site, source.id)
        and not known.repairs
        and (bool(known.edges) or known.rows_with_values == 0 or source.kind != "table")
        and not any(reject.reason in _CLOCK_REASONS for reject in known.rejects)
    )


def grown_edges(known: FileEntry, growth: Growth, bench: Bench) -> str:
    """Return how a grown file begins and ends, as its account keeps it."""
    if bench.source.kind != "table":
        return ""
    spine = spine_of(growth.tables, bench.is_long)
    edges = edges_of_grown(Edges.from_json(known.edges), spine, bench.is_long)
    return "" if edges is None else edges.to_json()


def _follow(table: Table, last_s: int | None) -> bool:
    """Tell whether rows go on from a known stamp, if there is one, in steps within a day.

    A clock that leaps, stands or runs back is judged with all the rows of its file.
    """
    stamps = table.stamp_s if last_s is None else np.append(last_s, table.stamp_s)
    steps = np.diff(stamps)
    return bool(((steps > 0) & (steps <= DAY_S)).all())


def _goes_on(tail: Tail, known: FileEntry, bench: Bench) -> bool:
    """Tell whether all the tail's rows follow known ones, and none is stamped as late."""
    interval_s = bench.source.interval_s or bench.site.interval_s
    for table in tail.new.tables:
        if not len(table.line):
            continue
        last_s = tail.last_s.get(tuple(table.columns))
        if last_s is None or not _follow(table, last_s):
            return False
        first_s = to_utc(table.stamp_s[:1], bench.source.clock, interval_s).utc_s
        if known.last_s is not None and first_s <= known.last_s:
            return False
    return True


def _with_tail(known: FileEntry, tail: Tail) -> Growth | None:
    """Return the account of the version before, less its loose end, and the tail's."""
    end, new = tail.loose_end, tail.new
    rejects = _without(known.rejects, end.rejects)
    if rejects is None or end.rows_with_values:
        return None
    without = known.rows_without_values - end.rows_without_values + new.rows_without_values
    return Growth(
        tables=new.tables,
        rows_read=known.rows_read - end.rows_read + new.rows_read,
        rows_with_values=known.rows_with_values + new.rows_with_values,
        rows_without_values=without,
        nulls=known.nulls - end.nulls + new.nulls,
        values_read=known.values_read - end.values_read + new.values_read,
        rejects=_joined(rejects, new.rejects),
    )


def _with_difference(known: FileEntry, before: ParsedFile, after: ParsedFile) -> Growth | None:
    """Return what the second reading has in addition; None if it lacks or changes a row."""
    rejects = _without(known.rejects, before.rejects)
    tables = _new_rows(before.tables, after.tables)
    if rejects is None or tables is None:
        return None
    return Growth(
        tables=tables,
        rows_read=after.rows_read,
        rows_with_values=after.rows_with_values,
        rows_without_values=after.rows_without_values,
        nulls=after.nulls,
        values_read=after.values_read,
        rejects=_in_order((*rejects, *after.rejects)),
    )


def _new_rows(before: Sequence[Table], after: Sequence[Table]) -> tuple[Table, ...] | None:
    """Return the rows that follow those of the first reading; None if they do not."""
    first = {tuple(table.columns): table for table in before if len(table.line)}
    new: list[Table] = []
    for table in after:
        old = first.pop(tuple(table.columns), None)
        count = 0 if old is None else len(old.line)
        if old is not None and not _same(old, _rows(table, slice(count))):
            return None
        more = _rows(table, slice(count, None))
        last_s = int(old.stamp_s.max()) if old is not None else None
        if not _follow(more, last_s):
            return None
        new.append(more)
    return None if first else tuple(new)


def _rows(table: Table, chosen: slice) -> Table:
    return Table(
        stamp_s=table.stamp_s[chosen],
        line=table.line[chosen],
        columns={name: values[chosen] for name, values in table.columns.items()},
        counter=None if table.counter is None else table.counter[chosen],
    )


def _same(one: Table, other: Table) -> bool:
    """Tell whether two tables hold the same rows in the same order."""
    return (
        np.array_equal(one.line, other.line)
        and np.array_equal(one.stamp_s, other.stamp_s)
        and all(
            np.array_equal(values, other.columns[name], equal_nan=True)
            for name, values in one.columns.items()
        )
    )


def _without(
    rejects: Iterable[Reject], settled: Iterable[Reject]
) -> tuple[Reject, ...] | None:
    """Return an account's rejects less some of them; None if they are not among them."""
    left = list(rejects)
    for reject in settled:
        if reject not in left:
            return None
        left.remove(reject)
    return tuple(left)


def _joined(rejects: Iterable[Reject], new: Iterable[Reject]) -> tuple[Reject, ...]:
    """Return the rejects of both parts of a file; the first example of each kind stands."""
    kinds = {(reject.reason, reject.column): reject for reject in rejects}
    for reject in new:
        kind = reject.reason, reject.column
        first = kinds.get(kind)
        kinds[kind] = (
            reject
            if first is None
            else replace(
                first, rows=first.rows + reject.rows, values=first.values + reject.values
            )
        )
    return _in_order(kinds.values())


def _in_order(rejects: Iterable[Reject]) -> tuple[Reject, ...]:
    """Return rejects in the order in which a reader gives them."""
    return tuple(sorted(rejects, key=lambda r: (r.first_line, r.reason, r.found)))
