"""Days that the next night computes anew though neither readings nor rules changed.

A store is mended by dropping what is damaged and noting here what has to be made again.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from pipeline.store.state import Snapshot, Writer

_ATTRIBUTE = "redo"
# Of a tube, or, with an empty name, of the stations: first day and the day after the last.
Mark = tuple[str, int, int]


def mark_days(writer: Writer, marks: Iterable[Mark]) -> None:
    """Note days to be computed anew, beside those that are noted already."""
    noted = {(str(t), int(a), int(b)) for t, a, b in writer.attributes.get(_ATTRIBUTE, [])}
    writer.set_attributes({_ATTRIBUTE: sorted(list(mark) for mark in noted | set(marks))})


def marked_days(snapshot: Snapshot) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the days to be computed anew: (tube, day) and, of the stations, (day)."""
    names = snapshot.labels["tube"]
    tubes = np.zeros((len(names), snapshot.days), dtype=bool)
    stations = np.zeros(snapshot.days, dtype=bool)
    for name, first, stop in snapshot.attributes.get(_ATTRIBUTE, []):
        days = tubes[names.index(name)] if name else stations
        days[first:stop] = True
    return tubes, stations


def clear_marks(writer: Writer) -> None:
    """Forget the days that were noted, once they are computed."""
    if writer.attributes.get(_ATTRIBUTE):
        writer.set_attributes({_ATTRIBUTE: []})
