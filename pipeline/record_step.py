"""Steps that need a whole record, or several tubes, at once: events, limits, health, rank.

A step of `pipeline.steps` sees a window of bounded looks; what follows here does not. It reads
the state being prepared, is told which days of which tubes were computed tonight, and returns
tables. It must give the same tables, bit for bit, however the nights were cut, and should cost
what the changed days cost: rows that no changed day can touch are taken over as they are.
The functions lie in `pipeline.products`, which reads the state, and calls the science.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.site.models import Site
from pipeline.store.state import Snapshot, Writer
from pipeline.store.tables import PARTS

# (state being prepared, site, days computed tonight (tube, day)) -> tables by name; of a table
# that is kept in parts those that may have changed, by name too
RecordFunction = Callable[
    [Snapshot, Site, NDArray[np.bool_]], Mapping[str, pa.Table | Mapping[str, pa.Table]]
]


# What a step depends on besides the days computed: of the site, or of each tube by name.
Inputs = str | dict[str, str]


def nothing_else(state: Snapshot, site: Site) -> Inputs:
    """Tell that a step depends on nothing but the days computed."""
    return ""


@dataclass(frozen=True)
class RecordStep:
    """One step over whole records and the tables it keeps in the store.

    ``function`` finds its own tables of the night before with ``Snapshot.table``; rows of a
    table are in a fixed order of their own. ``version`` rises when the arithmetic changes; all
    days then count as computed tonight. ``also`` tells in words or a hash what else the tables
    depend on, such as hand rounds or visits; where it differs from the night before all days
    count as computed tonight too.
    """

    name: str
    function: RecordFunction
    writes: tuple[str, ...]
    reference: str
    version: int = 1
    also: Callable[[Snapshot, Site], Inputs] = nothing_else


def run_record_steps(
    writer: Writer, site: Site, steps: tuple[RecordStep, ...], computed: NDArray[np.bool_]
) -> None:
    """Run steps over whole records and keep the tables that came out otherwise than before.

    Parameters
    ----------
    writer : Writer
        The state being prepared; the steps of `pipeline.steps` have written to it.
    site : Site
    steps : tuple of RecordStep
        In order; a later one may read the tables of an earlier one.
    computed : array (tubes, days), bool
        Days of each tube that were computed tonight.
    """
    known = writer.attributes.get("record_steps", {})
    versions = {step.name: [step.version, step.also(writer, site)] for step in steps}
    for step in steps:
        anew = _changed(known.get(step.name), versions[step.name], writer.labels["tube"])
        days = computed | anew[:, np.newaxis]
        if not days.any() and step.name in known:
            continue
        tables = step.function(writer, site, days)
        for name in step.writes:
            keep_table(writer, name, tables[name])
    if known != versions:
        writer.set_attributes({"record_steps": versions})


def keep_table(writer: Writer, name: str, made: pa.Table | Mapping[str, pa.Table]) -> None:
    """Store a table that came out otherwise than before, or those of its parts that did."""
    if not isinstance(made, pa.Table):
        put_parts(writer, name, made)
        return
    stored = writer.table(name)
    if stored is None or not stored.equals(made, check_metadata=True):
        writer.put_table(name, made)


def put_parts(writer: Writer, name: str, tables: Mapping[str, pa.Table]) -> None:
    """Replace some parts of a stored table by others; one without rows is not kept.

    What is the same as stored is left alone.

    Parameters
    ----------
    writer : Writer
    name : str
        Of the table.
    tables : mapping of str to Table
        By name of the part; parts are put together in the order of their names.
    """
    if writer.holds(f"tables/{name}"):
        writer.drop_table(name)  # as stored before it was kept in parts
    known = set(writer.parts(name))
    for part, table in tables.items():
        stored = writer.table(f"{name}.{part}") if part in known else None
        if stored is not None and not table.num_rows:
            writer.drop_table(f"{name}.{part}")
        elif table.num_rows and (stored is None or not stored.equals(table)):
            writer.put_table(f"{name}.{part}", table)
    there = {part for part, table in tables.items() if table.num_rows}
    if (parts := known - set(tables) | there) != known:
        kept = writer.attributes.get(PARTS, {})
        writer.set_attributes({PARTS: kept | {name: sorted(parts)}})


def _changed(old: list[Any] | None, new: list[Any], tubes: list[str]) -> NDArray[np.bool_]:
    """Return the tubes whose days all count as computed tonight.

    Parameters
    ----------
    old, new : list
        Version and inputs of a step, the night before (None: never) and now.
    """
    if old is None or old[0] != new[0] or not isinstance(old[1], type(new[1])):
        return np.ones(len(tubes), dtype=bool)
    if isinstance(new[1], str):
        return np.full(len(tubes), old[1] != new[1])
    return np.array([old[1].get(tube) != new[1].get(tube) for tube in tubes], dtype=bool)
