"""Wetting events as flat tables: Parquet to compute with, CSV to look at, both the same."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.deliver.atomic import replacing
from pipeline.deliver.event_fields import EventField, columns_of
from pipeline.deliver.package import Resource
from pipeline.deliver.tables import iso_times, write_table

_TIME = pa.timestamp("s", tz="UTC")
_TYPES = {
    **{"time": _TIME, "flag": pa.int8(), "count": pa.int64(), "number": pa.float64()},
    **{"text": pa.string(), "origin": pa.string(), "doubts": pa.string()},
}


def write_event_parquet(rows: pd.DataFrame, fields: Sequence[EventField], path: Path) -> Path:
    """Write rows of a stored table of events as Parquet under their delivered names.

    Parameters
    ----------
    rows : DataFrame
        With the ``source`` columns of ``fields``.
    fields : sequence of EventField
    path : Path
        Appears whole or not at all.
    """
    columns = {field.name: _array(rows[field.source], field) for field in fields}
    with replacing(path) as temporary:
        pq.write_table(pa.table(columns), temporary, compression="zstd")
    return path


def write_event_sheet(rows: pd.DataFrame, fields: Sequence[EventField], path: Path) -> Path:
    """Write the same as CSV; instants as ISO 8601, flags as 0 and 1."""
    columns = {field.name: _cells(rows[field.source], field) for field in fields}
    return write_table(pd.DataFrame(columns), path, {})


def row_files(
    rows: pd.DataFrame,
    fields: Sequence[EventField],
    draft: Path,
    stem: str,
    title: str,
    spreadsheets: bool,
) -> Iterable[Resource]:
    """Write rows as Parquet and, if wanted, as CSV, below a revision's folder."""
    columns = columns_of(fields)
    path = write_event_parquet(rows, fields, draft / "parquet" / f"{stem}.parquet")
    yield Resource(path, title, columns)
    if spreadsheets:
        path = write_event_sheet(rows, fields, draft / "csv" / f"{stem}.csv")
        yield Resource(path, title, columns)


def _known(values: pd.Series, field: EventField) -> pd.Series:
    """Return values without the -1 that stands for none in the store."""
    return values.where(values >= 0) if field.kind in ("time", "count") else values


def _array(values: pd.Series, field: EventField) -> pa.Array:
    if field.kind in ("time", "count"):
        known = _known(values, field).astype("Int64")
        return pa.array(known, pa.int64(), from_pandas=True).cast(_TYPES[field.kind])
    if field.kind == "flag":
        return pa.array(values.to_numpy(np.int8))
    return pa.array(values.to_numpy(), _TYPES[field.kind], from_pandas=True)


def _cells(values: pd.Series, field: EventField) -> pd.Series:
    if field.kind == "time":
        return iso_times(_known(values, field))
    if field.kind == "count":
        return _known(values, field).astype("Int64")
    return values.astype(np.int8) if field.kind == "flag" else values
