"""What ``percolog check`` and ``percolog ledger`` tell of a site."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path, PurePosixPath
from typing import Required, TypedDict

from pipeline.accounts.inventory import look
from pipeline.calibrate.odd_samples import odd_samples
from pipeline.calibrate.samples import FILE, read_samples
from pipeline.console import headline, say, show_failures, table
from pipeline.errors import (
    OtherStoreError,
    PercologError,
    Problem,
    ProblemRow,
    SiteError,
)
from pipeline.nights.documents import FileRow, LedgerReport
from pipeline.nights.night import ledger_report, open_description
from pipeline.nights.prepared import refuse_lost_tubes
from pipeline.outcomes import Failure, describe_failure, outcome_of
from pipeline.site.checks import located, review
from pipeline.site.checks_layers import rule_without_water, sensor_depths_of
from pipeline.site.models import Site
from pipeline.store.site_store import SiteStore
from pipeline.words import counted

FILE_COLUMNS = (
    "path",
    "source",
    "revision",
    "state",
    "rows_read",
    "values_read",
    "stored",
    "duplicates",
    "superseded",
    "rejected",
    "closes",
)
# What the file is: shown with the first digits of its hash, which --json tells whole.
CONTENT_COLUMNS = ("path", "size", "sha256", "first", "last")
REPAIR_COLUMNS = ("kind", "first_line", "last_line", "rows", "least_s", "most_s", "evidence")
_SHOWN_DIGITS = 12
_MIDNIGHT = re.compile(r"\d{4}-\d\d-\d\dT00:00:00[+-]\d\d:\d\d")
REJECT_COLUMNS = ("reason", "rows", "values", "first_line", "found", "expected")
_SHOWN_FILES = 5


class SourceRow(TypedDict):
    """A source of a description."""

    source: str
    kind: str
    files: str  # pattern
    channels: int


class DescribedTube(TypedDict):
    """A tube of a description; instants with the site's own offset."""

    tube: str
    soil: str
    installed: str | None
    removed: str | None  # None while in the ground
    wires: int
    layers_without_water: list[str]  # that reach beyond its sensors, by the rules of [derive]


class _Contents(TypedDict, total=False):
    title: str
    data: str  # folder
    store: str  # folder or address
    output: str  # folder
    start: str | None  # instant with the site's own offset
    interval_s: int
    sources: list[SourceRow]
    tubes: list[DescribedTube]


class Survey(_Contents, total=False):
    """What a description holds; of one with mistakes only which."""

    site: Required[str]
    folder: Required[str]
    outcome: str  # "attention": it can be used, but remarks name what looks odd
    remarks: list[ProblemRow]
    problems: list[ProblemRow]
    failures: list[Failure]


class LedgerAccount(LedgerReport):
    """What ``percolog ledger`` tells of a site."""

    outcome: str  # "attention" where an account does not close


def survey_site(folder: Path, now: datetime | None = None, whole: bool = False) -> Survey:
    """Return what a site description holds, or every mistake in it.

    Parameters
    ----------
    folder : Path
        The folder of ``site.toml``.
    now : datetime, optional
        With an offset; what lies after it is told. Default: what this machine's clock shows.
    whole : bool
        Read the raw files from end to end, see `pipeline.accounts.inventory.look`.
    """
    account: Survey = {"site": folder.name, "folder": str(folder)}
    try:
        site = open_description(folder)
        _hold_against_store(site)
        found = (*review(site, now), *_of_samples(site, now), *look(site, now, whole))
        remarks = [problem.as_dict() for problem in found]
    except SiteError as error:
        problems = [problem.as_dict() for problem in error.problems]
        return {**account, "outcome": "wrong", "problems": problems}
    except (
        Exception
    ) as error:  # one folder's surprise must not hide the next folder's mistakes
        failures = [describe_failure("check", error)]
        return {**account, "outcome": outcome_of(failures), "failures": failures}
    outcome = "attention" if remarks else "done"
    account["site"] = site.id
    return {**account, **_contents(site), "outcome": outcome, "remarks": remarks}


def _hold_against_store(site: Site) -> None:
    """Raise `SiteError` where no night could go on from a store on a disk of this machine."""
    store = SiteStore(site.store, site.axis, site.id)
    try:
        if store.is_local and store.exists():
            refuse_lost_tubes(store.read(), site)
    except OtherStoreError as error:
        if error.problem is not None:
            raise SiteError(located(site, [error.problem])) from error
    except SiteError:
        raise
    except Exception:  # damage takes any form, and is for percolog verify to tell
        return


def _of_samples(site: Site, now: datetime | None) -> tuple[Problem, ...]:
    """Return what is wrong or odd in the soil samples; a bad table of them stops no night."""
    path = site.folder / FILE
    try:
        if path.is_file():
            samples = read_samples(path, site)
            return tuple(odd_samples(samples, site, now or datetime.now(UTC)))
    except SiteError as error:
        return tuple(error.problems)
    return ()


