"""The command ``percolog``. Heavy imports are inside the commands, so that help is quick."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

EXIT_HELP = """\b
Exit codes:
  0  done
  1  failed
  2  wrong usage, or a mistake in a site description
  3  done, but something was set aside and needs a look
  130, 143  stopped by Ctrl-C or SIGTERM; the stores are safe
Of several sites the worst counts: 1, then 2, then 3, then 0.
"""

app = typer.Typer(
    name="percolog",
    help="From raw soil-water probe exports to water in millimetres, every night.",
    epilog=EXIT_HELP,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
)

Sites = Annotated[
    list[Path], typer.Argument(metavar="SITE...", help="Folders that hold a site.toml.")
]
_SNIFFED_BYTES = 4 * 1024**2
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on standard output.")
]


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


@app.command(epilog=EXIT_HELP)
def check(sites: Sites, as_json: AsJson = False) -> None:
    """Read site descriptions and list every mistake, with file, line and what to do."""
    from pipeline.accounts import show_survey, survey_site

    with redirect_stdout(sys.stderr):
        accounts = [survey_site(folder) for folder in _distinct(sites)]
    for account in accounts:
        show_survey(account)
    _end("check", accounts, as_json)


@app.command(epilog=EXIT_HELP)
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
) -> None:
    """Read what is new, compute what it changes, commit it, and write files and pictures."""
    from pipeline.console import show_night, show_progress

    instant = _instant(now)
    show_progress()
    _prepare_compiler()
    with redirect_stdout(sys.stderr):
        orchestrated, summaries = _run(_distinct(sites), instant, direct)
    for summary in summaries:
        show_night(summary)
    _end("night", summaries, as_json, now=instant, orchestrated=orchestrated)


@app.command(epilog=EXIT_HELP)
def ledger(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="Folder of the site.toml.")],
    file: Annotated[
        str, typer.Option(metavar="F", help="Only this raw file, named as in the ledger.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Account for every reading of every raw file of a site."""
    from pipeline.accounts import ledger_text, report_ledger

    with redirect_stdout(sys.stderr):
        account = report_ledger(site.absolute(), file)
    if not as_json:
        print(ledger_text(account))
    _end("ledger", [account], as_json)


