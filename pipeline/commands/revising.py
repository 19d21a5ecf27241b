"""The commands on revisions: what states there are, how they differ, doing results again."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.shared import (
    PNG,
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
    written_anew,
)

if TYPE_CHECKING:
    from flows.launch import Wanted
    from pipeline.history.documents import Revision

DryRun = Annotated[bool, typer.Option("--dry-run", help="Only show; nothing is stored.")]
Yes = Annotated[bool, typer.Option("--yes", help="Do it without asking.")]
Now = Annotated[
    str, typer.Option(metavar="ISO", help="Run as if it were this instant; no offset: UTC.")
]


def recalibrate(
    sites: Sites,
    dry_run: DryRun = False,
    yes: Yes = False,
    direct: Annotated[
        bool, typer.Option("--direct", help="Several sites without the orchestrator.")
    ] = False,
    workers: Workers = 0,
    scheduler: Scheduler = "",
    now: Now = "",
    as_json: AsJson = False,
) -> None:
    """Show what the edited description would change in what is stored, and then do it."""
    from pipeline.console import show_progress

    folders, asks = distinct(sites), _asks(dry_run, yes)
    where = place(workers, scheduler, direct)
    show_progress()
    prepare_compiler()
    with redirect_stdout(sys.stderr):
        if len(folders) > 1 and not asks and not direct:
            accounts = _run_flow(folders, now, dry_run, where)
        else:
            accounts = [_redo("recalibrate", folder, now, dry_run, asks) for folder in folders]
    _show_changes(accounts, asks)
    end("recalibrate", accounts, as_json, dry_run=dry_run)


def undo(
    site: SiteFolder,
    dry_run: DryRun = False,
    yes: Yes = False,
    now: Now = "",
    as_json: AsJson = False,
) -> None:
    """Take the last change of the description back; readings stay as they are."""
    from pipeline.console import show_progress

    asks = _asks(dry_run, yes)
    show_progress()
    prepare_compiler()
    with redirect_stdout(sys.stderr):
        account = _redo("undo", site.absolute(), now, dry_run, asks)
    _show_changes([account], asks)
    end("undo", [account], as_json, dry_run=dry_run)


def history(site: SiteFolder, as_json: AsJson = False) -> None:
    """List the states of a site's store and what each brought."""
    from pipeline.history.revising import site_history
    from pipeline.history.revising_text import show_history

    with redirect_stdout(sys.stderr):
        account = site_history(site.absolute())
    if not as_json:
        show_history(account)
    end("history", [account], as_json)


def compare(
    site: SiteFolder,
    first: Annotated[
        str,
        typer.Argument(
            metavar="A", help="A commit id or its beginning, a night, a date, now."
        ),
    ],
    second: Annotated[str, typer.Argument(metavar="B", help="The same.")] = "now",
    png: Annotated[
        Path | None,
        typer.Option("--png", metavar="FILE", help="Else compare/ below the site's output."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell two states of a site apart, in numbers and in a picture."""
    from pipeline.history.revising import site_comparison
    from pipeline.history.revising_text import show_comparison

    written_anew(png, PNG, "--png")
    with redirect_stdout(sys.stderr):
        account = site_comparison(site.absolute(), first, second, png)
    if not as_json:
        show_comparison(account)
    end("compare", [account], as_json)


def thin(site: SiteFolder, dry_run: DryRun = False, as_json: AsJson = False) -> None:
    """Thin out earlier states by the site's [keep] policy, and free their space."""
    from pipeline.history.revising import thin_store
    from pipeline.history.revising_text import show_thinning

    with redirect_stdout(sys.stderr):
        account = thin_store(site.absolute(), dry_run)
    if not as_json:
        show_thinning(account)
    end("thin", [account], as_json, dry_run=dry_run)


def _asks(dry_run: bool, yes: bool) -> bool:
    """Tell whether a person is to be asked; without one to ask, a decision is required."""
    if dry_run or yes:
        return False
    if not sys.stdin.isatty():
        raise typer.BadParameter(
            "found no terminal to ask at; expected --yes to do it, or --dry-run to look",
            param_hint="--yes",
        )
    return True


def _redo(kind: str, folder: Path, now: str, dry_run: bool, asks: bool) -> Revision:
    from pipeline.history.revising import redo
    from pipeline.history.revisions import recalibrate_site, undo_site

    work = undo_site if kind == "undo" else recalibrate_site
    return redo(work, folder, instant(now), dry_run, _ask if asks else None)


def _ask(account: Revision) -> bool:
    """Show what would change and ask whether to do it."""
    from pipeline.history.revising_text import show_change

    show_change(account)
    if not account["tubes"] and not account["arrays"]:
        return True  # nothing that a person could mind
    return typer.confirm("Do it?", err=True)


def _show_changes(accounts: list[Revision], asked: bool) -> None:
    from pipeline.history.revising_text import show_change, show_done

    for account in accounts:
        if asked and "water" in account:
            show_done(account)  # what changes was shown with the question
        else:
            show_change(account)


def _run_flow(folders: list[Path], now: str, dry_run: bool, where: Wanted) -> list[Revision]:
    """Run several sites under the orchestrator, or one after another without it."""
    from flows.launch import OrchestratorError, recalibrate_sites
    from pipeline.console import say

    try:
        return recalibrate_sites(folders, instant(now), dry_run, where)
    except OrchestratorError as error:
        say(f"going on without the orchestrator: {error}")
    return [_redo("recalibrate", folder, now, dry_run, False) for folder in folders]
