"""What the commands share: kinds of arguments, the end of a run, its exit codes."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from flows.launch import Wanted

EXIT_HELP = """\b
Exit codes:
  0  done
  1  failed
  2  wrong usage, or a mistake in a site description
  3  done, but something was set aside and needs a look
  130, 143  stopped by Ctrl-C or SIGTERM; the stores are safe
Of several sites the worst counts: 1, then 2, then 3, then 0.
"""

_DEEPEST_OF_METRES = 2.0  # cm: no model has layers that end there

SiteFolder = Annotated[Path, typer.Argument(metavar="SITE", help="Folder of the site.toml.")]
Sites = Annotated[
    list[Path], typer.Argument(metavar="SITE...", help="Folders that hold a site.toml.")
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on standard output.")
]

Workers = Annotated[
    int,
    typer.Option(
        metavar="N", min=0, max=1024, help="Start N processes here and share the sites out."
    ),
]
Scheduler = Annotated[
    str,
    typer.Option(
        metavar="ADDRESS", help="Share the sites out by this Dask scheduler: tls://host:8786."
    ),
]
PNG = b"\x89PNG"  # how a picture begins


def place(workers: int, scheduler: str, direct: bool) -> Wanted:
    """Return where the work of several sites is to be done, if that can be meant."""
    from importlib.util import find_spec

    from flows.launch import Wanted

    option = "--scheduler" if scheduler else "--workers"
    if workers and scheduler:
        raise typer.BadParameter(
            "found --workers too; expected one of them: --workers starts processes here, "
            "--scheduler uses those that are there",
            param_hint=option,
        )
    if direct and (workers or scheduler):
        raise typer.BadParameter(
            "found --direct too; expected one of them: --direct is one site after another",
            param_hint=option,
        )
    if (workers or scheduler) and find_spec("distributed") is None:
        raise typer.BadParameter(
            "found no dask.distributed; install it: pip install 'percolog[cluster]'",
            param_hint=option,
        )
    return Wanted(workers, scheduler)


def edges_cm(text: str, option: str) -> tuple[float, ...]:
    """Return the edges of layers an option gives in cm; those of less than 2 cm are metres."""
    told = f"found {text!r}; expected edges in cm with commas between them: 0,10,40,100"
    try:
        edges = tuple(float(part) for part in text.split(",")) if text else ()
    except ValueError:
        raise typer.BadParameter(told, param_hint=option) from None
    if edges and 0 < max(edges) < _DEEPEST_OF_METRES:
        meant = ",".join(f"{edge * 100:g}" for edge in edges)
        told = f"{told}. If those are metres write {meant}"
        raise typer.BadParameter(told, param_hint=option)
    return edges


def instant(text: str, option: str = "--now") -> datetime:
    """Return the instant an option gives, in UTC where it has no offset; else the present."""
    if not text:
        return datetime.now(UTC).replace(microsecond=0)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        from pipeline.site.advice import on_instant

        told = f"found {text!r}; expected an ISO 8601 instant such as 2026-03-01T02:00Z"
        advice = on_instant(text)
        told = f"{told}. {advice}" if advice else told
        raise typer.BadParameter(told, param_hint=option) from None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def written_anew(path: Path | None, begins: bytes, option: str) -> None:
    """Refuse a file for a result where another kind of file lies: it may be a raw one."""
    if path is None or not path.is_file() or not path.stat().st_size:
        return
    with path.open("rb") as file:
        if file.read(len(begins)) != begins:
            raise typer.BadParameter(
                f"{path}: found a file of another kind, which would be lost; expected a new "
                f"name, or that of an earlier result",
                param_hint=option,
            )


def distinct(sites: list[Path]) -> list[Path]:
    """Return the folders as absolute paths, each once."""
    return list(dict.fromkeys(folder.absolute() for folder in sites))


def prepare_compiler() -> None:
    """Find a place for compiled kernels: beside the package, else with the user's state.

    Without any place to keep them the compiler refuses to be imported.
    """
    if not os.access(Path(__file__).parents[1], os.W_OK):
        from pipeline.outcomes import state_folder

        os.environ.setdefault("NUMBA_CACHE_DIR", str(state_folder() / "kernels"))


def end(
    command: str, sites: Sequence[Mapping[str, Any]], as_json: bool, **more: object
) -> None:
    """End the run with the exit code of the worst site, and its document if asked for."""
    from pipeline.console import finish
    from pipeline.outcomes import EXIT_CODES, worst

    outcome = worst(account["outcome"] for account in sites)
    if as_json:
        print(finish(command, outcome, sites, **more))
    raise typer.Exit(EXIT_CODES[outcome])
