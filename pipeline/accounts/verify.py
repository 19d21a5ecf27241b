"""``percolog verify``: is all that was stored still what was stored, and how is it mended.

Looked at are the store's bookkeeping (by checksums kept beside it), every chunk of the newest
state (by the checksum inside), the ledger (accounts that close; as many cells as it says), the
raw files and what was delivered (by their hashes). What is computed can be computed
again; a reading can be read again as long as its raw file lies there.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import NotRequired, TypedDict

import numpy as np

from pipeline.accounts.raw_files import RawFiles, Repacked
from pipeline.console import headline, say, show_failures
from pipeline.delivering.revision_files import revision_problems
from pipeline.errors import OtherStoreError, Problem, ProblemRow, StoreError
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.nights.manifest import Manifest
from pipeline.nights.night import open_description, site_store
from pipeline.nights.redo import mark_days
from pipeline.outcomes import Failure
from pipeline.site.models import Site
from pipeline.store.check import DamagedChunk, Findings, read_everything
from pipeline.store.opened import Described, described
from pipeline.store.state import Snapshot, Writer
from pipeline.store.sums import StoreSums
from pipeline.words import counted

# A ledger entry with this in place of its source's fingerprint is read anew next night.
_READ_ANEW = "to be read anew"
_ORIGIN = ("_file", "_line", "_offset_s")  # beside each array of values
_INTAKE_TABLES = ("superseded", "rounds", "rounds_superseded")


class Verified(TypedDict):
    """What the check of a site's store and raw files found."""

    site: str
    commit: str
    chunks_read: int
    files_read: int
    problems: list[ProblemRow]
    repacked: list[Repacked]
    removed: int  # raw files that are no longer there, and need not be
    mended: int  # arrays, chunks and tables that were emptied
    outcome: str  # "attention" where there are problems
    failures: NotRequired[list[Failure]]  # where the description is wrong at present


def verify_site(folder: Path, mend: bool = False) -> Verified:
    """Check a site's store and raw files; with ``mend``, prepare what the next night repairs.

    Parameters
    ----------
    folder : Path
        The folder of ``site.toml``.
    mend : bool
        Empty what is damaged and note it, so that the next night computes and reads it anew.

    Raises
    ------
    SiteError, StoreError, LockedError
        Nothing is mended while the description is wrong. StoreError also where the newest
        state cannot be opened at all; it says what to do.
    """
    found = (
        Described(open_description(folder)) if mend else described(folder, open_description)
    )
    site = found.site
    store = site_store(site)
    problems = _bookkeeping(site)
    try:
        snapshot = store.read()
        findings = read_everything(snapshot)
    except OtherStoreError:  # nothing is damaged
        raise
    except Exception as error:  # damage takes any form (measured); all of them mean this
        raise StoreError(_unreadable(site, problems, error)) from error
    ledger = None
    if "ledger" not in findings.tables:
        ledger = Ledger.from_table(snapshot.table("ledger"))
    raw = RawFiles(site)
    problems += _array_problems(snapshot, findings, ledger, raw)
    if ledger is not None:
        problems += [
            *_account_problems(snapshot, ledger, findings),
            *raw.problems(ledger),
        ]
    problems += [*_delivered_problems(site), *revision_problems(site)]
    mended = 0
    if (
        mend
        and ledger is not None
        and (findings.chunks or findings.tables or findings.coordinates)
    ):
        with store.write() as writer:
            if writer.commit_id != snapshot.commit_id:
                raise StoreError(f"{site.store}: another run wrote meanwhile; verify again")
            mended = _mend(writer, raw, findings, ledger)
            writer.commit("what was damaged was emptied, to be made anew", {"verify": True})
    return {
        "site": site.id,
        "commit": snapshot.commit_id,
        "chunks_read": findings.chunks_read,
        "files_read": 0 if ledger is None else len(ledger.entries),
        "problems": [problem.as_dict() for problem in problems],
        "repacked": raw.repacked,
        "removed": raw.removed,
        "mended": mended,
        "outcome": found.outcome("attention" if problems else "done"),
        **found.told(),
    }


