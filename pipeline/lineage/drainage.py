"""What a drained amount rests on: nights, the hours after the peak, and the tube's laws."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.axis import iso_utc
from pipeline.derive.drained_hours import HERE
from pipeline.derive.tube_laws import ALL_NIGHTS_S, FLUX_COLUMNS
from pipeline.lineage.down import raw_line
from pipeline.lineage.event_case import Case
from pipeline.lineage.rows import Group, Row, item, rows_where, water_ask
from pipeline.lineage.view import View

_LAW = ("intercept", "slope", "offset_mm_d", "scatter_mm_d", "nights")


def drainage_groups(case: Case, row: Row, sensor: int) -> Iterator[Group]:
    """Yield what the drainage past a sensor rests on.

    Parameters
    ----------
    case : Case
    row : dict
        Of the stored table ``event_depths``.
    sensor : int
        Place of the sensor in the tube.
    """
    peak_s, end_s = row["storage_peak_s"], case.row["end_s"]
    if peak_s >= 0:
        yield case.peak(sensor, peak_s)
    yield from _hours(case, row)
    nights, until_s = nights_and_end(case.view, case.profile.tube, row["depth_m"])
    of_event = [r for r in nights if peak_s <= r["night_s"] < end_s] if peak_s >= 0 else []
    yield nights_group(case.view, of_event, "nights of the event")
    counted = [r for r in nights if r["day_s"] < until_s]
    yield nights_group(case.view, counted, "nights at the sensor that laws are fitted to")
    yield from _laws(case, row)


def _hours(case: Case, row: Row) -> Iterator[Group]:
    """Yield the means of the first two days, by which the law is followed."""
    items = [item(name, row[name]) for name in HERE if row[name] is not None]
    if items:
        yield Group("means of the hours after the peak, at the sensor", "m3 m-3", items)


def nights_and_end(view: View, tube: str, depth_m: float) -> tuple[list[Row], int]:
    """Return the nights of a sensor that have a rate, and before which day laws count them."""
    rows = rows_where(view.snapshot.table("uptake"), tube=tube, depth_m=depth_m)
    # A state of before they were stored fitted its laws to all nights.
    laws = rows_where(view.snapshot.table("drainage_laws"), tube=tube)
    until_s = laws[0]["until_s"] if laws else ALL_NIGHTS_S
    return [row for row in rows if row["night_drainage_mm_d"] is not None], until_s


def nights_group(view: View, rows: list[Row], what: str) -> Group:
    """Return rates of nights, the first and the last led to the reading in its middle.

    Each is a number of the table ``uptake``, whose trace shows the whole night.
    """
    items = [_night(row) for row in rows]
    for place in {0, len(items) - 1} if items else ():
        row = rows[place]
        at = iso_utc(row["night_s"])
        items[place]["origin"] = raw_line(view, water_ask(row["tube"], row["depth_m"], at))
    return Group(f"drainage by night, {what}", "mm d-1", items)


def _night(row: Row) -> dict[str, object]:
    """Return the rate of a night with what to ask for its trace."""
    at = iso_utc(row["day_s"])
    ask = water_ask(row["tube"], row["depth_m"], at, "uptake")
    return item(
        iso_utc(row["night_s"]),
        row["night_drainage_mm_d"],
        said=f"at {row['night_water_content']:.4f} m3 m-3",
        trace={**ask, "number": "night_drainage_mm_d"},
    )


def _laws(case: Case, row: Row) -> Iterator[Group]:
    """Yield the laws of the sensor as stored: of flux, and of conductivity alone."""
    sensor = {"tube": case.profile.tube, "depth_m": row["depth_m"]}
    laws = rows_where(case.view.snapshot.table("drainage_laws"), **sensor)
    if laws and laws[0][FLUX_COLUMNS[0]] is not None:
        yield Group(
            f"law of flux of {laws[0]['nights']:.0f} nights (docs/events.md)",
            "",
            [item(name, laws[0][name]) for name in FLUX_COLUMNS],
        )
    found = rows_where(case.view.snapshot.table("conductivity"), **sensor)
    if found:
        law: list[dict[str, object]] = [item(n, found[0][n]) for n in _LAW[:-1]]
        nights = sum(r["nights"] for r in found)
        yield Group(
            f"law of conductivity exp(intercept + slope x water content) of {nights} nights",
            "mm d-1",
            law,
        )
