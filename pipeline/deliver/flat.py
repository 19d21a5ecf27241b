"""Cubes as flat tables for readers without NetCDF: Parquet to compute with, CSV to look at.

Parquet holds one value of every variable a row, for each time, tube and depth (or layer). CSV
holds a row for each time of one tube, with a column for each variable and depth, so that a
spreadsheet can open it. Both say the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import xarray as xr

from pipeline.deliver.atomic import replacing
from pipeline.deliver.tables import harmless
from pipeline.variables import VARIABLES

_TIME = pa.timestamp("s", tz="UTC")


@dataclass(frozen=True)
class Column:
    """One column of a table: what it is, in what, and what is meant by it."""

    name: str
    kind: str  # type of the Table Schema: "datetime", "string", "number", "integer"
    units: str
    description: str
    standard_name: str = ""


def flat_columns(cube: xr.Dataset, across: str) -> list[Column]:
    """Return the columns of a cube's Parquet table.

    Parameters
    ----------
    cube : Dataset, (time, tube, ``across``)
        Variables of `pipeline.variables`; see `write_flat`.
    across : "depth" or "layer"
    """
    columns = [
        Column("time", "datetime", "", "instant or start of the interval, UTC", "time"),
        Column("tube", "string", "", "installation of an access tube"),
    ]
    if across == "depth":
        columns += [
            Column("depth", "number", "m", "nominal depth of the sensor"),
            Column("sensor_depth", "number", "m", "real depth of the sensor", "depth"),
        ]
    else:
        columns += [
            Column("layer", "string", "", "layer of the soil"),
            Column("layer_top", "number", "m", "upper bound of the layer", "depth"),
            Column("layer_bottom", "number", "m", "lower bound of the layer", "depth"),
        ]
    return columns + [_column(str(name), array) for name, array in cube.data_vars.items()]


def _column(name: str, array: xr.DataArray) -> Column:
    known = VARIABLES.get(name)
    attributes = {} if known is None else {"units": known.units, "long_name": known.long_name}
    attributes |= {key: str(value) for key, value in array.attrs.items()}
    kind = "number" if array.dtype.kind == "f" else "integer"
    standard = known.standard_name if known is not None else attributes.get("standard_name")
    return Column(
        name,
        kind,
        attributes.get("units", "1"),
        attributes.get("long_name", ""),
        standard or "",
    )


def write_flat(cube: xr.Dataset, across: str, path: Path) -> Path:
    """Write a cube as one Parquet file, a group of rows for each tube.

    Parameters
    ----------
    cube : Dataset, (time, tube, ``across``)
        With ``sensor_depth`` (tube, depth) [m], or ``layer_top`` and ``layer_bottom`` (layer)
        [m], as coordinates. May be backed by a store: it is read a tube at a time.
    across : "depth" or "layer"
    path : Path
        Appears whole or not at all.

    Returns
    -------
    Path
    """
    with replacing(path) as temporary:
        writer = None
        for table in _tubes(cube, across):
            if writer is None:
                writer = pq.ParquetWriter(temporary, table.schema, compression="zstd")
            writer.write_table(table)
        if writer is None:
            raise ValueError(f"{path.name}: expected at least one tube to write, found none")
        writer.close()
    return path


def write_spreadsheets(cube: xr.Dataset, across: str, stem: Path) -> list[Path]:
    """Write a cube as CSV, one file a tube: a row a time, a column a variable and depth."""
    paths = []
    for tube in cube["tube"].values.tolist():
        part = cube.sel(tube=tube).transpose("time", across, ...).load()
        columns: dict[str, pa.Array] = {"time": _iso(part["time"])}
        for place, label in enumerate(_labels(part, across)):
            for name, array in part.data_vars.items():
                columns[f"{name} {label}"] = _plain(array.isel({across: place}).values)
        path = stem.with_name(f"{stem.name}_{_file_name(tube)}.csv")
        table = pa.table({harmless(name): values for name, values in columns.items()})
        with replacing(path) as temporary:
            pyarrow.csv.write_csv(table, temporary)
        paths.append(path)
    return paths


def wide_columns(cube: xr.Dataset, across: str) -> list[Column]:
    """Return the columns of a cube's CSV files."""
    columns = [Column("time", "datetime", "", "instant or start of the interval, UTC", "time")]
    for label in _labels(cube, across):
        for name, array in cube.data_vars.items():
            known = _column(str(name), array)
            columns.append(
                Column(
                    harmless(f"{name} {label}"),
                    known.kind,
                    known.units,
                    f"{known.description}, {label}",
                    known.standard_name,
                )
            )
    return columns


def _labels(cube: xr.Dataset, across: str) -> list[str]:
    if across == "depth":
        return [f"{round(100 * depth, 1):g} cm" for depth in cube["depth"].values.tolist()]
    return [str(layer) for layer in cube["layer"].values.tolist()]


def _tubes(cube: xr.Dataset, across: str) -> Iterator[pa.Table]:
    for tube in cube["tube"].values.tolist():
        part = cube.sel(tube=tube).transpose("time", across, ...).load()
        times, places = part.sizes["time"], part.sizes[across]
        seconds = part["time"].values.astype("datetime64[s]").astype(np.int64)
        columns: dict[str, pa.Array] = {
            "time": pa.array(np.repeat(seconds, places), pa.int64()).cast(_TIME),
            "tube": pa.array([tube], pa.string()).take(
                pa.array(np.zeros(times * places, int))
            ),
        }
        for place in _place_names(across):
            values = part[place].values
            columns[place] = pa.array(np.tile(values, times).tolist())
        for name, array in part.data_vars.items():
            columns[str(name)] = _plain(array.values.ravel())
        yield pa.table(columns)


def _place_names(across: str) -> Sequence[str]:
    if across == "depth":
        return ("depth", "sensor_depth")
    return ("layer", "layer_top", "layer_bottom")


def _plain(values: np.ndarray) -> pa.Array:
    """Return values as an Arrow array, missing ones as null."""
    if values.dtype.kind == "f":
        return pa.array(values, from_pandas=True)
    return pa.array(values)


def _iso(time: xr.DataArray) -> pa.Array:
    texts = np.datetime_as_string(time.values.astype("datetime64[s]"))
    return pa.array(np.char.add(texts, "Z"))


def _file_name(text: str) -> str:
    """Return a tube's name as part of a file's name."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in text).lstrip(".") or "_"
