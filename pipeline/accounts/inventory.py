"""What the raw files say of the site description: remarks that need a look into the files.

Unless asked for all, only the beginnings and ends of some files are read
(`pipeline.ingest.samples`), so that a remark is cheap and never certain about what lies
between; each says what was looked at. None of them stops a night.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from pipeline.accounts.inventory_ranges import remarks_on_ranges
from pipeline.errors import Problem, ReaderError
from pipeline.ingest.clock_swap import LEAST_SIGNS, swap_signs
from pipeline.ingest.discover import MAX_FILE_BYTES, Found, discover
from pipeline.ingest.records import Table
from pipeline.ingest.samples import (
    WHOLE_BYTES,
    Sample,
    chosen,
    span,
    try_sample,
)
from pipeline.ingest.samples_bytes import remarks_on_bytes
from pipeline.ingest.samples_columns import remarks_on_columns
from pipeline.ingest.samples_rounds import remarks_on_rounds
from pipeline.ingest.samples_stamps import remarks_on_stamps
from pipeline.ingest.samples_values import remarks_on_values
from pipeline.site.checks_dates import seconds
from pipeline.site.chronicle import Span
from pipeline.site.cross_wiring import EVER, NEVER, period
from pipeline.site.mistakes import did_you_mean
from pipeline.site.models import Site, Source, Wire
from pipeline.words import also_in

_LISTED = 6
_LEAST_ROWS = 5  # fewer say nothing of an interval
_SAME_INTERVAL = 0.1  # relative
_MOSTLY = 0.5
_SUMMER_S = 3600  # what a clock with summer time goes back by


@dataclass(frozen=True)
class Stock:
    """One source's files as far as they were looked at."""

    site: Site
    source: Source
    files: list[Found]
    samples: list[Sample] = field(default_factory=list)

    @property
    def wires(self) -> list[Wire]:
        """Return the rows of the source."""
        return [wire for wire in self.site.wiring if wire.source == self.source.id]

    @property
    def looked_at(self) -> str:
        """Return which files were looked at, in words."""
        count, whole = len(self.samples), all(sample.whole for sample in self.samples)
        files = f"the file {self.samples[0].path!r}" if count == 1 else f"{count} files"
        more = f" of {len(self.files)}" if count < len(self.files) else ""
        return f"{files}{more}{'' if whole else ' (their beginnings and ends)'}"


def look(site: Site, now: datetime | None = None, whole: bool = False) -> list[Problem]:
    """Return remarks about a site's description that its raw files give rise to.

    Parameters
    ----------
    site : Site
        Its data folder is read, nothing is written; no store is needed.
    now : datetime, optional
        With an offset; later stamps are told. Default: what this machine's clock shows.
    whole : bool
        Read all files, and whole, as far as `WHOLE_BYTES` of a source go.

    Returns
    -------
    list of Problem
        By source: what cannot be read, channels that no file has and that no row wires, dates
        that run backwards, intervals, units and values that do not fit the description.
    """
    if not site.data.is_dir():
        return []  # told by pipeline.site.checks
    now_s = int((now or datetime.now(UTC)).timestamp())
    found, problems = discover(site)
    remarks = list(problems)
    for source in site.sources:
        stock = Stock(site, source, [file for file in found if file.source == source.id])
        remarks += _fill(stock, whole)
        if stock.samples:
            remarks += _remarks(stock)
            remarks += remarks_on_stamps(site, source, stock.samples, now_s)
            remarks += remarks_on_bytes(site, source, stock.samples)
    return list(dict.fromkeys(remarks))


def file_spans(site: Site) -> dict[str, tuple[Span, ...]]:
    """Return the time that each source's sampled files cover, without any store.

    Files that cannot be read, and hand rounds, are left out; `look` tells of the former.
    """
    found, _ = discover(site) if site.data.is_dir() else ([], [])
    spans: dict[str, tuple[Span, ...]] = {}
    for source in site.sources:
        stock = Stock(site, source, [file for file in found if file.source == source.id])
        _fill(stock)
        held = [(span(site, source, sample), sample.path) for sample in stock.samples]
        spans[source.id] = tuple(sorted(Span(*ends, path) for ends, path in held if ends))
    return spans


