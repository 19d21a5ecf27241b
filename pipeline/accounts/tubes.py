"""What ``percolog tubes`` tells: one verdict for every tube, its evidence, and what to do."""

from __future__ import annotations

from pathlib import Path
from typing import NotRequired, TypedDict

from pipeline.console import table
from pipeline.errors import StoreError, clean
from pipeline.nights.night import open_description
from pipeline.outcomes import Failure
from pipeline.products.verdicts import EvidenceRow, VerdictRow, evidence_rows, verdict_rows
from pipeline.qc.findings import Verdict
from pipeline.store.opened import open_state
from pipeline.words import needs_look, told_verdict

_WIDTH = 96


class JudgedTube(VerdictRow):
    """The verdict on a tube, and its evidence."""

    evidence: list[EvidenceRow]


class TubesAccount(TypedDict):
    """What ``percolog tubes`` tells of a site."""

    site: str
    commit: str
    outcome: str  # "attention" where a tube is not sound
    tubes: list[JudgedTube]
    failures: NotRequired[list[Failure]]  # where the description is wrong at present


def report_tubes(folder: Path, tube: str = "") -> TubesAccount:
    """Return the verdicts and the evidence of the newest state of a site.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    tube : str
        Only this tube; none where the site has no such tube.

    Raises
    ------
    SiteError, StoreError
    """
    opened = open_state(folder, open_description)
    site, snapshot = opened.site, opened.snapshot
    if not opened.store.history():
        raise StoreError(
            f"{site.store}: expected a night's result, found none; run percolog night"
        )
    evidence = evidence_rows(snapshot)
    rows: list[JudgedTube] = [
        {**row, "evidence": [e for e in evidence if e["tube"] == row["tube"]]}
        for row in verdict_rows(site, snapshot)
        if tube in ("", row["tube"])
    ]
    sound = not any(map(needs_look, rows))
    return {
        "site": site.id,
        "commit": snapshot.commit_id,
        "outcome": opened.outcome("done" if sound else "attention"),
        "tubes": rows,
        **opened.told(),
    }


def tubes_text(account: TubesAccount) -> str:
    """Return the verdicts as a table, and below it the evidence on tubes that have any."""
    rows = account["tubes"]
    names = ("tube", "verdict", "days", "storms", "rounds", "decided_by")
    head = [*names[:5], "decided by"]
    told = [{**row, "verdict": told_verdict(row)} for row in rows]
    lines = [table(head, [[row.get(name) for name in names] for row in told])]
    lines.append(
        "days: with values; storms: quickly answered; rounds: by hand in three directions"
    )
    for row in rows:
        if not row["evidence"] and row["verdict"] == Verdict.SOUND.text:
            continue
        lines += ["", f"{clean(row['tube'])}: {told_verdict(row)}"]
        if not row["evidence"] or row.get("decided_by"):
            lines += _wrapped(row["reason"], "  ")
        for item in row["evidence"]:
            lines += _wrapped(f"{item['kind']}: {item['sentence']}", "  - ")
        if row["action"]:
            lines += _wrapped(f"do: {row['action']}", "  ")
    return "\n".join(lines)


def _wrapped(text: str, indent: str) -> list[str]:
    """Return text as lines of the terminal's width, the later ones indented as the first."""
    lines, line = [], indent
    for word in clean(text).split():
        if len(line) + len(word) >= _WIDTH and line.strip():
            lines.append(line.rstrip())
            line = " " * len(indent)
        line += f"{word} "
    return [*lines, line.rstrip()]
