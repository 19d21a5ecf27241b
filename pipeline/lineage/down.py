"""From what a trace rests on down to one raw line: the first or decisive cell of it."""

from __future__ import annotations

from typing import Any

from pipeline.lineage.daily import trace_daily_rain, trace_daily_storage, trace_daily_water
from pipeline.lineage.products import trace_rain, trace_storage
from pipeline.lineage.rows import instant_of
from pipeline.lineage.view import CELL_VALUES, View
from pipeline.lineage.water import trace_water


def raw_line(view: View, ask: dict[str, Any]) -> dict[str, Any]:
    """Lead a cell down to a raw line, by way of the first cell that it rests on.

    Parameters
    ----------
    view : View
    ask : dict
        What would be asked for the trace of the cell: ``product``, ``tube``, ``time``, and
        ``depth_cm`` or ``layer``.

    Returns
    -------
    dict
        ``path`` (the cells on the way, each with ``product``, ``at``, ``value`` and
        ``agrees``); and, where there is a reading, ``file``, ``line`` (as of
        `pipeline.lineage.origin.trace_reading`), ``signal``, ``wiring``, ``laws`` (with
        version) and ``quality``; else ``why_missing``.
    """
    path: list[dict[str, object]] = []
    while True:
        account = _traced(view, ask)
        value = account["value"][CELL_VALUES[ask["product"]]]
        path.append({**ask, "value": value, "agrees": account.get("agrees", True)})
        below = _below(account, ask)
        if below is None:
            return {"path": path, **_origin(account)}
        ask = below


def _traced(view: View, ask: dict[str, Any]) -> dict[str, Any]:
    moment = view.moment(instant_of(ask["time"]))
    if ask["product"] == "rain":
        return trace_rain(view, ask["tube"], moment)
    if ask["product"] == "daily_rain":
        return trace_daily_rain(view, ask["tube"], moment)
    tube = view.tube(ask["tube"])
    if "layer" in ask:
        of_layer = trace_storage if ask["product"] == "storage" else trace_daily_storage
        return of_layer(view, tube, ask["layer"], moment)
    sensor = view.sensor(tube, ask["depth_cm"] / 100)
    of_sensor = trace_water if ask["product"] == "water" else trace_daily_water
    return of_sensor(view, sensor, moment)


def _below(account: dict[str, Any], ask: dict[str, Any]) -> dict[str, Any] | None:
    """Return the first cell that a cell rests on; None of one that is a reading."""
    if account.get("steps"):  # of a day
        return {**account["trace"], "time": account["steps"][0]["time"]}
    if account.get("cells"):  # of a layer
        found: dict[str, object] = account["cells"][0]["trace"]
        return found
    return None


def _origin(account: dict[str, Any]) -> dict[str, Any]:
    """Return the reading's part of a trace."""
    if "file" not in account:
        return {"why_missing": account["why_missing"] or "there is no reading"}
    laws = account.get("calibration") or {}
    told = {
        key: {name: laws[key][name] for name in ("id", "version")}
        for key in ("probe_law", "soil_law")
        if laws.get(key)
    }
    names = ("file", "line", "signal", "wiring", "quality")
    return {name: account.get(name) for name in names} | {"laws": told}
