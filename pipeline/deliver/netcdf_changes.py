"""What differs between two revisions in weather and hand rounds, which are NetCDF alone."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import xarray as xr

from pipeline.deliver.changes import Change
from pipeline.deliver.row_changes import compare_frames

_OF_READINGS = (
    "soil_water_content",
    "random_error",
    "systematic_error",
    "water_content_as_read",
)


def compare_files(name: str, old: Path, new: Path) -> list[Change]:
    """Compare two NetCDF files of weather or of hand rounds.

    Parameters
    ----------
    name : str
        What to call the file.
    old, new : Path

    Returns
    -------
    list of Change
        As of `pipeline.deliver.row_changes.compare_rows`; empty for files of other content,
        whose values the tables hold.
    """
    before, after = _rows(old), _rows(new)
    if before is None or after is None or before.equals(after):
        return []
    return compare_frames(name, before, after)


def _rows(path: Path) -> pd.DataFrame | None:
    """Return what a file holds as rows that words and instants name; None of other content."""
    with xr.open_dataset(path) as file:
        if "station" in file.dims:
            return _weather(file)
        if "reading" in file.dims:
            return _readings(file)
    return None


def _weather(file: xr.Dataset) -> pd.DataFrame:
    """Return a row a station and time."""
    names = [n for n, array in file.data_vars.items() if array.dims == ("station", "time")]
    stations = file["station_id"].values.astype(str)
    parts = [
        pd.DataFrame(
            {"station_id": station, "time": file["time"].values}
            | {name: file[name].values[place] for name in names}
        )
        for place, station in enumerate(stations)
    ]
    return pd.concat(parts, ignore_index=True)


def _readings(file: xr.Dataset) -> pd.DataFrame:
    """Return a row a reading by hand."""
    profile = file["profile_index"].values
    named = {
        "tube_id": file["tube_id"].values.astype(str)[profile],
        "time": file["reading_time"].values,
        "depth": file["nominal_depth"].values,
        "faced": file["direction"].values[profile].astype(str),
    }
    return pd.DataFrame(named | {n: file[n].values for n in _OF_READINGS if n in file})