def _fill(stock: Stock, whole: bool = False) -> list[Problem]:
    """Sample the source's files; return why some have no sample."""
    remarks = []
    left = WHOLE_BYTES if whole else 0
    for file in stock.files if whole else chosen(stock.files):
        if file.size > MAX_FILE_BYTES:
            continue  # refused by `discover`
        sample = try_sample(stock.site, stock.source, file, left)
        if isinstance(sample, ReaderError):
            remarks.append(sample.problem)
        elif isinstance(sample, OSError):
            why = sample.strerror or type(sample).__name__
            advice = "Check its permissions."
            remarks.append(
                Problem(file.path, "", f"a file that cannot be read ({why})", "one", advice)
            )
        else:
            stock.samples.append(sample)
            left -= len(sample.head) + len(sample.tail)
    return remarks


def _remarks(stock: Stock) -> Iterator[Problem]:
    for sample in stock.samples:
        yield from _mostly_refused(sample)
        yield from _backwards(stock, sample)
        yield from _swapped_dates(stock, sample)
    yield from remarks_on_columns(stock.site, stock.source, stock.samples)
    if stock.source.kind == "rounds":
        yield from _unknown_tubes(stock)
        yield from remarks_on_rounds(stock.site, stock.source, stock.samples)
        return
    yield from _interval(stock)
    yield from _absent_channels(stock)
    yield from _lacking_channels(stock)
    yield from _unwired_channels(stock)
    yield from remarks_on_values(stock.site, stock.source, stock.samples)
    yield from remarks_on_ranges(stock.site, stock.source, stock.samples)


def _mostly_refused(sample: Sample) -> Iterator[Problem]:
    """Name a reason for which most of what a file holds would be set aside."""
    parsed = sample.parsed
    rows = parsed.rows_read - parsed.rows_without_values
    told = False
    for reject in parsed.rejects:
        if reject.column:
            continue  # held against its own column by pipeline.ingest.samples_columns
        share_rows = reject.rows / rows if rows else 0.0
        share_values = reject.values / parsed.values_read if parsed.values_read else 0.0
        # A gauge of decimal commas loses its rain alone: its zeros have none.
        split = reject.reason == "wrong_field_count" and "decimal comma" in reject.advice
        if split or max(share_rows, share_values) > _MOSTLY:
            told = True
            many = f"{reject.rows} rows" if reject.rows else f"{reject.values} values"
            found = f"{many} of the sample set aside ({reject.reason}): {reject.found}"
            place = f"line {reject.first_line}"
            advice = reject.advice or (
                "Most of the file is so: correct the layout; if other files are as it says, "
                "give those that are not a layout and source of their own."
            )
            yield Problem(sample.path, place, found, reject.expected, advice)
    aside = sum(reject.rows for reject in parsed.rejects)
    if aside > _MOSTLY * rows and not told:
        reasons = ", ".join(
            sorted({reject.reason for reject in parsed.rejects if reject.rows})
        )
        found = f"{aside} of {rows} rows of the sample set aside ({reasons})"
        advice = "'percolog ledger' tells of each reason once the file is read."
        yield Problem(sample.path, "", found, "a file most of which can be read", advice)


def _backwards(stock: Stock, sample: Sample) -> Iterator[Problem]:
    """Name a file whose stamps run backwards; in a zone with summer time once is expected."""
    where, count = 0, 0
    for table in sample.parsed.tables:
        step = np.diff(table.stamp_s)
        back = np.flatnonzero((step < 0) & (table.line[1:] <= sample.head_lines))
        if stock.source.clock.zone is not None:
            back = back[step[back] < -_SUMMER_S]
        if len(back):
            count = max(count, len(back))
            line = int(table.line[back[0] + 1])
            where = line if not where else min(where, line)
    if count:
        part = "" if sample.whole else " in the first lines"
        found = f"stamps that run backwards, {count} time(s){part}"
        advice = (
            "Look at the logger's clock and at the layout's date pattern (day and month "
            "exchanged?); a file of joined exports is harmless. Does the clock keep summer "
            "time? Then name its 'zone' in [source.clock]: else its summer is an hour off."
        )
        yield Problem(sample.path, f"line {where}", found, "stamps in order", advice)


