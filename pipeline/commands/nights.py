"""The commands of every day: check a site, run its night, account for its files."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.shared import (
    AsJson,
    Scheduler,
    SiteFolder,
    Sites,
    Workers,
    distinct,
    end,
    instant,
    place,
    prepare_compiler,
)

if TYPE_CHECKING:
    from flows.launch import Wanted
    from pipeline.nights.documents import NightAccount


def check(
    sites: Sites,
    as_json: AsJson = False,
    whole: Annotated[
        bool,
        typer.Option(
            "--whole",
            help="Read raw files from end to end, not beginnings and ends only.",
        ),
    ] = False,
) -> None:
    """Read site descriptions and list every mistake, with file, line and what to do."""
    from pipeline.accounts.check_and_ledger import show_survey, survey_site

    with redirect_stdout(sys.stderr):
        accounts = [survey_site(folder, whole=whole) for folder in distinct(sites)]
    for account in accounts:
        show_survey(account)
    end("check", accounts, as_json)


def night(
    sites: Sites,
    now: Annotated[
        str,
        typer.Option(
            metavar="ISO",
            help="Run as if it were this instant, 2026-03-01T02:00Z; without an offset, UTC.",
        ),
    ] = "",
    as_json: AsJson = False,
    direct: Annotated[
        bool,
        typer.Option("--direct", help="Run one site after another, without the orchestrator."),
    ] = False,
    workers: Workers = 0,
    scheduler: Scheduler = "",
) -> None:
    """Read what is new, compute what it changes, commit it, and write files and pictures."""
    from pipeline.console import show_night, show_progress
    from pipeline.watch.nights import begin_night, end_night

    at, folders = instant(now), distinct(sites)
    where = place(workers, scheduler, direct)
    show_progress()
    prepare_compiler()
    with redirect_stdout(sys.stderr):
        for folder in folders:
            begin_night(folder, at)
        how, found = _run(folders, at, direct, where)
        summaries = [
            end_night(folder, summary, instant(now))
            for folder, summary in zip(folders, found, strict=True)
        ]
    for summary in summaries:
        show_night(summary)
    end("night", summaries, as_json, now=at, **how)


def ledger(
    site: SiteFolder,
    file: Annotated[
        str, typer.Option(metavar="F", help="Only this raw file, named as in the ledger.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Account for every reading of every raw file of a site."""
    from pipeline.accounts.check_and_ledger import ledger_text, report_ledger

    with redirect_stdout(sys.stderr):
        account = report_ledger(site.absolute(), file)
    if not as_json:
        print(ledger_text(account))
    end("ledger", [account], as_json)


def _run(
    sites: list[Path], now: datetime, direct: bool, where: Wanted
) -> tuple[dict[str, object], list[NightAccount]]:
    """Run under the orchestrator if it can be had; tell whether it was, and the cluster."""
    from flows.launch import OrchestratorError, run_sites, use_of_cluster
    from pipeline.console import say

    if not direct:
        try:
            found = run_sites(sites, now, where)
            return {"orchestrated": True, "cluster": use_of_cluster()}, found
        except OrchestratorError as error:
            say(f"going on without the orchestrator: {error}")
    from pipeline.nights.parts import run_site

    # The accounts that are shown are then all of this process.
    cluster = {**where.options(), "used": "no"} if where else None
    how: dict[str, object] = {"orchestrated": False, "cluster": cluster}
    return how, [run_site(folder, now) for folder in sites]
