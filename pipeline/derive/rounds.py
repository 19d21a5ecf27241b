"""Hand rounds as walks: which reading belongs to which, their cube, how directions agree.

A round is one walk: the readings of one source by one reader, each at most three hours after
the one before. It is named by its start, its source and its reader, so its name depends on
nothing but the readings. Readings of one round at one tube, depth and direction are repeats,
numbered from 0 in the order of time, file and line; none is merged.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.calibrate.reasons import IMPOSSIBLE, NO_LAW, OUTSIDE_PROBE, OUTSIDE_SOIL
from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.site.models import Site
from pipeline.variables import SIGNALS, describe

# Longer than a meal or a drive between two fields, shorter than from one walk to the next.
# Ours; rounds are walked daily at most.
ROUND_GAP_S = 3 * 3600
# A cube of more cells than this would fill the memory of a small machine.
MAX_CELLS = 50_000_000
# Distances from the median that differ by less than this are equal: float32 at rest.
_TIE = 1e-6  # m3 m-3

CELL = ["round", "tube", "depth_m"]
DIMS = ("round", "tube", "depth", "direction", "repeat")
_ORDER = ["round", "tube", "direction_deg", "depth_m", "quantity", "time_s", "file", "line"]
SPREAD = (
    "direction_minimum",
    "direction_maximum",
    "direction_spread",
    "odd_direction",
    "odd_direction_distance",
    "other_directions_spread",
)


def hand_readings(rounds: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Every hand reading with its round, its repeat, its water content and its directions.

    Parameters
    ----------
    rounds : DataFrame (n)
        The store's table of rounds, in any order: ``time_s`` (UTC seconds), ``tube``,
        ``reader``, ``direction_deg`` (NaN: not noted), ``depth_m`` (nominal), ``quantity``,
        ``value`` in its canonical unit, ``source``, ``file``, ``line``.
    site : Site

    Returns
    -------
    DataFrame (n)
        Ordered by round, tube, direction and depth; with the columns given, ``round`` (its
        name), ``round_start_s``, ``round_end_s``, ``repeat``, those of
        `pipeline.calibrate.rounds.calibrate_rounds`, and those of `rotation_spread`, equal
        for all readings of one round, tube and depth.
    """
    rows = rounds.reset_index(drop=True)
    for name in ("tube", "reader", "source", "quantity"):
        rows[name] = rows[name].astype(object)
    rows = pd.concat([rows, _round_of(rows), calibrate_rounds(rows, site)], axis=1)
    rows = rows.sort_values(_ORDER, ignore_index=True)
    rows["repeat"] = rows.groupby([*CELL, "direction_deg"], dropna=False).cumcount()
    return rows.merge(rotation_spread(rows), how="left", on=CELL, validate="many_to_one")


def _round_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the name, start and end of each reading's round."""
    ordered = rows.sort_values(["source", "reader", "time_s"], kind="stable")
    walker = ordered.groupby(["source", "reader"], sort=True).ngroup().to_numpy()
    time_s = ordered["time_s"].to_numpy(np.int64)
    begins = np.ones(len(ordered), dtype=bool)
    begins[1:] = (np.diff(walker) != 0) | (np.diff(time_s) > ROUND_GAP_S)
    span = ordered.groupby(begins.cumsum())["time_s"]
    start_s, end_s = span.transform("min"), span.transform("max")
    stamp = pd.Series(
        np.datetime_as_string(start_s.to_numpy(np.int64).astype("datetime64[s]")),
        index=ordered.index,
        dtype=object,
    )
    name = (stamp + "Z/" + ordered["source"] + "/" + ordered["reader"]).str.rstrip("/")
    found = pd.DataFrame({"round": name, "round_start_s": start_s, "round_end_s": end_s})
    return found.reindex(rows.index)


