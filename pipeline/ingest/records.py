"""What every reader returns: the readings of one raw file in columns, and an account of it.

A reader turns bytes into a `ParsedFile` and knows nothing of tubes, wiring, clocks or stores.
Its account closes by construction: every row of the file is one of ``rows_with_values``,
``rows_without_values`` and the rejected rows; every value is in a table or in a rejection.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Problem


@dataclass(frozen=True)
class Table:
    """Rows that share their channels.

    ``stamp_s`` holds seconds since 1970-01-01 00:00 on the logger's own clock, as logged;
    ``line`` the 1-based line of the file each row came from; ``columns`` one float64 array per
    channel, in the unit as logged, NaN where the row holds no value. ``counter`` is the
    logger's own count of its records, where the layout names one: evidence, no reading. All
    arrays have one length.
    """

    stamp_s: NDArray[np.int64]
    line: NDArray[np.int32]
    columns: dict[str, NDArray[np.float64]]
    counter: NDArray[np.float64] | None = None

    def value_count(self) -> int:
        """Return how many values the table holds."""
        return int(sum(np.count_nonzero(~np.isnan(c)) for c in self.columns.values()))


@dataclass(frozen=True)
class RoundReadings:
    """Hand readings, one value a row, kept as read: repeats and directions are not merged.

    All arrays have one length. ``direction_deg`` is NaN where none was noted; ``value`` is in
    the unit of the layout's ``rounds`` form; ``stamp_s`` and ``line`` as in `Table`.
    """

    stamp_s: NDArray[np.int64]
    line: NDArray[np.int32]
    tube: NDArray[np.str_]
    reader: NDArray[np.str_]
    direction_deg: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    value: NDArray[np.float64]


@dataclass(frozen=True)
class Reject:
    """Rows or values set aside for one reason.

    ``reason`` is one of `REASONS`. ``rows`` counts whole rows, ``values`` single values; of a
    row whose values cannot be told apart only the row is counted. ``column`` is that of single
    values which are told apart by column. ``place`` is that of a whole file that could not be
    read: where in it the reader gave up. ``advice`` is what to do about just this, where more
    is known than the reason says.
    """

    reason: str
    rows: int
    values: int
    first_line: int
    found: str
    expected: str
    column: str = ""
    place: str = ""
    advice: str = ""


def unreadable(problem: Problem) -> Reject:
    """Return why nothing of a file can be read, as its account keeps it."""
    found, expected = problem.found, problem.expected
    kept = {"place": problem.place, "advice": problem.advice}
    return Reject("unreadable_file", 0, 0, 0, found, expected, **kept)


@dataclass(frozen=True)
class Repair:
    """What was done to the stamps of some rows, or remarked about them, and why.

    ``kind`` is one of `REPAIRS`. ``rows`` lie between two lines of the file; of a file with
    several tables only those of ``channels`` are meant (empty: all). ``least_s`` and
    ``most_s`` are the seconds added to stamps, over the rows. ``nodes`` are those of a drift:
    (seconds since 1970 on the logger's clock brought to UTC, its seconds ahead of true time),
    between which it is linear.
    """

    kind: str
    first_line: int
    last_line: int
    rows: int
    least_s: int
    most_s: int
    evidence: str
    channels: tuple[str, ...] = ()
    nodes: tuple[tuple[int, float], ...] = ()


# Every kind of repair. Those with False changed nothing and need a person's look.
REPAIRS: dict[str, bool] = {
    "repeated_hour": True,
    "late_jump": True,
    "clock_drift": True,
    "clock_reset": True,
    "no_jump": False,
    "day_month_order": False,
    "ran_back": False,
}

# Every reason for which a reading can be set aside, with what a person should do about it.
REASONS: dict[str, str] = {
    "unreadable_file": "Mend the file, its permissions or its layout; then it is read.",
    "wrong_header": "Correct the layout, or give the file a source of its own.",
    "wrong_field_count": "Look at the line; a logger may have been stopped while writing.",
    "incomplete_line": "The last line has no end; it is read once the file has grown.",
    "bad_stamp": "Correct the layout's date pattern, or look at the line.",
    "not_a_number": "If the text means 'no value', add it to the layout's null markers; if it "
    "is a number with another decimal mark, give such files a layout and source of their own.",
    "no_name": "The row does not name its channel or tube, or names it too long; look at it.",
    "damaged_text": "The bytes are not in the layout's encoding.",
    "bus_rule": "Look at the line. Odd characters come of cable or connectors, mixed replies "
    "of an address given twice; if most of the log is so, correct the layout.",
    "checksum": "The reply was damaged on the bus; look at cable and connectors if it recurs.",
    "count_mismatch": "The sensor returned another number of values than it promised.",
    "no_measurement": "Data came without a measurement that asked for them.",
    "no_stamp": "The line has no time stamp.",
    "no_mark": "Nothing says who spoke; correct the layout's marks, or look at the line.",
    "ambiguous_time": "The time came twice: at the end of daylight saving (set the logger to "
    "UTC), or where the clock was put back (look at its rows in visits.csv).",
    "missing_time": "The hour never was (start of daylight saving); set the logger to UTC.",
    "clock_reset": "The clock fell back to an epoch; a visit or the next file may help.",
    "before_start": "The stamp lies before the site began; look at the logger's clock.",
    "in_future": "The stamp lies in the future; look at the logger's clock.",
    "not_wired": "Add a row to wiring.csv, or list the channel as ignored in the layout.",
    "not_installed": "The tube was not in the ground then; check tubes.csv and wiring.csv.",
}


@dataclass(frozen=True)
class ParsedFile:
    """One raw file, read."""

    tables: tuple[Table, ...]
    rows_read: int
    rows_with_values: int
    rows_without_values: int  # headers, comments, blank lines, bus traffic, all-null rows
    nulls: int  # cells that say "no value"
    rejects: tuple[Reject, ...] = field(default=())
    rounds: RoundReadings | None = None

    @property
    def values_read(self) -> int:
        """Return how many values the file held: those in tables and those set aside."""
        kept = sum(table.value_count() for table in self.tables)
        kept += 0 if self.rounds is None else len(self.rounds.value)
        return kept + sum(reject.values for reject in self.rejects)

    def rows_close(self) -> bool:
        """Tell whether every row is accounted for."""
        rejected = sum(reject.rows for reject in self.rejects)
        return self.rows_read == self.rows_with_values + self.rows_without_values + rejected
