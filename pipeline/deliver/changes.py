"""What differs between two revisions of a delivery: where, by how much, and why."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

_NOT_COMPARED = ("sensor_depth", "layer_top", "layer_bottom")
_SHOWN = 12  # rules that differ are listed up to so many a tube
_DEPTH = re.compile(r"^depths\.(\d+(?:\.\d+)?)\.")  # of a sensor in a tube's rules [m]


@dataclass(frozen=True)
class Change:
    """How one variable of one tube at one place differs between two revisions.

    ``mean`` and ``largest`` are of the cells that have a value in both, new minus old, in the
    variable's own units; NaN for flags and where there is none.
    """

    table: str
    variable: str
    tube: str
    place: str
    changed: int
    added: int
    removed: int
    mean: float
    largest: float
    first: str
    last: str
    whose: str = "tube"  # or "group", or "station"

    def __str__(self) -> str:
        """Return the change as a line."""
        size = ""
        if np.isfinite(self.mean):
            size = f", mean {self.mean:+.4g}, largest {self.largest:+.4g}"
        counts = ", ".join(
            f"{count} {word}"
            for count, word in (
                (self.changed, "changed"),
                (self.added, "new"),
                (self.removed, "gone"),
            )
            if count
        )
        when = f"; {self.first} to {self.last}" if self.first else ""
        where = f"{self.table} {self.variable}, {self.whose} {self.tube}, {self.place}"
        return f"{where}: {counts}{size}{when}"


def holds_cells(path: Path) -> bool:
    """Tell whether a Parquet file has a row a time, tube and depth or layer."""
    return {"time", "tube"} <= set(pq.read_schema(path).names)


def compare_tables(name: str, old: Path, new: Path) -> list[Change]:
    """Compare two Parquet files of `pipeline.deliver.flat.write_flat`, tube by tube.

    Parameters
    ----------
    name : str
        What to call the table.
    old, new : Path

    Returns
    -------
    list of Change
        Sorted by variable, tube and place; empty if every cell is the same.
    """
    old_file, new_file = pq.ParquetFile(old), pq.ParquetFile(new)
    tubes = sorted({*_tubes_of(old_file), *_tubes_of(new_file)})
    found: list[Change] = []
    for tube in tubes:
        before, after = _rows(old_file, tube), _rows(new_file, tube)
        found += _compare_tube(name, tube, before, after)
    return sorted(found, key=lambda change: (change.variable, change.tube, change.place))


def _tubes_of(file: pq.ParquetFile) -> list[str]:
    column = file.schema_arrow.get_field_index("tube")
    groups = range(file.num_row_groups)
    return [file.metadata.row_group(g).column(column).statistics.min for g in groups]


def _rows(file: pq.ParquetFile, tube: str) -> pd.DataFrame:
    """Return a tube's rows, indexed by time and place."""
    column = file.schema_arrow.get_field_index("tube")
    groups = [
        group
        for group in range(file.num_row_groups)
        if file.metadata.row_group(group).column(column).statistics.min == tube
    ]
    table = file.read_row_groups(groups)
    place = "depth" if "depth" in table.column_names else "layer"
    rows = table.drop_columns(["tube"]).to_pandas()
    return rows.set_index(["time", place]).drop(columns=list(_NOT_COMPARED), errors="ignore")


def _compare_tube(
    name: str, tube: str, before: pd.DataFrame, after: pd.DataFrame
) -> Iterator[Change]:
    before, after = before.align(after, join="outer", axis=0)
    for variable in sorted({*before.columns} | {*after.columns}):
        old = _column(before, variable)
        new = _column(after, variable)
        same = (old == new) | (np.isnan(old) & np.isnan(new))
        if same.all():
            continue
        moved = pd.DataFrame({"old": old, "new": new}, index=before.index)[~same]
        for place, part in moved.groupby(level=1, sort=True):
            yield _change(name, variable, tube, place, part)


def _column(rows: pd.DataFrame, name: str) -> np.ndarray:
    if name not in rows:
        return np.full(len(rows), np.nan)
    return rows[name].to_numpy(np.float64, na_value=np.nan)


def _change(name: str, variable: str, tube: str, place: object, part: pd.DataFrame) -> Change:
    old, new = part["old"].to_numpy(), part["new"].to_numpy()
    both = np.isfinite(old) & np.isfinite(new)
    flags = variable.startswith(("quality", "tests")) or variable.endswith("quality")
    mean, largest = mean_and_largest((new - old)[both & (not flags)])
    times = part.index.get_level_values(0)
    return Change(
        table=name,
        variable=variable,
        tube=tube,
        place=f"{100 * place:g} cm" if isinstance(place, float) else f"layer {place}",
        changed=int(both.sum()),
        added=int((np.isnan(old) & np.isfinite(new)).sum()),
        removed=int((np.isfinite(old) & np.isnan(new)).sum()),
        mean=mean,
        largest=largest,
        first=minute(times.min()),
        last=minute(times.max()),
    )


