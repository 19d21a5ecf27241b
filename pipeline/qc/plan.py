"""What the tests need to know of each sensor: thresholds, steps between readings, looks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.constants import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    FROST_SHORT_S,
    HOUR_S,
    NEIGHBOUR_S,
    QUIET_S,
    RATE_SHORTEST_H,
    SPIKE_LONGEST_STEP_S,
    SPIKE_MEMORY_S,
    STEADY_S,
    STUCK_VISIBLE_H,
)
from pipeline.qc.kernels import Plan
from pipeline.qc.rain import dry_days, recent_rain
from pipeline.qc.spans import known_spans, nearest_thermometer
from pipeline.qc.spikes import MOST_SPIKES, spike_levels
from pipeline.qc.verdicts import Limits, Windows
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Horizon, QcLimits, Site
from pipeline.site.stretches import stretches_of
from pipeline.variables import SIGNALS

NEVER = 1 << 60  # steps of a window that is switched off
# Part of its pore space from which soil is taken to be near saturation, and the water content
# taken for it where neither saturation nor bulk density of the horizon is stated.
PLATEAU_PART = 0.9
PLATEAU_UNKNOWN = 0.35  # m3 m-3
PARTICLE_DENSITY = 2.65  # g cm-3
_LATEST = np.iinfo(np.int64).max


@dataclass(frozen=True)
class Cadence:
    """Steps between the readings of a sensor, from an instant (None: since ever) on."""

    start_s: int | None
    stride: int


def sensor_cadences(site: Site, tube: str, depth_m: float) -> list[Cadence]:
    """Return how many steps lie between a sensor's readings, by date.

    A source that logs less often than the site's interval fills every n-th step only; its
    neighbours in time are n steps away. Where several are wired the quickest counts, where
    none is every step does.
    """
    wires = [
        wire
        for wire in site.wiring
        if wire.tube == tube and wire.depth_m == depth_m and wire.quantity in SIGNALS
    ]
    cadences: list[Cadence] = []
    for begin, _, interval_s in stretches_of(wires, site):
        held = site.interval_s if np.isnan(interval_s) else interval_s
        stride = max(1, round(held / site.interval_s))
        if not cadences or cadences[-1].stride != stride:
            cadences.append(Cadence(int(begin) if np.isfinite(begin) else None, stride))
    return cadences


def plateau_level(horizon: Horizon | None) -> float:
    """Return the water content [m3 m-3] from which a horizon may be saturated.

    Nine tenths of its saturation where stated, else of the porosity its bulk density leaves.
    """
    if horizon is not None and horizon.saturation is not None:
        return PLATEAU_PART * horizon.saturation
    if horizon is not None and horizon.bulk_density is not None:
        return PLATEAU_PART * (1.0 - horizon.bulk_density / PARTICLE_DENSITY)
    return PLATEAU_UNKNOWN


def sensor_plateau(site: Site, tube: str, depth_m: float) -> float:
    """Return the plateau level at a sensor's real depth."""
    soil = site.soils.get(site.tube_by_id[tube].soil)
    real_m = site.sensor_depth_m(tube, depth_m)
    return plateau_level(soil.horizon_at(real_m) if soil else None)