def rotation_spread(readings: pd.DataFrame) -> pd.DataFrame:
    """How far the directions of one round agree at each tube and depth: numbers, no verdict.

    Repeats are averaged within their direction first; readings without a direction or without
    water content are left out. Common practice: three directions should agree; 20, 21 and 20
    is sound, 20, 21 and 8 names the third.

    Parameters
    ----------
    readings : DataFrame
        ``round``, ``tube``, ``depth_m``, ``direction_deg``, ``calibrated_water_content``.

    Returns
    -------
    DataFrame
        One row for each round, tube and depth read in two directions or more:
        ``direction_minimum``, ``direction_maximum`` and ``direction_spread`` (their
        difference) [m3 m-3]; ``odd_direction`` [degree], the one farthest from the median of
        three or more, NaN where two are equally far; ``odd_direction_distance`` from that
        median and ``other_directions_spread`` of the rest [m3 m-3].
    """
    known = readings[
        readings["direction_deg"].notna() & readings["calibrated_water_content"].notna()
    ]
    theta = known["calibrated_water_content"].astype(np.float64)
    by_direction = theta.groupby([known[name] for name in [*CELL, "direction_deg"]])
    means = by_direction.mean().rename("theta").reset_index()
    cells = means.groupby(CELL)["theta"]
    means["count"] = cells.transform("size")
    means["distance"] = (means["theta"] - cells.transform("median")).abs()
    farthest = means.groupby(CELL)["distance"].transform("max")
    means["far"] = (means["distance"] >= farthest - _TIE) & (means["count"] >= 3)
    means["odd"] = means["far"] & (means.groupby(CELL)["far"].transform("sum") == 1)
    means = means[means["count"] >= 2]
    lowest, highest = (means.groupby(CELL)["theta"].agg(how) for how in ("min", "max"))
    odd = means[means["odd"]].set_index(CELL)
    others = means[~means["odd"]].groupby(CELL)["theta"].agg(["min", "max"])
    values = {
        "direction_minimum": lowest,
        "direction_maximum": highest,
        "direction_spread": highest - lowest,
        "odd_direction": odd["direction_deg"],
        "odd_direction_distance": odd["distance"],
        "other_directions_spread": (others["max"] - others["min"]).reindex(odd.index),
    }
    return pd.DataFrame(values, index=lowest.index, columns=list(SPREAD)).reset_index()


def rounds_cube(readings: pd.DataFrame, site: Site) -> xr.Dataset:
    """The cube of hand rounds: round, tube, depth, direction, repeat.

    Parameters
    ----------
    readings : DataFrame
        From `hand_readings`.
    site : Site

    Returns
    -------
    Dataset
        Dims `DIMS`. ``depth`` is nominal and ``sensor_depth`` (tube, depth) real;
        ``direction`` NaN holds the readings without one; ``round_start``, ``round_end``,
        ``source`` and ``reader`` go with ``round``. Variables: water content, its errors and
        reason as calibrated, each quantity read under ``<quantity>_as_read``,
        ``reading_time``, and `SPREAD` (round, tube, depth). Cells never read are NaN (NaT).

    Raises
    ------
    ValueError
        If the cube would have more than `MAX_CELLS` cells; take fewer rounds at a time.
    """
    axes = {
        "round": _labels(readings, "round"),
        "tube": pd.Index([t.tube for t in site.tubes if (readings["tube"] == t.tube).any()]),
        "depth": _labels(readings, "depth_m"),
        "direction": _labels(readings, "direction_deg"),
        "repeat": pd.RangeIndex(int(readings["repeat"].max()) + 1 if len(readings) else 0),
    }
    shape = tuple(len(axis) for axis in axes.values())
    if np.prod(shape, dtype=np.float64) > MAX_CELLS:
        raise ValueError(
            f"rounds: a cube of {shape} (round, tube, depth, direction, repeat) has more than "
            f"{MAX_CELLS} cells; take fewer rounds at a time, or the table itself"
        )
    names = {"depth": "depth_m", "direction": "direction_deg"}
    cell = tuple(
        axes[dim].get_indexer(pd.Index(readings[names.get(dim, dim)])) for dim in DIMS
    )
    arrays: dict[str, xr.DataArray] = {}
    for name in ("calibrated_water_content", "random_error", "systematic_error"):
        values = _spread_out(readings[name].to_numpy(np.float32), cell, shape, np.nan)
        arrays[name] = describe(xr.DataArray(values, dims=DIMS), name)
    reason = readings["outside_calibration"].to_numpy(np.uint8)
    arrays["outside_calibration"] = describe_reason(
        xr.DataArray(_spread_out(reason, cell, shape, 0), dims=DIMS)
    )
    for quantity in SIGNALS:
        rows = (readings["quantity"] == quantity).to_numpy()
        if rows.any():
            where = tuple(index[rows] for index in cell)
            values = _spread_out(readings["value"].to_numpy()[rows], where, shape, np.nan)
            arrays[f"{quantity}_as_read"] = as_read(xr.DataArray(values, dims=DIMS), quantity)
    time = readings["time_s"].to_numpy(np.int64).astype("datetime64[s]")
    moments = _spread_out(time.astype("datetime64[ns]"), cell, shape, np.datetime64("NaT"))
    arrays["reading_time"] = xr.DataArray(moments, dims=DIMS)
    for name in SPREAD:
        values = _spread_out(readings[name].to_numpy(np.float32), cell[:3], shape[:3], np.nan)
        arrays[name] = describe(xr.DataArray(values, dims=DIMS[:3]), name)
    return xr.Dataset(arrays, coords=_coordinates(readings, axes, site))


