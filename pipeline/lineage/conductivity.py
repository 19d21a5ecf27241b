"""The trace of conductivity in the field: the nights of a class of water content."""

from __future__ import annotations

from pipeline.deliver.row_fields import CONDUCTIVITY
from pipeline.derive.conductivity import CLASS_WIDTH, class_of
from pipeline.lineage.drainage import nights_and_end, nights_group
from pipeline.lineage.rows import Derivation, field_of, row_account, rows_where
from pipeline.lineage.view import Sensor, TraceError, View
from pipeline.products.events import tube_events_anew

_LAW = (
    "least squares fit of laws, with one offset for all sensors of the tube, to the nights "
    "that count (docs/events.md)"
)
_FIELDS = tuple(field for field in CONDUCTIVITY if field.source != "real_depth_m")
_HOW = {
    "conductivity_mm_d": "mean over the nights of the class of the rate past the sensor, less "
    "what all sensors lose in common",
    "water_content": "mean over the nights of the class",
    "nights": "count of the nights of the class that have a rate",
    **dict.fromkeys(("intercept", "slope", "offset_mm_d", "scatter_mm_d"), _LAW),
}


def trace_conductivity(
    view: View, sensor: Sensor, water: float | None, name: str
) -> dict[str, object]:
    """Return the trace of a number of a class of conductivity, JSON-ready.

    Parameters
    ----------
    view : View
    sensor : Sensor
    water : float or None
        Water content [m3 m-3] whose class is meant; None: the class with the most nights.
    name : str
        Of the number, "" for the conductivity.

    Raises
    ------
    TraceError
        If the sensor has no such class, or there is no such number.
    """
    told = field_of(_FIELDS, name, "conductivity_mm_d")
    tube, depth_m = sensor.tube.tube, sensor.nominal_m
    rows = rows_where(view.snapshot.table("conductivity"), tube=tube, depth_m=depth_m)
    if water is None:
        row = max(rows, key=lambda r: int(r["nights"]), default=None)
    else:
        row = next((r for r in rows if _class(r["water_content"]) == _class(water)), None)
    if row is None:
        known = ", ".join(f"{r['water_content']:.4f}" for r in rows) or "none"
        raise TraceError(
            f"{tube}: found no class of conductivity of {CLASS_WIDTH} m3 m-3 for --water "
            f"{water}; the sensor has classes with means at {known}"
        )
    nights, until_s = nights_and_end(view, tube, depth_m)
    nights = [r for r in nights if r["day_s"] < until_s]
    number = _class(row["water_content"])
    mine = [r for r in nights if _class(r["night_water_content"]) == number]
    made = tube_events_anew(view.snapshot, view.site, tube)["conductivity"]
    key = {"depth_m": depth_m, "water_content": row["water_content"]}
    found = Derivation(
        _HOW.get(told.source, "scatter and stated error of the nights (docs/events.md)"),
        [
            nights_group(view, mine, "nights of the class, what is common not taken off"),
            nights_group(view, nights, "nights at the sensor that the law is fitted to"),
        ],
        next(iter(rows_where(made, **key)), None),
        f"all readings of tube {tube} on {view.snapshot.days} days",
    )
    return row_account(view, "events", told, row, found)


def _class(water_content: float) -> int:
    return int(class_of(water_content))
