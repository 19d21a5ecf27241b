"""The commands that keep what is stored sound and hand it over."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
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
    edges_cm,
    end,
    place,
)

if TYPE_CHECKING:
    from flows.launch import Wanted
    from pipeline.delivering.contents import Request
    from pipeline.delivering.documents import DeliveryAccount


def verify(
    site: SiteFolder,
    mend: Annotated[
        bool,
        typer.Option("--mend", help="Empty what is damaged; the next night makes it anew."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check every stored byte, every account and every raw file; say how to mend damage."""
    from pipeline.accounts.verify import show_verified, verify_site

    with redirect_stdout(sys.stderr):
        account = verify_site(site.absolute(), mend)
    show_verified(account)
    end("verify", [account], as_json)


def deliver(
    sites: Sites,
    period: Annotated[
        str,
        typer.Option(
            metavar="P", help="all, 2026, 2026-03, 2026-03-01, or 2026-03-01/2026-04-01."
        ),
    ] = "all",
    step: Annotated[
        list[str] | None,
        typer.Option(metavar="S", help="native, hourly or daily; may be given again."),
    ] = None,
    layers: Annotated[
        str,
        typer.Option(metavar="CM,CM,...", help="Edges of a model's layers: 0,10,40,100."),
    ] = "",
    covariance: Annotated[
        bool, typer.Option("--covariance", help="Error covariance between those layers.")
    ] = False,
    name: Annotated[
        str, typer.Option(metavar="NAME", help="Folder of the delivery; else from the rest.")
    ] = "",
    pictures: Annotated[bool, typer.Option(help="With pictures of every tube.")] = True,
    spreadsheets: Annotated[bool, typer.Option(help="With CSV beside Parquet.")] = True,
    commit: Annotated[
        str | None,
        typer.Option(metavar="ID", help="An earlier state: id, night or date; one site only."),
    ] = None,
    direct: Annotated[
        bool, typer.Option("--direct", help="Several sites without the orchestrator.")
    ] = False,
    workers: Workers = 0,
    scheduler: Scheduler = "",
    as_json: AsJson = False,
) -> None:
    """Hand over a period as a numbered revision, if it would say anything new."""
    from pipeline.console import show_delivery
    from pipeline.delivering.contents import Request
    from pipeline.delivering.numbered import deliver_site

    folders, where = distinct(sites), place(workers, scheduler, direct)
    if commit is not None and len(folders) > 1:
        raise typer.BadParameter(
            f"found {len(folders)} sites; expected one: a state is one site's",
            param_hint="--commit",
        )
    request = Request(
        period=period,
        steps=tuple(dict.fromkeys(step or ["native", "daily"])),
        layers_cm=edges_cm(layers, "--layers"),
        covariance=covariance,
        pictures=pictures,
        spreadsheets=spreadsheets,
        name=name,
    )
    with redirect_stdout(sys.stderr):
        if len(folders) == 1:
            accounts = [deliver_site(folders[0], request, commit)]
        else:
            accounts = _deliver_all(folders, request, direct, where)
    for account in accounts:
        show_delivery(account)
    end("deliver", accounts, as_json)


def _deliver_all(
    folders: list[Path], request: Request, direct: bool, where: Wanted
) -> list[DeliveryAccount]:
    """Deliver several sites under the orchestrator, or one after another without it."""
    from flows.launch import OrchestratorError, deliver_sites
    from pipeline.console import say
    from pipeline.delivering.sites import deliver_or_tell

    if not direct:
        try:
            return deliver_sites(folders, request, where)
        except OrchestratorError as error:
            say(f"going on without the orchestrator: {error}")
    return [deliver_or_tell(folder, request) for folder in folders]