def _swapped_dates(stock: Stock, sample: Sample) -> Iterator[Problem]:
    """Name a file whose dates jump as they do where day and month changed places."""
    if stock.source.kind == "rounds":
        return  # people's readings follow no interval
    interval_s = stock.source.interval_s or stock.site.interval_s
    for table in sample.parsed.tables:
        rows = swap_signs(table.stamp_s, interval_s)
        if len(rows) >= LEAST_SIGNS:
            before, then = (
                np.datetime64(int(s), "s") for s in table.stamp_s[rows[0] - 1 :][:2]
            )
            yield Problem(
                sample.path,
                f"line {table.line[rows[0]]}",
                f"dates that jump by a month at midnight, first from {before} to {then}",
                "dates that follow each other",
                "Day and month are exchanged in the layout's date pattern, or in the file.",
            )
            return


def _interval(stock: Stock) -> Iterator[Problem]:
    """Name a source that logs at another interval than the description says."""
    site, source = stock.site, stock.source
    paces = [pace for sample in stock.samples if (pace := _pace(sample)) is not None]
    if not paces:
        return
    usual = min(pace for pace, _ in paces)
    stated = source.interval_s or site.interval_s
    place = f"key source.{site.sources.index(source)}.interval"
    found = f"readings every {seconds(usual)} in {stock.looked_at}"
    if usual < site.interval_s * (1 - _SAME_INTERVAL):
        expected = f"{seconds(site.interval_s)} or more, the site's step"
        advice = (
            "Of the readings within one step only one is kept, also of rain; the others "
            f"count as superseded; set interval = {seconds(usual)!r} in [site] "
            "before the first night."
        )
        yield Problem("site.toml", place, found, expected, advice)
    elif abs(usual - stated) > _SAME_INTERVAL * stated:
        advice = f"Set interval = {seconds(usual)!r} in [[source]], so that gaps are counted."
        yield Problem("site.toml", place, found, f"every {seconds(stated)}", advice)
    else:
        yield from _slower(paces, stated)


def _slower(paces: list[tuple[float, str]], stated: float) -> Iterator[Problem]:
    """Name the first of the files that were logged more rarely than others of their source."""
    slow = [(pace, path) for pace, path in paces if pace > stated * (1 + _SAME_INTERVAL)]
    if not slow:
        return
    pace, path = slow[0]
    yield Problem(
        path,
        "",
        f"readings every {seconds(pace)}{also_in(len(slow) - 1)}",
        f"every {seconds(stated)}, as in other files of the source",
        "Days of too few readings have no daily values. A logger set to another interval is "
        "described as a second source (docs/site-description.md, 'A logger set to another "
        "interval').",
    )


def _pace(sample: Sample) -> tuple[float, str] | None:
    """Return the usual time between rows of a file, of its quickest table, and its path."""
    steps = [_usual_step(table) for table in sample.parsed.tables]
    known = [step for step in steps if step is not None]
    return (min(known), sample.path) if known else None


def _usual_step(table: Table) -> float | None:
    """Return the median time between rows, to whole tens of seconds; None of too few."""
    steps = np.diff(np.unique(table.stamp_s))
    if len(steps) < _LEAST_ROWS:
        return None
    usual = float(np.median(steps))
    return round(usual, -1) if usual >= 60 else usual


