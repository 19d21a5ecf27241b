"""Why a cell holds no reading: nothing in the ground, nothing wired, no file, or no value."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from pipeline.axis import iso_utc, second_of
from pipeline.lineage.origin import Place, wires_at
from pipeline.lineage.view import Moment, View, rows_of, utc_text
from pipeline.site.models import Tube, Wire

_SHOWN = 3


def why_no_reading(
    view: View, places: Sequence[Place], moment: Moment, tube: Tube | None
) -> str:
    """Return why a cell has no reading, in a sentence.

    Parameters
    ----------
    view : View
    places : sequence of Place
        The quantities that could have filled it.
    moment : Moment
    tube : Tube or None
        None for a station.
    """
    if tube is not None and not _in_ground(tube, moment.at_s):
        until = utc_text(tube.removed) or "now"
        return (
            f"tube {tube.tube!r} was not in the ground then: it was from "
            f"{utc_text(tube.installed)} until {until}"
        )
    wires = [wire for place in places for wire in wires_at(view, place, moment.at_s)]
    if not wires:
        return _never_or_not_then(view, places)
    return _nothing_logged(view, wires, moment)


def _in_ground(tube: Tube, at_s: int) -> bool:
    return tube.installed.timestamp() <= at_s < second_of(tube.removed, np.inf)


def _never_or_not_then(view: View, places: Sequence[Place]) -> str:
    """Say when a cell was wired, if ever."""
    keys = {(p.quantity, p.depth_m, p.label) for p in places}
    rows = [
        wire
        for wire in view.site.wiring
        if (wire.quantity, wire.depth_m, wire.source if wire.at_station else wire.tube) in keys
    ]
    if not rows:
        return "no row of wiring.csv leads to it: nothing was ever wired there"
    spans = "; ".join(f"line {wire.row} {_span(wire)}" for wire in rows[:_SHOWN])
    return f"nothing was wired there then; wiring.csv has {spans}"


def _span(wire: Wire) -> str:
    def told(instant: datetime | None, otherwise: str) -> str:
        return utc_text(instant) or otherwise

    return f"from {told(wire.start, 'ever')} until {told(wire.until, 'now')}"


def _nothing_logged(view: View, wires: list[Wire], moment: Moment) -> str:
    """Say which files cover the time, and what they set aside."""
    sources = list(dict.fromkeys(wire.source for wire in wires))
    named = ", ".join(repr(source) for source in sources)
    files = [row for source in sources for row in _files_around(view, source, moment.at_s)]
    if not files:
        return f"no reading: no file of source {named} covers {iso_utc(moment.at_s)}"
    interval = [s.interval_s for s in view.site.sources if s.id in sources and s.interval_s]
    slower = interval and min(interval) > view.site.interval_s
    shown = "; ".join(_told(row) for row in files[:_SHOWN])
    more = f" and {len(files) - _SHOWN} more" if len(files) > _SHOWN else ""
    hint = f" (source {named} logs every {min(interval)} s only)" if slower else ""
    return (
        f"no reading{hint}: of the files that cover the time none has a value: {shown}{more}"
    )


def _files_around(view: View, source: str, at_s: int) -> list[dict[str, object]]:
    """Return the accounts of a source's files whose readings begin before and end after."""
    table = view.ledger
    if table is None or table.num_rows == 0:
        return []
    half = view.site.interval_s
    first = np.array(table["first_s"].to_pylist(), dtype=np.float64)
    last = np.array(table["last_s"].to_pylist(), dtype=np.float64)
    covers = np.flatnonzero((first <= at_s + half) & (last >= at_s - half))
    return [row for row in rows_of(table, covers) if row["source"] == source]


def _told(row: dict[str, Any]) -> str:
    """Return a file with what was set aside of it, by reason."""
    counts: dict[str, int] = {}
    for reject in json.loads(row["rejects"]):
        count = max(1, reject["rows"] + reject["values"])
        counts[reject["reason"]] = counts.get(reject["reason"], 0) + count
    aside = ", ".join(f"{count} {reason}" for reason, count in sorted(counts.items()))
    return f"{row['path']!r}" + (f" (set aside of it: {aside})" if aside else "")
