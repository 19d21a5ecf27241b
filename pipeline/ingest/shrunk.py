"""A raw file replaced by one with fewer rows: a logger begun anew, or a copy cut short.

What was read before stays in the store under the revision before. But rows may be missing
between the two files, and the bytes of the one before are gone from the data folder, so that
it is told in the night that meets it, and then no more. The ledger keeps both revisions.
"""

from __future__ import annotations

from pipeline.axis import iso_utc
from pipeline.errors import Problem
from pipeline.ingest.ledger import FileEntry
from pipeline.words import counted

_COPY = (
    "Where there is a copy of the file as it was, put it beside under a name of its own: only "
    "then it can be read again once wiring, layout or clock are described otherwise."
)


def shrunk(before: FileEntry, after: FileEntry, interval_s: int) -> Problem | None:
    """Return what to tell of a file that has fewer rows than its revision before, or None.

    A file that goes on without a gap from the one before, as each export of a ring memory
    does, is told the first time alone.

    Parameters
    ----------
    before, after : FileEntry
        The account of the revision that was replaced, and that of the one in its place.
    interval_s : int
        Between two rows of the source [s].
    """
    if after.rows_read >= before.rows_read:
        return None
    what_happened = _what_happened(before, after, interval_s)
    if what_happened == _WENT_ON and before.revision:
        return None
    return Problem(
        after.path,
        "",
        f"a shorter file in its place, {_told(after)}, where {_told(before)} had been read",
        "a file that only grows, or holds as much as the one before",
        f"No reading is lost: all that was read before stays, as revision {before.revision} "
        f"of the file. {what_happened} {_COPY}",
    )


_WENT_ON = "It goes on from the one before without a gap, so no rows are missing."
_CUT = "It looks like a copy cut short: copy it again, whole."
_TAKEN_OUT = (
    "Rows were taken out of it, which takes no reading out of the store: compare it with the "
    "logger."
)


def _what_happened(before: FileEntry, after: FileEntry, interval_s: int) -> str:
    """Say what the spans of time of both files tell, and what to do."""
    if before.first_s is None or before.last_s is None:
        return "Of the one before no row had a usable time: look at both."
    if after.first_s is None or after.last_s is None:
        return _CUT
    joins = before.first_s < after.first_s <= before.last_s + interval_s
    if joins and after.last_s >= before.last_s:
        return _WENT_ON
    if after.first_s > before.last_s:
        return (
            "The logger was reset or began a new file: look whether it still holds what it "
            f"logged between {iso_utc(before.last_s)} and {iso_utc(after.first_s)}, and fetch "
            "that before it is overwritten."
        )
    return _CUT if after.last_s < before.last_s else _TAKEN_OUT


def _told(entry: FileEntry) -> str:
    """Say how much a file held, and of which time."""
    held = f"{counted(entry.rows_read, 'row')} in {counted(entry.content_size, 'byte')}"
    if entry.first_s is None or entry.last_s is None:
        return f"{held} without a usable time"
    return f"{held} of {iso_utc(entry.first_s)} to {iso_utc(entry.last_s)}"