def block_plan(block: xr.Dataset, site: Site) -> Plan:
    """Return the plan of a block with coordinates ``time``, ``tube`` and ``depth``.

    What the block holds besides water content (offsets, soil temperature, supply, rain) is
    looked at here; what it does not hold is not tested.
    """
    time_s = block["time"].values.astype("datetime64[s]").astype(np.int64)
    cells = [(str(t), float(d)) for t in block["tube"].values for d in block["depth"].values]
    resolved = resolve_limits(site)
    limits = [resolved.get(cell, site.qc) for cell in cells]
    runs, changes, levels = [], [], []
    for column, (cell, own) in enumerate(zip(cells, limits, strict=True)):
        rate = _or_infinite(own.rate_suspect_per_h)
        for start, stop, stride in _spans(sensor_cadences(site, *cell), time_s):
            step_s = stride * site.interval_s
            runs.append((column, start, stop, stride, int(step_s <= SPIKE_LONGEST_STEP_S)))
            changes.append(rate * max(step_s / HOUR_S, RATE_SHORTEST_H))
            levels.append(spike_levels(_or_infinite(own.spike_noise), own.spike_false, step_s))
    table = np.array(runs, dtype=np.int64).reshape(-1, 5)
    return Plan(
        table,
        np.array(changes, dtype=np.float64),
        np.array(levels, dtype=np.float64).reshape(-1, MOST_SPIKES + 1),
        known_spans(block, site, limits, table),
        neighbours(site, cells),
        np.array([nearest_thermometer(site, *cell) is not None for cell in cells], np.bool_),
        dry_days(block, site),
        recent_rain(block, site),
        _limits(site, cells, limits),
        np.array([needs_noise(own) for own in limits], dtype=np.bool_),
        Windows(
            first=int((time_s[0] - site.axis.origin_s) // site.interval_s)
            if time_s.size
            else 0,
            gap=FLAT_GAP_S // site.interval_s,
            entry=FLAT_ENTRY_S // site.interval_s,
            quiet_s=QUIET_S,
            steady_s=STEADY_S,
            memory=SPIKE_MEMORY_S // site.interval_s,
            frost=max(1, FROST_SHORT_S // site.interval_s),
            interval_s=site.interval_s,
            neighbour=max(1, NEIGHBOUR_S // site.interval_s),
        ),
        block.sizes["depth"],
    )


def neighbours(site: Site, cells: list[tuple[str, float]]) -> NDArray[np.int64]:
    """Return the numbers of the sensors above and below each (tube, depth), -1: none."""
    wired = {(w.tube, w.depth_m) for w in site.wiring if w.quantity in SIGNALS}
    number = {cell: column for column, cell in enumerate(cells) if cell in wired}
    found = np.full((len(cells), 2), -1, dtype=np.int64)
    for above, below in pairwise(sorted(number)):
        if above[0] == below[0]:
            found[number[below], 0] = number[above]
            found[number[above], 1] = number[below]
    return found


def _spans(cadences: list[Cadence], time_s: NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Return first step, end step and stride of each cadence that has steps in the block."""
    starts = np.array([c.start_s or 0 for c in cadences[1:]], dtype=np.int64)
    bounds = [0, *np.searchsorted(time_s, starts, side="left").tolist(), time_s.size]
    spans = zip(cadences, bounds[:-1], bounds[1:], strict=True)
    return [(start, stop, c.stride) for c, start, stop in spans if start < stop]


def _limits(site: Site, cells: list[tuple[str, float]], limits: list[QcLimits]) -> Limits:
    """Return every sensor's thresholds as the kernels take them."""
    made = {id(own): _row(own, site.interval_s) for own in limits}
    rows = [made[id(own)] for own in limits]
    plateaus = [sensor_plateau(site, *cell) for cell in cells]
    columns: dict[str, NDArray] = {
        name: np.array([row[name] for row in rows], dtype=_DTYPES.get(name, np.float64))
        for name in Limits._fields
        if name != "plateau"
    }
    return Limits(**columns, plateau=np.array(plateaus, dtype=np.float64))


_DTYPES = {
    "flat_suspect_steps": np.int64,
    "flat_fail_steps": np.int64,
    "flat_visible_steps": np.int64,
    "stuck_visible_steps": np.int64,
    "gross_on": np.bool_,
}


def flat_visible_h(limits: QcLimits) -> float:
    """Return how far back the flat-line test looks for a run's first reading, in hours."""
    hours = [h for h in (limits.flat_suspect_h, limits.flat_fail_h) if h is not None]
    return max(hours, default=0.0) + FLAT_ENTRY_S / HOUR_S


def needs_noise(limits: QcLimits) -> bool:
    """Tell whether any test is on that is measured by the noise of the record."""
    tests = ("spike_noise", "stuck_chance", "burst_noise", "step_suspect")
    return any(getattr(limits, name) is not None for name in tests)


def stuck_visible_h(limits: QcLimits) -> float:
    """Return for how many hours a stuck sensor is suspect, if not bad by then."""
    return max(STUCK_VISIBLE_H + FLAT_ENTRY_S / HOUR_S, flat_visible_h(limits))


def _row(limits: QcLimits, interval_s: int) -> dict[str, float]:
    """Return one set of thresholds as the kernels take it; what is off is infinite.

    Gross limits are rounded as the readings are, so that a reading equal to one passes.
    """
    fail = limits.gross_fail or (-math.inf, math.inf)
    suspect = limits.gross_suspect or fail
    low, high = max(suspect[0], fail[0]), min(suspect[1], fail[1])
    chance = limits.stuck_chance
    same = ("spike_suspect", "spike_fail", "dropout_fall", "burst_noise")
    return {
        "fail_low": float(np.float32(fail[0])),
        "fail_high": float(np.float32(fail[1])),
        "suspect_low": float(np.float32(low)),
        "suspect_high": float(np.float32(high)),
        "gross_on": limits.gross_fail is not None or limits.gross_suspect is not None,
        "noise_floor": limits.noise_floor,
        **{name: _or_infinite(getattr(limits, name)) for name in same},
        "flat_tolerance": limits.flat_tolerance,
        "flat_suspect_steps": _steps(limits.flat_suspect_h, interval_s),
        "flat_fail_steps": _steps(limits.flat_fail_h, interval_s),
        "flat_visible_steps": _steps(flat_visible_h(limits), interval_s),
        "stuck_visible_steps": _steps(stuck_visible_h(limits), interval_s),
        "stuck_log_chance": -math.inf if chance is None else math.log(chance),
        "step_suspect": _or_infinite(limits.step_suspect),
        "step_noise": limits.step_noise,
        "neighbour": _or_infinite(limits.neighbour_suspect),
    }


def _or_infinite(threshold: float | None) -> float:
    return math.inf if threshold is None else threshold


def _steps(hours: float | None, interval_s: int) -> int:
    """Return the steps in which some hours have gone by."""
    return NEVER if hours is None else math.ceil(round(hours * HOUR_S / interval_s, 6))
