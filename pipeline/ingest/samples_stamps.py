"""Stamps of sampled files that lie in the future, or that two readings share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import iso_minute
from pipeline.errors import Problem
from pipeline.ingest.clock import ClockRules, read_clock, to_utc
from pipeline.ingest.place import FUTURE_TOLERANCE_S
from pipeline.ingest.records import Table
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import rows_of
from pipeline.site.models import Site, Source
from pipeline.words import also_in

Instants = NDArray[np.int64]
Lines = NDArray[np.int32]


def remarks_on_stamps(
    site: Site, source: Source, samples: list[Sample], now_s: int
) -> Iterator[Problem]:
    """Yield which files hold stamps of the future, and which two readings under one stamp.

    So are files all of which lies before the site began, or at no time of their wires.

    Parameters
    ----------
    site : Site
    source : Source
    samples : list of Sample
        Of its files.
    now_s : int
        UTC seconds since 1970; up to an hour beyond it clocks may differ.
    """
    wired = {wire.channel for wire in site.wiring if wire.source == source.id}
    for sample in samples:
        yield from _future(site, source, sample, now_s)
        yield from _repeated(site, source, sample, wired)
    yield from _before_the_site(site, source, samples)
    yield from _at_no_wired_time(site, source, samples)


def _future(site: Site, source: Source, sample: Sample, now_s: int) -> Iterator[Problem]:
    """Name a file with stamps of the future, which the night leaves until then."""
    late = [
        (lines[ahead], instants[ahead])
        for lines, instants in _instants(site, source, sample)
        if (ahead := instants > now_s + FUTURE_TOLERANCE_S).any()
    ]
    if not late:
        return
    line, instant = (np.concatenate(parts) for parts in zip(*late, strict=True))
    first = int(np.argmin(line))
    found = f"{len(line)} row(s) stamped in the future, the first {iso_minute(instant[first])}"
    advice = (
        "They are set aside until that time has come. Look at the logger's clock, at the "
        "layout's date pattern (day and month, two-digit years) and at this machine's clock."
    )
    expected = f"stamps until now, {iso_minute(now_s)}"
    yield Problem(sample.path, sample.line(int(line[first])), found, expected, advice)


def _before_the_site(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Name, in one remark, files of which every stamp lies before the site's start."""
    early = []
    for sample in samples:
        known = _known(site, source, sample)
        if len(known) and known.max() < site.axis.origin_s:
            early.append((sample, known))
    if early:
        sample, known = early[0]
        found = (
            f"each of {len(known)} row(s) stamped before the site began, from "
            f"{iso_minute(known.min())} to {iso_minute(known.max())}{also_in(len(early) - 1)}"
        )
        advice = (
            "They are set aside. Set 'start' of [site] earlier, or look at the logger's clock "
            "and at the layout's date pattern."
        )
        expected = f"stamps from {iso_minute(site.axis.origin_s)} on"
        yield Problem(sample.path, "", found, expected, advice)


def _at_no_wired_time(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Name, in one remark, files with wired channels but no row in the time of any of them."""
    idle = []
    for sample in samples:
        known = _known(site, source, sample)
        if len(known) and known.max() >= site.axis.origin_s:
            rows = [
                inside.any()
                for wire in site.wiring
                if wire.source == source.id
                for _, _, inside in rows_of(site, source, wire, [sample])
            ]
            if rows and not any(rows):
                idle.append((sample, known))
    if idle:
        sample, known = idle[0]
        found = (
            f"stamps from {iso_minute(known.min())} to {iso_minute(known.max())}, when none "
            f"of its channels is wired to a tube in the ground{also_in(len(idle) - 1)}"
        )
        advice = (
            "Nothing of it is kept. Look at 'from' and 'until' of wiring.csv, at 'installed' "
            "and 'removed' of tubes.csv, and at the layout's date pattern."
        )
        yield Problem(sample.path, "", found, "readings of a time that is wired", advice)


def _known(site: Site, source: Source, sample: Sample) -> Instants:
    """Return the instants of a sample that can be told."""
    found = [instants for _, instants in _instants(site, source, sample)]
    together = np.concatenate([np.empty(0, dtype=np.int64), *found])
    return together[together != 0]


def _instants(site: Site, source: Source, sample: Sample) -> Iterator[tuple[Lines, Instants]]:
    """Yield lines and instants of a sample's rows, 0 where one cannot be told."""
    instants_of = sample.instants(site, source)
    for table, instants in zip(sample.parsed.tables, instants_of, strict=True):
        yield table.line, instants
    rounds = sample.parsed.rounds
    if rounds is not None:
        yield rounds.line, to_utc(rounds.stamp_s, source.clock, site.interval_s).utc_s


@dataclass(frozen=True, order=True)
class _Pair:
    """Two readings of a channel at one instant, by the line of the second."""

    line: int
    channel: str
    before: int
    values: tuple[float, float]
    instant_s: int


def _repeated(
    site: Site, source: Source, sample: Sample, wired: set[str]
) -> Iterator[Problem]:
    """Name a file in which a channel has two different values at one instant."""
    pairs: list[_Pair] = []
    for table in sample.parsed.tables:
        instants = _by_their_order(site, source, table)
        for channel in table.columns.keys() & wired:
            pairs += _unequal(table, channel, instants)
    if not pairs:
        return
    pair = min(pairs)
    one, other = (f"{value:g}" for value in pair.values)
    before = sample.line(pair.before)
    found = (
        f"{len({each.instant_s for each in pairs})} stamp(s) with two different values, the "
        f"first {iso_minute(pair.instant_s)}: {pair.channel!r} {one}"
        f"{f' in {before}' if before else ''}, then {other}"
    )
    advice = (
        "The later line counts, the other is kept as superseded. Look whether two loggers "
        "write into the file, its clock was set back, or its stamps leave out seconds."
    )
    expected = "one value of a channel at a time"
    yield Problem(sample.path, sample.line(pair.line), found, expected, advice)


def _by_their_order(site: Site, source: Source, table: Table) -> Instants:
    """Return the instants the night finds, which tells the hours of an autumn night apart."""
    stamps = read_clock(table, ClockRules.of(site, source))
    refused = np.logical_or.reduce([*stamps.refused.values(), stamps.utc_s < 0])
    return np.where(refused, 0, stamps.utc_s)


def _unequal(table: Table, channel: str, instants: Instants) -> Iterator[_Pair]:
    """Yield the readings of a channel that differ from one before them of the same instant."""
    values = table.columns[channel]
    rows = np.flatnonzero((instants > 0) & ~np.isnan(values))
    rows = rows[np.argsort(instants[rows], kind="stable")]
    same = instants[rows[1:]] == instants[rows[:-1]]
    for place in np.flatnonzero(same & (values[rows[1:]] != values[rows[:-1]])).tolist():
        one, other = rows[place : place + 2].tolist()
        yield _Pair(
            int(table.line[other]),
            channel,
            int(table.line[one]),
            (float(values[one]), float(values[other])),
            int(instants[one]),
        )