def show_verified(account: Verified) -> None:
    """Print what `verify_site` found."""
    problems = account["problems"]
    headline(
        account["outcome"],
        f"{account['site']}: {counted(account['chunks_read'], 'chunk')} and "
        f"{counted(account['files_read'], 'raw file')} checked, "
        f"{counted(len(problems), 'problem')}",
    )
    show_failures(account.get("failures", ()))
    for problem in problems:
        where = ", ".join(filter(None, (problem["file"], problem["place"])))
        say(f"  {where}: found {problem['found']}; expected {problem['expected']}.")
        say(f"    {problem['advice']}")
    for file in account["repacked"]:
        say(
            f"  {file['file']} was {file['became']}, with all that was read: {file['lies_in']}"
        )
    if account["removed"]:
        many = counted(account["removed"], "raw file")
        say(f"  {many} no longer there: archived, or all of it in other files")
    if account["mended"]:
        say(f"  {account['mended']} emptied; run percolog night to make them anew")


def _bookkeeping(site: Site) -> list[Problem]:
    """Return the files of the store's bookkeeping that are not what was written."""
    if "://" in site.store:  # an object store checks its objects itself
        return []
    sums = StoreSums(Path(site.store))
    return [
        Problem(
            f"{site.store}/{name}",
            "",
            "bytes that differ from its checksum",
            "the file as it was written",
            "Take it back from a backup. Without one, undo to a state before if the newest "
            "nights can be given up; else move the store away and run the night, which makes "
            "everything anew from the raw files.",
        )
        for name in sums.damaged()
    ]


def _unreadable(site: Site, problems: list[Problem], error: Exception) -> str:
    told = "; ".join(str(problem) for problem in problems)
    return (
        f"{site.store}: the newest state cannot be opened or walked through "
        f"({type(error).__name__}: {error}). {told or 'Its bookkeeping is damaged.'} Keep a "
        f"copy of the folder before anything is tried"
    )


def _array_problems(
    snapshot: Snapshot, findings: Findings, ledger: Ledger | None, raw: RawFiles
) -> list[Problem]:
    problems = []
    for chunk in sorted(findings.chunks):
        lost = _lost_files(chunk, ledger, raw) if chunk.key.startswith("readings/") else []
        what = "station" if chunk.of_station else "tube"
        what += "s" * (len(chunk.columns) > 1)
        problems.append(
            Problem(
                f"store: {chunk.key}",
                f"{what} {', '.join(chunk.columns)}, {_day(chunk.first_s)} to "
                f"{_day(chunk.stop_s - 1)}",
                f"a chunk that cannot be read ({chunk.error})",
                "the bytes that were written",
                _chunk_advice(chunk, lost),
            )
        )
    problems += [
        Problem(f"store: {key}", "", "wrong or unreadable", "what the axis says", _MEND)
        for key in findings.coordinates
    ]
    for name in findings.tables:
        advice = _MEND
        if name == "ledger":
            advice = (
                "Undo to the state before, or take the store back from a backup. Without "
                "either, move it away and run the night, which makes everything anew from the "
                "raw files."
            )
        problems.append(
            Problem(f"store: table {name}", "", "unreadable", "the table as written", advice)
        )
    return problems


_MEND = "Run percolog verify --mend, then percolog night: it is made anew."


def _chunk_advice(chunk: DamagedChunk, lost: list[str]) -> str:
    if lost:
        return (
            f"Its readings may come from files that are no longer there or were rewritten: "
            f"{', '.join(lost)}. Put them back first, or take the store back from a backup."
        )
    if chunk.key.startswith("readings/"):
        return (
            "Run percolog verify --mend, then percolog night: it is read again from the files."
        )
    return _MEND


def _lost_files(chunk: DamagedChunk, ledger: Ledger | None, raw: RawFiles) -> list[str]:
    """Return the raw files that may hold a chunk's readings and cannot be read again."""
    if ledger is None:
        return []
    return sorted(
        entry.path
        for entry in _sources_of(chunk, ledger, raw.site)
        if entry.stored and (entry.state == "replaced" or raw.is_lost(entry))
    )


