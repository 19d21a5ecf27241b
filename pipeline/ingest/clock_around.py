"""Rows of the files before and after a file, that its clock may be read with them around.

A power failure or the hour that occurs twice does not ask where one file ends. Rows of the
neighbours are put before and after the file's own, the clock is read as that of one table, and
of what comes out only the file's own rows are kept. Rows of other files bear the line 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.records import Repair, Table


@dataclass(frozen=True)
class Rows:
    """Rows of other files in the order of the logger: stamps as logged, and record counts.

    ``counter`` is NaN where the file has none. ``files`` are the paths, in the same order.
    """

    stamp_s: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    counter: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    files: tuple[str, ...] = ()


@dataclass(frozen=True)
class Around:
    """What lies before and after a file."""

    before: Rows = field(default_factory=Rows)
    after: Rows = field(default_factory=Rows)

    def of_table(self, table: Table, first_s: int, last_s: int) -> Around:
        """Return what lies around one table of a file.

        Only a table that begins with the file's first stamp has the file before it before it,
        and only one that ends with the last stamp the file after it behind it.
        """
        begins, ends = int(table.stamp_s[0]) == first_s, int(table.stamp_s[-1]) == last_s
        return Around(self.before if begins else Rows(), self.after if ends else Rows())

    def join(self, table: Table) -> tuple[Table, slice]:
        """Return a table without values and with the rows around, and where its own are."""
        first = len(self.before.stamp_s)
        own = slice(first, first + len(table.stamp_s))
        if not first and not len(self.after.stamp_s):
            return table, own
        counts = table.counter
        if counts is None:
            counts = np.full(len(table.stamp_s), np.nan)
        line = np.zeros(own.stop + len(self.after.stamp_s), dtype=np.int32)
        line[own] = table.line
        return Table(
            np.concatenate((self.before.stamp_s, table.stamp_s, self.after.stamp_s)),
            line,
            {},
            np.concatenate((self.before.counter, counts, self.after.counter)),
        ), own

    def with_files(self, repair: Repair, table: Table) -> Repair:
        """Name the neighbours in the evidence of a repair that goes up to them."""
        told = []
        if self.before.files and repair.first_line <= int(table.line[0]):
            told.append(f"before it {self.before.files[-1]!r}")
        if self.after.files and repair.last_line >= int(table.line[-1]):
            told.append(f"after it {self.after.files[0]!r}")
        if not told:
            return repair
        return replace(repair, evidence=f"{repair.evidence}; {' and '.join(told)}")
