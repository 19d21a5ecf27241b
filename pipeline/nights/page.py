"""The page of a night: what it tells, taken from the night's account and the state it made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, iso_utc
from pipeline.deliver.atomic import replacing
from pipeline.nights.documents import NightAccount
from pipeline.nights.handover import drawn_tubes
from pipeline.nights.periods import local_day
from pipeline.products.event_store import gain_error_mm
from pipeline.report.night_page import night_page
from pipeline.report.style import CM_PER_M
from pipeline.site.models import Site
from pipeline.store.state import Snapshot
from pipeline.words import (
    bounds_cm,
    counted,
    needs_look,
    told_absent,
    told_set_in,
    told_verdict,
)

LISTED = 100  # lines of one list; the summary has all
NEWEST_EVENTS = 12
WEEK = 7  # days over which a change of stored water is told
CAUTIONS = (
    "Flags are evidence, not verdicts: look at the pictures before a number leaves the house.",
    "Where numbers decide on irrigation, the stability of a slope or dam, leaching or "
    "drinking water, local codes and a licensed practitioner decide.",
    "Before going out: have buried cables and pipes located before augering, lift probes and "
    "batteries with care, and disconnect mains before opening a logger's box.",
)
_SITE_PICTURES = (
    ("site_water.png", "Stored water at all tubes, and rain"),
    ("site_map.png", "Water content at each depth, tubes at their coordinates"),
    ("site_section.png", "Water content down the slope, by depth and time"),
    ("site_stability.png", "Which tube stands for the site"),
)
_TUBE_PICTURES = (
    ("water", "Water content by depth and time"),
    ("storage", "Stored water with its 95 % interval"),
    ("health", "Evidence on the tube"),
)


def write_page(site: Site, snapshot: Snapshot, summary: NightAccount) -> Path:
    """Write the page of a night into the site's output; return its path."""
    path = site.output / "report.html"
    with replacing(path) as temporary:
        temporary.write_text(night_page(page_content(site, snapshot, summary)), "utf-8")
    return path


def page_content(site: Site, snapshot: Snapshot, summary: NightAccount) -> dict[str, object]:
    """Return what the page of a night tells, for `pipeline.report.night_page.night_page`.

    Parameters
    ----------
    site : Site
    snapshot : Snapshot
        The state that holds the night's result.
    summary : NightAccount
        As ``summary.json`` has it.
    """
    # Those that tonight did not draw show what they would if it had.
    pictures = {path.name for path in site.output.glob("pictures/*.png")}
    return {
        "site": site,
        "night": summary,
        "outcome": summary["outcome"],
        "failures": summary.get("failures", ()),
        "set_aside": _cut(summary["set_aside"]),
        "clocks": _cut(summary["clocks"]),
        "double_signals": _cut(summary["double_signals"]),
        "drift": summary.get("drift", ()),
        "absent": told_absent(summary),
        "layers": [
            {"name": layer.name, "bounds": bounds_cm(layer.top_m, layer.bottom_m)}
            for layer in site.derive.layers
        ],
        "days_shown": min(site.report.days, snapshot.days),
        "tubes": _tubes(site, snapshot, summary, pictures),
        "behind": _behind(site, summary),
        "events": _newest_events(site, snapshot),
        "pictures": [row for row in _SITE_PICTURES if row[0] in pictures],
        "files": _files(site),
        "cautions": CAUTIONS,
    }


def _cut(rows: Sequence[object]) -> dict[str, object]:
    return {"rows": rows[:LISTED], "more": max(0, len(rows) - LISTED)}


def _tubes(
    site: Site, snapshot: Snapshot, summary: NightAccount, pictures: set[str]
) -> list[dict[str, object]]:
    """Return what is told of each tube: its verdict, readings, newest day and pictures."""
    shares = {row["tube"]: row for row in summary["tubes"]}
    verdicts = {row["tube"]: row for row in summary["verdicts"]}
    newest = _newest_days(site, snapshot)
    drawn = {tube.tube for tube in drawn_tubes(site, snapshot)}
    rows = []
    for tube in site.tubes:
        share, verdict = shares[tube.tube], verdicts[tube.tube]
        rows.append(
            {
                "tube": tube,
                "depth_offset": told_set_in(tube.set_in_m),
                "shares": share,
                "verdict": {**verdict, "told": told_verdict(verdict)},
                "look": verdict["verdict"] is not None and needs_look(verdict),
                "newest": newest.get(tube.tube),
                "pictures": [
                    (f"{tube.tube}_{kind}.png", caption)
                    for kind, caption in _TUBE_PICTURES
                    if f"{tube.tube}_{kind}.png" in pictures and tube.tube in drawn
                ],
            }
        )
    return rows


