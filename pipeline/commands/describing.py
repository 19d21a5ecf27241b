"""The commands that help to describe a site: laws from samples, schemas, layouts."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.shared import AsJson, SiteFolder, end

_SNIFFED_BYTES = 4 * 1024**2


def fit(
    site: SiteFolder,
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
    from pipeline.accounts.fitting import Wish, fit_site
    from pipeline.accounts.fitting_text import entries_text, show_fit
    from pipeline.calibrate.fit_match import Rules

    rules = Rules(within_cm / 100, round(window_h * 3600))
    wish = Wish(
        samples, pictures, degree, reading_error, rules, method, valid, effective, append
    )
    with redirect_stdout(sys.stderr):
        account = fit_site(site.absolute(), wish)
    show_fit(account)
    if not as_json:
        print(entries_text(account), end="")
    end("fit", [account], as_json)


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
    from pipeline.errors import PercologError
    from pipeline.schemas import SCHEMAS, schema_text, write_schemas

    try:
        text = schema_text(name) if name else ""
    except PercologError as error:
        raise typer.BadParameter(str(error), param_hint="NAME") from None
    if out is not None:
        for path in write_schemas(out, name):
            print(path)
    elif name:
        print(text, end="")
    else:
        from pipeline.console import table

        rows = [[full, file] for full, (file, _) in SCHEMAS.items()]
        print(table(["of", "written as"], rows).partition("\n")[2])


def sniff(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A raw file of a logger, or its beginning.")
    ],
    as_json: AsJson = False,
) -> None:
    """Propose a layout for a raw file, and say what is unsure about it."""
    from pipeline.ingest.sniff import render
    from pipeline.ingest.sniff import sniff as propose
    from pipeline.outcomes import EXIT_CODES

    proposal = propose(_beginning(file), file.name)
    outcome = "attention" if proposal.layout is None else "done"
    if as_json:
        from pipeline.console import finish

        print(finish("sniff", outcome, [], proposal=proposal.as_dict()))
    else:
        print(render(proposal), end="")
    raise typer.Exit(EXIT_CODES[outcome])


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
