"""Verdicts and evidence on tubes as the store keeps them, ready for people and for JSON."""

from __future__ import annotations

from typing import Any

from pipeline.axis import iso_utc
from pipeline.qc.findings import Verdict
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

NOT_JUDGED = "not judged yet: run percolog night"


def verdict_rows(site: Site, snapshot: Snapshot) -> list[dict[str, Any]]:
    """Return the verdict on each tube of a site, JSON-ready.

    Returns
    -------
    list of dict
        ``tube``, ``verdict`` ("sound", "use with care", "do not use", or None before the first
        judgement), ``reason``, ``action``, ``found`` (the verdict without a person's),
        ``decided_by`` (empty: nobody), and how much was seen: ``days`` with values, ``storms``
        quickly answered, ``rounds`` in three directions.
    """
    stored = snapshot.table("tube_verdicts")
    known = {} if stored is None else {row["tube"]: row for row in stored.to_pylist()}
    rows = []
    for tube in site.tubes:
        row = known.get(tube.tube)
        if row is None:
            rows.append(
                {"tube": tube.tube, "verdict": None, "reason": NOT_JUDGED, "action": ""}
            )
            continue
        words = {name: Verdict(row[name]).text for name in ("verdict", "found")}
        rows.append({**row, **words})
    return rows


def evidence_rows(snapshot: Snapshot) -> list[dict[str, Any]]:
    """Return the evidence on all tubes, JSON-ready: depths in cm, instants in ISO 8601."""
    stored = snapshot.table("tube_health")
    rows = []
    for row in [] if stored is None else stored.to_pylist():
        depth, direction = row.pop("depth_m"), row.pop("direction_deg")
        ends = {name: iso_utc(row.pop(f"{name}_s")) for name in ("from", "until")}
        row["weight"] = Verdict(row["weight"]).text
        place = {"depth_cm": _number(depth, 100.0), "direction_deg": _number(direction, 1.0)}
        rows.append({**row, **place, **ends})
    return rows


def _number(value: float | None, times: float) -> float | None:
    # What is not known is NaN, and comes back from a table as None.
    return None if value is None or value != value else round(value * times, 4)
