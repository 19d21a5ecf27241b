"""What looks wrong with the dates of a loaded site: their order, and the site's own time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

from pipeline.errors import Problem
from pipeline.site.cross_wiring import EVER, NEVER, period
from pipeline.site.models import Law, Site, Visit
from pipeline.site.values import stated_instant

# A tube is described on the day after it was pulled, and set on the day before it is entered.
_TOLERANCE = timedelta(days=1)
# What the clocks of the person who notes and of this machine may differ by.
_CLOCKS = timedelta(hours=1)


def late_versions(site: Site) -> Iterator[Problem]:
    """Name law versions that come into force before the version they follow.

    Of the versions of a law a reading takes the highest in force, so that the older version
    of the two never holds.
    """
    versions: dict[str, list[Law]] = defaultdict(list)
    for law in site.laws:
        versions[law.id].append(law)
    place = {id(law): number for number, law in enumerate(site.laws)}
    for laws in versions.values():
        ordered = sorted(laws, key=lambda law: law.version)
        for older, newer in pairwise(ordered):
            if (newer.effective or EVER) <= (older.effective or EVER):
                found = (
                    f"version {newer.version} of {newer.id!r} in force {_since(newer, site)}"
                )
                expected = (
                    f"a time after version {older.version}, which is {_since(older, site)}"
                )
                advice = f"As it stands version {older.version} is never used; set 'from'."
                key = f"key law.{place[id(newer)]}.from"
                yield Problem("calibrations.toml", key, found, expected, advice)


def _since(law: Law, site: Site) -> str:
    return f"from {shown(law.effective, site)} on" if law.effective else "since ever"


def outside_the_site(site: Site) -> Iterator[Problem]:
    """Name tubes and wires that ended before the site's time axis begins."""
    expected = f"an end after the site's start ({shown(site.start, site)})"
    advice = "Its readings are set aside; set 'start' of [site] earlier, or look at the date."
    for tube in site.tubes:
        if tube.removed and tube.removed <= site.start:
            found = f"tube {tube.tube!r} removed on {shown(tube.removed, site)}"
            place = f"line {tube.row}, column removed"
            yield Problem("tubes.csv", place, found, expected, advice)
    for wire in site.wiring:
        if wire.until and wire.until <= site.start:
            found = f"a wiring until {shown(wire.until, site)}"
            place = f"line {wire.row}, column until"
            yield Problem("wiring.csv", place, found, expected, advice)


def misdated_visits(site: Site) -> Iterator[Problem]:
    """Name visits to tubes that were not in the ground, and visits before there was a site."""
    for visit in site.visits:
        place = f"line {visit.row}, column time"
        found = f"{visit.action!r} on {shown(visit.time, site)}"
        tube = site.tube_by_id.get(visit.tube)
        if tube is not None:
            first, last = tube.installed, tube.removed or NEVER
            if visit.time < first - _TOLERANCE or visit.time - _TOLERANCE > last:
                until = shown(tube.removed, site) if tube.removed else "now"
                expected = f"a time while tube {tube.tube!r} was in the ground"
                advice = f"It was from {shown(first, site)} until {until} (tubes.csv)."
                yield Problem("visits.csv", place, found, expected, advice)
        elif visit.time < site.start and visit.action != "installation":
            expected = f"a time after the site's start ({shown(site.start, site)})"
            advice = "Look at the year; readings before the start are set aside."
            yield Problem("visits.csv", place, found, expected, advice)


def in_the_future(site: Site, now: datetime) -> Iterator[Problem]:
    """Name what is said of times to come: visits, decisions, tubes, the site's start."""
    ahead = now + _CLOCKS
    expected = f"a time until now ({shown(now, site)})"
    if site.start > ahead:
        found = f"a start in the future, {shown(site.start, site)}"
        advice = "Look at the year; readings before the start are set aside."
        yield Problem("site.toml", "key site.start", found, expected, advice)
    advice = "Look at the year, at day and month, and at this machine's clock."
    for tube in site.tubes:
        if tube.installed > ahead and site.start <= ahead:
            found = (
                f"tube {tube.tube!r} installed in the future, on {shown(tube.installed, site)}"
            )
            place = f"line {tube.row}, column installed"
            yield Problem(
                "tubes.csv",
                place,
                found,
                expected,
                f"If it is still to be set, all is well. {advice}",
            )
    for visit in site.visits:
        if visit.time > ahead:
            place = f"line {visit.row}, column time"
            found = f"{visit.action!r} in the future, on {shown(visit.time, site)}"
            yield Problem("visits.csv", place, found, expected, advice)
    for decision in site.decisions:
        if decision.start > ahead:
            found = f"{decision.verdict!r} from {shown(decision.start, site)}, in the future"
            place = f"line {decision.row}, column from"
            yield Problem("decisions.csv", place, found, expected, advice)


def swaps_and_wiring(site: Site) -> Iterator[Problem]:
    """Name swaps of a tube's probe that no row of the wiring follows, and the reverse."""
    for visit in site.visits:
        if visit.action == "swap" and visit.tube and not _wiring_follows(site, visit):
            place = f"line {visit.row}, column action"
            found = f"a swap at tube {visit.tube!r} on {shown(visit.time, site)}"
            expected = "rows of the tube in wiring.csv that begin then"
            advice = (
                "End the old probe's rows with 'until' and add one below each; if only a "
                "logger was exchanged, name the source and not the tube."
            )
            yield Problem("visits.csv", place, found, expected, advice)


def _wiring_follows(site: Site, visit: Visit) -> bool:
    """Tell whether some wire of the tube begins or ends within a day of the visit."""
    ends = (
        end
        for wire in site.wiring
        if wire.tube == visit.tube
        for end in period(wire, site.tube_by_id.get(wire.tube))
    )
    return any(abs(end - visit.time) <= _TOLERANCE for end in ends if end not in (EVER, NEVER))


def fine_sources(site: Site) -> Iterator[Problem]:
    """Name sources said to log more often than the site's axis has steps."""
    for number, source in enumerate(site.sources):
        if source.interval_s is not None and source.interval_s < site.interval_s:
            found = f"{seconds(source.interval_s)}, less than the site's step"
            expected = f"{seconds(site.interval_s)} or more"
            advice = (
                "Of the readings within one step only one is kept, also of rain; the others "
                f"count as superseded; set interval = "
                f"{seconds(source.interval_s)!r} in [site]."
            )
            place = f"key source.{number}.interval"
            yield Problem("site.toml", place, found, expected, advice)


def shown(instant: datetime | None, site: Site) -> str:
    """Return an instant as people read it in messages, in a site's standard time."""
    return stated_instant(instant, site.utc_offset_s) if instant else "now"


def seconds(length_s: float) -> str:
    """Return a length of time as it is written in site.toml: ``15 min``."""
    for unit, size in (("d", 86_400), ("h", 3600), ("min", 60)):
        if length_s >= size and length_s % size == 0:
            return f"{length_s / size:g} {unit}"
    return f"{length_s:g} s"
