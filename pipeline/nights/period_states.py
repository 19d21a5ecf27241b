"""What the files of each delivery period depend on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from importlib.metadata import version

import numpy as np

from pipeline.axis import DAY_S
from pipeline.deliver.metadata import FORM
from pipeline.nights.periods import Period, periods
from pipeline.products.neighbour_days import neighbour_rows
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

# How much of what files depend on comes before the verdicts on tubes.
BUT_VERDICTS = -1


def period_states(site: Site, snapshot: Snapshot) -> Iterator[tuple[Period, list[str | int]]]:
    """Yield each period and what its files depend on, the verdicts on tubes last.

    That is the last night of its days, the description, the code, and what several tubes
    together tell: a day may be flagged anew by days of other tubes, and the verdicts stand in
    every file. A store without any verdict gives files that have no room for them, so whether
    there are any comes before.
    """
    nights = snapshot.table("day_nights")
    night = np.empty(0, np.int32) if nights is None else nights["night"].to_numpy()
    verdicts = verdicts_of(snapshot)
    made_by = site_hash(site), version("percolog"), FORM
    rows = neighbour_rows(snapshot, 0, snapshot.days)[["tube", "depth_m", "day_s"]]
    day = (rows["day_s"].to_numpy() - snapshot.axis.origin_s) // DAY_S
    for period in periods(site, snapshot.days):
        first, stop = period.start_day, period.stop_day
        flagged = rows[(day >= first) & (day < stop)].to_numpy().tolist()
        last = int(night[first:stop].max(initial=0))
        judged = _hash([bool(verdicts), flagged]), _hash(verdicts)
        yield period, [last, stop - first, *made_by, *judged]


def verdicts_of(snapshot: Snapshot) -> tuple[tuple[str, int], ...]:
    """Return the verdict on each tube."""
    table = snapshot.table("tube_verdicts")
    if table is None:
        return ()
    return tuple(zip(table["tube"].to_pylist(), table["verdict"].to_pylist(), strict=True))


def _hash(told: object) -> str:
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]
