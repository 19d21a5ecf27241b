"""Hand rounds for people: a CF file of all readings, and their comparison with the loggers.

The file holds profiles (``featureType`` "profile"): one pass down a tube in one direction by
one reader, as an indexed ragged array (CF 9.3.4). A cube of round, tube, depth, direction and
repeat is nearly empty and not one of CF's discrete geometries, which know one instance
dimension; here every reading is held once, and its labels name its cell, so that the cube is a
matter of unstacking.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import TIME_UNITS, set_attributes, write_where
from pipeline.deliver.encoding import create_text
from pipeline.deliver.metadata import Extent, Provenance, Vertical, global_attributes
from pipeline.deliver.tables import iso_times, write_table
from pipeline.derive.rounds import SPREAD, as_read, describe_reason
from pipeline.site.models import Site
from pipeline.variables import SIGNALS, VARIABLES

_PASS = ["round", "tube", "direction_deg", "repeat"]
_PROFILE = ["profile_time_s", *_PASS]
_ORDER = [*_PROFILE, "sensor_depth_m"]
_COORDINATE = {"coverage_content_type": "coordinate"}
_REFERENCE = {"coverage_content_type": "referenceInformation"}
_TIME = {
    "units": TIME_UNITS,
    "calendar": "standard",
    "units_metadata": "leap_seconds: utc",
}
_DOWN = {"standard_name": "depth", "units": "m", "positive": "down"} | _COORDINATE
_LABELS = "profile_id tube_id round_id reader direction repeat"
_ABOUT_WATER = ("random_error", "systematic_error", "outside_calibration", "reading_time")
_COMMENT = (
    "Hand readings as read, one a row, repeats and directions kept apart; none was removed or "
    "tested. A profile is one pass down a tube in one direction; profile_index gives the "
    "profile of each reading, source_index and source_line where it was written down."
)


@dataclass(frozen=True)
class Origin:
    """A raw file that hand readings came from."""

    path: str
    sha256: str


def write_rounds(
    site: Site,
    readings: pd.DataFrame,
    origins: Mapping[int, Origin],
    provenance: Provenance,
    path: Path,
) -> Path:
    """Write all hand readings of a site.

    Parameters
    ----------
    site : Site
    readings : DataFrame
        From `pipeline.derive.rounds.hand_readings`.
    origins : mapping
        The raw file behind each id of the column ``file``.
    provenance : Provenance
    path : Path
        Replaced in one piece.

    Raises
    ------
    ValueError
        If there is no reading.
    """
    if readings.empty:
        raise ValueError("rounds: expected at least one hand reading to deliver, found none")
    first_s = readings.groupby(_PASS, dropna=False)["time_s"].transform("min")
    rows = readings.assign(profile_time_s=first_s).sort_values(_ORDER, ignore_index=True)
    passes = rows.groupby(_PROFILE, dropna=False, sort=True)
    index: NDArray[np.int32] = passes.ngroup().to_numpy().astype(np.int32)
    profiles = rows.loc[~rows.duplicated(_PROFILE)].reset_index(drop=True)
    with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
        set_attributes(file, _about(site, rows, profiles, provenance))
        file.createDimension("profile", len(profiles))
        file.createDimension("reading", len(rows))
        _write_profiles(file, site, profiles)
        _write_places(file, rows, index)
        _write_origins(file, rows, origins)
        _write_values(file, rows)
    return path


def _about(
    site: Site, rows: pd.DataFrame, profiles: pd.DataFrame, provenance: Provenance
) -> dict[str, Any]:
    """Return the global attributes: those of every file, and what is special about rounds."""
    tubes = [site.tube_by_id[name] for name in sorted(set(profiles["tube"]))]
    extent = Extent(
        np.array([tube.latitude for tube in tubes]),
        np.array([tube.longitude for tube in tubes]),
        Vertical.below_surface(rows["sensor_depth_m"].to_numpy(np.float64)),
        (int(rows["time_s"].min()), int(rows["time_s"].max())),
        _time_between_rounds_s(profiles),
    )
    steps = ("hand readings as read", "water content by the laws of the site")
    comment = " ".join(text for text in (_COMMENT, provenance.comment) if text)
    made = replace(provenance, steps=steps, comment=comment)
    return global_attributes(site, "hand rounds", "profile", extent, made) | {
        "source": f"hand readings in {len(tubes)} access tubes",
        "instrument": "hand-held soil water probes",
        "processing_level": "as read and calibrated, not quality-controlled",
    }


def _time_between_rounds_s(profiles: pd.DataFrame) -> int:
    """Return the median time from one round at a tube to the next, 0 if there is one only.

    Rounded to whole days from a day on: nobody means to come back to the minute.
    """
    visits = profiles[["tube", "round_start_s"]].drop_duplicates()
    visits = visits.sort_values(["tube", "round_start_s"])
    between = visits.groupby("tube")["round_start_s"].diff().dropna()
    median_s = float(between.median()) if len(between) else 0.0
    return round(median_s / DAY_S) * DAY_S if median_s >= DAY_S else round(median_s)


def _write_profiles(file: netCDF4.Dataset, site: Site, profiles: pd.DataFrame) -> None:
    """Write who read when, where and in which direction."""
    names = profiles["round"] + "/" + profiles["tube"]
    direction = profiles["direction_deg"].map(lambda a: "" if np.isnan(a) else f"{a:g}deg")
    names = names + "/" + direction + "/" + profiles["repeat"].astype(str)
    texts = {
        "profile_id": (names, "name of the profile", {"cf_role": "profile_id"}),
        "tube_id": (profiles["tube"], "tube identifier", {"standard_name": "platform_id"}),
        "round_id": (profiles["round"], "name of the round: its start, source and reader", {}),
        "reader": (profiles["reader"], "who read, or with which probe", {}),
    }
    for name, (values, long_name, more) in texts.items():
        variable = create_text(file, name, "profile", values.astype(str).tolist())
        set_attributes(variable, {"long_name": long_name} | more | _REFERENCE)
    tubes = [site.tube_by_id[name] for name in profiles["tube"]]
    places = [(tube.latitude, tube.longitude, tube.elevation_m) for tube in tubes]
    write_where(file, "profile", "tube", places)
    first = {"long_name": "time of the first reading of the profile", "standard_name": "time"}
    first_s = profiles["profile_time_s"].to_numpy(np.int64)
    _put(file, "time", "profile", first_s, first | _TIME | _COORDINATE)
    angle = {
        "long_name": "direction in which the probe faced",
        "units": "degree",
    } | _COORDINATE
    angles = profiles["direction_deg"].to_numpy(np.float64)
    _put(file, "direction", "profile", angles, angle, np.nan)
    again = {"long_name": "how often this was read before in the round", "units": "1"}
    _put(file, "repeat", "profile", profiles["repeat"].to_numpy(np.int32), again | _COORDINATE)


def _write_places(file: netCDF4.Dataset, rows: pd.DataFrame, index: NDArray[np.int32]) -> None:
    """Write which profile each reading belongs to, how deep and when it was taken."""
    text = {"long_name": "profile of the reading, from 0", "instance_dimension": "profile"}
    _put(file, "profile_index", "reading", index, text | {"units": "1"} | _REFERENCE)
    real = {"long_name": "real depth below the surface, with the tube's set-in offset"} | _DOWN
    _put(file, "depth", "reading", rows["sensor_depth_m"].to_numpy(np.float64), real)
    nominal = {"long_name": "nominal depth below the surface, as written down"} | _DOWN
    nominal |= {"coverage_content_type": "auxiliaryInformation"}
    _put(file, "nominal_depth", "reading", rows["depth_m"].to_numpy(np.float64), nominal)
    # No standard name: a second "time" would leave readers to guess which one is meant.
    when = {"long_name": "time of the reading"} | _TIME
    when |= {"coverage_content_type": "auxiliaryInformation"}
    _put(file, "reading_time", "reading", rows["time_s"].to_numpy(np.int64), when)


def _write_origins(
    file: netCDF4.Dataset, rows: pd.DataFrame, origins: Mapping[int, Origin]
) -> None:
    """Write from which line of which raw file each reading comes."""
    used = sorted(rows["file"].unique().tolist(), key=lambda f: (origins[f].path, f))
    file.createDimension("source_file", len(used))
    paths = create_text(file, "source_path", "source_file", [origins[f].path for f in used])
    set_attributes(
        paths, {"long_name": "path of the raw file in the data folder"} | _REFERENCE
    )
    sums = create_text(file, "source_sha256", "source_file", [origins[f].sha256 for f in used])
    set_attributes(sums, {"long_name": "SHA-256 of the raw file"} | _REFERENCE)
    place = {number: position for position, number in enumerate(used)}
    text = {"long_name": "raw file of the reading, from 0 in source_path", "units": "1"}
    index = rows["file"].map(place).to_numpy(np.int32)
    _put(file, "source_index", "reading", index, text | _REFERENCE)
    text = {"long_name": "line of the reading in its raw file, from 1", "units": "1"}
    _put(file, "source_line", "reading", rows["line"].to_numpy(np.int32), text | _REFERENCE)


def _write_values(file: netCDF4.Dataset, rows: pd.DataFrame) -> None:
    """Write values as read, water content with its errors, and how directions agree."""
    shared = {"coordinates": f"time latitude longitude altitude depth {_LABELS}"}
    point = {"cell_methods": "time: point depth: point"}
    read = [name for name in SIGNALS if (rows["quantity"] == name).any()]
    about = " ".join((*_ABOUT_WATER, *(f"{name}_as_read" for name in read), *SPREAD))
    _put_field(
        file,
        "soil_water_content",
        rows["calibrated_water_content"].to_numpy(np.float32),
        _attributes("calibrated_water_content")
        | point
        | {"ancillary_variables": about}
        | shared,
    )
    for name in ("random_error", "systematic_error", *SPREAD):
        values = rows[name].to_numpy(np.float32)
        _put_field(file, name, values, _attributes(name) | shared)
    reason = describe_reason(xr.DataArray(rows["outside_calibration"].to_numpy(np.uint8)))
    text = reason.attrs | {"coverage_content_type": "qualityInformation"} | shared
    _put(file, "outside_calibration", "reading", reason.values, text)
    for name in read:
        values = rows["value"].where(rows["quantity"] == name).to_numpy(np.float64)
        array = as_read(xr.DataArray(values), name)
        text = array.attrs | {"coverage_content_type": "physicalMeasurement"} | point | shared
        _put_field(file, str(array.name), array.values, text)


def _attributes(name: str) -> dict[str, Any]:
    """Return the attributes of a variable of the table."""
    variable = VARIABLES[name]
    text = {"long_name": variable.long_name, "units": variable.units}
    if variable.standard_name:
        text["standard_name"] = variable.standard_name
    return text | {"coverage_content_type": variable.content}


def _put_field(
    file: netCDF4.Dataset,
    name: str,
    values: NDArray[np.generic],
    attributes: Mapping[str, object],
) -> None:
    """Write a field of the readings in which NaN says that there is no value."""
    _put(file, name, "reading", values, attributes, values.dtype.type(np.nan))


def _put(
    file: netCDF4.Dataset,
    name: str,
    dim: str,
    values: NDArray[Any],
    attributes: Mapping[str, object],
    fill: Any = None,
) -> None:
    """Write one variable of one dimension."""
    variable = file.createVariable(
        name,
        values.dtype,
        (dim,),
        compression="zlib",
        complevel=1,
        chunksizes=(len(values),),
        fill_value=fill,
    )
    set_attributes(variable, attributes)
    variable.set_auto_maskandscale(False)
    variable[:] = values


def write_comparison(comparison: pd.DataFrame, path: Path) -> Path:
    """Write the comparison with the loggers as a table, units in its header.

    Parameters
    ----------
    comparison : DataFrame
        From `pipeline.derive.rounds_comparison.compare_rounds`.
    path : Path
    """
    times = {name: iso_times(comparison[name]) for name in ("time_s", "logger_time_s")}
    table = comparison.assign(**times)[list(_COMPARISON)].rename(columns=_COMPARISON)
    decimals = {_COMPARISON[name]: digits for name, digits in _DECIMALS.items()}
    return write_table(table, path, decimals)


_FRACTION = "[m3 m-3]"
_COMPARISON = {
    "time_s": "time [UTC]",
    "round": "round",
    "tube": "tube",
    "sensor_depth_m": "sensor depth [m]",
    "hand_depth_m": "hand depth [m]",
    "direction_deg": "direction [degree]",
    "repeat": "repeat",
    "hand_water_content": f"hand water content {_FRACTION}",
    "hand_random_error": f"hand random error {_FRACTION}",
    "hand_systematic_error": f"hand systematic error {_FRACTION}",
    "logger_time_s": "logger time [UTC]",
    "logger_water_content": f"logger water content {_FRACTION}",
    "logger_random_error": f"logger random error {_FRACTION}",
    "logger_systematic_error": f"logger systematic error {_FRACTION}",
    "logger_quality": "logger quality",
    "difference": f"hand minus logger {_FRACTION}",
    "combined_uncertainty": f"combined standard uncertainty {_FRACTION}",
    "uncertainty_of": "uncertainty stated of",
    "normalised_difference": "difference over uncertainty [1]",
    "beyond": "beyond two uncertainties",
    "corrected_logger": "corrected the logger",
}
_DECIMALS = {
    "sensor_depth_m": 4,
    "hand_depth_m": 4,
    "direction_deg": 1,
    **dict.fromkeys((name for name in _COMPARISON if _FRACTION in _COMPARISON[name]), 5),
    "normalised_difference": 2,
}
