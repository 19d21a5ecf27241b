"""What the tests need to know of each sensor: thresholds, steps between readings, looks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.constants import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    HOUR_S,
    RATE_SHORTEST_H,
    SPIKE_LONGEST_STEP_S,
)
from pipeline.qc.kernels import FlatWindows, Limits
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Horizon, QcLimits, Site
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


@dataclass(frozen=True)
class QcPlan:
    """What the block kernel needs beside the readings.

    ``runs`` is (R, 5), sorted by column: column, first and end step, steps between readings,
    and whether these are close enough together for a spike to be certain. ``changes`` (R,) is
    the largest change from one to the next that is not suspect.
    """

    runs: NDArray[np.int64]
    changes: NDArray[np.float64]
    limits: Limits
    windows: FlatWindows


def sensor_cadences(site: Site, tube: str, depth_m: float) -> list[Cadence]:
    """Return how many steps lie between a sensor's readings, by date.

    A source that logs less often than the site's interval fills every n-th step only; its
    neighbours in time are n steps away. Where several are wired the quickest counts, where
    none is every step does.
    """
    interval = {source.id: source.interval_s or site.interval_s for source in site.sources}
    wires = [
        (_start(wire.start), _end(wire.until), interval[wire.source])
        for wire in site.wiring
        if wire.tube == tube and wire.depth_m == depth_m and wire.quantity in SIGNALS
    ]
    dates = {instant for start, end, _ in wires for instant in (start, end)}
    cadences: list[Cadence] = []
    for at in sorted({-_LATEST, *dates} - {_LATEST}):
        found = [every for start, end, every in wires if start <= at < end]
        stride = max(1, round(min(found) / site.interval_s)) if found else 1
        if not cadences or cadences[-1].stride != stride:
            cadences.append(Cadence(None if at == -_LATEST else at, stride))
    return cadences


def _start(instant: datetime | None) -> int:
    return -_LATEST if instant is None else int(instant.timestamp())


def _end(instant: datetime | None) -> int:
    return _LATEST if instant is None else int(instant.timestamp())


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


def block_plan(block: xr.Dataset, site: Site) -> QcPlan:
    """Return the plan of a block with coordinates ``time``, ``tube`` and ``depth``."""
    time_s = block["time"].values.astype("datetime64[s]").astype(np.int64)
    resolved = resolve_limits(site)
    runs: list[tuple[int, ...]] = []
    changes: list[float] = []
    rows: list[dict[str, float]] = []
    for tube in (str(name) for name in block["tube"].values):
        for depth_m in (float(depth) for depth in block["depth"].values):
            limits = resolved.get((tube, depth_m), site.qc)
            rate = _or_infinite(limits.rate_suspect_per_h)
            for start, stop, stride in _spans(sensor_cadences(site, tube, depth_m), time_s):
                step_s = stride * site.interval_s
                certain = step_s <= SPIKE_LONGEST_STEP_S
                runs.append((len(rows), start, stop, stride, int(certain)))
                changes.append(rate * max(step_s / HOUR_S, RATE_SHORTEST_H))
            rows.append(_row(limits, site.interval_s, sensor_plateau(site, tube, depth_m)))
    columns: dict[str, NDArray] = {
        name: np.array([row[name] for row in rows], dtype=_DTYPES.get(name, np.float64))
        for name in Limits._fields
    }
    return QcPlan(
        np.array(runs, dtype=np.int64).reshape(-1, 5),
        np.array(changes, dtype=np.float64),
        Limits(**columns),
        FlatWindows(FLAT_GAP_S // site.interval_s, FLAT_ENTRY_S // site.interval_s),
    )


_DTYPES = {
    "flat_suspect_steps": np.int64,
    "flat_fail_steps": np.int64,
    "flat_visible_steps": np.int64,
    "gross_on": np.bool_,
}


def _spans(cadences: list[Cadence], time_s: NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Return first step, end step and stride of each cadence that has steps in the block."""
    starts = np.array([c.start_s or 0 for c in cadences[1:]], dtype=np.int64)
    bounds = [0, *np.searchsorted(time_s, starts, side="left").tolist(), time_s.size]
    spans = zip(cadences, bounds[:-1], bounds[1:], strict=True)
    return [(start, stop, c.stride) for c, start, stop in spans if start < stop]


def _row(limits: QcLimits, interval_s: int, plateau: float) -> dict[str, float]:
    """Return one sensor's thresholds as the kernel takes them; what is off is infinite.

    Gross limits are rounded as the readings are, so that a reading equal to one passes.
    """
    fail = limits.gross_fail or (-math.inf, math.inf)
    suspect = limits.gross_suspect or (-math.inf, math.inf)
    windows = (
        _steps(limits.flat_suspect_h, interval_s),
        _steps(limits.flat_fail_h, interval_s),
    )
    longest = max((steps for steps in windows if steps != NEVER), default=0)
    return {
        "fail_low": float(np.float32(fail[0])),
        "fail_high": float(np.float32(fail[1])),
        "suspect_low": float(np.float32(suspect[0])),
        "suspect_high": float(np.float32(suspect[1])),
        "spike_suspect": _or_infinite(limits.spike_suspect),
        "spike_fail": _or_infinite(limits.spike_fail),
        "flat_tolerance": limits.flat_tolerance,
        "flat_suspect_steps": windows[0],
        "flat_fail_steps": windows[1],
        "flat_visible_steps": longest + FLAT_ENTRY_S // interval_s,
        "plateau": plateau,
        "gross_on": limits.gross_fail is not None or limits.gross_suspect is not None,
    }


def _or_infinite(threshold: float | None) -> float:
    return math.inf if threshold is None else threshold


def _steps(hours: float | None, interval_s: int) -> int:
    """Return the steps in which some hours have gone by."""
    return NEVER if hours is None else math.ceil(round(hours * HOUR_S / interval_s, 6))
