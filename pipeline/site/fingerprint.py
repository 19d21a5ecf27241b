"""Hashes of what the site description decides; remarks for people are left out."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import Any

from pipeline.site.clock_checks import clock_checks
from pipeline.site.models import Site, Source, Wire

# Where things lie on this machine, rows' places in a table, and remarks for people. Named one
# by one, because a tube or a coefficient may itself be called "note" or "row".
_NOT_HASHED: dict[str, Any] = {
    **dict.fromkeys(("folder", "data", "store", "output", "keep", "alerts"), True),
    "sources": {"__all__": {"note", "archived_before"}},
    "tubes": {"__all__": {"row", "note"}},
    "wiring": {"__all__": {"row"}},
    "visits": {"__all__": {"row", "note"}},
    "corrections": True,
    "qc": {"why"},
    "qc_overrides": {"__all__": {"why"}},
    "decisions": {"__all__": {"row", "why", "who"}},
}


def site_hash(site: Site) -> str:
    """Return the SHA-256 of the effective site description, in hexadecimal digits.

    The same for the same description on every machine and in whatever order the rows of its
    tables are written. The order of sources, layers and overrides has a meaning and counts.
    """
    content = site.model_dump(mode="json", exclude=_NOT_HASHED)
    for table in ("tubes", "wiring", "laws", "visits"):
        content[table] = sorted(content[table], key=_canonical)
    # Of two checks of a clock at the same instant the lower row is the later one.
    content["clocks"] = {source.id: _clock_checks(site, source.id) for source in site.sources}
    return _digest(content)


def source_fingerprint(site: Site, source_id: str) -> str:
    """Return the SHA-256 of everything that decides how a source's files become readings.

    A file need not be read again while its bytes and this stay the same: the source with its
    clock and the visits' checks of it, its layout, its wiring, the site's first day, interval
    and offset, and when the tubes it can reach were in the ground.

    Raises
    ------
    KeyError
        If the site has no such source.
    """
    wires = [wire for wire in site.wiring if wire.source == source_id]
    tubes = _installed(site, None if _source(site, source_id).kind == "rounds" else wires)
    return _digest(_content(site, source_id, [_plain(wire) for wire in wires], tubes))


def placing_fingerprint(site: Site, source_id: str, span_s: tuple[int, int]) -> str:
    """Return a hash of what decides where a source's readings of a span of time are placed.

    As `source_fingerprint`, but of wiring and tubes only what concerns the span (first and
    last reading, UTC seconds): a row that is corrected elsewhere does not touch a file. Which
    probe hangs at a channel does not decide where its readings go.
    """
    wires = [
        {
            **wire.model_dump(mode="json", exclude={"row", "probe"}),
            "start": _within(wire.start, span_s) or "before",
            "until": _within(wire.until, span_s) or "after",
        }
        for wire in site.wiring
        if wire.source == source_id and _concerns(wire.start, wire.until, span_s)
    ]
    tubes = {
        name: [
            _within(site.tube_by_id[name].installed, span_s),
            _within(site.tube_by_id[name].removed, span_s) or "after",
        ]
        for name in sorted({wire["tube"] for wire in wires if wire["tube"]})
    }
    content = _content(site, source_id, wires, tubes)
    del content["source"]["files"]  # which files there are, not what is in them
    return _digest(content)


def _concerns(start: datetime | None, until: datetime | None, span_s: tuple[int, int]) -> bool:
    begins = start is None or start.timestamp() <= span_s[1]
    return begins and (until is None or until.timestamp() > span_s[0])


def _within(edge: datetime | None, span_s: tuple[int, int]) -> float | str | None:
    """Return an edge if readings of the span lie on both sides of it, else on which side."""
    if edge is None:
        return None
    at = edge.timestamp()
    if at <= span_s[0]:
        return "before"
    return "after" if at > span_s[1] else at


def _source(site: Site, source_id: str) -> Source:
    return {source.id: source for source in site.sources}[source_id]


def _content(
    site: Site, source_id: str, wires: list[dict[str, Any]], tubes: dict[str, Any]
) -> dict[str, Any]:
    """Return all that a fingerprint of a source is made of."""
    source = _source(site, source_id)
    layout = site.layouts[source.layout].model_dump(mode="json", exclude={"title"})
    checks = _clock_checks(site, source_id)
    content: dict[str, object] = {
        "source": source.model_dump(mode="json", exclude={"note", "archived_before"}),
        "clock_checks": checks,
        "layout": layout,
        "wiring": sorted(wires, key=_canonical),
        "site": site.model_dump(mode="json", include={"start", "interval_s", "utc_offset_s"}),
        "tubes": tubes,
    }
    if checks and source.clock.stamp == "start":  # placed otherwise once: read once more
        content["checked_at"] = "end of interval"
    return content


def _clock_checks(site: Site, source_id: str) -> list[tuple[int, float]]:
    return [(check.true_s, check.offset_s) for check in clock_checks(site, source_id)]


def _installed(site: Site, wires: list[Wire] | None) -> dict[str, object]:
    """Return when the wired tubes (None: all, as rounds may name any) were in the ground."""
    reached = None if wires is None else {wire.tube for wire in wires}
    return {
        tube.tube: tube.model_dump(mode="json", include={"installed", "removed"})
        for tube in site.tubes
        if reached is None or tube.tube in reached
    }


def _plain(wire: Wire) -> dict[str, object]:
    return wire.model_dump(mode="json", exclude={"row"})


def _canonical(value: object) -> str:
    """Return JSON that is the same wherever it is made; floats are their shortest digits."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _digest(content: object) -> str:
    return hashlib.sha256(_canonical(content).encode()).hexdigest()
