"""The trace of a number that stands in a row of a stored table: what all such traces share.

Such a number rests on many cells. Its trace names the groups of what it rests on, leads the
decisive ones down to the raw line, and says what to ask for the rest. The row is made again
from the cells and compared with the stored one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.arrays import Floats
from pipeline.axis import iso_utc
from pipeline.deliver.event_fields import EventField
from pipeline.lineage.view import TraceError, View, number
from pipeline.site.mistakes import did_you_mean, one_of
from pipeline.steps import RECORD_STEPS

Row = dict[str, Any]
# Fields that say which row it is; they are no numbers to be traced.
NAMES = ("tube", "event", "depth_m", "layer", "group", "quantity", "day_s", "unit")


@dataclass(frozen=True)
class Group:
    """Some of what a number rests on: cells, or numbers of other tables.

    ``value`` is what they give together, None where each stands for itself; ``column`` is the
    column of the row that holds the same, "" for none. Items are JSON-ready: ``at``, ``value``
    and, where known, ``said``, ``parts`` (sensors with weight and value), ``trace`` (what to
    ask for its own trace) and ``origin`` (the raw line).
    """

    what: str
    units: str = ""
    items: Sequence[dict[str, object]] = ()
    value: float | None = None
    column: str = ""


@dataclass(frozen=True)
class Derivation:
    """How a row came to be: in words, from which groups, and the row made again."""

    how: str
    groups: Sequence[Group]
    anew: Row | None
    made_from: str
    more: Mapping[str, object] = field(default_factory=dict)


def rows_where(table: pa.Table | None, **equal: object) -> list[Row]:
    """Return the rows of a table in which some columns have given values."""
    if table is None or not table.num_rows:
        return []
    mask = None
    for name, value in equal.items():
        column = table[name]
        same = pc.is_null(column) if value is None else pc.equal(column, value)
        mask = same if mask is None else pc.and_kleene(mask, same)
    found: list[Row] = (table if mask is None else table.filter(mask)).to_pylist()
    return found


def field_of(fields: Iterable[EventField], asked: str, usual: str) -> EventField:
    """Return a field by its name in the store or in deliveries; the usual one without a name.

    Raises
    ------
    TraceError
        If there is no such number; it says which there are.
    """
    known = [f for f in fields if f.source not in NAMES]
    for found in known:
        if (asked or usual) in (found.source, found.name):
            return found
    names = [f.source for f in known]
    hint = did_you_mean(asked, [*names, *(f.name for f in known)])
    raise TraceError(f"found --number {asked!r}; expected {one_of(names)}. {hint}".rstrip())


def row_account(
    view: View, step: str, told: EventField, row: Row, found: Derivation
) -> dict[str, object]:
    """Return the trace of one number of a row, JSON-ready.

    Returns
    -------
    dict
        ``number`` (its name), ``kind`` ("time" in UTC seconds), ``value`` with ``units``,
        ``meaning``, ``row`` (all of it),
        ``computed_by`` (the step with its version), ``how``, ``rests_on`` (groups),
        ``recomputed``, ``made_from``, ``differs`` (columns that came out otherwise),
        ``agrees`` (the number and every sum shown, to the last bit) and ``why_missing``.
    """
    value = plain(row[told.source])
    again = None if found.anew is None else plain(found.anew[told.source])
    groups = [_group(group, row) for group in found.groups]
    differs = [n for n in row if found.anew is None or not _same(row[n], found.anew[n])]
    agrees = told.source not in differs and all(g["agrees"] for g in groups)
    return {
        "number": told.source,
        "kind": told.kind,
        "value": {told.source: value, "units": told.units},
        "meaning": told.long_name,
        "row": {name: plain(cell) for name, cell in row.items()},
        "computed_by": _computed_by(view, step),
        "how": found.how,
        "rests_on": groups,
        "recomputed": again,
        "made_from": found.made_from,
        "differs": differs,
        "agrees": agrees,
        "why_missing": _why_missing(row) if value is None else None,
        **found.more,
    }


def _why_missing(row: Row) -> str:
    if row.get("wetted") is False:
        return "no wetting front was seen at the sensor in this event"
    return "the record does not tell it"


def _group(group: Group, row: Row) -> dict[str, object]:
    """Return a group as JSON takes it, its sum compared with the row where that holds it."""
    told = group.value is not None or bool(group.column)
    return {
        "what": group.what,
        "value": group.value,
        "units": group.units,
        "count": len(group.items),
        "column": group.column or None,
        "agrees": not (told and group.column) or _same(group.value, row[group.column]),
        "items": list(group.items),
    }


def _computed_by(view: View, name: str) -> dict[str, object]:
    """Return a step with its version in the state, and whether that is today's."""
    step = next(found for found in RECORD_STEPS if found.name == name)
    stored = view.snapshot.attributes.get("record_steps", {}).get(name)
    version = None if stored is None else stored[0]
    if version is not None and version != step.version:
        view.remarks.append(
            f"this state was computed with version {version} of the step {name!r}; the row is "
            f"made again with version {step.version}"
        )
    return {"step": name, "version": version, "reference": step.reference}


def plain(value: object) -> object:
    """Return a cell of a table as JSON takes it: NaN is None."""
    return None if isinstance(value, float) and math.isnan(value) else value


def _same(one: object, other: object) -> bool:
    return bool(plain(one) == plain(other))


def summed(values: Floats) -> float:
    """Return a sum, one value after the other, as the steps sum; 0 of none."""
    return float(np.add.accumulate(values)[-1]) if values.size else 0.0


def at_text(seconds: float) -> str:
    """Return UTC seconds as ISO 8601 text."""
    return iso_utc(int(seconds))


def nearest_days(rows: Iterable[Row], day_s: int) -> str:
    """Return the two days nearest to one that have rows, as a message names them."""
    near = sorted(rows, key=lambda r: abs(r["day_s"] - day_s))[:2]
    return " and ".join(at_text(r["day_s"]) for r in near) or "none"


def instant_of(text: str) -> datetime:
    """Return the instant of `at_text`."""
    return datetime.fromisoformat(text).astimezone(UTC)


def water_ask(tube: str, depth_m: float, at: str, product: str = "water") -> dict[str, object]:
    """Return what to ask for the trace of one sensor's value."""
    cm = round(depth_m * 100, 2)
    return {"tube": tube, "depth_cm": cm, "time": at, "product": product}


def item(at: str, value: Any, **more: Any) -> dict[str, Any]:
    """Return an item of a group."""
    return {"at": at, "value": number(value), **more}
