"""The trace of means over tubes: the tubes of a day, their offsets, and their readings."""

from __future__ import annotations

import numpy as np

from pipeline.axis import DAY_S
from pipeline.deliver.row_fields import SITE_MEANS
from pipeline.derive.tube_fit import fit_tubes
from pipeline.lineage.compared import Compared, compared
from pipeline.lineage.rows import (
    Derivation,
    Group,
    Row,
    at_text,
    field_of,
    nearest_days,
    row_account,
    rows_where,
    summed,
)
from pipeline.lineage.view import TraceError, View
from pipeline.products.space import MEANS, groups
from pipeline.site.mistakes import did_you_mean, one_of

_HOW = {
    "mean": "least squares of value = mean(day) + offset(tube) + rest, offsets zero on "
    "average over the members: mean over the tubes measured of value less offset",
}


def trace_site_mean(
    view: View, place: tuple[float | None, str], day: int, group: str, name: str
) -> dict[str, object]:
    """Return the trace of a number of the means over tubes of a day, JSON-ready.

    Parameters
    ----------
    view : View
    place : (float or None, str)
        Depth [m], or the name of a layer.
    day : int
        Of the axis.
    group : str
        Of tubes; "" is the whole site.
    name : str
        Of the number, "" for the mean.

    Raises
    ------
    TraceError
        If there is no such depth, layer, group, day or number.
    """
    told = field_of(SITE_MEANS, name, "mean")
    asked = compared(view, place)
    known = groups(view.site)
    if group not in known:
        named = [g for g in known if g]
        hint = did_you_mean(group, named)
        raise TraceError(f"found group {group!r}; expected {one_of(named)}. {hint}".rstrip())
    day_s = view.site.axis.origin_s + day * DAY_S
    rows = rows_where(view.snapshot.table(MEANS), **asked.key, group=group)
    row = next((r for r in rows if r["day_s"] == day_s), None)
    if row is None:
        raise TraceError(
            f"{view.site.id}: found no mean for the day from {at_text(day_s)}; the nearest "
            f"days with one are {nearest_days(rows, day_s)}"
        )
    found = Derivation(
        _HOW.get(told.source, "see docs/space.md, Means"),
        [_tubes(asked, known[group], day, row)],
        next(iter(rows_where(asked.anew[MEANS], group=group, day_s=day_s)), None),
        asked.made_from,
        {"group": group or None},
    )
    return row_account(view, "space", asked.with_units(told), row, found)


def _tubes(asked: Compared, tubes: list[str], day: int, row: Row) -> Group:
    """Return the tubes of a mean with their values and offsets; of two the raw lines too."""
    places = [asked.tubes.index(tube) for tube in tubes]
    fit = fit_tubes(asked.cell.values[:, places])
    logged = [
        n
        for n, place in enumerate(places)
        if np.isfinite(asked.cell.values[day, place])
        and not asked.days["by_hand"].values[day, place]
    ]
    items = [
        asked.value(place, day, n in logged[:1] + logged[-1:], _offset(fit.offset[n]))
        for n, place in enumerate(places)
    ]
    rest = asked.cell.values[day, places] - fit.offset
    known = rest[np.isfinite(rest)]
    # The store keeps it in single precision.
    mean = float(np.float32(summed(known) / known.size)) if known.size else None
    what = "values of the tubes on the day; their mean, each less its offset"
    return Group(what, asked.units, items, mean, "mean")


def _offset(offset: float) -> str:
    return f"offset {offset:.6g}" if np.isfinite(offset) else "no member: too few days"
