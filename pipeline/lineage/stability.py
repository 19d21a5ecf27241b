"""The trace of temporal stability: the days of a tube, and its ranks among the others."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.deliver.event_fields import EventField as Field
from pipeline.derive.ranks import monthly_places
from pipeline.derive.stability import COLUMNS, differences, moments
from pipeline.derive.tube_fit import fit_tubes
from pipeline.lineage.compared import Compared, compared
from pipeline.lineage.rows import (
    Derivation,
    Group,
    Row,
    at_text,
    field_of,
    row_account,
    rows_where,
)
from pipeline.lineage.view import TraceError, View
from pipeline.products.space import RANKS, STABILITY, months_of
from pipeline.site.mistakes import did_you_mean, one_of

STABILITY_FIELDS = tuple(
    Field(name, name, units, name.replace("_", " ")) for name, units in COLUMNS.items()
) + tuple(
    Field(name, name, "1", text)
    for name, text in (
        ("direct", "whether the tube is nearest to the site mean"),
        ("with_offset", "whether the tube is steadiest with an offset"),
        ("first_half", "whether the first half of the days names it"),
        ("second_half", "whether the second half of the days names it"),
        ("block_days", "length of the blocks drawn again [d]"),
        ("blocks", "number of blocks"),
    )
)
RANK_FIELDS = (
    Field("rank_correlation", "rank_correlation", "1", "Spearman's rank correlation"),
    Field("tubes", "tubes", "1", "tubes that have a place in both months"),
)
_HOW = {
    "mean_relative_difference": "mean over days of (value - site mean) / site mean",
    "relative_difference_spread": "standard deviation of the same over days",
    "stability_index": "root of the sum of squares of both",
    "offset": "mean over days of value - site mean",
    "offset_spread": "standard deviation of the same over days",
}


def trace_stability(
    view: View, place: tuple[float | None, str], tube: str, name: str
) -> dict[str, object]:
    """Return the trace of a number of a tube's place in the site, JSON-ready.

    Parameters
    ----------
    view : View
    place : (float or None, str)
        Depth [m], or the name of a layer.
    tube : str
    name : str
        Of the number, "" for the mean relative difference.

    Raises
    ------
    TraceError
        If there is no such depth, layer, tube or number.
    """
    told = field_of(STABILITY_FIELDS, name, "mean_relative_difference")
    asked = compared(view, place)
    rows = rows_where(view.snapshot.table(STABILITY), **asked.key)
    row = next((r for r in rows if r["tube"] == tube), None)
    if row is None:
        names = [r["tube"] for r in rows]
        hint = did_you_mean(tube, names)
        raise TraceError(
            f"{view.site.id}: found no place of tube {tube!r} in the site; expected "
            f"{one_of(names)}. {hint}".rstrip()
        )
    found = Derivation(
        _HOW.get(told.source, "see docs/space.md, Which tube stands for the site"),
        [_days(asked, asked.tubes.index(tube), told.source)],
        next(iter(rows_where(asked.anew[STABILITY], tube=tube)), None),
        asked.made_from,
    )
    return row_account(view, "space", asked.with_units(told), row, found)


def trace_ranks(
    view: View, place: tuple[float | None, str], months: str, name: str
) -> dict[str, object]:
    """Return the trace of a rank correlation between two months, "2025-03,2025-05".

    Raises
    ------
    TraceError
        If there is no such depth, layer, pair of months or number.
    """
    told = field_of(RANK_FIELDS, name, "rank_correlation")
    asked = compared(view, place)
    rows = rows_where(view.snapshot.table(RANKS), **asked.key)
    pairs = {f"{r['first_month']},{r['second_month']}": r for r in rows}
    wanted = ",".join(sorted(months.replace(" ", "").split(",")))
    if wanted not in pairs:
        hint = did_you_mean(wanted, list(pairs))
        raise TraceError(
            f"{view.site.id}: found --months {months!r}; expected two, "
            f"{one_of(list(pairs)[:6])}. {hint}".rstrip()
        )
    row = pairs[wanted]
    key = {name: row[name] for name in ("first_month", "second_month")}
    found = Derivation(
        "correlation of the ranks of the tubes that have a place in both months",
        list(_places(asked, row)),
        next(iter(rows_where(asked.anew[RANKS], **key)), None),
        asked.made_from,
    )
    return row_account(view, "space", told, row, found)


def _days(asked: Compared, tube: int, name: str) -> Group:
    """Return the days of a tube; the first, the last, and the farthest are led down."""
    relative, absolute = differences(asked.cell.values)
    of_value = name in ("offset", "offset_spread")
    series = absolute if of_value else relative
    mean = float(moments(series)[1][tube])
    level = fit_tubes(asked.cell.values).level
    days = np.flatnonzero(np.isfinite(series[:, tube]))
    values = series[days, tube]
    shown = {0, len(days) - 1, int(np.argmax(np.abs(values - mean)))} if days.size else set()
    items = []
    for n, day in enumerate(days.tolist()):
        of_day = asked.value(tube, day, n in shown)
        said = f"value {of_day['value']:.6g}, site mean {level[day]:.6g}{of_day['said']}"
        at = at_text(asked.day_s[day])
        items.append(of_day | {"at": at, "value": float(values[n]), "said": said})
    units = asked.units if of_value else "1"
    column = name if name in ("mean_relative_difference", "offset") else ""
    what = "value less site mean by day" if of_value else "relative difference by day"
    return Group(f"{what}: mean", units, items, mean, column)


def _places(asked: Compared, row: Row) -> Iterator[Group]:
    """Yield the places of the tubes in both months."""
    relative = differences(asked.cell.values)[0]
    month: NDArray = months_of(asked.view.site, asked.day_s)
    months, places = monthly_places(relative, month)
    both = [months.astype(str).tolist().index(row[f"{n}_month"]) for n in ("first", "second")]
    known = np.flatnonzero(np.isfinite(places[both]).all(axis=0))
    for at in both:
        inside = np.flatnonzero(month == months[at])
        items = []
        for tube in known.tolist():
            days = inside[np.isfinite(relative[inside, tube])]
            led = tube in (known[0], known[-1])
            first = asked.value(tube, int(days[0]), led, f"{len(days)} days, from")
            said = f"{first['said']} {at_text(asked.day_s[days[0]])}"
            items.append(first | {"value": float(places[at, tube]), "said": said})
        yield Group(f"mean relative differences in {months[at]}", "1", items)
