"""A raw file replaced by one with fewer rows or after a gap, as where a logger was reset.

What was read before stays in the store under the revision before. But rows may be missing
between the two files, and the bytes of the one before are gone from the data folder, so that
it is told in the night that meets it, and then no more. The ledger keeps both revisions.
"""

from __future__ import annotations

from pipeline.axis import iso_utc
from pipeline.errors import Problem
from pipeline.ingest.ledger import FileEntry
from pipeline.words import counted

_WENT_ON, _GAP, _CUT, _TAKEN_OUT, _UNTOLD = range(5)
_ADVICE = {
    _WENT_ON: "It goes on from the one before without a gap, so no rows are missing.",
    _GAP: "The logger was reset or began a new file: look whether it still holds what it "
    "logged between {end} and {begin}, and fetch that before it is overwritten.",
    _CUT: "It looks like a copy cut short: copy it again, whole.",
    _TAKEN_OUT: "Rows were taken out of it, which takes no reading out of the store: compare "
    "it with the logger or the notes it comes from.",
    _UNTOLD: "Of the one before no row had a usable time: look at both.",
}
_COPY = (
    "Where there is a copy of the file as it was, put it beside under a name of its own: only "
    "then it can be read again once wiring, layout or clock are described otherwise."
)


def shrunk(before: FileEntry, after: FileEntry, interval_s: int | None) -> Problem | None:
    """Return what to tell of a file that has fewer rows than its revision before, or None.

    Told is also a logger's file with as many rows or more that begins only a while after the
    one before ended. One that goes on without a gap, as each export of a ring memory does, is
    told the first time alone.

    Parameters
    ----------
    before, after : FileEntry
        The account of the revision that was replaced, and that of the one in its place.
    interval_s : int or None
        Between two rows of the source [s]; None of hand rounds.
    """
    happened = _what_happened(before, after, interval_s or 0)
    is_shorter = after.rows_read < before.rows_read
    if not is_shorter and (happened != _GAP or interval_s is None):
        return None
    if happened == _WENT_ON and before.revision:
        return None
    which = "a shorter file" if is_shorter else "another file"
    advice = _ADVICE[happened].format(end=_clock(before.last_s), begin=_clock(after.first_s))
    return Problem(
        after.path,
        "",
        f"{which} in its place, {_told(after)}, where {_told(before)} had been read",
        "a file that only grows, or goes on where the one before ended",
        f"No reading is lost: all that was read before stays, as revision {before.revision} "
        f"of the file. {advice} {_COPY}",
    )


def _what_happened(before: FileEntry, after: FileEntry, interval_s: int) -> int:
    """Return what the spans of time of both files tell."""
    if before.first_s is None or before.last_s is None:
        return _UNTOLD
    if after.first_s is None or after.last_s is None:
        return _CUT
    joins = before.first_s < after.first_s < before.last_s + 1.5 * interval_s
    if joins and after.last_s >= before.last_s:
        return _WENT_ON
    if after.first_s > before.last_s:
        return _GAP
    return _CUT if after.last_s < before.last_s else _TAKEN_OUT


def _told(entry: FileEntry) -> str:
    """Say how much a file held, and of which time."""
    held = f"{counted(entry.rows_read, 'row')} in {counted(entry.content_size, 'byte')}"
    if entry.first_s is None or entry.last_s is None:
        return f"{held} without a usable time"
    return f"{held} of {_clock(entry.first_s)} to {_clock(entry.last_s)}"


def _clock(second: int | None) -> str:
    return "" if second is None else iso_utc(second)
