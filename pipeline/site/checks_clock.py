"""What looks wrong with the checks of clocks that visits made."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from pipeline.errors import Problem
from pipeline.site.clock_checks import VISIT_S, clock_visits, seconds_of
from pipeline.site.models import Site

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
