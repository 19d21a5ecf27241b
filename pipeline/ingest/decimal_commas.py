"""Numbers with a decimal comma in a file whose columns commas separate."""

from __future__ import annotations

import re

from pipeline.site.layout import Layout

_BEFORE, _AFTER = re.compile(rb"\s*[+-]?\d+"), re.compile(rb"\d+\s*")


def on_split_numbers(line: bytes, surplus: int, layout: Layout) -> str:
    """Return what to do if decimal commas make the surplus fields of a row, or nothing.

    Parameters
    ----------
    line : bytes
        The row.
    surplus : int
        How many fields it has too many.
    layout : Layout
    """
    split = _split_numbers(line)
    if layout.dialect.delimiter != "," or not 0 < surplus <= len(split):
        return ""
    return (
        f"{split[surplus - 1]!r} looks like one number with a decimal comma, and commas "
        "separate the columns. Export again with a decimal point; or with semicolons, and set "
        f"delimiter = ';' and decimalChar = ',' in layouts/{layout.id}.toml."
    )


def split_count(line: bytes) -> int:
    """Return how many pairs of fields of a row may each be one number."""
    return len(_split_numbers(line))


def _split_numbers(line: bytes) -> list[str]:
    """Return pairs of fields that may be one number, the last first.

    Values stand behind the stamps, depths and the like that name them.
    """
    fields = line.rstrip(b"\r\n").split(b",")
    found: list[str] = []
    at = len(fields) - 1
    while at > 0:
        is_pair = _BEFORE.fullmatch(fields[at - 1]) and _AFTER.fullmatch(fields[at])
        if is_pair:
            found.append(b",".join(fields[at - 1 : at + 1]).decode().strip())
        at -= 2 if is_pair else 1
    return found