def _absent_channels(stock: Stock) -> Iterator[Problem]:
    """Name wired channels that no file of their time has."""
    site = stock.site
    spans = [(span(site, stock.source, sample), sample) for sample in stock.samples]
    wired = {wire.channel for wire in stock.wires}
    free = sorted(set().union(*(sample.channels for sample in stock.samples)) - wired)
    for wire in stock.wires:
        then = [sample for held, sample in spans if held and _overlaps(site, wire, held)]
        if not then or any(wire.channel in sample.channels for sample in then):
            continue
        other = [sample.path for _, sample in spans if wire.channel in sample.channels]
        part = Stock(site, stock.source, stock.files, then)
        found = f"channel {wire.channel!r}, in none of {part.looked_at} of its time"
        expected = f"a channel that source {stock.source.id!r} logs then"
        advice = f"{other[0]!r} has it: look at 'from' and 'until'." if other else ""
        advice = advice or did_you_mean(wire.channel, free)
        advice = advice or "Look at its spelling, or end the row with 'until'."
        place = f"line {wire.row}, column channel"
        yield Problem("wiring.csv", place, found, expected, advice)


def _lacking_channels(stock: Stock) -> Iterator[Problem]:
    """Name files without channels that others have, though wired and logged in no other then.

    Of a source with more files than are looked at, and of bus logs and long tables, whose
    channels only the whole file tells, nothing is known.
    """
    site, source = stock.site, stock.source
    roles = {column.role for column in site.layouts[source.layout].table_schema.columns}
    if source.kind != "table" or "value" in roles or len(stock.samples) < len(stock.files):
        return
    spans = [(span(site, source, sample), sample) for sample in stock.samples]
    logged = [  # of others no file of their time tells: `_absent_channels`
        wire
        for wire in stock.wires
        if any(
            held and wire.channel in sample.channels and _overlaps(site, wire, held)
            for held, sample in spans
        )
    ]
    for held, sample in spans:
        if held is None:
            continue
        beside = [s for then, s in spans if then and then[0] <= held[1] and held[0] <= then[1]]
        there = set().union(*(other.channels for other in beside))
        lines = {
            wire.channel: wire.row
            for wire in logged
            if wire.channel not in there and _overlaps(site, wire, held)
        }
        if lines:
            shown = ", ".join(map(repr, sorted(lines)[:_LISTED]))
            more = " ..." if len(lines) > _LISTED else ""
            found = f"no column for {shown}{more}, which other files have"
            expected = f"the channels wired then (wiring.csv, line {min(lines.values())})"
            advice = (
                "Export the file again; if they were not logged, end their rows by 'until'."
            )
            yield Problem(sample.path, "", found, expected, advice)


def _overlaps(site: Site, wire: Wire, held: tuple[int, int]) -> bool:
    """Tell whether a file holds readings of the time in which a row holds."""
    start, until = period(wire, site.tube_by_id.get(wire.tube))
    begins_before = start == EVER or start.timestamp() <= held[1]
    return begins_before and (until == NEVER or until.timestamp() > held[0])


def _unwired_channels(stock: Stock) -> Iterator[Problem]:
    """Name channels of the files that no row wires, one remark a source."""
    wired = {wire.channel for wire in stock.wires}
    first: dict[str, str] = {}
    for sample in stock.samples:
        for table in sample.parsed.tables:
            for channel, values in table.columns.items():
                if channel not in wired and not np.isnan(values).all():
                    first.setdefault(channel, sample.path)
    if not first:
        return
    names = sorted(first)
    shown = ", ".join(repr(name) for name in names[:_LISTED])
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    found = f"channel {shown}{more}, which no row of wiring.csv names"
    advice = "Add a row for each, or list it in the layout with role = 'ignore'."
    file = first[names[0]]
    yield Problem(file, "", found, f"channels wired to {stock.source.id!r}", advice)


def _unknown_tubes(stock: Stock) -> Iterator[Problem]:
    """Name tubes of hand rounds that tubes.csv does not have."""
    known = {tube.tube for tube in stock.site.tubes}
    told: set[str] = set()
    for sample in stock.samples:
        rounds = sample.parsed.rounds
        if rounds is None:
            continue
        names, first = np.unique(rounds.tube, return_index=True)
        for name, row in zip(names.tolist(), first.tolist(), strict=True):
            if name not in known and name not in told:
                told.add(name)
                place = f"line {int(rounds.line[row])}"
                advice = did_you_mean(name, sorted(known))
                advice = advice or "Add it to tubes.csv, or look at its spelling."
                yield Problem(
                    sample.path, place, f"tube {name!r}", "a tube of tubes.csv", advice
                )
