"""A quantity that tubes of a site are compared in, as a trace looks at it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import xarray as xr

from pipeline.arrays import Integers
from pipeline.axis import DAY_S
from pipeline.deliver.event_fields import EventField
from pipeline.derive.field_days import STORAGE, WATER
from pipeline.lineage.down import raw_line
from pipeline.lineage.origin import raw_of
from pipeline.lineage.rows import Row, at_text, item, rows_where
from pipeline.lineage.view import TraceError, View, centimetres
from pipeline.products.space import Cell, cell_tables, cells, instants, site_days
from pipeline.site.mistakes import did_you_mean, one_of

_UNITS = {"water_content": "m3 m-3", "storage": "mm"}
_NEAR_M = 0.02


@dataclass
class Compared:
    """A quantity found in a state, with the days on which it is known."""

    view: View
    days: xr.Dataset
    cell: Cell

    @property
    def tubes(self) -> list[str]:
        """Return the tubes of the site, in the order of the values."""
        return [tube.tube for tube in self.view.site.tubes]

    @property
    def key(self) -> Row:
        """Return the columns by which the tables name the quantity."""
        depth = None if np.isnan(self.cell.depth_m) else self.cell.depth_m
        return {
            "quantity": self.cell.quantity,
            "depth_m": depth,
            "layer": self.cell.layer,
        }

    @property
    def day_s(self) -> Integers:
        """Return when the days begin, UTC seconds."""
        return instants(self.days)

    @cached_property
    def anew(self) -> dict[str, pa.Table]:
        """Return the tables of the quantity, made again from daily values."""
        return cell_tables(self.cell, self.view.site, self.day_s)

    @property
    def made_from(self) -> str:
        """Return what they are made from."""
        return f"the daily values of {len(self.tubes)} tubes on {len(self.day_s)} days"

    @property
    def units(self) -> str:
        """Return the units of the quantity."""
        return _UNITS[self.cell.quantity]

    def with_units(self, told: EventField) -> EventField:
        """Return a field with the quantity's units, where it has none of its own."""
        return EventField(told.source, told.name, told.units or self.units, told.long_name)

    def daily(self, tube: str, day: int) -> dict[str, object]:
        """Return what to ask for the daily value of a tube."""
        ask: dict[str, object] = {"tube": tube, "time": at_text(self.day_s[day])}
        if self.cell.layer:
            return ask | {"layer": self.cell.layer, "product": STORAGE}
        return ask | {"depth_cm": round(self.cell.depth_m * 100, 2), "product": WATER}

    def value(self, tube: int, day: int, down: bool, said: str = "") -> dict[str, object]:
        """Return the value of a tube on a day, led down to a raw line if wanted."""
        name, value = self.tubes[tube], self.cell.values[day, tube]
        found = item(name, value, said=said)
        if not np.isfinite(value):
            return found | {"said": f"{said}; not measured"}
        if self.days["by_hand"].values[day, tube]:
            return found | {"said": f"{said}; by hand", "hand": self.by_hand(name, day)}
        found["trace"] = self.daily(name, day)
        if down:
            found["origin"] = raw_line(self.view, found["trace"])
        return found

    def by_hand(self, tube: str, day: int) -> list[Row]:
        """Return the hand readings of a tube on a day, each with its raw line."""
        rows = rows_where(self.view.snapshot.table("rounds"), tube=tube)
        begin = int(self.day_s[day])
        of_day = [r for r in rows if begin <= r["time_s"] < begin + DAY_S]
        if not self.cell.layer:
            of_day = [r for r in of_day if abs(r["depth_m"] - self.cell.depth_m) <= _NEAR_M]
        return [row | raw_of(self.view, row["file"], row["line"]) for row in of_day]


def compared(view: View, place: tuple[float | None, str]) -> Compared:
    """Return the quantity of a depth [m] or a layer.

    Raises
    ------
    TraceError
        If there is none; it says which there are.
    """
    depth_m, layer = place
    days = site_days(view.snapshot, view.site)
    known = list(cells(days))
    for cell in known:
        if layer and cell.layer == layer:
            return Compared(view, days, cell)
        if not layer and depth_m is not None and abs(cell.depth_m - depth_m) <= _NEAR_M:
            return Compared(view, days, cell)
    depths = ", ".join(centimetres(c.depth_m) for c in known if not c.layer)
    layers = [c.layer for c in known if c.layer]
    found = f"--layer {layer!r}" if layer else "no --layer"
    if not layer and depth_m is not None:
        found = f"--depth {centimetres(depth_m)}"
    raise TraceError(
        f"{view.site.id}: found {found}; expected a depth of {depths} [cm], or a layer: "
        f"{one_of(layers)}. {did_you_mean(layer, layers)}".rstrip()
    )
