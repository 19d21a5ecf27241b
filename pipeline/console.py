"""What a run shows: progress and short tables for people on stderr, one document on stdout.

Text that came from a file name or a table is made harmless before a terminal sees it. Colours
appear on a terminal only, and never against ``NO_COLOR``.
"""

from __future__ import annotations

import json
import logging
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from pipeline.axis import iso_utc
from pipeline.errors import SetAside, clean
from pipeline.outcomes import EXIT_CODES, Failure
from pipeline.words import counted, told_absent, told_refusal, told_verdict

if TYPE_CHECKING:  # a command that fails at once does not need it
    from pipeline.delivering.documents import DeliveryAccount
    from pipeline.nights.documents import DeliveredNight, NightAccount

_COLOURS = {"done": "32", "attention": "33", "wrong": "31", "failed": "31"}
_LISTED = 10  # longer lists are cut; the summary on disk has them whole
TUBE_COLUMNS = (
    "tube",
    "due",
    "good_pct",
    "suspect_pct",
    "bad_pct",
    "missing_pct",
    "last_reading",
)


def say(text: str) -> None:
    """Print lines for a person."""
    for line in text.split("\n"):
        _tell(clean(line))


def _tell(line: str) -> None:
    try:
        print(line, file=sys.stderr, flush=True)
    except (OSError, ValueError):
        # The log's disk is full, or who read along has left: no reason to do nothing more.
        return


def wants_colour(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal whose owner has not asked for plain text."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return stream.isatty() and not plain


def headline(outcome: str, text: str) -> None:
    """Print a line that begins with an outcome, coloured where that is wanted."""
    word = outcome
    if wants_colour(sys.stderr):
        word = f"\x1b[1;{_COLOURS[outcome]}m{outcome}\x1b[0m"
    _tell(f"{word}: {clean(text)}")


def table(headers: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a plain table; columns of numbers are aligned at the right.

    Parameters
    ----------
    headers : sequence of str
        One for each column.
    rows : iterable of sequences
        Cells of any type; None is shown as a dash.
    """
    body = [list(row) for row in rows]
    cells = [list(headers), *([_cell(value) for value in row] for row in body)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    numeric = [
        all(isinstance(row[at], int | float | None) for row in body)
        for at in range(len(headers))
    ]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(line, widths, numeric, strict=True)
        ).rstrip()
        for line in cells
    )


def _cell(value: object) -> str:
    if value is None or value != value:  # NaN differs from itself
        return "-"
    if isinstance(value, float):
        return f"{value:.1f}"
    return clean(value)


def document(content: Mapping[str, object]) -> str:
    """Return content as one strict JSON document, in ASCII so that any terminal takes it."""
    return json.dumps(_plain(content), indent=2, allow_nan=False)


def _plain(value: object) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if isinstance(value, datetime) and value.tzinfo is not None:
        return iso_utc(value.timestamp())  # as all other instants are told
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return None  # strict JSON has no NaN
    return str(value) if isinstance(value, Path) else value


class _Progress(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        say(record.getMessage())


def show_progress() -> None:
    """Print what the pipeline logs, from INFO on, as lines for a person."""
    logger = logging.getLogger("pipeline")
    if not any(isinstance(handler, _Progress) for handler in logger.handlers):
        logger.addHandler(_Progress())
    logger.setLevel(logging.INFO)


def show_failures(failures: Iterable[Failure]) -> None:
    """Print what failed, and in which file the traceback of a surprise is."""
    for failure in failures:
        say(f"  {failure['part']}: {failure['error']}".replace("\n", "\n    "))
        if "traceback" in failure:
            say(f"    The traceback is in {failure['traceback']}")


def show_night(summary: NightAccount) -> None:
    """Print the short account of one site's night."""
    message = summary.get("message") or "nothing was stored"
    headline(summary["outcome"], f"{summary['site']}: {message}")
    show_failures(summary.get("failures", ()))
    tubes = summary.get("tubes", [])
    if tubes:
        headers = [name.replace("_pct", " %").replace("_", " ") for name in TUBE_COLUMNS]
        verdicts = {row["tube"]: told_verdict(row) for row in summary.get("verdicts", [])}
        rows: list[list[object]] = []
        for tube in tubes:
            shown: Mapping[str, object] = {**tube, "due": tube.get("due") or None}
            rows.append([*map(shown.get, TUBE_COLUMNS), verdicts.get(tube["tube"])])
        say(table([*headers, "verdict"], rows))
    _show_set_aside(summary.get("set_aside", ()))
    _show_results(summary)


def _show_set_aside(entries: Sequence[SetAside]) -> None:
    if not entries:
        return
    say(f"set aside, {counted(len(entries), 'kind')}:")
    for entry in entries[:_LISTED]:
        say(f"  {told_refusal(entry)}. {entry.get('advice', '')}".rstrip())
    if len(entries) > _LISTED:
        say(f"  and {len(entries) - _LISTED} more, in the summary")


def _show_results(summary: NightAccount) -> None:
    files = [Path(path) for path in summary.get("summary_files", ())]
    if not files:
        return
    say(f"results in {files[0].parent}")
    counts = summary.get("delivered_counts")
    if counts:  # a delivery that failed has told its failure instead
        netcdf = counted(counts["netcdf"], "NetCDF file")
        say(f"  delivered {netcdf}, {counted(counts['tables'], 'table')} written now")
    show_absent(summary)
    say(f"  pictures  {len(summary.get('pictures', ()))} drawn now")
    say(f"  summary   {', '.join(path.name for path in files)}")


def show_absent(account: DeliveredNight) -> None:
    """Print which files were removed, and which periods have none."""
    removed = [Path(path).name for path in account.get("removed", ())]
    if removed:
        more = f" and {len(removed) - _LISTED} more" if len(removed) > _LISTED else ""
        told = f"{counted(len(removed), 'file')} that nothing is left for"
        say(f"  removed   {told}: {', '.join(removed[:_LISTED])}{more}")
    for what, names, logged in told_absent(account):
        say(f"  {what}  {names}: {logged}")


def finish(
    command: str, outcome: str, sites: Sequence[Mapping[str, object]], **more: object
) -> str:
    """Return the document that ``--json`` prints."""
    from importlib.metadata import version

    head = {"percolog": version("percolog"), "command": command, "outcome": outcome}
    return document({**head, "exit_code": EXIT_CODES[outcome], **more, "sites": list(sites)})


def show_delivery(account: DeliveryAccount) -> None:
    """Print what `pipeline.delivering.numbered.deliver_site` made, or why it made nothing."""
    if "revision" not in account:
        headline(account["outcome"], f"{account['site']}: nothing delivered")
        show_failures(account["failures"])
        return
    what = "made" if account["new"] else "says the same already; none was made"
    headline(
        account["outcome"],
        f"{account['site']}: {account['delivery']}, revision {account['revision']} {what}",
    )
    say(f"  {account['revision_folder']}")
    for title, lines in (("why", account["reasons"]), ("changed", account["changes"])):
        for line in lines[:_LISTED]:
            say(f"  {title}: {line}")
        if len(lines) > _LISTED:
            say(f"  {title}: {len(lines) - _LISTED} more, see CHANGES.txt")
