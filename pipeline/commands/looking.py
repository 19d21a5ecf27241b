"""The commands that look and change nothing: where a value came from, what was logged when."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.shared import (
    PNG,
    AsJson,
    SiteFolder,
    edges_cm,
    end,
    instant,
    written_anew,
)


def trace(
    site: Annotated[
        Path | None, typer.Argument(metavar="SITE", help="Folder of the site.toml.")
    ] = None,
    time: Annotated[
        str, typer.Option(metavar="ISO", help="The nearest step counts; no offset means UTC.")
    ] = "",
    tube: Annotated[
        str, typer.Option(metavar="T", help="A tube; for rain a source that logs it.")
    ] = "",
    depth: Annotated[
        float | None, typer.Option(metavar="CM", help="A sensor's depth [cm], within 2 cm.")
    ] = None,
    product: Annotated[
        str,
        typer.Option(
            help="water, storage, daily_water_content, daily_storage, rain, daily_rain, "
            "hand_reading, event, uptake, conductivity, limits, site_mean, stability or "
            "rank_correlation."
        ),
    ] = "water",
    layer: Annotated[str, typer.Option(metavar="NAME", help="A layer, for storage.")] = "",
    number: Annotated[
        str, typer.Option(metavar="NAME", help="Which number of a row, such as drainage_mm.")
    ] = "",
    event: Annotated[
        str, typer.Option(metavar="NAME", help="A wetting event, by its name.")
    ] = "",
    group: Annotated[
        str, typer.Option(metavar="NAME", help="A group of tubes, for site_mean.")
    ] = "",
    months: Annotated[
        str, typer.Option(metavar="M,M", help="Two months, for rank_correlation.")
    ] = "",
    water: Annotated[
        float | None, typer.Option(metavar="M3_M3", help="A class, for conductivity.")
    ] = None,
    direction: Annotated[
        float | None, typer.Option(metavar="DEG", help="Of a hand reading.")
    ] = None,
    commit: Annotated[
        str | None, typer.Option(metavar="ID", help="An earlier state: id, night or date.")
    ] = None,
    file: Annotated[
        Path | None, typer.Option(metavar="NC", help="Trace a value of this delivered file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where one value came from: tests, laws, wiring, clock, file, line and its text."""
    from pipeline.console import show_failures
    from pipeline.lineage.text import trace_text
    from pipeline.lineage.trace import Question, TraceError
    from pipeline.lineage.trace import trace as trace_value

    at = instant(time, "--time") if time else None
    row = (number, event, group, months, water, direction)
    question = Question(tube, at, depth, product, layer, commit, *row)
    try:
        with redirect_stdout(sys.stderr):
            account = trace_value(None if site is None else site.absolute(), file, question)
    except TraceError as error:
        raise typer.BadParameter(str(error), param_hint="trace") from None
    show_failures(account.get("failures", ()))
    if not as_json:
        print(trace_text(account))
    end("trace", [account], as_json)