def mean_and_largest(step: np.ndarray) -> tuple[float, float]:
    """Return the mean of some differences and the largest by size; NaN where there is none."""
    if not len(step):
        return float("nan"), float("nan")
    return float(step.mean()), float(step[np.argmax(np.abs(step))])


def minute(time: pd.Timestamp) -> str:
    """Return an instant to the minute; nothing where it is none."""
    return time.strftime("%Y-%m-%dT%H:%MZ") if pd.notna(time) else ""


def reasons(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Say what decides the values otherwise than before.

    Parameters
    ----------
    old, new : mapping
        ``code`` (version), ``form`` (`pipeline.deliver.metadata.FORM`, not told before 2),
        ``inputs`` (path of each raw file: SHA-256) and ``rules`` (see
        `pipeline.engine.effective.effective_rules`) of two revisions.

    Returns
    -------
    list of str
        A line each.
    """
    told = []
    if old["code"] != new["code"]:
        told.append(f"percolog {old['code']} became {new['code']}")
    if old.get("form", 1) != new.get("form", 1):
        told.append("percolog writes files otherwise, though from the same values")
    before, after = old["inputs"], new["inputs"]
    for word, names in (
        ("new raw file", sorted(after.keys() - before.keys())),
        ("raw file no longer read", sorted(before.keys() - after.keys())),
        ("raw file grown or rewritten", _differing(before, after)),
    ):
        told += [f"{word}: {name}" for name in names[:_SHOWN]]
        if len(names) > _SHOWN:
            told.append(f"{word}: and {len(names) - _SHOWN} more")
    alike: dict[tuple[str, ...], list[str]] = {}
    for tube in sorted({*old["rules"]} | {*new["rules"]}):
        lines = tuple(_rules(old["rules"].get(tube, {}), new["rules"].get(tube, {})))
        alike.setdefault(lines, []).append(tube or "(stations)")
    for lines, tubes in alike.items():
        who = f"tube {tubes[0]}" if len(tubes) == 1 else f"tubes {', '.join(tubes)}"
        told += [f"{who}: {line}" for line in lines[:_SHOWN]]
        if len(lines) > _SHOWN:
            told.append(f"{who}: and {len(lines) - _SHOWN} more")
    return told


def _differing(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    return sorted(n for n in before.keys() & after.keys() if before[n] != after[n])


def _rules(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    """Yield what differs between a tube's dated rules, kind by kind and date by date.

    On each date the rules in force then are compared: a new version of a law is not a rule
    out of nothing. What differs as it did on the date before is not told again.
    """
    for kind in sorted({*old} | {*new}):
        before, after = old.get(kind, []), new.get(kind, [])
        told: list[tuple[str, object, object]] = []
        starts = {start for start, _ in [*before, *after]}
        for start in sorted(starts, key=lambda s: (s is not None, s)):
            leaves = list(_leaves(_in_force(before, start), _in_force(after, start)))
            since = "" if start is None else f" from {minute(pd.Timestamp(start, unit='s'))}"
            for path, was, became in (leaf for leaf in leaves if leaf not in told):
                place = _DEPTH.sub(lambda at: f"{100 * float(at[1]):g} cm ", path)
                yield f"{kind}{since}: {place}: {_short(was)} became {_short(became)}"
            told = leaves


def _in_force(rules: Sequence[Any], start: Any) -> Any:
    """Return which of dated rules, in order of time, holds from a date on; None of none."""
    held = None
    for since, rule in rules:
        if since is None or (start is not None and since <= start):
            held = rule
    return held


def _leaves(old: object, new: object, path: str = "") -> Iterator[tuple[str, object, object]]:
    """Yield the innermost parts of two nested values that differ."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        laws = _law(old), _law(new)
        if "" not in laws and laws[0] != laws[1]:  # its numbers are those of another equation
            yield path, *laws
            return
        for key in sorted({*old} | {*new}):
            yield from _leaves(old.get(key), new.get(key), f"{path}.{key}" if path else key)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for place, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from _leaves(one, other, f"{path}[{place}]")
    elif old != new:
        yield path or "all", old, new


def _law(rule: Mapping[str, object]) -> str:
    """Return the name and version of what is a calibration law, else nothing."""
    return f"{rule['id']} version {rule['version']}" if {"id", "version"} <= {*rule} else ""


def _short(value: object) -> str:
    text = "nothing" if value is None else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