def describe_reason(array: xr.DataArray) -> xr.DataArray:
    """Return the reasons for no water content with the attributes CF asks for."""
    result = describe(array, "outside_calibration")
    result.attrs["flag_masks"] = np.array(
        [OUTSIDE_PROBE, OUTSIDE_SOIL, NO_LAW, IMPOSSIBLE], np.uint8
    )
    result.attrs["flag_meanings"] = (
        "outside_probe_law outside_soil_law no_law impossible_water_content"
    )
    return result


def as_read(array: xr.DataArray, quantity: str) -> xr.DataArray:
    """Return a quantity under ``<quantity>_as_read``, so that none is taken for logged."""
    result = describe(array, quantity).rename(f"{quantity}_as_read")
    long_name = result.attrs["long_name"].removesuffix(" as logged")
    result.attrs["long_name"] = f"{long_name} as read by hand"
    return result


def _labels(readings: pd.DataFrame, column: str) -> pd.Index:
    """Return the labels of an axis, rising; NaN, where it occurs, comes last."""
    return pd.Index(readings[column].drop_duplicates().sort_values())


def _spread_out(
    values: NDArray, cell: tuple[NDArray[np.intp], ...], shape: tuple[int, ...], fill: object
) -> NDArray:
    """Return values laid into an array of an axis each; every cell has one value at most."""
    result = np.full(shape, fill, dtype=values.dtype)
    result[cell] = values
    return result


def _coordinates(
    readings: pd.DataFrame, axes: dict[str, pd.Index], site: Site
) -> dict[str, object]:
    """Return the coordinates of the cube."""
    walks = readings.drop_duplicates("round").set_index("round").reindex(axes["round"])
    real = [[site.sensor_depth_m(t, d) for d in axes["depth"]] for t in axes["tube"]]
    down = {"standard_name": "depth", "units": "m", "positive": "down"}

    def instants(column: str) -> NDArray[np.datetime64]:
        seconds = walks[column].to_numpy(np.int64)
        return seconds.astype("datetime64[s]").astype("datetime64[ns]")

    return {
        "round": axes["round"].to_numpy(object),
        "tube": axes["tube"].to_numpy(object),
        "depth": ("depth", axes["depth"].to_numpy(np.float64), down),
        "direction": ("direction", axes["direction"].to_numpy(), {"units": "degree"}),
        "repeat": axes["repeat"].to_numpy(),
        "round_start": ("round", instants("round_start_s")),
        "round_end": ("round", instants("round_end_s")),
        "source": ("round", walks["source"].to_numpy(object)),
        "reader": ("round", walks["reader"].to_numpy(object)),
        "sensor_depth": (
            ("tube", "depth"),
            np.array(real, dtype=np.float64).reshape(len(axes["tube"]), len(axes["depth"])),
            down,
        ),
    }
