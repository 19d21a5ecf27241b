"""From the states of a run to each site's summary, and to the page kept with the run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from prefect.client.schemas.objects import State

from pipeline.nights.documents import NightAccount
from pipeline.nights.parts import PARTS, Results, result_of

ARTIFACT_KEY = "nightly-summary"


def results(sites: list[Path], states: list[State[object]]) -> list[NightAccount]:
    """Return one summary for each site.

    Parameters
    ----------
    sites : list of Path
        As given to the flow.
    states : list of State
        The flow's four states a site, in the flow's order.
    """
    count = len(PARTS)
    return [
        result_of(folder, _parts(states[count * at : count * (at + 1)]))
        for at, folder in enumerate(sites)
    ]


def markdown(sites: list[Path], states: list[State[object]]) -> str:
    """Return the run summary as a Markdown table, one row for each site."""
    rows = ["| site | outcome | commit | what happened |", "|---|---|---|---|"]
    for summary in results(sites, states):
        told = [f"{f['part']}: {f['error']}" for f in summary.get("failures", ())]
        told = told or [summary.get("message", "")]
        cells = (summary.get("site", ""), summary["outcome"], summary.get("commit") or "none")
        rows.append("| " + " | ".join(map(_cell, (*cells, "; ".join(told)))) + " |")
    return "\n".join(rows)


def _parts(states: list[State[Any]]) -> Results:
    """Return what each part returned or raised; a part that was never begun is left out."""
    done: Results = {}
    for name, state in zip(PARTS, states, strict=True):
        if state.is_final():
            done[name] = state.result(raise_on_failure=False)
    return done


def _cell(value: str) -> str:
    text = " ".join(value.split())
    for mark in ("\\", "|", "<", "`", "[", "*", "_"):
        text = text.replace(mark, f"\\{mark}" if mark != "<" else "&lt;")
    return text
