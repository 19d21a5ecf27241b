"""A store in memory, a hundred times quicker than the real one, for what merges into it.

It has what the intake asks of `pipeline.store.state.Writer` and
`pipeline.store.site_store.SiteStore`; a test that uses it runs some of its examples on the
real store too.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.axis import TimeAxis
from pipeline.store.cubes import DAY, SPECS, TIME
from pipeline.store.tables import PARTS, joined


class MemoryArray(np.ndarray):
    """An array with the one way of indexing that numpy spells otherwise than zarr."""

    @property
    def vindex(self) -> np.ndarray:
        """Return the array; arrays of positions pick single cells, as numpy does anyway."""
        return np.asarray(self)


class MemoryState:
    """Arrays and tables of a site, and the labels of its axes."""

    def __init__(self, axis: TimeAxis) -> None:
        self.axis, self.steps = axis, 0
        self.labels: dict[str, list[Any]] = {
            k: [] for k in ("tube", "depth", "layer", "station")
        }
        self.arrays: dict[str, np.ndarray] = {}
        self.tables: dict[str, pa.Table] = {}
        self.attributes: dict[str, Any] = {}
        self.has_changed = False

    @property
    def days(self) -> int:
        """Return how many whole days the time axis covers."""
        return self.steps // self.axis.steps_per_day

    def holds(self, key: str) -> bool:
        """Tell whether an array, or a table, exists."""
        return key in self.arrays or key.removeprefix("tables/") in self.tables

    def array(self, key: str) -> MemoryArray:
        """Return an array."""
        return self.arrays[key].view(MemoryArray)

    def read(
        self, key: str, start: int, stop: int, columns: slice = slice(None)
    ) -> np.ndarray:
        """Return part of an array, as an array of its own."""
        return self.arrays[key][start:stop, columns].copy()

    def table(self, name: str) -> pa.Table | None:
        """Return a table, or None."""
        parts = [self.tables[f"{name}.{part}"] for part in self.parts(name)]
        return joined(parts) if parts else self.tables.get(name)

    def parts(self, name: str) -> list[str]:
        """Return the parts of a table."""
        return list(self.attributes.get(PARTS, {}).get(name, []))

    def extend(self, steps: int) -> None:
        """Lengthen the time axis, to whole days."""
        per_day = self.axis.steps_per_day
        self.steps = max(self.steps, -(-steps // per_day) * per_day)
        self._grow()

    def widen(self, dim: str, labels: list[Any]) -> None:
        """Append labels that an axis does not have yet."""
        self.labels[dim] += [label for label in labels if label not in self.labels[dim]]
        self._grow()

    def ensure(self, key: str) -> None:
        """Make an array if it is not there yet."""
        if key not in self.arrays:
            self.arrays[key] = SPECS[key].empty(self._shape(key))

    def write(
        self, key: str, start: int, values: np.ndarray, columns: slice = slice(None)
    ) -> None:
        """Write part of an array."""
        self.arrays[key][start : start + len(values), columns] = values
        self.has_changed = True

    def put_table(self, name: str, table: pa.Table) -> None:
        """Replace a table."""
        self.tables[name] = table
        self.has_changed = True

    def drop_table(self, name: str) -> None:
        """Remove a table, or a part of one."""
        del self.tables[name]
        self.has_changed = True

    def set_attributes(self, values: dict[str, Any]) -> None:
        """Set attributes of the state."""
        self.attributes |= values
        self.has_changed = True

    def changed(self) -> bool:
        """Tell whether anything was written."""
        return self.has_changed

    def commit(self, message: str, metadata: dict[str, Any]) -> str:
        """Do nothing: `MemoryStore.write` keeps the state."""
        return message

    def _shape(self, key: str) -> tuple[int, ...]:
        lengths = {TIME: self.steps, DAY: self.days} | {
            k: len(v) for k, v in self.labels.items()
        }
        return tuple(lengths[dim] for dim in SPECS[key].dims)

    def _grow(self) -> None:
        """Bring every array to the length of its axes."""
        for key, old in self.arrays.items():
            self.arrays[key] = SPECS[key].empty(self._shape(key))
            self.arrays[key][tuple(slice(n) for n in old.shape)] = old


class MemoryStore:
    """Every state is a copy, so that an earlier one never changes."""

    def __init__(self, axis: TimeAxis) -> None:
        self._newest = MemoryState(axis)
        self._is_made = False

    def exists(self) -> bool:
        """Tell whether a state was written."""
        return self._is_made

    def read(self) -> MemoryState:
        """Return the newest state."""
        return self._newest

    @contextmanager
    def write(self) -> Iterator[MemoryState]:
        """Prepare a new state, which becomes the newest one."""
        state = copy.deepcopy(self._newest)
        yield state
        self._newest, self._is_made = state, True