def _sources_of(chunk: DamagedChunk, ledger: Ledger, site: Site) -> list[FileEntry]:
    """Return the files whose readings may lie in a chunk: by time, source and wiring."""
    quantity = _value_key(chunk.key).removeprefix("readings/")
    sources = {
        wire.source
        for wire in site.wiring
        if wire.quantity == quantity
        and (wire.source if chunk.of_station else wire.tube) in chunk.columns
    }
    return [
        entry
        for entry in ledger.entries.values()
        if entry.source in sources
        and entry.first_s is not None
        and entry.last_s is not None
        # A reading may be placed a step away from its stamp.
        and entry.first_s < chunk.stop_s + site.interval_s
        and entry.last_s >= chunk.first_s - site.interval_s
    ]


def _account_problems(
    snapshot: Snapshot, ledger: Ledger, findings: Findings
) -> Iterable[Problem]:
    """Yield accounts that do not close, and files with more or fewer cells than they say."""
    rounds = {} if "rounds" in findings.tables else _rounds_by_file(snapshot)
    whole = not findings.chunks and not findings.tables
    for entry in sorted(ledger.entries.values(), key=lambda e: (e.path, e.revision)):
        if not entry.closes():
            yield Problem(
                entry.path,
                "",
                "an account that does not close",
                "every value accounted for",
                "This is a fault of percolog; report it with the file.",
            )
        cells = findings.cells[entry.file] + rounds.get(entry.file, 0)
        if whole and cells != entry.stored:
            yield Problem(
                entry.path,
                "",
                f"{cells} readings in the store",
                f"{entry.stored}, as the ledger says",
                "This is a fault of percolog; report it with the file.",
            )


def _rounds_by_file(snapshot: Snapshot) -> dict[int, int]:
    table = snapshot.table("rounds")
    if table is None:
        return {}
    files, counts = np.unique(table["file"].to_numpy(), return_counts=True)
    return dict(zip(files.tolist(), counts.tolist(), strict=True))


def _delivered_problems(site: Site) -> Iterable[Problem]:
    """Yield files of the nights that are not as they were written."""
    for path, found in Manifest(site).spoilt():
        yield Problem(
            str(path),
            "",
            found,
            "the file as a night wrote it",
            "The next night writes it anew, and keeps beside what it finds there.",
        )


def _mend(writer: Writer, raw: RawFiles, findings: Findings, ledger: Ledger) -> int:
    """Empty what is damaged and note what has to be made anew; return how much was emptied."""
    if findings.coordinates:
        writer.restore_coordinates()
    marks = set()
    anew: set[int] = set()
    emptied = len(findings.coordinates)
    for chunk in sorted(findings.chunks):
        if chunk.key.startswith("readings/"):
            if _lost_files(chunk, ledger, raw):
                continue  # what is left of it may still be read by hand; told as a problem
            files = _sources_of(chunk, ledger, raw.site)
            # Of one that is lost nothing is stored: see above.
            anew.update(e.file for e in files if e.state != "replaced" and not raw.is_lost(e))
        for key in _together(chunk.key):
            writer.drop_chunk(key, chunk.index)
        emptied += 1
        columns = [""] if chunk.of_station else list(chunk.columns)
        marks |= {(name, chunk.first_day, chunk.stop_day) for name in columns}
    for name in findings.tables:
        writer.drop_table(name)
        emptied += 1
        if name in _INTAKE_TABLES:
            anew.update(ledger.entries)
        else:  # a table over whole records
            writer.set_attributes({"record_steps": {}})
    for file in anew:
        ledger.entries[file].fingerprint = _READ_ANEW
    writer.put_table("ledger", ledger.to_table())
    mark_days(writer, marks)
    return emptied


def _together(key: str) -> tuple[str, ...]:
    """Return the arrays that tell one reading: value, file, line, time; else the key alone."""
    if not key.startswith("readings/"):
        return (key,)
    return tuple(_value_key(key) + suffix for suffix in ("", *_ORIGIN))


def _value_key(key: str) -> str:
    """Return the array of values that an array of their origin belongs to."""
    for suffix in _ORIGIN:
        key = key.removesuffix(suffix)
    return key


def _day(seconds: int) -> str:
    return str(np.datetime64(seconds, "s").astype("datetime64[D]"))
