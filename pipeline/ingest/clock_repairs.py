"""The repairs of a file's tables as one list, short where the tables agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.ingest.records import REPAIRS, Repair, Table


def gather_repairs(found: Sequence[tuple[Table, Sequence[Repair]]]) -> list[Repair]:
    """Return the repairs of all tables of a file.

    A long export has a table a channel and a bus log one a command, all by the same clock.
    Equal repairs are told once where lines cannot be mistaken for it: where they changed no
    stamp, or every stamp of each table.

    Parameters
    ----------
    found : sequence of (Table, repairs)
        The tables of one file with their repairs, which name no channels yet.
    """
    if len(found) == 1:
        return list(found[0][1])
    alike: dict[tuple[object, ...], list[Repair]] = {}
    for number, (table, repairs) in enumerate(found):
        for repair in repairs:
            own = replace(repair, channels=tuple(table.columns))
            alike.setdefault(_likeness(own, table, number), []).append(own)
    return [_as_one(group, len(found)) for group in alike.values()]


def _likeness(repair: Repair, table: Table, number: int) -> tuple[object, ...]:
    """Return what repairs told as one have in common."""
    changes = REPAIRS[repair.kind] and repair.kind != "repeated_hour"
    if changes and repair.rows < len(table.line):
        return repair.kind, number, repair.first_line
    # A drift adds seconds that differ by row; any other change adds the same to all.
    added = repair.least_s if repair.kind != "clock_drift" else 0
    return repair.kind, repair.nodes, repair.evidence, added


def _as_one(group: list[Repair], tables: int) -> Repair:
    """Return repairs that agree as one; of all tables, it holds for the whole file."""
    channels = tuple(dict.fromkeys(name for repair in group for name in repair.channels))
    return replace(
        group[0],
        first_line=min(repair.first_line for repair in group),
        last_line=max(repair.last_line for repair in group),
        rows=sum(repair.rows for repair in group),
        least_s=min(repair.least_s for repair in group),
        most_s=max(repair.most_s for repair in group),
        channels=() if len(group) == tables else channels,
    )
