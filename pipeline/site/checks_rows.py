"""Tables that were cut off while copied, and rows that were pasted twice."""

from __future__ import annotations

import csv
from collections.abc import Iterator

from pipeline.errors import Problem
from pipeline.site.models import Site
from pipeline.site.tables import table_records
from pipeline.site.text_files import read_text
from pipeline.words import counted

_TABLES = ("tubes.csv", "wiring.csv", "visits.csv", "decisions.csv", "samples.csv")
_ONCE = ("visits.csv", "decisions.csv", "samples.csv")  # in the others a name tells a repeat
_REMARKS = ("note", "who")

Records = list[tuple[int, list[str]]]


def shortened_tables(site: Site) -> Iterator[Problem]:
    """Name tables whose last row, and no other, has fewer fields than the header.

    So a file looks that was cut off within a line; what is missing may be half of a number.
    """
    for name in _TABLES:
        records = _records(site, name)
        if len(records) < 3:  # one row has no other to be unlike
            continue
        most = len(records[0][1])
        line, last = records[-1]
        if len(last) < most and all(len(fields) >= most for _, fields in records[1:-1]):
            column = records[0][1][len(last) - 1]
            found = f"a last row of {counted(len(last), 'field')}, ending in column {column!r}"
            advice = (
                "The file may have been cut off while it was copied: copy it again, or fill "
                "in the row and what should follow it."
            )
            yield Problem(name, f"line {line}", found, f"{most}, as in all others", advice)


def repeated_rows(site: Site) -> Iterator[Problem]:
    """Name rows of visits, decisions and samples that say what an earlier row says.

    A value noted twice counts twice; so rows that have one are compared without what people
    add to them.
    """
    for name in _ONCE:
        records = _records(site, name)
        titles = records[0][1] if records else []
        seen: dict[tuple[tuple[str, str], ...], int] = {}
        for line, fields in records[1:]:
            cells = {t: cell for t, cell in zip(titles, fields, strict=False) if cell}
            if name == "samples.csv" or "value" in cells:
                cells = {t: cell for t, cell in cells.items() if t not in _REMARKS}
            first = seen.setdefault(tuple(sorted(cells.items())), line)
            if first != line:
                found = f"what line {first} says, once more"
                advice = "Delete one of the rows; two equal measurements differ in their time."
                yield Problem(name, f"line {line}", found, "each thing once", advice)


def _records(site: Site, name: str) -> Records:
    """Return the records of a table that is there; what is wrong with it is told elsewhere."""
    path = site.folder / name
    text = read_text(path, name, []) if path.is_file() else None
    try:
        return [] if text is None else table_records(text)
    except csv.Error:
        return []