def _behind(site: Site, summary: NightAccount) -> list[dict[str, object]]:
    """Return the tubes in the ground not read for a day and more, the longest first."""
    now = datetime.fromisoformat(summary["now"])
    found: dict[int, list[str]] = {}
    last = {row["tube"]: row["last_reading"] for row in summary["tubes"]}
    for tube in site.tubes:
        read = last[tube.tube]
        if read is None or (tube.removed is not None and tube.removed <= now):
            continue
        days = (now - datetime.fromisoformat(read)).days
        if days:
            found.setdefault(days, []).append(tube.tube)
    return [
        {"ago": f"{counted(days, 'day')} before", "tubes": found[days]}
        for days in sorted(found, reverse=True)
    ]


def _newest_days(site: Site, snapshot: Snapshot) -> dict[str, dict[str, Any]]:
    """Return, for each tube with any, the newest day with daily values, and its values.

    Stored water is told in mm with one standard uncertainty, and with the change since the
    same layer a week before; water content in m3 m-3 with the depth it was measured at in cm.
    """
    start = max(0, snapshot.days - site.report.days)
    if not snapshot.holds("daily/daily_storage") or start == snapshot.days:
        return {}
    water, stored = (
        _with_error(snapshot, start, name) for name in ("water_content", "storage")
    )
    found = {}
    for tube in site.tubes:
        place = snapshot.labels["tube"].index(tube.tube)
        known = np.isfinite(water.values[:, place]).any(axis=1)
        if known.any():
            day = int(np.flatnonzero(known)[-1])
            found[tube.tube] = {
                "day": f"{local_day(site, start + day):%Y-%m-%d}",
                "layers": _layers(site, snapshot, stored, (day, place)),
                "depths": _depths(site, snapshot, tube.tube, water, (day, place)),
            }
    return found


class _Daily(NamedTuple):
    """Daily values (day, tube, depth or layer) and their standard uncertainty."""

    values: Floats
    error: Floats


def _with_error(snapshot: Snapshot, start: int, what: str) -> _Daily:
    """Return the daily values of water content or storage from a day on."""
    parts = "daily_" if what == "water_content" else f"daily_{what}_"
    names = (f"daily_{what}", f"{parts}random_error", f"{parts}systematic_error")
    value, *errors = (
        snapshot.read(f"daily/{name}", start, snapshot.days).astype(np.float64)
        for name in names
    )
    return _Daily(value, np.hypot(*errors))


def _layers(
    site: Site, snapshot: Snapshot, stored: _Daily, cell: tuple[int, int]
) -> list[dict[str, float]]:
    """Return what each layer of the site holds on a day: mm, uncertainty, change in a week."""
    day, tube = cell
    rows = []
    for layer in site.derive.layers:
        at = (tube, snapshot.labels["layer"].index(layer.name))
        before = stored.values[(day - WEEK, *at)] if day >= WEEK else np.nan
        value = stored.values[(day, *at)]
        error = stored.error[(day, *at)]
        rows.append(
            {"mm": float(value), "error_mm": float(error), "change_mm": float(value - before)}
        )
    return rows


def _depths(
    site: Site, snapshot: Snapshot, tube: str, water: _Daily, cell: tuple[int, int]
) -> list[dict[str, float]]:
    """Return the mean water content of a day at each sensor of a tube, downwards."""
    nominal = snapshot.labels["depth"]
    rows = [
        {
            "depth_cm": CM_PER_M * site.sensor_depth_m(tube, depth),
            "water_content": float(water.values[(*cell, place)]),
            "error": float(water.error[(*cell, place)]),
        }
        for place, depth in enumerate(nominal)
        if np.isfinite(water.values[(*cell, place)])
    ]
    return sorted(rows, key=lambda row: row["depth_cm"])


def _newest_events(site: Site, snapshot: Snapshot) -> list[dict[str, object]]:
    """Return the newest wetting events of the days shown, the newest first."""
    stored = snapshot.table("events")
    if stored is None:
        return []
    first_s = site.axis.origin_s + max(0, snapshot.days - site.report.days) * DAY_S
    there = pc.is_in(stored["tube"], pa.array([tube.tube for tube in site.tubes], pa.string()))
    recent = stored.filter(pc.and_(there, pc.greater_equal(stored["onset_s"], first_s)))
    newest = recent.sort_by([("onset_s", "descending"), ("tube", "ascending")])
    return [
        {
            **row,
            "onset": iso_utc(row["onset_s"]),
            "reached_cm": CM_PER_M * row["depth_reached_m"],
            "gain_error_mm": gain_error_mm(row),
        }
        for row in newest.slice(0, NEWEST_EVENTS).to_pylist()
    ]


def _files(site: Site) -> list[dict[str, object]]:
    """Return the delivered files that lie in the output, by name, with their size."""
    found = [*site.output.glob("netcdf/*.nc"), *site.output.glob("tables/*.csv")]
    return [
        {
            "path": path.relative_to(site.output).parts,
            "kib": math.ceil(path.stat().st_size / 1024),
        }
        for path in sorted(found)
    ]
