"""Which values a delivered file held that the one in its place has no more."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.deliver.fields import NATIVE

# What stands beside values also where there are none: a correction of 0 is no reading.
_BESIDE = {field.name for field in NATIVE if field.kind == "error"}
_ROUND = ["tube", "time", "depth", "direction"]


@dataclass(frozen=True)
class Lost:
    """How many values of a tube or station are gone, and the first and last instant (UTC)."""

    whose: str
    count: int
    first: str
    last: str

    def __str__(self) -> str:
        """Return it as a part of a line."""
        return f"{self.whose} {self.count} from {self.first} to {self.last}"


@dataclass(frozen=True)
class _Held:
    """Where a file holds any value, (label, time, depth); weather has one depth."""

    axes: tuple[pd.Index, pd.Index, pd.Index]
    any: NDArray[np.bool_]


def lost_values(old: Path, new: Path) -> list[Lost]:
    """Return what a NetCDF file of soil water, weather or hand rounds holds and another not.

    A cell counts as held where any variable of its readings has a value: one that is only
    flagged now, so that its cleaned value is left out, is not lost.

    Parameters
    ----------
    old, new : Path
        ``new`` may be absent: then all is lost.

    Returns
    -------
    list of Lost
        By tube or station, in the order of the old file.

    Raises
    ------
    OSError, ValueError, KeyError
        If one cannot be read.
    """
    with xr.open_dataset(old, decode_timedelta=False) as file:
        of_rounds = "reading" in file.dims
    if of_rounds:
        return list(_lost_rounds(old, new))
    before = _held(old)
    gone = before.any
    if new.exists():
        gone = gone & ~_aligned(_held(new), before.axes)
    return [
        _told(str(label), gone[row], before.axes[1])
        for row, label in enumerate(before.axes[0])
        if gone[row].any()
    ]


def _told(whose: str, gone: NDArray[np.bool_], times: pd.Index) -> Lost:
    at = times[np.flatnonzero(gone.any(axis=1))]
    return Lost(whose, int(gone.sum()), _instant(at.min()), _instant(at.max()))


def _held(path: Path) -> _Held:
    with xr.open_dataset(path, decode_timedelta=False) as file:
        label = "tube" if "tube" in file.dims else "station"
        dims = (label, "time", "depth") if "depth" in file.dims else (label, "time")
        depths = file["depth"].values if "depth" in file.dims else np.zeros(1)
        axes = (
            pd.Index(file[f"{label}_id"].values.astype(str)),
            pd.Index(file["time"].values),
            pd.Index(depths),
        )
        held = np.zeros(tuple(len(axis) for axis in axes), dtype=bool)
        for name, array in file.data_vars.items():
            if name in _BESIDE or array.dtype.kind != "f":
                continue
            if set(array.dims) == set(dims):
                held |= np.isfinite(array.transpose(*dims).values).reshape(held.shape)
    return _Held(axes, held)


def _aligned(held: _Held, axes: tuple[pd.Index, pd.Index, pd.Index]) -> NDArray[np.bool_]:
    """Return what is held at the places of other axes; False where there is no such place."""
    found = held.any
    for number, (own, wanted) in enumerate(zip(held.axes, axes, strict=True)):
        at = own.get_indexer(wanted)
        shape = [-1 if dim == number else 1 for dim in range(found.ndim)]
        if not len(own):
            return np.zeros(tuple(len(axis) for axis in axes), dtype=bool)
        found = np.take(found, np.maximum(at, 0), axis=number) & (at >= 0).reshape(shape)
    return found


def _lost_rounds(old: Path, new: Path) -> Iterator[Lost]:
    """Yield the hand readings of each tube that one file has and the other not."""
    before = _readings(old)
    if new.exists():
        known = pd.MultiIndex.from_frame(_readings(new))
        before = before[~pd.MultiIndex.from_frame(before).isin(known)]
    for tube, rows in before.groupby("tube", sort=True):
        first, last = _instant(rows["time"].min()), _instant(rows["time"].max())
        yield Lost(str(tube), len(rows), first, last)


def _readings(path: Path) -> pd.DataFrame:
    with xr.open_dataset(path, decode_timedelta=False) as file:
        profile = file["profile_index"].values
        columns = (
            file["tube_id"].values.astype(str)[profile],
            file["reading_time"].values,
            file["nominal_depth"].values,
            file["direction"].values[profile].astype(str),
        )
    return pd.DataFrame(dict(zip(_ROUND, columns, strict=True)))


def _instant(time: pd.Timestamp) -> str:
    return f"{pd.Timestamp(time):%Y-%m-%dT%H:%MZ}"
