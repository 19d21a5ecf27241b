"""Verdicts and evidence on tubes as the store keeps them, ready for people and for JSON."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import NotRequired, TypedDict, cast

from pipeline.axis import iso_utc
from pipeline.qc.findings import Verdict
from pipeline.site.models import Site, Tube
from pipeline.store.state import Snapshot
from pipeline.words import IN_GROUND, NOT_SET, TAKEN_OUT

NOT_JUDGED = "not judged yet: run percolog night"


class VerdictRow(TypedDict):
    """The verdict on a tube; before the first judgement without what it rests on."""

    tube: str
    verdict: str | None  # "sound", "use with care", "do not use"; None before the first
    reason: str
    action: str
    standing: NotRequired[str]  # "in the ground", "not set yet", "taken out"
    found: NotRequired[str]  # the verdict without a person's
    decided_by: NotRequired[str]  # person; empty: nobody
    days: NotRequired[int]  # with values
    storms: NotRequired[int]  # quickly answered
    rounds: NotRequired[int]  # in three directions


# Written so because "from" is a word of the language.
EvidenceRow = TypedDict(
    "EvidenceRow",
    {
        "tube": str,
        "kind": str,
        "events": int,
        "measure": float | None,  # in the unit; None where there is no number
        "threshold": float | None,
        "unit": str,
        "weight": str,  # verdict it speaks for
        "sentence": str,
        "action": str,
        "depth_cm": float | None,  # None where it is of none
        "direction_deg": float | None,
        "from": str,  # ISO 8601, UTC
        "until": str,
    },
)


def verdict_rows(
    site: Site, snapshot: Snapshot, now: datetime | None = None
) -> list[VerdictRow]:
    """Return the verdict on each tube of a site, JSON-ready.

    Parameters
    ----------
    site : Site
    snapshot : Snapshot
    now : datetime, optional
        When to tell whether a tube is in the ground; the present if left out. About one that
        is not, there is nothing to do.
    """
    at = now or datetime.now(UTC)
    stored = snapshot.table("tube_verdicts")
    known = {} if stored is None else {row["tube"]: row for row in stored.to_pylist()}
    rows: list[VerdictRow] = []
    for tube in site.tubes:
        row = known.get(tube.tube)
        standing = _standing(tube, at)
        if row is None or standing == NOT_SET:
            day = iso_utc(tube.installed.timestamp())
            reason = NOT_JUDGED if standing != NOT_SET else f"to be set at {day}"
            rows.append(
                {
                    "tube": tube.tube,
                    "verdict": None,
                    "reason": reason,
                    "action": "",
                    "standing": standing,
                }
            )
            continue
        words = {name: Verdict(row[name]).text for name in ("verdict", "found")}
        words["standing"] = standing
        if standing == TAKEN_OUT:
            words["action"] = ""
        rows.append(cast(VerdictRow, {**row, **words}))  # as the table has them
    return rows


def _standing(tube: Tube, at: datetime) -> str:
    if tube.installed > at:
        return NOT_SET
    return TAKEN_OUT if tube.removed is not None and tube.removed <= at else IN_GROUND


def evidence_rows(snapshot: Snapshot) -> list[EvidenceRow]:
    """Return the evidence on all tubes, JSON-ready."""
    stored = snapshot.table("tube_health")
    rows = []
    for row in [] if stored is None else stored.to_pylist():
        depth, direction = row.pop("depth_m"), row.pop("direction_deg")
        ends = {name: iso_utc(row.pop(f"{name}_s")) for name in ("from", "until")}
        row["weight"] = Verdict(row["weight"]).text
        place = {"depth_cm": _number(depth, 100.0), "direction_deg": _number(direction, 1.0)}
        rows.append(cast(EvidenceRow, {**row, **place, **ends}))
    return rows


def _number(value: float | None, times: float) -> float | None:
    # What is not known is NaN, and comes back from a table as None.
    return None if value is None or value != value else round(value * times, 4)
