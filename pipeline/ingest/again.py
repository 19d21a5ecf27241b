"""Files to be read once more tonight, because of what came with others.

Two things that are told of one file depend on others: a clock may be put right by the rows of
the files around it (`neighbours`), and a reading counts as a duplicate only while another
stands for it. Whichever order files come in, the state must be that of one run over all; so
after a night's files have been taken in, those whose surroundings are not those they were read
with, and those that hold a duplicate of a reading since taken back, are read again. Both are
rare, and only files that still lie there can be read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.axis import TimeAxis
from pipeline.errors import ReaderError
from pipeline.ingest.cells import CellWriter, Held
from pipeline.ingest.clock_around import Around
from pipeline.ingest.discover import Found, Opened, reopen_file
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.neighbours import Neighbours, around_text, may_be_open
from pipeline.ingest.superseded import Superseded


@dataclass(frozen=True)
class Emptied:
    """What some files were emptied of before they were read again in batch ``batch``.

    ``cells`` is what the cells held, ``superseded`` the rows of that table.
    """

    batch: int
    cells: Sequence[Held]
    superseded: pd.DataFrame


def surroundings(ledger: Ledger) -> dict[int, Around]:
    """Return the rows around every file whose clock needs a look at others, or had one."""
    sources: dict[str, list[FileEntry]] = {}
    for entry in ledger.entries.values():
        if entry.state == "read" and entry.edges:
            sources.setdefault(entry.source, []).append(entry)
    around: dict[int, Around] = {}
    for entries in sources.values():
        looking = [entry for entry in entries if entry.around or may_be_open(entry)]
        if looking:
            neighbours = Neighbours(entries)
            around |= {entry.file: neighbours.around(entry.path) for entry in looking}
    return around


def is_other(around: Around, entry: FileEntry) -> bool:
    """Tell whether a file was read with other rows around it than there are now."""
    return around_text(around) != entry.around


def may_be_missed(files: set[int], ledger: Ledger) -> bool:
    """Tell whether any other file holds a duplicate, of these files perhaps."""
    return any(e.duplicates and e.file not in files for e in ledger.entries.values())


def bereft(
    emptied: Iterable[Emptied],
    stores: tuple[CellWriter, Superseded, Ledger],
    read_whole: Mapping[int, int],
    axis: TimeAxis,
) -> set[int]:
    """Return files with duplicates where what they repeat may have been taken back.

    Of duplicates only the count is kept. They lie in files that span the time of a reading
    that is there no more; ``read_whole`` tells in which batch a file was read whole, after
    which it has lost nothing that was taken back before.
    """
    cells, superseded, ledger = stores
    files: set[int] = set()
    for lost in emptied:
        steps = _steps_lost(lost, cells, superseded)
        if not len(steps):
            continue
        instants = axis.origin_s + steps * axis.interval_s
        for entry in ledger.entries.values():
            if (
                entry.state == "read"
                and entry.duplicates
                and entry.first_s is not None
                and entry.last_s is not None
                and read_whole.get(entry.file, -1) < lost.batch
            ):
                first = np.searchsorted(instants, entry.first_s - axis.interval_s)
                last = np.searchsorted(instants, entry.last_s + axis.interval_s, "right")
                files |= {entry.file} if last > first else set()
    return files


def reopened(files: Iterable[int], ledger: Ledger, found: Iterable[Found]) -> Iterator[Opened]:
    """Open files to be read again; those that are gone, or have changed since, are left."""
    there = {(f.source, f.path): f for f in found}
    for file in sorted(files):
        entry = ledger.entries[file]
        place = there.get((entry.source, entry.path))
        try:
            again = None if place is None else reopen_file(place, entry)
        except ReaderError:  # told already, or tomorrow
            continue
        if again is not None:
            ledger.add(again.entry)
            yield again


def _steps_lost(lost: Emptied, cells: CellWriter, superseded: Superseded) -> np.ndarray:
    """Return the steps, sorted, of readings that neither a cell nor the table has now."""
    parts = [cells.no_longer(held) for held in lost.cells]
    if len(lost.superseded):
        value, offset_s = cells.winners(lost.superseded)
        rows = lost.superseded
        parts.append(rows[(rows["value"] != value) | (rows["offset_s"] != offset_s)])
    steps = [superseded.lacking(rows)["step"].to_numpy(np.int64) for rows in parts]
    return np.unique(np.concatenate([np.empty(0, np.int64), *steps]))
