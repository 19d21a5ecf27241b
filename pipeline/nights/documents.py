"""The documents of a night: what each part tells, and the account they make together.

docs/documents.md says the same to programs. Instants are ISO 8601 in UTC. Of the account of a
night nothing but the site is sure to be there: parts may fail.
"""

from __future__ import annotations

from typing import Any, Required, TypedDict

from pipeline.derive.rounds_comparison import ComparisonRow
from pipeline.engine.correcting import DriftRow
from pipeline.errors import SetAside
from pipeline.ingest.clock_account import RepairedClock
from pipeline.ingest.double_signals import DoubleSignal
from pipeline.ingest.ledger import ReadingCounts, Totals
from pipeline.nights.prepared import Timings
from pipeline.nights.thinning import Thinned, ThinningFailed
from pipeline.outcomes import Failure
from pipeline.products.verdicts import VerdictRow
from pipeline.words import Absent


class TubeRow(TypedDict):
    """How a tube's sensors did over the days the report shows.

    Of a tube only read by hand ``due`` is 0, there are no percentages, and the last reading is
    by hand.
    """

    tube: str
    due: int  # values its sources should have logged between its first and last reading
    good_pct: float | None  # of those due; None where nothing is
    suspect_pct: float | None
    bad_pct: float | None
    missing_pct: float | None
    last_reading: str | None  # None before the first
    hand_readings: int  # in the whole record


class RawFiles(TypedDict):
    """How many raw files there are, and how many were read tonight."""

    found: int
    read: int


class StoredNight(TypedDict, total=False):
    """What `pipeline.nights.night.store_night` tells: all of it, or it has failed."""

    site: Required[str]
    title: str
    now: str  # the instant the night went by
    commit: str  # the state that holds tonight's result, also if nothing was new
    message: str
    raw_files: RawFiles
    ledger: Totals
    set_aside: list[SetAside]
    clocks: list[RepairedClock]
    double_signals: list[DoubleSignal]
    tubes: list[TubeRow]
    verdicts: list[VerdictRow]
    drift: list[DriftRow]
    days_computed: int
    timings_s: Timings


class FileCounts(TypedDict):
    """How many of the files written now are of each kind."""

    netcdf: int
    tables: int


class DeliveredNight(Absent, total=False):
    """What `pipeline.nights.night.deliver_night` tells: all of it, or it has failed."""

    delivered: list[str]  # paths of the files written now
    delivered_counts: FileCounts
    removed: list[str]  # that nothing is left for, also by an earlier try that failed
    rounds: list[ComparisonRow]  # how hand readings differ from the loggers


class DrawnNight(TypedDict, total=False):
    """What `pipeline.nights.night.draw_night` tells."""

    pictures: list[str]  # paths


class FailedParts(TypedDict, total=False):
    """What is told of parts that failed."""

    failures: list[Failure]


LaterPart = DeliveredNight | DrawnNight | FailedParts


class Told(TypedDict):
    """What `pipeline.watch.nights.end_night` told people, or could not."""

    raised: list[str]  # what is amiss since tonight
    over: list[str]
    open: int | None  # how many; None where unknown
    failures: list[Failure]  # ways that failed, and what else went wrong in telling


class NightAccount(StoredNight, DeliveredNight, DrawnNight, FailedParts, total=False):
    """The account of a night, however far it came.

    ``summary.json`` has what is known when the night is closed: not the last three.
    """

    outcome: str
    thinning: Thinned | ThinningFailed  # left out where nothing was thinned
    summary_files: list[str]  # paths
    folder: str  # of the description
    alerts: Told


class FileRow(ReadingCounts):
    """The account of a revision of a raw file: see `pipeline.ingest.ledger.FileEntry`."""

    path: str
    source: str
    revision: int
    state: str
    size: int  # bytes
    sha256: str
    first: str | None  # instants of readings; None without
    last: str | None
    rejects: list[dict[str, Any]]  # see `pipeline.ingest.records.Reject`
    clock: dict[str, Any] | None  # how stamps were read; None where no reading has one
    around: dict[str, Any] | None  # the files whose stamps decided; None where none did
    repairs: list[dict[str, Any]]  # see `pipeline.ingest.records.Repair`
    closes: bool


class LedgerReport(TypedDict):
    """The account of every raw file of a site."""

    site: str
    totals: Totals
    files: list[FileRow]
