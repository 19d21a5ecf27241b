"""What a night tells of the clocks: stamps it repaired, and what needs a person's look."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict

from pipeline.errors import SetAside
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.records import REPAIRS

_EXPECTED = {
    "no_jump": "a clock that is put forward and back, as its zone is",
    "day_month_order": "dates that follow each other",
    "ran_back": "stamps that rise from record to record",
}
_ADVICE = {
    "no_jump": "If the logger never changes to summer time, give its clock a 'utc_offset'.",
    "day_month_order": "Compare a date with the logger; correct the layout's date pattern.",
    "ran_back": "If the clock was set, write how far it was off as found, as left, and at a "
    "check before into visits.csv, action 'clock'; the file is then read again by them. If it "
    "changes to summer time and back, give its clock a 'zone'.",
}


class RepairedClock(TypedDict):
    """A repair of a file's stamps: see `pipeline.ingest.records.Repair`."""

    file: str
    kind: str
    first_line: int
    rows: int
    least_s: int  # seconds added
    most_s: int
    evidence: str


def repaired_clocks(entries: Iterable[FileEntry]) -> list[RepairedClock]:
    """Return the repairs of some files' stamps, JSON-ready, in order of file and line."""
    return [
        {
            "file": entry.path,
            "kind": repair.kind,
            "first_line": repair.first_line,
            "rows": repair.rows,
            "least_s": repair.least_s,
            "most_s": repair.most_s,
            "evidence": repair.evidence,
        }
        for entry in sorted(entries, key=lambda e: (e.path, e.source))
        for repair in sorted(entry.repairs, key=lambda r: (r.first_line, r.kind))
        if REPAIRS[repair.kind]
    ]


def clock_remarks(entry: FileEntry) -> list[SetAside]:
    """Return what was noticed of a file's clock and left as it is, as rows for a person."""
    return [
        {
            "file": entry.path,
            "place": f"line {repair.first_line}",
            "found": f"{repair.kind}: {repair.evidence}",
            "expected": _EXPECTED[repair.kind],
            "advice": _ADVICE[repair.kind],
            "count": repair.rows,
            "noun": "row",
        }
        for repair in entry.remarks
    ]
