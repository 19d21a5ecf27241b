"""The documents of history, comparison, recalibration, undoing and thinning.

docs/documents.md says the same to programs.
"""

from __future__ import annotations

from typing import Any, NotRequired, Required, TypedDict

from pipeline.history.differences import Difference
from pipeline.nights.documents import DeliveredNight, DrawnNight, FailedParts
from pipeline.nights.thinning import Thinned
from pipeline.outcomes import Failure
from pipeline.store.states import StateRow


class WaterDifference(Difference):
    """Of a sensor [m3 m-3]."""

    tube: str
    depth_cm: float
    flags: int  # that differ


class StorageDifference(Difference):
    """Of a layer [mm]."""

    tube: str
    layer: str


class ReadingDifference(Difference):
    """Of logged values, in their own units."""

    quantity: str
    place: str
    depth_cm: float | None  # None of a station


class ArrayDifference(TypedDict):
    """How many cells of an array of the store differ."""

    array: str
    cells: int


class TableDifference(TypedDict):
    """How many rows of a table differ."""

    table: str
    rows_before: int
    rows_after: int
    appeared: int
    vanished: int
    changed: int


class EventsDifference(TypedDict):
    """How many events differ, and the first of them as the table has them."""

    appeared: int
    vanished: int
    changed: int
    appeared_rows: list[dict[str, Any]]
    vanished_rows: list[dict[str, Any]]


class Comparison(TypedDict, total=False):
    """What differs between two states."""

    water: list[WaterDifference]
    storage: list[StorageDifference]
    readings: list[ReadingDifference]
    hand_readings: list[ReadingDifference]
    arrays: list[ArrayDifference]
    tables: list[TableDifference]
    events: EventsDifference | None  # None without events


class LineChanges(TypedDict):
    """The lines of a file of the description that changed."""

    file: str
    added: list[str]
    removed: list[str]


class RedoneTube(TypedDict):
    """Which days of a tube are computed again."""

    tube: str
    days: int
    first: str  # day, in the site's own time
    last: str


# Written so because "from" is a word of the language.
Ends = TypedDict("Ends", {"from": str}, total=False)  # commit before


class Revision(Ends, Comparison, DeliveredNight, DrawnNight, FailedParts, total=False):
    """What is done again, what that changes, and what followed where it was done.

    Nothing but the site is sure to be there, as it may fail.
    """

    site: Required[str]
    folder: str  # of the description
    outcome: str
    done: bool  # whether it was stored
    commit: str | None  # None where it was not
    description: list[LineChanges]
    files_read: int
    days: int  # computed otherwise
    tubes: list[RedoneTube]
    restored: str  # of an undoing alone: commit whose description is in force again
    put_back: list[LineChanges]
    edited: bool  # whether the disk holds neither it nor the one taken back
    files: list[str]  # of that description, written to be put back


class History(TypedDict):
    """Every state of a store, newest first."""

    site: str
    outcome: str
    states: list[StateRow]
    failures: NotRequired[list[Failure]]  # where the description is not valid at present


class StatesApart(Ends, Comparison):
    """How two states differ."""

    site: str
    outcome: str
    to: str  # commit
    states: list[StateRow]  # both
    days: int  # computed otherwise
    description: list[LineChanges]
    picture: NotRequired[str]  # path; once it is drawn
    failures: NotRequired[list[Failure]]  # where it could not be, or the description is wrong


class ThinnedStore(Thinned):
    """What was thinned out of a store, or would be."""

    site: str
    outcome: str
    dry_run: bool
