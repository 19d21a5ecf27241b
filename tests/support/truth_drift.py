"""Drift corrections of a test field, and how well they do."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import xarray as xr
from truth_faults import DRIFT, drift_course
from truth_field import DAY_S, DIMS, Field
from truth_score import run_steps

from pipeline.calibrate.compare import Seen, seen
from pipeline.calibrate.references import hand_references, visit_references
from pipeline.calibrate.steps import water_content_step
from pipeline.engine.correcting import find_corrections
from pipeline.engine.windows import Window
from pipeline.qc.drift_suspects import neighbour_suspect, wet_end_suspect
from pipeline.site.instruments import Correction, Drift
from pipeline.site.models import Site

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
    fallen = field.station.get("rain")

    def show(windows: Iterable[Window]) -> dict[Window, Seen]:
        found = {}
        for window in windows:
            start, stop = np.searchsorted(seconds, [window.first_s, window.stop_s])
            if not window.tube:
                rain = np.zeros(0) if fallen is None else fallen.values[start:stop, 0]
                found[window] = Seen("rain", float(rain.sum()), np.nan, rain.size)
                continue
            cell = (tubes.index(window.tube), depths.index(window.depth_m))
            values = logged[(slice(start, stop), *cell)].astype(np.float64)
            taken_s = seconds[start:stop] if window.singly else None
            found[window] = seen("permittivity", values, taken_s=taken_s)
        return found

    return find_corrections(sorted(references), show, site)[0]


@dataclass(frozen=True)
class DriftScore:
    """Sums of squared errors of drifting sensors while they drift, and sound ones moved.

    ``before`` and ``after`` [(m3 m-3)2] over ``cells`` are from the truth, ``undrifted`` what
    the same sensor would show had it not drifted, from the truth too; ``left`` is from
    ``undrifted`` to ``after``: of drift, without what the sensor's law is wrong by.
    ``checked`` sensors without a fault that were held to references, of which ``moved`` were
    corrected.
    """

    before: float = 0.0
    after: float = 0.0
    undrifted: float = 0.0
    left: float = 0.0
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
    plain, better, undrifted = (
        water_content_step(*given)["calibrated_water_content"]
        for given in ((block, site), (block, corrected), (_undrifted(field, block), site))
    )
    sums, cells = np.zeros(4), 0
    for (tube, depth_m), label in drifting.items():
        there = {"tube": tube, "depth": depth_m}
        span = slice(label.first, label.stop)
        truth, own, *found = (
            array.sel(there).isel(time=span).values.astype(np.float64)
            for array in (field.truth["water_content"], undrifted, plain, better)
        )
        errors = [*(one - truth for one in (*found, own)), found[1] - own]
        sums += [float((error**2).sum()) for error in errors]
        cells += truth.size
    checked = {(t, d) for t in tubes for d in field.readings["depth"].values} - set(drifting)
    return DriftScore(
        before=sums[0],
        after=sums[1],
        undrifted=sums[2],
        left=sums[3],
        cells=cells,
        sensors=len(drifting),
        checked=len(checked),
        moved=len(moved - set(drifting)),
    )


def _undrifted(field: Field, block: xr.Dataset) -> xr.Dataset:
    """Return a block as it would have been logged without drift, but for rounding."""
    logged = block["permittivity"].transpose(*DIMS).astype(np.float64).copy()
    tubes, depths = list(block["tube"].values), list(block["depth"].values)
    for label in field.labels:
        if label.kind == DRIFT and label.tube in tubes:
            cell = (slice(None), tubes.index(label.tube), depths.index(label.depth_m))
            course = drift_course(len(logged), label.first, label.stop, label.size)
            logged.values[cell] = (np.sqrt(logged.values[cell]) - course) ** 2
    return block.assign(permittivity=logged.astype(np.float32))


def suspected(field: Field) -> tuple[int, int, int, int]:
    """Return drifting sensors, those suspected, sound sensors, those suspected.

    By daily means of water content as cleaned, until the day the drift is ended, without any
    reference, as `pipeline.qc.drift_suspects` looks at them.
    """
    cleaned = run_steps(field)["cleaned_water_content"].transpose(*DIMS)
    per_day = DAY_S // field.site.interval_s
    shape = (-1, per_day, *cleaned.shape[1:])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of days without a value
        daily = np.nanmean(cleaned.values.reshape(shape).astype(np.float64), axis=1)
    daily = daily[: min(label.stop for label in field.labels) // per_day]
    days = cleaned["time"].values[::per_day][: len(daily)]
    month = days.astype("datetime64[M]").astype(np.int64) % 12 + 1
    drifting = {(label.tube, label.depth_m) for label in field.labels}
    counts = np.zeros((2, 2), dtype=np.int64)
    for row, tube in enumerate(field.roles):
        for column, depth_m in enumerate(cleaned["depth"].values):
            others = np.nanmedian(np.delete(daily[:, :, column], row, axis=1), axis=1)
            own = daily[:, row, column]
            found = wet_end_suspect(own, month) or neighbour_suspect(own, others)
            counts[int((tube, depth_m) not in drifting)] += [1, int(found is not None)]
    return tuple(counts.ravel().tolist())
