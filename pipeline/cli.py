"""The command ``percolog``: the list of what it can do, and how it is started and stopped.

The commands lie in `pipeline.commands`. Heavy imports are inside them, so that help is quick.
"""

from __future__ import annotations

import atexit
import logging
import os
import signal
import sys
from typing import Annotated

import typer

from pipeline.commands import describing, judging, keeping, looking, nights, revising, watching
from pipeline.commands.shared import EXIT_HELP

# In the order in which help shows them.
COMMANDS = (
    nights.check,
    nights.night,
    nights.ledger,
    watching.schedule,
    watching.status,
    looking.trace,
    looking.timeline,
    judging.tubes,
    looking.limits,
    looking.events,
    looking.layers,
    looking.space,
    revising.history,
    revising.compare,
    revising.recalibrate,
    revising.undo,
    revising.thin,
    keeping.deliver,
    keeping.verify,
    describing.fit,
    describing.schema,
    describing.sniff,
)

app = typer.Typer(
    name="percolog",
    help="From raw soil-water probe exports to water in millimetres, every night.",
    epilog=EXIT_HELP,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
)
for _command in COMMANDS:
    app.command(epilog=EXIT_HELP)(_command)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"percolog {version('percolog')}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """From raw soil-water probe exports to water in millimetres, every night."""


def _stop(number: int, _frame: object) -> None:
    sys.exit(128 + number)


def main() -> None:
    """Run the command; no error reaches a person as a traceback."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _stop)
    try:
        app()
    except Exception as error:  # the last place where a surprise can be told in one line
        from pipeline.console import finish, show_failures
        from pipeline.outcomes import EXIT_CODES, describe_failure, outcome_of

        failure = describe_failure("percolog", error)
        show_failures([failure])
        outcome = outcome_of([failure])
        if "--json" in sys.argv:  # a program that asked for a document gets one all the same
            print(finish(sys.argv[1], outcome, [], failures=[failure]))
        sys.exit(EXIT_CODES[outcome])


def command() -> None:
    """Run the command as a process of its own, and end the process with its exit code.

    Threads of the store's library outlive the command. Where the interpreter is taken down
    under one of them the process ends by SIGABRT, after all was done and told: one in twelve
    of `percolog history` did. So the process ends before that, when threads are joined and
    what was registered for the end is done.
    """
    ended: list[int] = []
    atexit.register(_leave, ended)  # the first to be registered is the last to be called
    try:
        main()
    except SystemExit as end:
        if end.code is None or isinstance(end.code, int):
            ended.append(end.code or 0)
        raise


def _leave(ended: list[int]) -> None:
    """End the process with an exit code if there is one and all that was said is out."""
    logging.shutdown()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except OSError:  # nobody reads any more; the interpreter knows how to end then
        return
    if ended:
        os._exit(ended[0])


if __name__ == "__main__":
    command()
