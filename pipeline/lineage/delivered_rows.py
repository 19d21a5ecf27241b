"""A number of a row found again in a delivered file: of events, uptake, means of a site."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd

from pipeline.deliver.coordinates import texts
from pipeline.deliver.event_fields import BY_DEPTH, EVENTS, UPTAKE, EventField
from pipeline.deliver.events import codes, doubt_bits
from pipeline.deliver.row_fields import CONDUCTIVITY
from pipeline.deliver.site_means import mean_variable
from pipeline.lineage.rows import Row, at_text
from pipeline.lineage.view import TraceError, number
from pipeline.site.mistakes import one_of

ROW_PRODUCTS = ("event", "uptake", "conductivity", "site_mean")
_SHOWN = 4


def delivered_number(
    file: netCDF4.Dataset, path: Path, account: dict[str, Any]
) -> dict[str, object]:
    """Return a number as a file holds it, beside the stored one as the file would write it.

    Parameters
    ----------
    file : Dataset
        Written by percolog.
    path : Path
    account : dict
        The trace of the number in the state that the file names.

    Returns
    -------
    dict
        ``file``, ``field``, ``value``, ``stored``, ``rounding_bits`` (None: none),
        ``largest_rounding``, ``agrees`` and ``said``.

    Raises
    ------
    TraceError
        If the file holds no such number, or not that row; it says what it holds.
    """
    row = account["row"]
    if account["product"] == "site_mean":
        name, place, stored = _of_mean(file, path, account)
    else:
        field = _field(account)
        place = _PLACES[account["product"]](file, path, row)
        name, stored = field.name, _as_written(field, row[account["number"]])
    return _told(path, name, number(_variable(file, path, name)[place]), stored)


def _told(
    path: Path, name: str, value: float | None, stored: float | None
) -> dict[str, object]:
    agrees = value == stored
    word = "is" if agrees else "IS NOT"
    return {
        "file": str(path),
        "field": name,
        "value": value,
        "stored": stored,
        "rounding_bits": None,
        "largest_rounding": 0.0,
        "agrees": agrees,
        "said": f"the file's value {word} that of the store, as stored",
    }


def delivered_reading(
    file: netCDF4.Dataset, path: Path, account: dict[str, Any]
) -> dict[str, object]:
    """Return a hand reading as a file of rounds holds it, beside that of the state.

    It is found by the line that both name; parameters and result as of `delivered_number`.
    """
    raw, line = account["file"], account["line"]["line"]
    sources = zip(texts(file, "source_path"), texts(file, "source_sha256"), strict=True)
    here = [
        index for index, told in enumerate(sources) if told == (raw["path"], raw["sha256"])
    ]
    depth = np.asarray(file["nominal_depth"][:], np.float64)
    same = np.isin(file["source_index"][:], here) & (file["source_line"][:] == line)
    found = np.flatnonzero(same & (np.abs(depth - account["cell"]["nominal_depth_m"]) < 1e-9))
    if not found.size:
        raise TraceError(f"{path.name}: found no reading of {raw['path']}, line {line}")
    name, stored = "soil_water_content", account["value"]["calibrated_water_content"]
    return _told(path, name, number(_variable(file, path, name)[found[0]]), stored)


def _field(account: dict[str, Any]) -> EventField:
    """Return the delivered field of a number of an event or of a day."""
    fields = CONDUCTIVITY if account["product"] == "conductivity" else UPTAKE
    if account["product"] == "event":
        fields = BY_DEPTH if "depth_m" in account["row"] else EVENTS
    return next(f for f in fields if f.source == account["number"])


def _as_written(field: EventField, value: Any) -> float | int | None:
    """Return a stored number as a file writes it."""
    if field.kind == "doubts":
        return doubt_bits(value or "")
    return number(codes(field, pd.Series([value]))[0])


def _variable(file: netCDF4.Dataset, path: Path, name: str) -> netCDF4.Variable:
    if name not in file.variables:
        raise TraceError(
            f"{path.name}: expected a field {name!r}; the file has "
            f"{', '.join(sorted(file.variables))}"
        )
    return file[name]


def _event_place(file: netCDF4.Dataset, path: Path, row: Row) -> tuple[int, ...]:
    """Return where an event, or a sensor in it, stands in a file of events."""
    _variable(file, path, "event_id")
    found = _place(texts(file, "event_id"), row["event"], f"{path.name}: event")
    return (found,) if "depth_m" not in row else (found, _depth(file, path, row))


def _day_place(file: netCDF4.Dataset, path: Path, row: Row) -> tuple[int, ...]:
    """Return where a tube, day and sensor stand in a file of uptake."""
    _variable(file, path, "tube_id")
    tube = _place(texts(file, "tube_id"), row["tube"], f"{path.name}: tube")
    return tube, _day(file, path, row), _depth(file, path, row)


def _class_place(file: netCDF4.Dataset, path: Path, row: Row) -> tuple[int, ...]:
    """Return where a tube, sensor and class stand in a file of conductivity."""
    water = np.asarray(_variable(file, path, "soil_water_content")[:], np.float64)
    same = (water == row["water_content"]) & (file["depth"][:] == row["depth_m"])
    same &= np.array(texts(file, "tube_id")) == row["tube"]
    if not same.any():
        raise TraceError(f"{path.name}: found no class of {row['water_content']:.4f} m3 m-3")
    return (int(np.argmax(same)),)


_PLACES: dict[str, Callable[[netCDF4.Dataset, Path, Row], tuple[int, ...]]] = {
    "event": _event_place,
    "uptake": _day_place,
    "conductivity": _class_place,
}


def _of_mean(
    file: netCDF4.Dataset, path: Path, account: dict[str, Any]
) -> tuple[str, tuple[int, ...], float | None]:
    """Return field, place and stored value of a mean over tubes."""
    row = account["row"]
    _variable(file, path, "group_id")
    named = row["group"] or account["site"]
    group = _place(texts(file, "group_id"), named, f"{path.name}: group")
    day = _day(file, path, row)
    if row["layer"]:
        layer = _place(texts(file, "layer_name"), row["layer"], f"{path.name}: layer")
        place = (group, layer, day)
    else:
        place = (group, day, _depth(file, path, row))
    name = mean_variable(row["quantity"], account["number"])
    return name, place, number(np.float32(row[account["number"]]))


def _place(names: list[str], wanted: str, what: str) -> int:
    if wanted in names:
        return names.index(wanted)
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    raise TraceError(f"{what}: found no {wanted!r}; it holds {one_of(names[:_SHOWN])}{more}")


def _day(file: netCDF4.Dataset, path: Path, row: Row) -> int:
    seconds = np.asarray(file["time"][:], np.int64)
    found = np.flatnonzero(seconds == row["day_s"])
    if not found.size:
        ends = [at_text(s) for s in seconds[[0, -1]].tolist()]
        raise TraceError(
            f"{path.name}: found no day from {at_text(row['day_s'])}; it holds days from "
            f"{ends[0]} to {ends[1]}"
        )
    return int(found[0])


def _depth(file: netCDF4.Dataset, path: Path, row: Row) -> int:
    depths = np.asarray(file["depth"][:], np.float64)
    found = np.flatnonzero(depths == row["depth_m"])
    if not found.size:
        raise TraceError(
            f"{path.name}: found no depth {row['depth_m']} m; it holds {depths.tolist()}"
        )
    return int(found[0])
