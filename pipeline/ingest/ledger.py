"""The account of every raw file: what was read from it and what became of each value.

For each file: values read = stored + identical duplicates + superseded + rejected, by reason;
rows read = rows with values + rows without + rejected. The account is part of the store and of
the same commit as the readings. Its figures do not depend on the order in which files arrived.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, TypedDict

import pyarrow as pa

from pipeline.errors import SetAside
from pipeline.ingest.records import REASONS, REPAIRS, ParsedFile, Reject, Repair


@dataclass
class FileEntry:
    """One version of one raw file.

    ``path`` is relative to the site's data folder. ``revision`` rises when a path is found
    rewritten rather than grown; earlier revisions keep their readings and their entries.
    ``state`` is "read", "set aside" (nothing could be read) or "replaced". ``retry`` marks a
    file that is read again next night though its bytes are the same, because it holds stamps
    that lay in the future. ``size`` and ``sha256`` are those of the file on the disk,
    ``content_size`` and ``content_sha256`` those of what is inside where it is compressed.
    ``edges`` is how it begins and ends (`pipeline.ingest.clock_edges`), ``around`` which files
    before and after it were looked at to read its clock.
    """

    file: int
    source: str
    path: str
    revision: int
    state: str
    size: int
    modified_ns: int
    sha256: str
    fingerprint: str
    retry: bool = False
    first_s: int | None = None
    last_s: int | None = None
    rows_read: int = 0
    rows_with_values: int = 0
    rows_without_values: int = 0
    nulls: int = 0
    values_read: int = 0
    stored: int = 0
    duplicates: int = 0
    superseded: int = 0
    content_size: int = 0
    content_sha256: str = ""
    rejects: list[Reject] = field(default_factory=list)
    clock: str = ""
    repairs: list[Repair] = field(default_factory=list)
    edges: str = ""
    around: str = ""

    @property
    def remarks(self) -> list[Repair]:
        """Return what was noticed of the clock without being changed."""
        return [repair for repair in self.repairs if not REPAIRS[repair.kind]]

    @property
    def rejected(self) -> int:
        """Return how many values were set aside."""
        return sum(reject.values for reject in self.rejects)

    @property
    def rejected_rows(self) -> int:
        """Return how many rows were set aside whole."""
        return sum(reject.rows for reject in self.rejects)

    def closes(self) -> bool:
        """Tell whether every row and every value is accounted for."""
        values = self.stored + self.duplicates + self.superseded + self.rejected
        rows = self.rows_with_values + self.rows_without_values + self.rejected_rows
        return self.values_read == values and self.rows_read == rows

    def begin(self, parsed: ParsedFile) -> None:
        """Start the account of a file anew from what its reader found."""
        self.rows_read = parsed.rows_read
        self.rows_with_values = parsed.rows_with_values
        self.rows_without_values = parsed.rows_without_values
        self.nulls = parsed.nulls
        self.values_read = parsed.values_read
        self.stored = self.duplicates = self.superseded = 0
        self.rejects = list(parsed.rejects)
        self.repairs = []
        self.edges = self.around = ""
        self.first_s = self.last_s = None
        self.retry = False

    def reject(self, reject: Reject) -> None:
        """Add values set aside after reading; one entry a reason, the first line kept."""
        for position, other in enumerate(self.rejects):
            if other.reason == reject.reason:
                first = min(other, reject, key=lambda r: r.first_line)
                self.rejects[position] = replace(
                    first, rows=other.rows + reject.rows, values=other.values + reject.values
                )
                return
        self.rejects.append(reject)

    def seen(self, first_s: int, last_s: int) -> None:
        """Widen the span of time the file covers."""
        self.first_s = first_s if self.first_s is None else min(self.first_s, first_s)
        self.last_s = last_s if self.last_s is None else max(self.last_s, last_s)


def file_id(source: str, path: str, revision: int) -> int:
    """Return the id of a file: 63 bits of a hash, so that it does not depend on arrival."""
    text = f"{source}\0{path}\0{revision}".encode()
    return int.from_bytes(hashlib.sha256(text).digest()[:8], "big") >> 1 or 1


class ReasonTotal(TypedDict):
    """What was set aside for one reason: whole rows, and single values."""

    rows: int
    values: int


class ReadingCounts(TypedDict):
    """What became of the readings of a file, or of all: see `FileEntry`."""

    rows_read: int
    values_read: int
    stored: int
    duplicates: int
    superseded: int
    rejected: int


class Totals(ReadingCounts):
    """The sums over all files, and the files whose account does not close."""

    files: int
    reasons: dict[str, ReasonTotal]  # by `pipeline.ingest.records.REASONS`
    open_files: list[str]  # paths


class Ledger:
    """All files of a site."""

    def __init__(self, entries: list[FileEntry] | None = None) -> None:
        self.entries: dict[int, FileEntry] = {}
        self._newest: dict[tuple[str, str], FileEntry] = {}
        for entry in entries or []:
            self.add(entry)

    def current(self, source: str, path: str) -> FileEntry | None:
        """Return the newest revision of a path, or None where it was never seen."""
        return self._newest.get((source, path))

    def add(self, entry: FileEntry) -> None:
        """Enter a file, or a file read again."""
        self.entries[entry.file] = entry
        newest = self._newest.get((entry.source, entry.path))
        if newest is None or newest.revision <= entry.revision:
            self._newest[(entry.source, entry.path)] = entry

    def drop(self, entry: FileEntry) -> None:
        """Take out a file that is read for another source now."""
        del self.entries[entry.file]
        if self._newest.get((entry.source, entry.path)) is entry:
            del self._newest[(entry.source, entry.path)]

    def sort_keys(self) -> dict[int, tuple[str, ...]]:
        """Return what decides the order between files: path, source, revision."""
        return {
            entry.file: (entry.path, entry.source, f"{entry.revision:06d}")
            for entry in self.entries.values()
        }

    def totals(self) -> Totals:
        """Return what became of the readings of all files together."""
        entries = self.entries.values()
        reasons: dict[str, ReasonTotal] = {}
        for entry in entries:
            for reject in entry.rejects:
                total = reasons.setdefault(reject.reason, {"rows": 0, "values": 0})
                total["rows"] += reject.rows
                total["values"] += reject.values
        return {
            "files": len(self.entries),
            "rows_read": sum(e.rows_read for e in entries),
            "values_read": sum(e.values_read for e in entries),
            "stored": sum(e.stored for e in entries),
            "duplicates": sum(e.duplicates for e in entries),
            "superseded": sum(e.superseded for e in entries),
            "rejected": sum(e.rejected for e in entries),
            "reasons": dict(sorted(reasons.items())),
            "open_files": sorted(e.path for e in entries if not e.closes()),
        }

    def to_table(self) -> pa.Table:
        """Return the ledger as a table, sorted by path so that its bytes are repeatable."""
        ordered = sorted(self.entries.values(), key=lambda e: (e.path, e.source, e.revision))
        rows = [
            {
                **{f.name: getattr(e, f.name) for f in fields(FileEntry)},
                "rejects": json.dumps([asdict(r) for r in sorted(e.rejects, key=_by_reason)]),
                "repairs": json.dumps([asdict(r) for r in sorted(e.repairs, key=_by_kind)]),
            }
            for e in ordered
        ]
        return pa.Table.from_pylist(rows, schema=_SCHEMA)

    @staticmethod
    def from_table(table: pa.Table | None) -> Ledger:
        """Return the ledger of a stored table."""
        if table is None:
            return Ledger()
        return Ledger([_entry(row) for row in table.to_pylist()])


def reject_rows(entry: FileEntry) -> list[SetAside]:
    """Return what was set aside of a file, as rows for a person, in order of the reasons.

    A file of which nothing could be read is told as in the night that met it first.
    """
    return [
        {
            "file": entry.path,
            "place": reject.place
            or (f"line {reject.first_line}" if reject.first_line else ""),
            "found": f"{reject.reason}: {reject.found}",
            "expected": reject.expected,
            "advice": reject.advice or REASONS[reject.reason],
            "count": reject.rows or reject.values or 1,
            "noun": "row" if reject.rows or not reject.values else "value",
            "reason": reject.reason,
        }
        for reject in sorted(entry.rejects, key=_by_reason)
    ]


def _entry(row: dict[str, Any]) -> FileEntry:
    """Return the entry of a stored row; older tables know nothing of clocks."""
    rejects = [Reject(**reject) for reject in json.loads(row["rejects"])]
    repairs = [_repair(repair) for repair in json.loads(row.get("repairs") or "[]")]
    return FileEntry(**{**row, "rejects": rejects, "repairs": repairs})


def _repair(found: dict[str, Any]) -> Repair:
    """Return a repair with its lists as tuples, as it was."""
    nodes = tuple((int(at), float(ahead)) for at, ahead in found.pop("nodes"))
    return Repair(**{**found, "channels": tuple(found["channels"]), "nodes": nodes})


def _by_kind(repair: Repair) -> tuple[str, int, int, tuple[str, ...]]:
    return repair.kind, repair.first_line, repair.last_line, repair.channels


def _by_reason(reject: Reject) -> tuple[str, int]:
    return reject.reason, reject.first_line


_SCHEMA = pa.schema(
    [
        ("file", pa.int64()),
        ("source", pa.string()),
        ("path", pa.string()),
        ("revision", pa.int32()),
        ("state", pa.string()),
        ("size", pa.int64()),
        ("modified_ns", pa.int64()),
        ("sha256", pa.string()),
        ("fingerprint", pa.string()),
        ("retry", pa.bool_()),
        ("first_s", pa.int64()),
        ("last_s", pa.int64()),
        *(
            (name, pa.int64())
            for name in (
                "rows_read",
                "rows_with_values",
                "rows_without_values",
                "nulls",
                "values_read",
                "stored",
                "duplicates",
                "superseded",
                "content_size",
            )
        ),
        ("content_sha256", pa.string()),
        ("rejects", pa.string()),
        ("clock", pa.string()),
        ("repairs", pa.string()),
        ("edges", pa.string()),
        ("around", pa.string()),
    ]
)
