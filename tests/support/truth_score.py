"""How well the steps of the pipeline do on a field whose truth is known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from truth_faults import FROZEN, LASTING, MISPLACED
from truth_field import DIMS, Field

from pipeline.derive.storage import profile_storage
from pipeline.qc.flags import TEST_BITS, Quality, unpack
from pipeline.steps import TUBE_STEPS
from pipeline.variables import describe

Mask = NDArray[np.bool_]

# Which tests answer for which kind of fault. Those not built yet do not count.
TESTS_OF = {
    # A spike, or a step, that leaves the range is found by the range.
    "spike": ("spike", "gross_range", "outside_calibration"),
    "noise_burst": ("noise_burst",),
    "stuck": ("flat_line",),
    "step": ("step", "rate_of_change", "gross_range", "outside_calibration"),
    "dropout": ("missing", "gross_range", "outside_calibration"),
    "out_of_range": ("gross_range", "outside_calibration"),
    "frozen": ("frozen",),
    "low_supply": ("supply",),
}
# Known by the moment it begins, not by the cells it lasts for.
BY_ONSET = ("step",)
ONSET_REACH_S = 7200  # how near to its onset a test must fire
SIZE_CLASSES = ((4, 8), (8, 16), (16, 32), (32, 100))  # of spikes, times the noise
COVERED = 1.96  # standard uncertainties on each side of a nominal 95 % interval
# A front is lost where less of its rise is left in the cleaned series than this.
FRONT_KEPT = 0.8


@dataclass(frozen=True)
class Counts:
    """Faults found, faults missed, and what was flagged without a fault; they add up."""

    found: int = 0
    missed: int = 0
    false: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.found + other.found, self.missed + other.missed, self.false + other.false
        )

    @property
    def f1(self) -> float:
        """Return the harmonic mean of precision and recall, NaN where nothing was there."""
        whole = 2 * self.found + self.missed + self.false
        return 2 * self.found / whole if whole else np.nan

    @property
    def recall(self) -> float:
        """Return the share of the faults that was found, NaN where there was none."""
        whole = self.found + self.missed
        return self.found / whole if whole else np.nan


def run_steps(field: Field) -> xr.Dataset:
    """Return what the steps from reading to storage make of a field's block.

    As in a night, each step is given what it reads by name and nothing else.
    """
    logged = {**field.readings.data_vars, **field.station.data_vars}
    known = {f"readings/{name}": array for name, array in logged.items()}
    made: dict[str, xr.DataArray] = {}
    for step in TUBE_STEPS:
        if all(key.startswith("daily/") for key in step.writes):
            continue
        block = {name_of(key): known[key] for key in step.reads if key in known}
        found = step.function(xr.Dataset(block), field.site)
        for key in step.writes:
            known[key] = made[name_of(key)] = found[name_of(key)]
    return xr.Dataset(made)


def name_of(key: str) -> str:
    """Return the variable a key of a cube names."""
    return key.split("/")[1]


def fired(result: xr.Dataset, names: Iterable[str]) -> Mask:
    """Return (time, tube, depth), True where any of some tests fired."""
    flags = unpack(result["tests"].transpose(*DIMS))
    return np.logical_or.reduce([flags[name].values for name in names])


def tests_built(kind: str) -> tuple[str, ...]:
    """Return the tests that answer for a kind of fault and exist."""
    return tuple(name for name in TESTS_OF[kind] if name in TEST_BITS)


def near(mask: Mask, steps: int = 1) -> Mask:
    """Return the mask with some steps before and after each of its cells."""
    wide = mask.copy()
    for away in range(1, steps + 1):
        wide[away:] |= mask[:-away]
        wide[:-away] |= mask[away:]
    return wide


def free_of_faults(field: Field) -> Mask:
    """Return the cells of sound and worn tubes that lie in no fault nor beside one."""
    free = ~near(field.label_mask())
    lasting = [role in (*LASTING, "drift") for role in field.roles.values()]
    free[:, lasting] = False
    return free


def score_cells(field: Field, result: xr.Dataset, kind: str) -> Counts:
    """Return how many cells of the faults of a kind its tests found.

    False are cells that lie in no fault of any kind, nor beside one, in sound and worn tubes.
    """
    flagged = fired(result, tests_built(kind))
    labelled = field.label_mask(kind)
    if kind == FROZEN:  # what is frozen at the stated depth is not what such a sensor feels
        labelled[:, [role in MISPLACED for role in field.roles.values()]] = False
    return Counts(
        int((flagged & labelled).sum()),
        int((~flagged & labelled).sum()),
        int((flagged & free_of_faults(field)).sum()),
    )


def score_episodes(field: Field, result: xr.Dataset, kind: str) -> Counts:
    """Return how many faults of a kind were found as such.

    A fault counts as found where its tests fired in one of its cells, or near its onset for
    kinds known by that. Runs of flagged cells in no fault are false.
    """
    flagged = fired(result, tests_built(kind))
    interval_s = field.site.interval_s
    reach = max(ONSET_REACH_S // interval_s, 1)
    tubes, depths = list(field.roles), list(field.truth["depth"].values)
    found = missed = 0
    for label in field.labels:
        if label.kind != kind:
            continue
        series = flagged[:, tubes.index(label.tube), depths.index(label.depth_m)]
        onset = slice(max(label.first - 1, 0), label.first + reach)
        cells = onset if kind in BY_ONSET else slice(label.first, label.stop)
        found, missed = (found + 1, missed) if series[cells].any() else (found, missed + 1)
    stray = flagged & free_of_faults(field)
    starts = stray & ~np.concatenate([np.zeros_like(stray[:1]), stray[:-1]])
    return Counts(found, missed, int(starts.sum()))


def cells_at_risk(field: Field) -> tuple[int, int]:
    """Return the cells a false spike can be in: of all sensors, of those that have spikes."""
    free = free_of_faults(field)
    spiky = field.label_mask("spike").any(axis=0)
    return int(free.sum()), int((free & spiky).sum())


def spike_recall(field: Field, result: xr.Dataset) -> dict[tuple[int, int], Counts]:
    """Return the isolated spikes found and missed, by their size in multiples of the noise."""
    flagged = fired(result, tests_built("spike"))
    tubes, depths = list(field.roles), list(field.truth["depth"].values)
    counts = dict.fromkeys(SIZE_CLASSES, Counts())
    for label in field.labels:
        if label.kind != "spike":
            continue
        hit = flagged[label.first, tubes.index(label.tube), depths.index(label.depth_m)]
        size = next(c for c in SIZE_CLASSES if c[0] <= abs(label.size) <= c[1])
        counts[size] += Counts(int(hit), int(not hit))
    return counts


@dataclass(frozen=True)
class Fronts:
    """Wetting fronts on sensors without a fault: how many, with a bad cell, and lost."""

    seen: int = 0
    bad: int = 0
    lost: int = 0
    suspect: int = 0

    def __add__(self, other: Fronts) -> Fronts:
        return Fronts(
            self.seen + other.seen,
            self.bad + other.bad,
            self.lost + other.lost,
            self.suspect + other.suspect,
        )


def score_fronts(field: Field, result: xr.Dataset) -> Fronts:
    """Return what became of the fronts that passed sensors without a fault.

    A front is lost where the cleaned series from its onset to its peak shows less than four
    fifths of the rise that the calibrated series shows.
    """
    calibrated, cleaned = (
        result[name].transpose(*DIMS).values
        for name in ("calibrated_water_content", "cleaned_water_content")
    )
    quality = result["quality"].transpose(*DIMS).values
    free = free_of_faults(field)
    tubes, depths = list(field.roles), list(field.truth["depth"].values)
    total = Fronts()
    for event in field.events.itertuples():
        cell = (tubes.index(event.tube), depths.index(event.depth))
        span = (slice(max(event.onset - 1, 0), event.peak + 1), *cell)
        if not free[span].all():
            continue
        left, whole = (np.ptp(x[span][~np.isnan(x[span])]) for x in (cleaned, calibrated))
        total += Fronts(
            1,
            int((quality[span] == Quality.BAD).any()),
            int(left < FRONT_KEPT * whole),
            int((quality[span] == Quality.SUSPECT).any()),
        )
    return total


def false_flags(field: Field, result: xr.Dataset) -> dict[str, tuple[int, int]]:
    """Return flagged cells and all cells without a fault, by test and over all ("any")."""
    free = free_of_faults(field)
    names = [name for name in TEST_BITS if name != "missing"]
    flags = {name: fired(result, [name]) for name in names}
    flags["any"] = np.logical_or.reduce(list(flags.values()))
    return {name: (int((flag & free).sum()), int(free.sum())) for name, flag in flags.items()}


def covered(field: Field, result: xr.Dataset) -> xr.DataArray:
    """Return the share of cells whose nominal 95 % interval holds the truth, (tube, depth).

    The truth is the water content of the sensor's window at its stated depth.
    """
    error = abs(result["calibrated_water_content"] - field.truth["water_content"])
    uncertainty = np.hypot(result["random_error"], result["systematic_error"])
    known = error.notnull() & uncertainty.notnull()
    inside = (error <= COVERED * uncertainty).where(known)
    return inside.mean("time")


@dataclass(frozen=True)
class StorageErrors:
    """Sums of squared errors of stored water [mm2 over a metre] and how many values."""

    total: float = 0.0
    spacing: float = 0.0
    rest: float = 0.0
    count: int = 0

    def __add__(self, other: StorageErrors) -> StorageErrors:
        return StorageErrors(
            self.total + other.total,
            self.spacing + other.spacing,
            self.rest + other.rest,
            self.count + other.count,
        )

    def rmse(self, part: str) -> float:
        """Return one root mean square error, in mm a metre of profile."""
        return float(np.sqrt(getattr(self, part) / self.count)) if self.count else np.nan


def storage_errors(field: Field, result: xr.Dataset, layer: str = "profile") -> StorageErrors:
    """Return the errors of stored water in a layer, scaled to a metre of profile.

    ``spacing`` is what the trapezoid over the sensors' depths costs with true water content;
    ``rest`` is what readings, calibration and cleaning add to that.
    """
    span = next(x for x in field.site.derive.layers if x.name == layer)
    depths = field.truth["depth"].assign_attrs(units="m")
    true_water = describe(field.truth["water_content"], "cleaned_water_content")
    by_rule = profile_storage(true_water, depths, {layer: (span.top_m, span.bottom_m)})
    ruled = by_rule.sel(layer=layer, drop=True)
    truth = field.truth["storage"].sel(layer=layer, drop=True)
    found = result["storage"].sel(layer=layer, drop=True)
    scale = 1.0 / (span.bottom_m - span.top_m) ** 2
    known = found.notnull()
    squares = [
        float((((a - b) ** 2).where(known)).astype(np.float64).sum()) * scale
        for a, b in ((found, truth), (ruled, truth), (found, ruled))
    ]
    return StorageErrors(*squares, int(known.sum()))