@app.command(epilog=EXIT_HELP)
def trace(
    time: Annotated[
        str, typer.Option(metavar="ISO", help="The nearest step counts; no offset means UTC.")
    ],
    site: Annotated[
        Path | None, typer.Argument(metavar="SITE", help="Folder of the site.toml.")
    ] = None,
    tube: Annotated[
        str, typer.Option(metavar="T", help="A tube; for rain a source that logs it.")
    ] = "",
    depth: Annotated[
        float | None, typer.Option(metavar="CM", help="A sensor's depth [cm], within 2 cm.")
    ] = None,
    product: Annotated[
        str,
        typer.Option(
            help="water, storage, daily_water_content, daily_storage, rain or daily_rain."
        ),
    ] = "water",
    layer: Annotated[str, typer.Option(metavar="NAME", help="A layer, for storage.")] = "",
    commit: Annotated[
        str, typer.Option(metavar="ID", help="An earlier state of the store.")
    ] = "",
    file: Annotated[
        Path | None, typer.Option(metavar="NC", help="Trace a value of this delivered file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where one value came from: tests, laws, wiring, clock, file, line and its text."""
    from pipeline.lineage import Question, TraceError
    from pipeline.lineage import trace as trace_value
    from pipeline.lineage_text import trace_text

    question = Question(tube, _instant(time, "--time"), depth, product, layer, commit)
    try:
        with redirect_stdout(sys.stderr):
            account = trace_value(None if site is None else site.absolute(), file, question)
    except TraceError as error:
        raise typer.BadParameter(str(error), param_hint="trace") from None
    if not as_json:
        print(trace_text(account))
    _end("trace", [account], as_json)


@app.command(epilog=EXIT_HELP)
def timeline(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="Folder of the site.toml.")],
    png: Annotated[
        Path | None, typer.Option("--png", metavar="FILE", help="Draw it as a picture there.")
    ] = None,
    plain: Annotated[
        bool, typer.Option("--ascii", help="Draw with ASCII characters only.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Draw what was installed, wired and logged when, and how densely."""
    from pipeline.timeline import MOST_COLUMNS, print_timeline, site_timeline, timeline_account

    folder, now = site.absolute(), datetime.now(UTC)
    with redirect_stdout(sys.stderr):
        if png is not None:
            from pipeline.report.timeline import draw_timeline

            draw_timeline(site_timeline(folder, now, MOST_COLUMNS), png)
    if as_json:
        _end("timeline", [timeline_account(site_timeline(folder, now, MOST_COLUMNS))], True)
    elif png is not None:
        print(png)
    else:
        print_timeline(folder, now, plain)


@app.command(epilog=EXIT_HELP)
def fit(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="Folder of the site.toml.")],
    samples: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Else samples.csv of the site.")
    ] = None,
    degree: Annotated[int, typer.Option(min=1, max=2, help="1: line, 2: parabola.")] = 1,
    method: Annotated[
        str, typer.Option(help="Which fit becomes the entry: ordinary, or both.")
    ] = "ordinary",
    valid: Annotated[
        str, typer.Option(metavar="LOW,HIGH", help="Root permittivity; else the samples'.")
    ] = "",
    effective: Annotated[
        str, typer.Option("--from", metavar="ISO", help="When the law begins; else ever.")
    ] = "",
    within_cm: Annotated[
        float, typer.Option(min=0, help="Furthest sensor above or below a sample.")
    ] = 5.0,
    window_h: Annotated[
        float, typer.Option(min=0, help="Readings averaged around a sample, in all.")
    ] = 2.0,
    reading_error: Annotated[
        float, typer.Option(min=0, help="Root permittivity: from core to sensor.")
    ] = 0.0,
    append: Annotated[
        bool, typer.Option("--append", help="Add the entries to calibrations.toml.")
    ] = False,
    pictures: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Else fit/ below the site's output.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Fit laws to soil samples and print them, ready for calibrations.toml."""
    from pipeline.calibrate.fit_match import Rules
    from pipeline.fitting import Wish, fit_site
    from pipeline.fitting_text import entries_text, show_fit

    rules = Rules(within_cm / 100, round(window_h * 3600))
    wish = Wish(
        samples, pictures, degree, reading_error, rules, method, valid, effective, append
    )
    with redirect_stdout(sys.stderr):
        account = fit_site(site.absolute(), wish)
    show_fit(account)
    if not as_json:
        print(entries_text(account), end="")
    _end("fit", [account], as_json)


@app.command(epilog=EXIT_HELP)
def schema(
    name: Annotated[
        str,
        typer.Argument(metavar="[NAME]", help="A file of a site: site.toml, wiring.csv ..."),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Write files there, all of them without a NAME."),
    ] = None,
) -> None:
    """Print or write the schemas by which editors complete and check a site description."""
    from pipeline.schemas import SCHEMAS, schema_text, write_schemas

    if out is not None:
        for path in write_schemas(out, name):
            print(path)
    elif name:
        print(schema_text(name), end="")
    else:
        from pipeline.console import table

        rows = [[full, file] for full, (file, _) in SCHEMAS.items()]
        print(table(["of", "written as"], rows).partition("\n")[2])


@app.command(epilog=EXIT_HELP)
def sniff(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A raw file of a logger, or its beginning.")
    ],
    as_json: AsJson = False,
) -> None:
    """Propose a layout for a raw file, and say what is unsure about it."""
    from pipeline.ingest.sniff import render
    from pipeline.ingest.sniff import sniff as propose

    proposal = propose(_beginning(file), file.name)
    if as_json:
        from pipeline.console import finish

        print(finish("sniff", "done", [], proposal=proposal.as_dict()))
    else:
        print(render(proposal), end="")


def _beginning(file: Path) -> bytes:
    """Return as much of a file as a proposal needs."""
    try:
        with file.open("rb") as stream:
            return stream.read(_SNIFFED_BYTES)
    except OSError as error:
        raise typer.BadParameter(
            f"found {str(file)!r}, which cannot be read ({error.strerror}); expected a file",
            param_hint="FILE",
        ) from None


def _run(
    sites: list[Path], now: datetime, direct: bool
) -> tuple[bool, Sequence[Mapping[str, Any]]]:
    """Run under the orchestrator if it can be had; tell whether it was."""
    from flows.launch import OrchestratorError, run_sites
    from pipeline.console import say

    if not direct:
        try:
            return True, run_sites(sites, now)
        except OrchestratorError as error:
            say(f"going on without the orchestrator: {error}")
    from pipeline.parts import run_site

    return False, [run_site(folder, now) for folder in sites]


def _instant(text: str, option: str = "--now") -> datetime:
    if not text:
        return datetime.now(UTC).replace(microsecond=0)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"found {text!r}; expected an ISO 8601 instant such as 2026-03-01T02:00Z",
            param_hint=option,
        ) from None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _distinct(sites: list[Path]) -> list[Path]:
    return list(dict.fromkeys(folder.absolute() for folder in sites))


def _prepare_compiler() -> None:
    # Compiled kernels are kept beside the package, or, where that is read-only, with the
    # user's state: without any place to keep them the compiler refuses to be imported.
    if not os.access(Path(__file__).parent, os.W_OK):
        from pipeline.outcomes import state_folder

        os.environ.setdefault("NUMBA_CACHE_DIR", str(state_folder() / "kernels"))


def _end(command: str, sites: Sequence[Mapping[str, Any]], as_json: bool, **more: Any) -> None:
    from pipeline.console import finish
    from pipeline.outcomes import EXIT_CODES, worst

    outcome = worst(account["outcome"] for account in sites)
    if as_json:
        print(finish(command, outcome, sites, **more))
    raise typer.Exit(EXIT_CODES[outcome])


def _stop(number: int, _frame: object) -> None:
    sys.exit(128 + number)


def main() -> None:
    """Run the command; no error reaches a person as a traceback."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _stop)
    try:
        app()
    except Exception as error:  # the last place where a surprise can be told in one line
        from pipeline.console import show_failures
        from pipeline.outcomes import EXIT_CODES, describe_failure, outcome_of

        failure = describe_failure("percolog", error)
        show_failures([failure])
        sys.exit(EXIT_CODES[outcome_of([failure])])


if __name__ == "__main__":
    main()
