"""What looks wrong with the checks of clocks that visits made."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise

from pipeline.errors import Problem
from pipeline.site.checks_dates import shown
from pipeline.site.clock_checks import (
    VISIT_S,
    ClockCheck,
    clock_checks,
    clock_visits,
    seconds_of,
)
from pipeline.site.models import Site, Wire

# A quartz clock drifts by less than a tenth of this [s s-1]; more is a clock that was set.
_FASTEST_DRIFT = 5e-4


def clocks_set_unseen(site: Site) -> Iterator[Problem]:
    """Name pairs of checks between which a clock would have drifted as none does."""
    for source in site.sources:
        for before, after in pairwise(clock_visits(site, source.id)):
            span_s = (after.time - before.time).total_seconds()
            change_s = seconds_of(after.value or 0.0, after.unit) - seconds_of(
                before.value or 0.0, before.unit
            )
            if span_s > VISIT_S and abs(change_s) > _FASTEST_DRIFT * span_s:
                yield Problem(
                    "visits.csv",
                    f"line {after.row}, column value",
                    f"a clock {change_s:+g} s off since the check in line {before.row}",
                    f"a drift of at most {_FASTEST_DRIFT * span_s:.0f} s in that time",
                    "If the clock was set, note it twice at that visit: as found and as left.",
                )


def clocks_left_behind(site: Site) -> Iterator[Problem]:
    """Name checks of a clock whose logger goes on under another source without one.

    A logger set to another interval is a source of its own from then on, and a check counts
    for one source: its error at the change is then not known, and nothing is corrected.
    """
    for source in site.sources:
        for before, since in _gone_on_from(site, source.id).items():
            seen = [v for v in clock_visits(site, before) if v.time <= since]
            known = [c for c in clock_checks(site, source.id) if not c.is_gross]
            last = clock_checks(site, before)[: len(seen)]
            if not seen or not _is_lost(last[-1], known, since):
                continue
            row = seen[-1]
            yield Problem(
                "visits.csv",
                f"line {row.row}, column source",
                f"the last check of the clock of {before!r}, and none of {source.id!r}, which "
                f"goes on at its channels from {shown(since, site)} on",
                f"a check of {source.id!r} at the time of this one, if it is the same logger",
                "A check counts for one source; write the row once more for the other.",
            )


def _is_lost(last: ClockCheck, known: list[ClockCheck], since: datetime) -> bool:
    """Tell whether what a check found would correct stamps from an instant on."""
    if last.is_gross or any(check.true_s <= since.timestamp() + VISIT_S for check in known):
        return False
    return bool(known) or last.offset_s != 0


def _gone_on_from(site: Site, source: str) -> dict[str, datetime]:
    """Return the sources at whose channels a source goes on, each with when it does."""
    layouts = {one.id: one.layout for one in site.sources}
    found: dict[str, datetime] = {}
    for wire in site.wiring:
        if wire.source != source or wire.start is None:
            continue
        for other in site.wiring:
            if _is_followed(other, wire) and layouts[other.source] == layouts[source]:
                found[other.source] = min(found.get(other.source, wire.start), wire.start)
    return found


def _is_followed(other: Wire, wire: Wire) -> bool:
    """Tell whether a wire ends where one of another source begins to measure the same."""
    same = ("channel", "tube", "depth_m", "quantity")
    return (
        other.source != wire.source
        and other.until is not None
        and other.until == wire.start
        and all(getattr(other, name) == getattr(wire, name) for name in same)
    )
