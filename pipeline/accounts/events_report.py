"""What ``percolog events`` tells: the wetting events of a site's tubes, as last committed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NotRequired, TypedDict

import pyarrow as pa

from pipeline.axis import iso_minute, second_of, with_instants
from pipeline.console import table
from pipeline.derive.drained_hours import BELOW, HERE
from pipeline.errors import PercologError, StoreError
from pipeline.outcomes import Failure
from pipeline.products.event_store import gain_error_mm
from pipeline.site.mistakes import unknown_tube
from pipeline.site.models import Site
from pipeline.store.opened import Opened, open_state
from pipeline.store.state import Snapshot

CAUTION = (
    "Drainage is an estimate with the uncertainty stated. What it means for leaching, "
    "irrigation or the stability of slopes is for local practice to say."
)


class EventsError(PercologError, LookupError):
    """What is asked for is not in the state; the message says what to do."""


class EventsAccount(TypedDict):
    """The events of a site: rows of the store's tables, with instants as text too."""

    site: str
    outcome: str
    commit: str
    events: list[dict[str, Any]]
    event_depths: list[dict[str, Any]]
    conductivity: list[dict[str, Any]]
    removed: list[str]  # tubes no longer in the ground
    caution: str
    pictures: NotRequired[list[str]]  # paths; where they were asked for
    failures: NotRequired[list[Failure]]  # not drawn, or the description is wrong


def events_report(folder: Path, tube: str = "") -> EventsAccount:
    """Return the events of a site, JSON-ready.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    tube : str
        Only this tube.

    Raises
    ------
    SiteError, StoreError
    EventsError
        If no night has sought events yet, or there is no such tube.
    """
    opened, stored = stored_events(folder, tube)
    rows: dict[str, list[dict[str, Any]]] = {}
    for name, found in stored.items():
        shown = found.drop_columns([c for c in (*HERE, *BELOW) if c in found.column_names])
        rows[name] = [_plain(row) for row in shown.to_pylist() if tube in ("", row["tube"])]
    return {
        "site": opened.site.id,
        "outcome": opened.outcome(),
        "commit": opened.snapshot.commit_id,
        "events": rows["events"],
        "event_depths": rows["event_depths"],
        "conductivity": rows["conductivity"],
        "removed": _removed(opened.site, opened.snapshot),
        "caution": CAUTION,
        **opened.told(),
    }


def stored_events(folder: Path, tube: str = "") -> tuple[Opened, dict[str, pa.Table]]:
    """Return a site with its state, and its tables of events; errors as `events_report`."""
    opened = open_state(folder)
    site, snapshot = opened.site, opened.snapshot
    if tube and tube not in site.tube_by_id:
        raise EventsError(unknown_tube(site.id, tube, site.tube_by_id))
    tables = {}
    for name in ("events", "event_depths", "conductivity"):
        found = snapshot.table(name)
        if found is None:
            raise StoreError(
                f"{site.id}: found no table of {name} in the store; run percolog night"
            )
        tables[name] = found
    return opened, tables


def _removed(site: Site, snapshot: Snapshot) -> list[str]:
    """Return the tubes that were taken out: no event of theirs goes on."""
    end_s = snapshot.axis.origin_s + snapshot.steps * snapshot.axis.interval_s
    return [tube.tube for tube in site.tubes if second_of(tube.removed, math.inf) <= end_s]


def events_text(account: EventsAccount) -> str:
    """Return the table a person reads."""
    head = ["event", "onset", "reached cm", "gain mm", "rain mm", "rest mm", "drained mm"]
    head += ["by K mm", "until", "doubts"]
    rows = [
        [
            row["event"],
            iso_minute(row["onset_s"]),
            round(100 * row["depth_reached_m"]),
            _pair(row, "gain_mm", "gain_error_mm"),
            _number(row["rain_mm"]),
            _pair(row, "remainder_mm", "remainder_error_mm"),
            _pair(row, "drainage_mm", "drainage_error_mm"),
            _pair(row, "gradient_drainage_mm", "gradient_drainage_error_mm")
            + (" (texture)" if row["gradient_from"] == "texture" else ""),
            _until(row, account["removed"]),
            row["doubts"] or "-",
        ]
        for row in account["events"]
    ]
    lines = ["no wetting event found"]
    if rows:
        lines = [
            table(head, rows),
            "±: one standard uncertainty. onset and until: UTC. rest: rain less gain. by K: "
            "drained by conductivity alone.",
        ]
    return "\n".join([*lines, "", account["caution"]])


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row without NaN, which JSON does not know; with one error of the gain."""
    clean = {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in row.items()
    }
    if "gain_mm" in clean:
        clean["gain_error_mm"] = gain_error_mm(clean)
    return with_instants(clean)


def _until(row: Mapping[str, Any], removed: list[str]) -> str:
    if not row["open"]:
        return iso_minute(row["end_s"])
    return "tube out" if row["tube"] in removed else "open"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _pair(row: Mapping[str, Any], name: str, error: str) -> str:
    if row[name] is None:
        return "-"
    return f"{row[name]:.1f} ± {_number(row[error])}"
