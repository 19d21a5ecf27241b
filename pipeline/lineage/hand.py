"""The trace of a hand reading: its round, its laws, the line where it was written down."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from pipeline.axis import DAY_S, iso_utc
from pipeline.calibrate.effective import law_state, period_at
from pipeline.calibrate.forms import AS_LOGGED
from pipeline.calibrate.reasons import IMPOSSIBLE, NO_LAW, OUTSIDE_PROBE, OUTSIDE_SOIL
from pipeline.calibrate.rounds import round_periods
from pipeline.derive.rounds import hand_readings
from pipeline.lineage.laws import law_told, place_of_laws
from pipeline.lineage.number import Proof
from pipeline.lineage.origin import Sought, raw_of
from pipeline.lineage.rows import Row
from pipeline.lineage.view import DEPTH_TOLERANCE_M, TraceError, View, centimetres, number
from pipeline.site.layout import Layout, RoundsForm
from pipeline.site.mistakes import one_of, unknown_tube
from pipeline.site.models import Site
from pipeline.store.description import site_of, stored_files
from pipeline.units import conversion
from pipeline.variables import VARIABLES

_VALUES = ("calibrated_water_content", "random_error", "systematic_error")
_SAME = ("time_s", "tube", "reader", "direction_deg", "depth_m", "quantity")
_REASONS = {
    OUTSIDE_PROBE: "the reading lies outside the range of the probe's law",
    OUTSIDE_SOIL: "the root permittivity lies outside the range of the soil's law",
    NO_LAW: "no law held for it: volts need a reader that is a probe of a law, and a horizon",
    IMPOSSIBLE: "it is water content that no soil can hold (gross_fail of [qc])",
}


@dataclass(frozen=True)
class Asked:
    """Which hand reading is meant: the one nearest in time, of a direction if one is given."""

    tube: str
    depth_m: float
    at_s: int
    direction_deg: float | None = None


def trace_hand(view: View, asked: Asked) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the cell and the trace of a hand reading, JSON-ready.

    Water content is made from what was written down by the description of the state, as in
    what is delivered of it.

    Returns
    -------
    (dict, dict)
        Which reading was found; and ``value``, ``reading`` (its round, reader and repeat),
        ``signal`` (as written down and canonical), ``calibration``, ``file``, ``line``,
        ``alike`` (the other readings of the round at this depth, each with its line),
        ``superseded`` and ``why_missing``.

    Raises
    ------
    TraceError
        If there is no such reading; it says which there are.
    """
    files = stored_files(view.snapshot)
    site = site_of(files, view.site) if files else view.site
    rows = _at_place(view, site, asked)
    nearest = rows.iloc[int((rows["time_s"] - asked.at_s).abs().argmin())]
    alike = rows[rows["round"] == nearest["round"]].drop(index=nearest.name)
    row, others = _plain(nearest), [_plain(other) for _, other in alike.iterrows()]
    cell = {
        "tube": row["tube"],
        "nominal_depth_m": row["depth_m"],
        "real_depth_m": row["sensor_depth_m"],
        "direction_deg": row["direction_deg"],
        "time": iso_utc(row["time_s"]),
        "asked_off_by_s": asked.at_s - row["time_s"],
    }
    why = [said for bit, said in _REASONS.items() if row["outside_calibration"] & bit]
    return cell, {
        "value": {name: row[name] for name in _VALUES} | {"units": "m3 m-3"},
        "reading": {name: row[name] for name in ("round", "reader", "source", "repeat")},
        **_written(view, site, row),
        "calibration": _laws(view, site, row),
        "alike": [_alike(view, other) for other in others],
        "superseded": _superseded(view, row),
        "why_missing": "; ".join(why) or None,
    }


