"""The command that tells what every tube is good for."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from typing import Annotated

import typer

from pipeline.commands.shared import AsJson, SiteFolder, end


def tubes(
    site: SiteFolder,
    tube: Annotated[str, typer.Option(metavar="T", help="Only this tube.")] = "",
    as_json: AsJson = False,
) -> None:
    """Tell for every tube whether to use it, by what evidence, and what to do about it."""
    from pipeline.accounts.tubes import report_tubes, tubes_text
    from pipeline.console import show_failures

    with redirect_stdout(sys.stderr):
        account = report_tubes(site.absolute(), tube)
    if tube and not account["tubes"]:
        raise typer.BadParameter(
            f"found {tube!r}; expected a tube of the site, as percolog check lists them",
            param_hint="--tube",
        )
    show_failures(account.get("failures", ()))
    if not as_json:
        print(tubes_text(account))
    end("tubes", [account], as_json)