def _contents(site: Site) -> _Contents:
    """Return the outline of a description; instants with the site's own offset, as stated."""
    zone = timezone(timedelta(seconds=site.utc_offset_s))

    def stated(instant: datetime | None) -> str | None:
        return instant.astimezone(zone).isoformat() if instant else None

    return {
        "title": site.title,
        "data": str(site.data),
        "store": site.store,
        "output": str(site.output),
        "start": stated(site.start),
        "interval_s": site.interval_s,
        "sources": [
            {
                "source": source.id,
                "kind": source.kind,
                "files": source.files,
                "channels": sum(wire.source == source.id for wire in site.wiring),
            }
            for source in site.sources
        ],
        "tubes": [
            {
                "tube": tube.tube,
                "soil": tube.soil,
                "installed": stated(tube.installed),
                "removed": stated(tube.removed),
                "wires": sum(wire.tube == tube.tube for wire in site.wiring),
                "layers_without_water": _dry_layers(site, tube.tube),
            }
            for tube in site.tubes
        ],
    }


def _dry_layers(site: Site, tube: str) -> list[str]:
    """Return the layers that have no stored water in a tube whatever its sensors say."""
    sensors = sensor_depths_of(site, tube)
    layers = site.derive.layers if sensors else ()
    return [layer.name for layer in layers if rule_without_water(site, layer, sensors)]


def show_survey(account: Survey) -> None:
    """Print what `survey_site` returned."""
    problems = account.get("problems", account.get("remarks", []))
    said = counted(len(problems), "remark") if problems else "the description can be used"
    if account["outcome"] in ("wrong", "failed"):
        said = counted(len(problems), "mistake") if problems else "it could not be read"
    headline(account["outcome"], f"{account['site']}: {said}")
    for problem in problems:
        where = ", ".join(filter(None, (problem["file"], problem["place"])))
        told = f"  {where}: found {problem['found']}; expected {problem['expected']}"
        say(f"{told}. {problem['advice']}" if problem.get("advice") else told)
    show_failures(account.get("failures", ()))
    for rows in (account.get("sources", []), account.get("tubes", [])):
        if rows:
            say(table(list(rows[0]), [list(map(_as_stated, row.values())) for row in rows]))


def _as_stated(value: object) -> object:
    """Return an instant that begins a day of the site as its date, a list in one line."""
    if isinstance(value, list):
        return ", ".join(map(str, value)) or None
    if isinstance(value, str) and _MIDNIGHT.fullmatch(value):
        return value[:10]
    return value


def report_ledger(folder: Path, file: str) -> LedgerAccount:
    """Return the ledger of a site, or of one raw file.

    Raises
    ------
    PercologError
        If the site has no such file, or has not been run.
    """
    report = ledger_report(folder)
    files = report["files"]
    if file:
        files = [row for row in files if row["path"] == file]
        if not files:
            paths = [row["path"] for row in report["files"]]
            named = [path for path in paths if PurePosixPath(path).name == file]
            shown = ", ".join(map(repr, named or paths[:_SHOWN_FILES]))
            raise PercologError(
                f"{folder.name}: found no file {file!r} in the ledger; expected one of its "
                f"{len(paths)} files with its folder, such as {shown}"
            )
    outcome = "done" if all(row["closes"] for row in files) else "attention"
    return {**report, "files": files, "outcome": outcome}


def ledger_text(report: LedgerReport) -> str:
    """Return a ledger as tables: the files, what was set aside and repaired, and the sums."""
    files = report["files"]
    aside = [
        [row["path"], *(each[name] for name in REJECT_COLUMNS)]
        for row in files
        for each in row["rejects"]
    ]
    repaired = [
        [row["path"], *(each[name] for name in REPAIR_COLUMNS)]
        for row in files
        for each in row["repairs"]
    ]
    contents: list[FileRow] = [{**f, "sha256": f["sha256"][:_SHOWN_DIGITS]} for f in files]
    totals = {k: v for k, v in report["totals"].items() if isinstance(v, int)}
    tables = [
        table(CONTENT_COLUMNS, [[*map(row.get, CONTENT_COLUMNS)] for row in contents]),
        table(FILE_COLUMNS, [[*map(row.get, FILE_COLUMNS)] for row in files]),
        table(["set aside of", *REJECT_COLUMNS], aside) if aside else "",
        table(["clock of", *REPAIR_COLUMNS], repaired) if repaired else "",
        table(["the site's sums", ""], [[key, totals[key]] for key in totals]),
    ]
    return "\n\n".join(text for text in tables if text)
