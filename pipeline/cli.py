"""The command ``percolog``: the list of what it can do, and how it is started and stopped.

The commands lie in `pipeline.commands`. Heavy imports are inside them, so that help is quick.
"""

from __future__ import annotations

import atexit
import logging
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from io import BufferedWriter, FileIO, TextIOWrapper
from typing import Annotated, Any, TextIO

import typer
from typer.core import TyperGroup

from pipeline.commands import describing, judging, keeping, looking, nights, revising, watching
from pipeline.commands.shared import EXIT_HELP
from pipeline.processes import work_is_left

# Under the headings and in the order in which help shows them.
COMMANDS: dict[str, tuple[Callable[..., object], ...]] = {
    "Describe a site": (nights.check, describing.sniff, describing.schema, describing.fit),
    "Every night": (nights.night, watching.schedule, watching.status, nights.ledger),
    "Look": (
        judging.tubes,
        looking.events,
        looking.limits,
        looking.space,
        looking.timeline,
        looking.trace,
    ),
    "Change, and tell what changed": (
        revising.recalibrate,
        revising.compare,
        revising.history,
        revising.undo,
        revising.thin,
    ),
    "Hand over": (keeping.deliver, looking.layers, keeping.verify),
}
WHOLE_SENTENCE = 200  # characters of a command's purpose that help shows


class _Headed(TyperGroup):
    """The commands under headings, each with its whole first sentence."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        widest = max(map(len, self.commands))
        for heading, commands in COMMANDS.items():
            rows = []
            for function in commands:
                purpose = self.commands[function.__name__].get_short_help_str(WHOLE_SENTENCE)
                rows.append((function.__name__.ljust(widest), purpose))
            with formatter.section(heading):
                formatter.write_dl(rows)


app = typer.Typer(
    name="percolog",
    cls=_Headed,
    help="From raw soil-water probe exports to water in millimetres, every night.",
    epilog=EXIT_HELP,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
)
for _commands in COMMANDS.values():
    for _command in _commands:
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
    # To a service without a home it says in two lines, each time, where it keeps its fonts.
    logging.getLogger("matplotlib").addFilter(lambda row: row.levelno >= logging.ERROR)
    try:
        app()
    except Exception as error:  # the last place where a surprise can be told in one line
        from pipeline.console import finish, show_failures
        from pipeline.outcomes import EXIT_CODES, describe_failure, outcome_of

        failure = describe_failure("percolog", error)
        show_failures([failure])
        outcome = outcome_of([failure])
        if "--json" in sys.argv:  # a program that asked for a document gets one all the same
            with suppress(OSError):  # standard output itself may be what failed
                print(finish(sys.argv[1], outcome, [], failures=[failure]))
        sys.exit(EXIT_CODES[outcome])


def command() -> None:
    """Run the command as a process of its own, and end the process with its exit code.

    Threads of the store's library outlive the command. Where the interpreter is taken down
    under one of them the process ends by SIGABRT, after all was done and told: one in twelve
    of `percolog history` did. So the process ends before that, when threads are joined and
    what was registered for the end is done.
    """
    _open_streams()
    ended: list[int] = []
    atexit.register(_leave, ended)  # the first to be registered is the last to be called
    try:
        main()
    except SystemExit as end:
        if end.code is None or isinstance(end.code, int):
            ended.append(end.code or 0)
        if work_is_left():  # a pool's threads in it would be joined, for ever
            _leave(ended)
        raise


class _Patient(FileIO):
    """A stream that stops no work: what it cannot take is dropped, and why remembered.

    Otherwise it hangs on how much is printed whether a reader who has left, or a full disk,
    is met while a command runs or as it ends, and each would have its own exit code.
    """

    lost: OSError | None = None

    def write(self, data: Any, /) -> int:
        if self.lost is None:
            try:
                return super().write(data)
            except OSError as error:
                self.lost = error
        return memoryview(data).nbytes


def _open_streams() -> None:
    """Give a process that was started without the standard streams empty ones.

    Otherwise the next files to be opened, those of the store among them, have their numbers,
    and a library that writes a warning to number 2 writes it there.
    """
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)
    if isinstance(sys.stdout, TextIOWrapper):
        # No sign that a terminal lacks is a reason to end after the work was done.
        errors = "backslashreplace" if sys.stdout.errors == "strict" else sys.stdout.errors
        sys.stdout.flush()
        sys.stdout = TextIOWrapper(
            BufferedWriter(_Patient(sys.stdout.fileno(), "w", closefd=False)),
            encoding=sys.stdout.encoding,
            errors=errors,
            line_buffering=sys.stdout.line_buffering,
            write_through=sys.stdout.write_through,
        )


def _leave(ended: list[int]) -> None:
    """End the process with an exit code if there is one and all that was said is out."""
    logging.shutdown()
    lost = _flush(sys.stdout) or getattr(
        getattr(getattr(sys.stdout, "buffer", None), "raw", None), "lost", None
    )
    if isinstance(lost, BrokenPipeError):  # nobody reads any more; all is well
        lost = None
    if lost is not None:
        from pipeline.console import say
        from pipeline.refusals import meaning

        why = meaning(lost) or f"found {lost}"
        say(f"standard output: {why}. What was printed there is not complete")
    _flush(sys.stderr)  # words for people that nobody can take change no outcome
    if ended:
        os._exit(1 if lost is not None else ended[0])


def _flush(stream: TextIO) -> OSError | None:
    try:
        stream.flush()
    except OSError as error:
        return error
    return None


if __name__ == "__main__":
    command()
