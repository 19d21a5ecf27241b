"""The commands that watch: nights by themselves, and whether everything is all right."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.shared import (
    AsJson,
    Scheduler,
    Sites,
    Workers,
    distinct,
    end,
    instant,
    place,
    prepare_compiler,
)
from pipeline.words import counted


def status(
    sites: Sites,
    now: Annotated[
        str, typer.Option(metavar="ISO", help="As if it were this instant; no offset: UTC.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Tell whether everything is all right: last nights, silent loggers, open alerts, disk."""
    from pipeline.watch.status import site_status
    from pipeline.watch.status_text import status_text

    at = instant(now)
    with redirect_stdout(sys.stderr):
        accounts = [site_status(folder, at) for folder in distinct(sites)]
    if not as_json:
        print(status_text(accounts))
    end("status", accounts, as_json, now=at)


def schedule(
    sites: Sites,
    at: Annotated[str, typer.Option("--at", metavar="HH:MM", help="Time of day, 24 hours.")],
    zone: Annotated[
        str, typer.Option(metavar="ZONE", help="IANA zone of that time; else the machine's.")
    ] = "",
    printed: Annotated[
        str,
        typer.Option(
            "--print",
            metavar="KIND",
            help="Serve nothing; print how to do it by systemd, cron or prefect.",
        ),
    ] = "",
    workers: Workers = 0,
    scheduler: Scheduler = "",
) -> None:
    """Run the night of sites every day at a time, until stopped; catch up one missed night."""
    from pipeline.console import say, show_progress
    from pipeline.watch.due import ScheduleError, next_due, parse_time, parse_zone, summer_time
    from pipeline.watch.elsewhere import KINDS, how_to

    folders, now = distinct(sites), instant("")
    try:
        at = f"{parse_time(at):%H:%M}"
    except ScheduleError as error:
        raise typer.BadParameter(str(error), param_hint="--at") from None
    try:
        where = parse_zone(zone)
    except ScheduleError as error:
        raise typer.BadParameter(str(error), param_hint="--zone") from None
    if printed and printed not in KINDS:
        told = f"found {printed!r}; expected {', '.join(KINDS)}"
        raise typer.BadParameter(told, param_hint="--print")
    _require_sites(folders)
    wanted = place(workers, scheduler, direct=False)
    if printed:
        if isinstance(sys.stdout, TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8")  # folders are named in it on the disk
        print(how_to(printed, folders, at, where.key, wanted.options()), end="")
        return
    show_progress()
    prepare_compiler()
    due = next_due(at, where, now).astimezone(where)
    told = f"{counted(len(folders), 'site')}, every night at {at} {where.key}"
    say(f"{told}; next {due:%Y-%m-%d %H:%M %Z}")
    say(summer_time(at, where, now))
    say("Ctrl-C or SIGTERM stops it. percolog status tells how the nights went.")
    from flows.serving import serve

    serve(folders, at, where, now, wanted)


def _require_sites(folders: list[Path]) -> None:
    """Refuse folders without a description: nobody is there at night to see the mistake."""
    missing = [str(folder) for folder in folders if not (folder / "site.toml").is_file()]
    if missing:
        told = f"{', '.join(missing)}: found no site.toml; expected the folder of a site"
        raise typer.BadParameter(told, param_hint="SITE")