def timeline(
    site: SiteFolder,
    png: Annotated[
        Path | None, typer.Option("--png", metavar="FILE", help="Draw it as a picture there.")
    ] = None,
    plain: Annotated[
        bool, typer.Option("--ascii", help="Draw with ASCII characters only.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Draw what was installed, wired and logged when, and how densely."""
    from pipeline.accounts.timeline import (
        MOST_COLUMNS,
        print_timeline,
        site_timeline,
        timeline_account,
    )

    written_anew(png, PNG, "--png")
    folder, now = site.absolute(), datetime.now(UTC)
    with redirect_stdout(sys.stderr):
        if png is not None:
            from pipeline.report.timeline import draw_timeline

            draw_timeline(site_timeline(folder, now, MOST_COLUMNS), png)
    if as_json:
        end("timeline", [timeline_account(site_timeline(folder, now, MOST_COLUMNS))], True)
    elif png is not None:
        print(png)
    else:
        print_timeline(folder, now, plain)


def limits(
    site: SiteFolder,
    tube: Annotated[str, typer.Option(metavar="T", help="Only this tube.")] = "",
    root_depth: Annotated[
        float, typer.Option(metavar="CM", min=1, help="Depth of the root zone [cm].")
    ] = 60.0,
    depletion: Annotated[
        float,
        typer.Option(
            min=0, max=1, help="Share of the available water after which one refills."
        ),
    ] = 0.5,
    as_json: AsJson = False,
) -> None:
    """Show the limits of the soil's water, and what the root zone holds between them."""
    from pipeline.accounts.limits_report import LimitsError, limits_report
    from pipeline.accounts.limits_text import limits_text
    from pipeline.console import show_failures

    try:
        with redirect_stdout(sys.stderr):
            account = limits_report(site.absolute(), root_depth / 100, depletion, tube)
    except LimitsError as error:
        raise typer.BadParameter(str(error), param_hint="limits") from None
    show_failures(account.get("failures", ()))
    if not as_json:
        print(limits_text(account))
    end("limits", [account], as_json)


def layers(
    site: SiteFolder,
    bounds: Annotated[
        str, typer.Option(metavar="CM,CM,...", help="Edges of the layers [cm], downwards.")
    ],
    output: Annotated[Path, typer.Option(metavar="NC", help="The file to write.")],
    step: Annotated[str, typer.Option(help="native, hourly or daily.")] = "daily",
    first: Annotated[
        datetime | None, typer.Option("--from", formats=["%Y-%m-%d"], help="First day.")
    ] = None,
    last: Annotated[
        datetime | None, typer.Option("--until", formats=["%Y-%m-%d"], help="Last day.")
    ] = None,
    covariance: Annotated[
        bool, typer.Option("--covariance", help="Error covariance between layers too.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write stored water in the layers of a model as CF NetCDF, with its observation error."""
    from pipeline.delivering.model_output import LayersError, layers_file
    from pipeline.derive.binning import STEPS_S

    if step not in STEPS_S:
        known = ", ".join(STEPS_S)
        raise typer.BadParameter(f"found {step!r}; expected {known}", param_hint="--step")
    edges = [edge / 100 for edge in edges_cm(bounds, "--bounds")]
    written_anew(output, b"\x89HDF", "--output")
    try:
        with redirect_stdout(sys.stderr):
            found = layers_file(
                site.absolute(), edges, output.absolute(), step, (first, last), covariance
            )
    except LayersError as error:
        raise typer.BadParameter(str(error), param_hint="layers") from None
    if not as_json:
        print(f"{found['file']}: {found['values_known']} of {found['values']} values known")
    end("layers", [found], as_json)


def events(
    site: SiteFolder,
    tube: Annotated[str, typer.Option(metavar="T", help="Only this tube.")] = "",
    pictures: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Draw tubes there; of --tube each event too."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show wetting events: onset, depth reached, gain, rain, and what drained after."""
    from pipeline.accounts.events_pictures import add_pictures
    from pipeline.accounts.events_report import EventsError, events_report, events_text
    from pipeline.console import show_failures

    try:
        with redirect_stdout(sys.stderr):
            account = events_report(site.absolute(), tube)
            if pictures is not None:
                add_pictures(account, site.absolute(), pictures.absolute(), tube)
    except EventsError as error:
        raise typer.BadParameter(str(error), param_hint="events") from None
    if not as_json:
        print(events_text(account))
    show_failures(account.get("failures", ()))
    end("events", [account], as_json)


def space(site: SiteFolder, as_json: AsJson = False) -> None:
    """Tell which tube stands for the site, how sure that is, and the newest means."""
    from pipeline.accounts.space_account import space_account, space_text
    from pipeline.console import show_failures

    with redirect_stdout(sys.stderr):
        account = space_account(site.absolute())
    show_failures(account.get("failures", ()))
    if not as_json:
        print(space_text(account))
    end("space", [account], as_json)
