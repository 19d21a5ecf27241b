"""One verdict a tube from all that was found, and what a person decided over it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import pandas as pd

from pipeline.qc.findings import Finding, Verdict
from pipeline.site.models import Site
from pipeline.words import counted

# Of a tube's sensors: with a void, a stone or no contact at so many it is not to be used.
SPOILT_PART = 0.5
SPOILING = ("void", "stone", "void or stone", "wet side")
LEAST_DAYS, LEAST_ROUNDS = 30, 1  # of record, or rounds: with less nobody can judge
LEAST_STORMS = 10  # heavy ones without a flash: then a stone is likelier than a void


@dataclass(frozen=True)
class Seen:
    """How much of a tube there was to judge by."""

    days: int = 0  # with a daily value
    storms: int = 0  # that a sensor answered quickly
    rounds: int = 0  # with three directions
    sensors: int = 0  # wired or read by hand
    # Depths at which the logged sensor is drier than neighbours, and never filled and emptied.
    dry_m: tuple[float, ...] = ()

    @property
    def counts(self) -> tuple[int, int, int]:
        """Return days, storms and rounds."""
        return self.days, self.storms, self.rounds


@dataclass(frozen=True)
class Decided:
    """A person's verdict on a tube."""

    verdict: Verdict
    why: str
    who: str


def tube_decisions(site: Site, at_s: int) -> dict[str, Decided]:
    """Return a person's verdicts on tubes that hold at an instant (UTC seconds).

    Of several on one tube the lowest row of decisions.csv counts.
    """
    return {
        decision.tube: Decided(
            Verdict[decision.verdict.replace(" ", "_").upper()], decision.why, decision.who
        )
        for decision in site.decisions
        if decision.of_tube and decision.start.timestamp() <= at_s < decision.until.timestamp()
    }


def refine_causes(findings: Iterable[Finding], seen: Mapping[str, Seen]) -> list[Finding]:
    """Tell voids from stones where the logged sensor of a low direction allows it.

    A void fills in heavy rain, and the sensor beside it answers; beside a stone nothing
    happens. Where no sensor is logged, or the one that is does not seem to face that side, the
    cause is left open.
    """
    known = list(findings)
    filled = {(f.tube, f.depth_m) for f in known if f.kind == "void"}
    result = []
    for finding in known:
        if finding.kind == "void or stone":
            if (finding.tube, finding.depth_m) in filled:
                finding = replace(finding, kind="void")
            elif _faces(seen.get(finding.tube, Seen()), finding.depth_m):
                quiet = "; in heavy rain the logged sensor does not fill: rather a stone"
                finding = replace(finding, kind="stone", sentence=finding.sentence + quiet)
        result.append(finding)
    return result


def _faces(seen: Seen, depth_m: float) -> bool:
    """Tell whether a logged sensor faces a low side, and saw enough heavy rain to tell."""
    return seen.storms >= LEAST_STORMS and depth_m in seen.dry_m


def judge_tubes(
    tubes: Iterable[str],
    findings: Iterable[Finding],
    seen: Mapping[str, Seen],
    decided: Mapping[str, Decided],
) -> pd.DataFrame:
    """Return one verdict a tube, with its reason and what to do.

    Parameters
    ----------
    tubes : iterable of str
    findings : iterable of Finding
    seen : mapping of tube to Seen
    decided : mapping of tube to Decided
        Overrules what was found; the finding is told beside it.

    Returns
    -------
    DataFrame
        ``tube``, ``verdict`` (0 sound, 1 use with care, 2 do not use), ``reason``,
        ``action``, ``found`` (the verdict without a person's), ``decided_by``, ``days``,
        ``storms``, ``rounds``.
    """
    by_tube: dict[str, list[Finding]] = {}
    for finding in findings:
        by_tube.setdefault(finding.tube, []).append(finding)
    rows = []
    for tube in tubes:
        of_tube, here = by_tube.get(tube, []), seen.get(tube, Seen())
        found, reason, action = _judge(of_tube, here)
        verdict, who = found, ""
        if tube in decided:
            person = decided[tube]
            verdict, who = person.verdict, person.who
            beside = f" (found: {found.text})" if found != verdict else ""
            reason = f"decided by {who}: {person.why}{beside}"
            action = action if verdict != Verdict.SOUND else ""
        rows.append((tube, int(verdict), reason, action, int(found), who, *here.counts))
    names = ["tube", "verdict", "reason", "action", "found", "decided_by"]
    numbers = ["verdict", "found", "days", "storms", "rounds"]
    table = pd.DataFrame(rows, columns=[*names, "days", "storms", "rounds"])
    return table.astype(dict.fromkeys(numbers, "int64"))


def _judge(findings: list[Finding], seen: Seen) -> tuple[Verdict, str, str]:
    """Return verdict, reason and action of one tube."""
    if not findings:
        looked_at = _told(seen)
        if seen.days < LEAST_DAYS and seen.rounds < LEAST_ROUNDS:
            return (
                Verdict.USE_WITH_CARE,
                f"too little to judge by: {looked_at}",
                "wait, or read by hand",
            )
        return Verdict.SOUND, f"nothing found in {looked_at}", ""
    heaviest = max(findings, key=lambda f: f.weight)
    verdict = heaviest.weight
    spoilt = {f.depth_m for f in findings if f.kind in SPOILING}
    if seen.sensors and len(spoilt) > SPOILT_PART * seen.sensors:
        verdict = Verdict.DO_NOT_USE
    more = len(findings) - 1
    reason = heaviest.sentence + (f"; and {more} more" if more else "")
    return verdict, reason, heaviest.action


def _told(seen: Seen) -> str:
    """Return how much was seen in words; what there was nothing of is left out."""
    found = [
        counted(seen.days, "day"),
        counted(seen.storms, "quick storm"),
        f"{counted(seen.rounds, 'round')} by hand in three directions",
    ]
    parts = [text for text, count in zip(found, seen.counts, strict=True) if count]
    return ", ".join(parts) or "no day and no round by hand in three directions"
