"""Tables for people and spreadsheets, as comma-separated text in UTF-8."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.deliver.atomic import replacing

# A spreadsheet takes a cell that begins so for a formula and may run it.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_table(table: pd.DataFrame, path: Path, decimals: dict[str, int]) -> Path:
    """Write a table with one header row; the file appears whole or not at all.

    Parameters
    ----------
    table : DataFrame
        Column names become the header. Text that a spreadsheet would take for a formula gets
        an apostrophe in front; numbers are left as they are, and missing ones empty.
    path : Path
    decimals : dict
        Digits after the point to round to, by column; others are written as they are.

    Returns
    -------
    Path
    """
    written = pd.DataFrame(
        {name: _cells(table[name], decimals.get(str(name))) for name in table.columns},
        columns=table.columns,
    )
    with replacing(path) as temporary:
        written.to_csv(temporary, index=False, lineterminator="\n", encoding="utf-8")
    return path


def iso_times(seconds: pd.Series) -> pd.Series:
    """Return UTC seconds as ISO 8601 texts, empty where there is none."""
    known = seconds.notna()
    instants = seconds[known].to_numpy(np.int64).astype("datetime64[s]")
    texts = pd.Series("", index=seconds.index, dtype=object)
    texts[known] = np.char.add(np.datetime_as_string(instants), "Z")
    return texts


def harmless(text: str) -> str:
    """Return text as a spreadsheet may have it: never the beginning of a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _cells(column: pd.Series, decimals: int | None) -> pd.Series:
    """Return a column as it is written."""
    if decimals is not None:
        # Adding zero turns a negative zero, which rounding may leave, into a plain one.
        return column.astype(np.float64).round(decimals) + 0.0
    if pd.api.types.is_numeric_dtype(column):
        return column
    texts = column.fillna("").astype(str)
    return texts.where(~texts.str.startswith(_FORMULA), "'" + texts)