def _at_place(view: View, site: Site, asked: Asked) -> pd.DataFrame:
    """Return the hand readings at a place, within a day of the time asked for."""
    table = view.snapshot.table("rounds")
    tubes = sorted(set([] if table is None else table["tube"].to_pylist()))
    if table is None or asked.tube not in tubes:
        raise TraceError(unknown_tube(view.site.id, asked.tube, tubes))
    rows = hand_readings(table.to_pandas(), site)
    rows = rows[rows["tube"] == asked.tube]
    apart = (rows[["depth_m", "sensor_depth_m"]] - asked.depth_m).abs().min(axis=1)
    if not (apart <= DEPTH_TOLERANCE_M + 1e-9).any():
        known = ", ".join(centimetres(depth) for depth in sorted(set(rows["depth_m"])))
        raise TraceError(
            f"tube {asked.tube!r}: found depth {centimetres(asked.depth_m)} cm; expected one "
            f"that was read by hand [cm]: {known}"
        )
    rows = rows[apart <= apart.min() + 1e-9]
    if asked.direction_deg is not None:
        there = rows["direction_deg"].dropna().unique().tolist()
        rows = rows[rows["direction_deg"] == asked.direction_deg]
        if rows.empty:
            shown = one_of([f"{direction:g}" for direction in sorted(there)])
            raise TraceError(
                f"tube {asked.tube!r}: found --direction {asked.direction_deg:g}; expected "
                f"{shown} [degrees]"
            )
    off = (rows["time_s"] - asked.at_s).abs()
    if off.min() > DAY_S:
        raise TraceError(
            f"tube {asked.tube!r}: found no hand reading within a day of "
            f"{iso_utc(asked.at_s)}; the nearest is of "
            f"{iso_utc(int(rows['time_s'].iloc[int(off.argmin())]))}"
        )
    return rows


def _plain(row: pd.Series) -> Row:
    """Return a row with the numbers as JSON takes them."""
    return {str(name): _plain_value(value) for name, value in row.items()}


def _written(view: View, site: Site, row: Row) -> dict[str, object]:
    """Return the signal as written down, and the file and line of it."""
    source = next((s for s in site.sources if s.id == row["source"]), None)
    sought = None if source is None else _sought(site.layouts[source.layout], row)
    raw = raw_of(view, row["file"], row["line"], sought)
    signal = {
        "quantity": row["quantity"],
        "value": row["value"],
        "units": VARIABLES[row["quantity"]].units,
        "as_logged": raw.pop("as_logged", None),
        "worked_back": None,
        "conversion": None,
    }
    if sought is not None:
        back = sought.proof.as_logged()
        signal["worked_back"] = {"value": back, "unit": sought.unit}
        signal["conversion"] = asdict(sought.proof.conversion)
    return {"signal": signal, "wiring": None, "clock": None, **raw}


def _sought(layout: Layout, row: Row) -> Sought:
    """Return the number to be found in the line, in the column named by its depth."""
    form, depth = layout.rounds or RoundsForm(), centimetres(row["depth_m"])
    proof = Proof(np.float32(row["value"]), conversion(form.unit, form.quantity))
    return Sought((depth, f"{depth} cm"), proof, form.unit)


def _laws(view: View, site: Site, row: Row) -> dict[str, object]:
    """Return the laws that water content was made by."""
    place = (row["tube"], row["depth_m"])
    period = period_at(round_periods(site, *place, row["reader"]), row["time_s"])
    soil, is_water = period.soil, row["quantity"] == "water_content"
    if soil is not None and (soil.form == AS_LOGGED) != is_water:
        soil = None  # water content that was read is taken as it is, and only that can be
    probe = period.probe if row["quantity"] == "voltage" else None
    return {
        **place_of_laws(site, site.tube_by_id[row["tube"]], row["depth_m"]),
        "probe_law": law_told(view, law_state(probe, None), "probe"),
        "soil_law": law_told(view, law_state(soil, period.horizon), "soil"),
        "sensor_noise": dict(site.sensor_noise),
    }


def _alike(view: View, row: Row) -> dict[str, object]:
    return {
        "time": iso_utc(row["time_s"]),
        "direction_deg": row["direction_deg"],
        "repeat": row["repeat"],
        "quantity": row["quantity"],
        "value": row["value"],
        "calibrated_water_content": row["calibrated_water_content"],
        **raw_of(view, row["file"], row["line"]),
    }


def _superseded(view: View, row: Row) -> list[dict[str, object]]:
    """Return what earlier revisions of the book said of the same reading."""
    table = view.snapshot.table("rounds_superseded")
    found = []
    for other in () if table is None else table.to_pylist():
        if all(_plain_value(other[name]) == row[name] for name in _SAME):
            entry = view.entry(other["file"])
            found.append(
                {
                    "value": other["value"],
                    "path": entry.path if entry else None,
                    "revision": entry.revision if entry else None,
                    "line": other["line"],
                    "lost_because": "a later revision of the book says otherwise",
                }
            )
    return found


def _plain_value(value: object) -> object:
    return value if isinstance(value, str) else number(value)
