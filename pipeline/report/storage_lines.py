"""Stored water as a line with its 95 % interval: what the storage pictures share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.report.marks import BAD, SUSPECT, Flagged, find_flagged
from pipeline.report.style import FAINT
from pipeline.report.time_columns import Columns, local_days, step_index

# Standard uncertainties that hold 95 % of a normal distribution: JCGM 100:2008, Table G.1.
COVERAGE = 1.96
BAND_ALPHA = 0.22


@dataclass(frozen=True)
class StoredWater:
    """Storage of one tube as the store holds it, (time, layer)."""

    time: NDArray[np.datetime64]
    storage: Floats  # mm
    error: Floats  # mm, standard uncertainty: random and systematic in quadrature
    quality: NDArray[np.uint8]


def tube_storage(tube: str, products: xr.Dataset, layers: list[str]) -> StoredWater:
    """Return one tube's layers in the order given; NaN for what the products lack."""
    names = ["storage", "storage_random_error", "storage_systematic_error", "storage_quality"]
    tubes = [str(name) for name in products["tube"].values]
    held = [str(name) for name in products["layer"].values]
    shape = (products.sizes["time"], len(layers))
    arrays = {name: np.full(shape, np.nan) for name in names}
    if tube in tubes:
        part = products[names].isel(tube=tubes.index(tube)).transpose("time", "layer").load()
        for column, layer in enumerate(layers):
            if layer in held:
                for name in names:
                    arrays[name][:, column] = part[name].values[:, held.index(layer)]
    storage, random, systematic, quality = arrays.values()
    flags = np.nan_to_num(quality, nan=9).astype(np.uint8)
    return StoredWater(products["time"].values, storage, np.hypot(random, systematic), flags)


def draw_line(
    axes: Axes, columns: Columns, middle: Floats, error: Floats, colour: str
) -> None:
    """Draw one line with its band, broken where there is no value.

    Parameters
    ----------
    axes : Axes
    columns : Columns
    middle, error : (column,), [mm]
        Storage and its standard uncertainty; NaN where there is none.
    colour : str
    """
    x, reach = columns.middles, COVERAGE * error
    low, high = middle - reach, middle + reach
    known = np.isfinite(low)
    axes.fill_between(
        x, low, high, where=known, color=colour, alpha=BAND_ALPHA, lw=0, zorder=2, gid="band"
    )
    axes.plot(x, middle, color=colour, lw=1.3, zorder=3, gid="storage")
    alone = lone_values(middle)
    axes.vlines(x[alone], low[alone], high[alone], color=colour, alpha=BAND_ALPHA, lw=1)
    axes.plot(x[alone], middle[alone], ".", color=colour, ms=3, zorder=3, gid="lone")


def lone_values(values: Floats) -> NDArray[np.bool_]:
    """Return where a value has none beside it: a line would not show it."""
    known = np.concatenate([[False], np.isfinite(values), [False]])
    return np.asarray(known[1:-1] & ~known[:-2] & ~known[2:])


def find_doubtful(columns: Columns, held: StoredWater) -> list[Flagged]:
    """Return the suspect and bad values of storage, at their place on the line."""
    days = local_days(columns.site, step_index(columns.site, held.time))
    quality = np.where(np.isfinite(held.storage), held.quality, 9).astype(np.uint8)
    return [find_flagged(quality, kind, days, held.storage) for kind in (SUSPECT, BAD)]


def band_entry(known: bool = True) -> Artist:
    """Return the legend's entry of the band, or that there is none to look for."""
    if not known:
        return Line2D([], [], ls="none", label="uncertainty not known")
    return Patch(color=FAINT, alpha=0.45, lw=0, label="95 % interval")


def padded_limits(low: Floats, high: Floats) -> tuple[float, float]:
    """Return limits of an axis of mm that leave air around all finite values."""
    values = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    if not values.size:
        return 0.0, 100.0
    bottom, top = float(values.min()), float(values.max())
    air = max(0.05 * (top - bottom), 1.0)
    return max(bottom - air, 0.0) if bottom >= 0 else bottom - air, top + air
