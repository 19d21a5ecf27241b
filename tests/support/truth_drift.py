"""Drift corrections of a test field, and how well they do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from truth_field import DIMS, Field

from pipeline.calibrate.compare import Seen, seen
from pipeline.calibrate.references import hand_references, visit_references
from pipeline.calibrate.steps import water_content_step
from pipeline.correcting import find_corrections
from pipeline.site.instruments import Correction, Drift
from pipeline.site.models import Site
from pipeline.windows import Window

CHECK_PROBE = "HP"  # the reader of the field's hand rounds


def described(field: Field, by_hand: bool) -> Site:
    """Return the site of a field, its hand rounds references or not."""
    readers = (CHECK_PROBE,) if by_hand else ()
    return field.site.model_copy(update={"drift": Drift(readers=readers)})


def corrections_of(field: Field, site: Site) -> list[Correction]:
    """Return the corrections that a night over the field would find."""
    references = [*visit_references(site), *hand_references(field.rounds, site)]
    logged = field.readings["permittivity"].transpose(*DIMS).values
    seconds = field.readings["time"].values.astype("datetime64[s]").astype(np.int64)
    tubes, depths = list(field.roles), list(field.readings["depth"].values)

    def show(windows: Iterable[Window]) -> dict[Window, Seen]:
        found = {}
        for window in windows:
            start, stop = np.searchsorted(seconds, [window.first_s, window.stop_s])
            cell = (tubes.index(window.tube), depths.index(window.depth_m))
            values = logged[(slice(start, stop), *cell)].astype(np.float64)
            found[window] = seen("permittivity", values)
        return found

    return find_corrections(sorted(references), show, site)[0]


@dataclass(frozen=True)
class DriftScore:
    """Sums of squared errors of drifting sensors while they drift, and sound ones moved.

    ``before`` and ``after`` [(m3 m-3)2] over ``cells``; ``checked`` sensors without a fault
    that were held to references, of which ``moved`` were corrected.
    """

    before: float = 0.0
    after: float = 0.0
    cells: int = 0
    sensors: int = 0
    checked: int = 0
    moved: int = 0

    def __add__(self, other: DriftScore) -> DriftScore:
        mine, others = vars(self), vars(other)
        return DriftScore(**{name: mine[name] + others[name] for name in mine})

    def rmse(self, part: str) -> float:
        """Return a root mean square error, m3 m-3."""
        return float(np.sqrt(getattr(self, part) / self.cells)) if self.cells else np.nan


def score_drift(field: Field, by_hand: bool) -> DriftScore:
    """Return how well drift is corrected in a field without other faults."""
    site = described(field, by_hand)
    corrections = corrections_of(field, site)
    moved = {(one.tube, one.depth_m) for one in corrections}
    drifting = {(label.tube, label.depth_m): label for label in field.labels}
    tubes = sorted(field.roles if by_hand else {tube for tube, _ in drifting})
    block = field.readings.sel(tube=tubes)
    corrected = site.model_copy(update={"corrections": tuple(corrections)})
    plain, better = (
        water_content_step(block, one)["calibrated_water_content"] for one in (site, corrected)
    )
    sums = np.zeros(3)
    for (tube, depth_m), label in drifting.items():
        cell = {"tube": tube, "depth": depth_m, "time": slice(label.first, label.stop)}
        there = {"tube": tube, "depth": depth_m}
        truth = field.truth["water_content"].sel(there).isel(time=cell["time"]).values
        for n, found in enumerate((plain, better)):
            error = found.sel(there).isel(time=cell["time"]).values - truth
            sums[n] += float((error.astype(np.float64) ** 2).sum())
        sums[2] += truth.size
    checked = {(t, d) for t in tubes for d in field.readings["depth"].values} - set(drifting)
    return DriftScore(
        before=sums[0],
        after=sums[1],
        cells=int(sums[2]),
        sensors=len(drifting),
        checked=len(checked),
        moved=len(moved - set(drifting)),
    )
