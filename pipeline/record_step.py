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

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.site.models import Site
from pipeline.state import Snapshot, Writer

# (state being prepared, site, days computed tonight (tube, day)) -> tables by name
RecordFunction = Callable[[Snapshot, Site, NDArray[np.bool_]], Mapping[str, pa.Table]]


def nothing_else(state: Snapshot, site: Site) -> str:
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
    also: Callable[[Snapshot, Site], str] = nothing_else


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
        anew = known.get(step.name) != versions[step.name]
        if not anew and not computed.any():
            continue
        days = np.ones_like(computed) if anew else computed
        tables = step.function(writer, site, days)
        for name in step.writes:
            stored = writer.table(name)
            if stored is None or not stored.equals(tables[name], check_metadata=True):
                writer.put_table(name, tables[name])
    if known != versions:
        writer.set_attributes({"record_steps": versions})
