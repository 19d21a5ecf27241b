"""The trace of a value in a delivered NetCDF file, by what the file says of itself.

A file names its site and the state of the store it was written from. The value is looked up
in that state, compared within the rounding the file states, and traced from there.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

from pipeline.arrays import Integers
from pipeline.deliver.coordinates import texts
from pipeline.lineage.delivered_rows import (
    ROW_PRODUCTS,
    delivered_number,
    delivered_reading,
)
from pipeline.lineage.trace import Question, trace_cell
from pipeline.lineage.view import TraceError, number
from pipeline.site.mistakes import did_you_mean, one_of

# By the product asked for: the field on disk, and the product of a daily file it stands for.
_FIELDS = {
    "water": ("soil_water_content", "daily_water_content"),
    "daily_water_content": ("soil_water_content", "daily_water_content"),
    "storage": ("soil_water_storage", "daily_storage"),
    "daily_storage": ("soil_water_storage", "daily_storage"),
    "rain": ("rain", "daily_rain"),
    "daily_rain": ("rain", "daily_rain"),
}
_STORED = {
    "water": "cleaned_water_content",
    "daily_water_content": "daily_water_content",
    "storage": "storage",
    "daily_storage": "daily_storage",
    "rain": "rain",
    "daily_rain": "daily_rain",
}
_BY_HAND = ("hand_reading", "water")  # of a file of rounds either means the former
_LEVELS_UP = 6  # SITE/out/deliveries/NAME/r0001/netcdf/FILE
_FLOAT32_BITS = 23
_DEPTH_TOLERANCE_M = 0.02


@dataclass(frozen=True)
class Delivered:
    """One value of a file: the field, its number, its rounding, and where it stands."""

    field: str
    product: str
    value: float | None
    bits: int | None
    tube: str
    time_s: int
    depth_m: float | None
    layer: str


def trace_delivered(path: Path, question: Question, folder: Path | None) -> dict[str, Any]:
    """Return the trace of a delivered value, and whether it is the stored one.

    Parameters
    ----------
    path : Path
        A NetCDF file written by percolog.
    question : Question
        Its commit is not used: the file names the state it was made from.
    folder : Path or None
        Folder of the site; looked for around the file if None.

    Returns
    -------
    dict
        As `pipeline.lineage.trace.trace_cell`, with ``delivered``: ``file``, ``field``,
        ``value``, ``stored``, ``rounding_bits``, ``agrees`` and ``said``.

    Raises
    ------
    TraceError
        If the file is none of percolog's, lacks what is asked for, or its site is not found.
    """
    file = _opened(path)
    with file:
        site, commit = _origin(file, path)
        if question.product in ROW_PRODUCTS:
            where = folder if folder is not None else _site_near(path, site)
            account = trace_cell(where, replace(question, commit=commit))
            return {**account, "delivered": delivered_number(file, path, account)}
        if "profile_index" in file.variables and question.product in _BY_HAND:
            where = folder if folder is not None else _site_near(path, site)
            asked = replace(question, commit=commit, product=_BY_HAND[0])
            account = trace_cell(where, asked)
            return {**account, "delivered": delivered_reading(file, path, account)}
        delivered = _value(file, path, question)
    where = folder if folder is not None else _site_near(path, site)
    asked = replace(
        question,
        tube=delivered.tube,
        product=delivered.product,
        layer=delivered.layer,
        commit=commit,
        depth_cm=None if delivered.depth_m is None else delivered.depth_m * 100,
        time=question.at.fromtimestamp(delivered.time_s, question.at.tzinfo),
    )
    account = trace_cell(where, asked)
    if account["site"] != site:
        raise TraceError(
            f"{path.name}: found a file of site {site!r}; expected one of "
            f"{account['site']!r}, which is described in {where}"
        )
    stored = account["value"][_STORED[delivered.product]]
    return {**account, "delivered": _compared(path, delivered, stored)}


def _opened(path: Path) -> netCDF4.Dataset:
    try:
        file = netCDF4.Dataset(path)
    except OSError as error:
        raise TraceError(
            f"{path}: expected a NetCDF file ({error.strerror or error})"
        ) from None
    file.set_auto_mask(False)
    return file


def _origin(file: netCDF4.Dataset, path: Path) -> tuple[str, str]:
    """Return the site and the state that a file names."""
    names = set(file.ncattrs())
    if not {"id", "product_version", "history"} <= names or "percolog" not in file.history:
        raise TraceError(
            f"{path.name}: expected a file written by percolog, with the attributes id and "
            f"product_version; found others"
        )
    # id is site.content.start.end; a site's own id may hold points.
    return str(file.id).rsplit(".", 3)[0], str(file.product_version)


def _value(file: netCDF4.Dataset, path: Path, question: Question) -> Delivered:
    """Return the value asked for; the nearest time and depth of the file are taken."""
    field = _field(file, path, question)
    variable = file[field]
    daily = _is_daily(file, variable)
    instance = "tube" if "tube" in variable.dimensions else "station"
    names = texts(file, f"{instance}_id")
    seconds = file["time"][:].astype(np.int64)
    index = {
        instance: _named(names, question.tube, f"{path.name}: {instance}"),
        "time": _time_index(seconds, question, daily, path),
    }
    depth_m, layer = None, ""
    if "depth" in variable.dimensions:
        index["depth"] = _depth_index(file, index["tube"], question, path)
        depth_m = float(file["depth"][index["depth"]])
    if "layer" in variable.dimensions:
        layers = texts(file, "layer_name")
        index["layer"] = _named(layers, question.layer, f"{path.name}: layer")
        layer = layers[index["layer"]]
    value = variable[tuple(index[dim] for dim in variable.dimensions)]
    bits = getattr(variable, "quantization_nsb", None)
    of_day = _FIELDS[question.product][1]
    return Delivered(
        field,
        of_day if daily else question.product.removeprefix("daily_"),
        number(np.float32(value)),
        None if bits is None else int(bits),
        names[index[instance]],
        int(seconds[index["time"]]),
        depth_m,
        layer,
    )


def _field(file: netCDF4.Dataset, path: Path, question: Question) -> str:
    """Return the field of a file that holds what is asked for, by tube and by sensor."""
    if question.product not in _FIELDS:
        known = ", ".join((*_FIELDS, *ROW_PRODUCTS))
        raise TraceError(f"found product {question.product!r}; expected one of {known}")
    field = _FIELDS[question.product][0]
    if field not in file.variables:
        raise TraceError(
            f"{path.name}: expected a field {field!r} for {question.product!r}; the file has "
            f"{', '.join(sorted(file.variables))}"
        )
    dims = file[field].dimensions
    if not {"tube", "station"} & set(dims):
        raise TraceError(
            f"{path.name}: found {field!r} by {', '.join(dims)}; expected it by tube: trace "
            f"the tubes' values behind it, in the native or the daily file"
        )
    if "depth" in dims and "sensor_depth" not in file.variables:
        raise TraceError(
            f"{path.name}: found {field!r} by layers of a model, each of several sensors; "
            f"expected it by sensor: trace those in the native or the daily file"
        )
    return field


def _is_daily(file: netCDF4.Dataset, variable: netCDF4.Variable) -> bool:
    """Tell whether a field holds values of whole days."""
    of_spans = (
        "mean" in getattr(variable, "cell_methods", "") or "time_bounds" in file.variables
    )
    return of_spans and _step_s(file) == 86_400


def _step_s(file: netCDF4.Dataset) -> int:
    """Return the step a file states, in seconds; 0 where it is not one of whole days."""
    return 86_400 if getattr(file, "time_coverage_resolution", "") == "P1D" else 0


def _time_index(seconds: Integers, question: Question, is_daily: bool, path: Path) -> int:
    """Return the nearest time of a file, or the day that a time lies in."""
    asked = question.at.timestamp()
    index = int(np.argmin(np.abs(seconds - asked)))
    step = int(np.min(np.diff(seconds))) if len(seconds) > 1 else 86_400
    if is_daily:
        index = int(np.searchsorted(seconds, asked, side="right")) - 1
    off = asked - seconds[max(index, 0)]
    if index < 0 or off >= step or (not is_daily and abs(off) > step):
        first, last = (f"{np.datetime64(int(s), 's')}Z" for s in seconds[[0, -1]])
        raise TraceError(
            f"{path.name}: found time {question.at.isoformat()}; expected one from {first} "
            f"to {last}"
        )
    return index


def _depth_index(file: netCDF4.Dataset, tube: int, question: Question, path: Path) -> int:
    """Return the sensor at a nominal depth, else at a real one, within 2 cm."""
    nominal = file["depth"][:].astype(np.float64)
    if question.depth_cm is None:
        raise TraceError("found no --depth; expected the depth [cm] of soil water content")
    real = file["sensor_depth"][tube].astype(np.float64)
    asked = question.depth_cm / 100
    apart = np.abs(np.stack([nominal, np.where(np.isnan(real), np.inf, real)]) - asked)
    apart[:, np.isnan(real)] = np.inf
    order, index = np.unravel_index(int(np.argmin(np.round(apart, 4))), apart.shape)
    if not apart[order, index] <= _DEPTH_TOLERANCE_M + 1e-9:
        shown = ", ".join(f"{round(d * 100, 2):g}" for d in nominal[np.isfinite(real)])
        raise TraceError(
            f"{path.name}: found depth {question.depth_cm:g} cm; expected one of {shown}"
        )
    return int(index)


def _named(names: list[str], asked: str, what: str) -> int:
    """Return the place of a name; the only one needs none."""
    if asked in names:
        return names.index(asked)
    if not asked and len(names) == 1:
        return 0
    found = repr(asked) if asked else "none"
    hint = did_you_mean(asked, names)
    raise TraceError(f"{what}: found {found}; expected {one_of(names)}. {hint}".rstrip())


def _site_near(path: Path, site: str) -> Path:
    """Return the folder that describes a site, around one of its files."""
    for folder in _folders_around(path):
        if _site_id(folder / "site.toml") == site:
            return folder
    raise TraceError(
        f"{path.name}: expected the description of site {site!r} near the file, found none; "
        f"give its folder: percolog trace SITE --file {path.name} ..."
    )


def _folders_around(path: Path) -> Iterator[Path]:
    """Yield the folders above a file and those beside them that may hold a site."""
    for parent in list(path.absolute().parents)[:_LEVELS_UP]:
        yield parent
        yield from sorted(found.parent for found in parent.glob("*/site.toml"))


def _site_id(file: Path) -> str | None:
    try:
        found = tomllib.loads(file.read_text(encoding="utf-8")).get("site", {})
        return str(found.get("id")) if isinstance(found, dict) else None
    except (OSError, ValueError):
        return None


def _compared(path: Path, delivered: Delivered, stored: float | None) -> dict[str, object]:
    """Return the delivered value beside the stored one, and whether they agree."""
    value, bits = delivered.value, delivered.bits
    if value is None or stored is None:
        agrees = value is None and stored is None
        most = 0.0
    else:
        most = largest_rounding(stored, bits)
        agrees = abs(value - stored) <= most
    rounding = "as stored" if bits is None else f"rounded to {bits} bits of mantissa"
    word = "is" if agrees else "IS NOT"
    return {
        "file": str(path),
        "field": delivered.field,
        "value": value,
        "stored": stored,
        "rounding_bits": bits,
        "largest_rounding": most,
        "agrees": agrees,
        "said": f"the file's value {word} that of the store, {rounding}",
    }


def largest_rounding(value: float, bits: int | None) -> float:
    """Return how far rounding to some bits of mantissa may move a value: half of the last.

    Nothing where no bits are stated.
    """
    if bits is None or bits >= _FLOAT32_BITS or value == 0:
        return 0.0
    _, exponent = np.frexp(value)  # value = m * 2**exponent with m in [0.5, 1)
    return float(2.0 ** (int(exponent) - 1 - bits) / 2)
