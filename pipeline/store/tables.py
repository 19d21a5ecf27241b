"""Tables as a state keeps them: as bytes, the large ones in parts.

A part holds the rows of some tubes and days, so that a night writes few rows anew. Together
parts are one table, ordered by tube whatever the order in which tubes were first seen.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

PARTS = "table_parts"  # attribute of a state: table → the names of its parts, sorted
_OPTIONS = pa.ipc.IpcWriteOptions(compression="zstd")


def packed(table: pa.Table) -> NDArray[np.uint8]:
    """Return a table as bytes: Arrow's stream format, compressed."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema, options=_OPTIONS) as stream:
        stream.write_table(table)
    return np.frombuffer(sink.getvalue(), dtype=np.uint8)


def unpacked(data: NDArray[np.uint8]) -> pa.Table:
    """Return the table of bytes that `packed` gave."""
    return pa.ipc.open_stream(data.tobytes()).read_all()


def rows_by_tube(table: pa.Table) -> dict[str, list[pa.Table]]:
    """Return runs of rows of each tube, in the order of the table; each is a view of it.

    Parameters
    ----------
    table : Table
        With a column ``tube``.
    """
    if not table.num_rows:
        return {}
    tubes = table["tube"].combine_chunks().dictionary_encode()
    number = tubes.indices.to_numpy()
    edges = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), len(number)]
    found: dict[str, list[pa.Table]] = {}
    for start, stop in pairwise(edges):
        name = tubes.dictionary[int(number[start])].as_py()
        found.setdefault(name, []).append(table.slice(start, stop - start))
    return found


def joined(parts: list[pa.Table]) -> pa.Table:
    """Return parts as one table, by tube, and within a tube in the order of the parts.

    Parameters
    ----------
    parts : list of Table
        At least one, all of one schema with a column ``tube``.
    """
    runs = rows_by_tube(pa.concat_tables(parts))
    ordered = [run for tube in sorted(runs) for run in runs[tube]]
    return pa.concat_tables([parts[0].slice(0, 0), *ordered]).combine_chunks()
