"""Numbers with a decimal comma in a file whose columns commas separate."""

from __future__ import annotations

import re

from pipeline.site.layout import Layout

_SPLIT_NUMBER = re.compile(rb"(?<![^,])[+-]?\d+,\d+(?![^,\r\n])")


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
    split = _SPLIT_NUMBER.findall(line)
    if layout.dialect.delimiter != "," or not 0 < surplus <= len(split):
        return ""
    return (
        f"{split[0].decode()!r} looks like one number with a decimal comma, and commas "
        "separate the columns. Export again with a decimal point; or with semicolons, and set "
        f"delimiter = ';' and decimalChar = ',' in layouts/{layout.id}.toml."
    )


def split_count(line: bytes) -> int:
    """Return how many pairs of fields of a row may each be one number."""
    return len(_SPLIT_NUMBER.findall(line))
