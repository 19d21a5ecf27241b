"""What differs between two revisions in tables of rows: site means, drift, conductivity."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from pipeline.deliver.changes import Change, mean_and_largest, minute
from pipeline.derive.conductivity import class_of

# Words and instants say which row it is, but for those that are a result.
_RESULTS = ("verdict", "rating", "until_time", "unit")
_WHOSE = {"tube_id": "tube", "group": "group", "station_id": "station"}
_WHEN = ("time", "start_time")
_NONE = np.empty(0)


def compare_rows(name: str, old: Path, new: Path) -> list[Change]:
    """Compare two Parquet files whose rows are named by words, instants and depth.

    Parameters
    ----------
    name : str
        What to call the table.
    old, new : Path

    Returns
    -------
    list of Change
        By variable, tube (or group, or station) and depth; a row that came or went is told as
        ``row``. Words that differ are counted. Empty if every cell is the same.
    """
    before, after = (pq.read_table(path).to_pandas() for path in (old, new))
    return compare_frames(name, before, after)


def compare_frames(name: str, before: pd.DataFrame, after: pd.DataFrame) -> list[Change]:
    """Compare two tables of rows, as `compare_rows` those of two files."""
    keys = [c for c in after if _names_a_row(after, c) and c in before]
    if not keys:
        return []
    before, after = (_numbered(rows, keys) for rows in (before, after))
    both = before.merge(
        after, how="outer", on=[*keys, "number"], suffixes=(" old", " new"), indicator="kept"
    )
    found = [*_came_and_went(name, both), *_moved(name, both, set(before) & set(after))]
    return sorted(found, key=lambda c: (c.variable, c.tube, c.place))


def _names_a_row(rows: pd.DataFrame, column: Hashable) -> bool:
    number = pd.api.types.is_numeric_dtype(rows[column])
    return column == "depth" or not (number or column in _RESULTS)


def _numbered(rows: pd.DataFrame, keys: list[object]) -> pd.DataFrame:
    """Return rows with a number that tells those of one name apart.

    Classes of water content have that of the class, which stays when another comes or goes;
    all others are counted in their order.
    """
    if {"conductivity", "soil_water_content"} <= set(rows):
        return rows.assign(number=class_of(rows["soil_water_content"].to_numpy(np.float64)))
    return rows.assign(number=rows.groupby(keys, dropna=False).cumcount())


def _came_and_went(name: str, both: pd.DataFrame) -> Iterator[Change]:
    for (tube, place), part in both[both["kept"] != "both"].groupby(_places(both)):
        new = int((part["kept"] == "right_only").sum())
        counts = (0, new, len(part) - new)
        yield _change((name, "row", str(tube), str(place)), part, counts, _NONE)


def _moved(name: str, both: pd.DataFrame, columns: set[Any]) -> Iterator[Change]:
    both = both[both["kept"] == "both"]
    for variable in sorted(columns):
        if f"{variable} old" not in both:
            continue  # it names the row
        old, new = both[f"{variable} old"], both[f"{variable} new"]
        had, has = old.notna(), new.notna()
        differs = (old != new) & (had | has)
        number = pd.api.types.is_numeric_dtype(old)
        for (tube, place), part in both[differs].groupby(_places(both[differs])):
            a, b = had[part.index].to_numpy(), has[part.index].to_numpy()
            counts = (int((a & b).sum()), int((b & ~a).sum()), int((a & ~b).sum()))
            step = (new - old)[part.index].to_numpy(np.float64)[a & b] if number else _NONE
            yield _change((name, variable, str(tube), str(place)), part, counts, step)


def _places(rows: pd.DataFrame) -> list[pd.Series]:
    """Return whose each row is, and where."""
    whose = next((rows[c] for c in _WHOSE if c in rows), pd.Series("", index=rows.index))
    layer = rows["layer"] if "layer" in rows else pd.Series("", index=rows.index)
    depth = rows["depth"] if "depth" in rows else pd.Series(np.nan, index=rows.index)
    named = "layer " + layer.fillna("").astype(str)
    places = (100 * depth).map("{:g} cm".format).where(depth.notna(), named)
    return [whose.fillna("").replace("", "all"), places.where(places != "layer ", "all")]


def _change(
    what: tuple[str, str, str, str],
    part: pd.DataFrame,
    counts: tuple[int, int, int],
    step: np.ndarray,
) -> Change:
    when = next((part[c] for c in _WHEN if c in part), None)
    first, last = ("", "") if when is None else (minute(when.min()), minute(when.max()))
    whose = next((word for column, word in _WHOSE.items() if column in part), "tube")
    return Change(*what, *counts, *mean_and_largest(step), first, last, whose)
