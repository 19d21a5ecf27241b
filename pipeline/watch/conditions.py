"""What is amiss at a site after a night, as conditions that begin and end."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import pyarrow.compute as pc

from pipeline.axis import iso_utc
from pipeline.site.models import Site, Source
from pipeline.words import first_line, needs_look, span_of_hours, told_refusal_in_file

if TYPE_CHECKING:  # the store's library, which a night that failed does not need
    from pipeline.errors import SetAside
    from pipeline.nights.documents import NightAccount
    from pipeline.products.verdicts import VerdictRow
    from pipeline.store.state import Snapshot

_DAY_S = 86_400
_HOUR_S = 3600
# The highest supply is sought over a week, as the quality test does (`pipeline.qc.spans`).
_WEEK_S = 7 * _DAY_S
_LONGEST = 300  # characters of evidence; the summary has the rest

SUPPLY_ADVICE = (
    "Charge or change the battery before the logger stops; look at charger or panel, fuse and "
    "plugs. Batteries give off gas and can burn a hand by short circuit: take the load off "
    "first, insulate tools, no flame; work on mains is for an electrician"
)
SILENT_ADVICE = (
    "Look whether its files still arrive (link, copy job, folder), then at supply, logger and "
    "its memory card; readings may still be on the logger: save them before any reset"
)
NIGHT_ADVICE = (
    "Run percolog night by hand and read what it says; the stored state before is whole, and "
    "the next good night takes up what this one missed"
)
FILE_ADVICE = "Look at the file with percolog sniff; nothing of it is lost"
_RANKS = {"use with care": 1, "do not use": 2}


class AlertRow(TypedDict):
    """A condition as documents tell it: see `Condition`."""

    key: str
    kind: str
    what: str
    since: str
    evidence: str
    advice: str
    lasting: bool


@dataclass(frozen=True)
class Condition:
    """One thing amiss.

    ``key`` says whether it is the same as one of the night before. What is not ``lasting``
    happened once: it is told and never "over".
    """

    key: str
    kind: str
    what: str
    since: str  # ISO 8601, UTC
    evidence: str
    advice: str
    lasting: bool = True

    def as_dict(self) -> AlertRow:
        """Return the condition as plain JSON-ready values."""
        return {
            "key": self.key,
            "kind": self.kind,
            "what": self.what,
            "since": self.since,
            "evidence": self.evidence,
            "advice": self.advice,
            "lasting": self.lasting,
        }


def find_conditions(
    site: Site, snapshot: Snapshot, summary: NightAccount, now: datetime
) -> list[Condition]:
    """Return what is amiss at a site whose store can be read, by its ``[alerts]``.

    Parameters
    ----------
    site : Site
        The description in force.
    snapshot : Snapshot
        The newest state.
    summary : NightAccount
        Of the night, as `pipeline.nights.parts.result_of` returns it.
    now : datetime
        The instant of the night.
    """
    wanted, now_s = site.alerts, now.timestamp()
    told = iso_utc(now_s)
    found: list[Condition] = []
    if wanted.silent:
        found += _silent(site, snapshot, now_s)
    if wanted.supply:
        found += _low_supply(site, snapshot)
    if wanted.tubes != "off":
        found += _bad_tubes(summary.get("verdicts", ()), _RANKS[wanted.tubes], told)
    if wanted.set_aside:
        found += _set_aside(
            summary.get("set_aside", ()), waiting_files(snapshot), iso_utc(now_s)
        )
    return found


def failed_parts(summary: NightAccount, now: datetime) -> list[Condition]:
    """Return one condition for each part of the night that failed."""
    return [
        Condition(
            f"night:{failure['part']}",
            "night",
            f"the night failed ({failure['part']})",
            iso_utc(now.timestamp()),
            _short(first_line(failure["error"])),
            NIGHT_ADVICE,
        )
        for failure in summary.get("failures", ())
    ]


def newest_readings(snapshot: Snapshot) -> dict[str, int]:
    """Return for each source the instant [s since 1970] of its newest reading."""
    table = snapshot.table("ledger")
    if table is None:
        return {}
    newest = table.group_by("source").aggregate([("last_s", "max")]).to_pylist()
    return {
        row["source"]: row["last_s_max"] for row in newest if row["last_s_max"] is not None
    }


def waiting_files(snapshot: Snapshot) -> set[str]:
    """Return the raw files of which nothing could be read yet."""
    table = snapshot.table("ledger")
    if table is None:
        return set()
    return set(table.filter(pc.equal(table["state"], "set aside"))["path"].to_pylist())


def due_since(site: Site, source: Source, now_s: float) -> float | None:
    """Return since when a source should log [s since 1970]; None if nothing is due of it.

    A book of hand rounds is never due, nor a logger whose wires have all ended.
    """
    if source.kind == "rounds":
        return None
    starts = []
    for wire in site.wiring:
        if wire.source != source.id:
            continue
        begin, end = wire.start, wire.until
        if wire.tube:
            tube = site.tube_by_id[wire.tube]
            begin, end = begin or tube.installed, end or tube.removed
        begin_s = max(site.start, begin or site.start).timestamp()
        if begin_s <= now_s and (end is None or end.timestamp() > now_s):
            starts.append(begin_s)
    return min(starts, default=None)


def _silent(site: Site, snapshot: Snapshot, now_s: float) -> Iterator[Condition]:
    newest = newest_readings(snapshot)
    for source in site.sources:
        due = due_since(site, source, now_s)
        if due is None:
            continue
        last = newest.get(source.id, due)
        hours = (now_s - last) / _HOUR_S
        if hours > site.alerts.silent_h:
            told = "newest reading" if source.id in newest else "no reading yet, wired"
            yield Condition(
                f"silent:{source.id}",
                "silent",
                f"logger {source.id} has been silent for {span_of_hours(hours)}",
                iso_utc(last),
                f"{told} {iso_utc(last)}; limit {site.alerts.silent_h:g} h (alerts.silent_h)",
                SILENT_ADVICE,
            )


def _low_supply(site: Site, snapshot: Snapshot) -> Iterator[Condition]:
    key, axis = "readings/supply_voltage", snapshot.axis
    if not snapshot.holds(key):
        return
    start = max(0, snapshot.steps - (_WEEK_S + _DAY_S) // axis.interval_s)
    volts = snapshot.read(key, start, snapshot.steps)
    times = axis.seconds(start, snapshot.steps)
    for at, station in enumerate(snapshot.labels["station"]):
        seen = np.flatnonzero(np.isfinite(volts[:, at]))
        if station not in site.stations or not len(seen):
            continue
        column, when = volts[seen, at], times[seen]
        limit, reason = _supply_limit(site, float(column[when > when[-1] - _WEEK_S].max()))
        lowest = float(column[when > when[-1] - _DAY_S].min())
        if lowest < limit:
            since = iso_utc(int(when[np.flatnonzero(column < limit)[0]]))
            yield Condition(
                f"supply:{station}",
                "supply",
                f"the supply of logger {station} is low",
                since,
                f"lowest {lowest:.2f} V in the 24 h to {iso_utc(int(when[-1]))}; "
                f"limit {limit:.2f} V ({reason})",
                SUPPLY_ADVICE,
            )


def _supply_limit(site: Site, highest: float) -> tuple[float, str]:
    """Return the voltage below which a supply is low, and by which setting."""
    if site.alerts.supply_low_v is not None:
        return site.alerts.supply_low_v, "alerts.supply_low_v"
    for name in ("supply_suspect_v", "supply_fail_v"):
        value = getattr(site.qc, name)
        if value is not None:
            return float(value), f"qc.{name}"
    return (site.qc.supply_part or 0.0) * highest, "qc.supply_part of the highest of a week"


def _bad_tubes(verdicts: Iterable[VerdictRow], least: int, now: str) -> Iterator[Condition]:
    for row in verdicts:
        # What a person has decided is no news to people, nor a tube that was taken out.
        if not needs_look(row):
            continue
        if _RANKS.get(row["verdict"] or "", 0) < least or row.get("decided_by"):
            continue
        yield Condition(
            f"tube:{row['tube']}:{row['verdict']}",
            "tube",
            f"tube {row['tube']}: {row['verdict']}",
            now,
            _short(row["reason"]),
            f"{row['action'] or 'See percolog tubes'}; percolog tubes shows the evidence. "
            "Until then decide nothing on irrigation or slopes by this tube",
        )


def _set_aside(rows: Iterable[SetAside], waiting: set[str], now: str) -> Iterator[Condition]:
    for row in rows:
        lasting = row["file"] in waiting
        lines = "has lines set aside" if row.get("reason") else "needs a look"
        what = "was set aside" if lasting else lines
        place = "" if lasting else f":{row['found'].partition(':')[0]}"
        yield Condition(
            f"file:{row['file']}{place}",
            "file",
            f"file {row['file']} {what}",
            now,
            _short(told_refusal_in_file(row)),
            row["advice"] or FILE_ADVICE,
            lasting,
        )


def _short(text: object) -> str:
    told = str(text)
    return told if len(told) <= _LONGEST else told[: _LONGEST - 3] + "..."
