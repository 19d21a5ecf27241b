"""Root permittivity freed of soil temperature, where a law asks for it and it is logged.

The temperature is that of the sensor itself, or of the nearest one in the tube within 10 cm;
between two readings no farther apart than six hours it is taken as linear in time. Elsewhere,
in frozen soil, and for laws that do not ask, a reading stays as it is.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.forms import horizon_properties
from pipeline.calibrate.moments import Moments
from pipeline.calibrate.plan import Period, period_steps, sensor_periods
from pipeline.calibrate.temperature import is_usable, root_at_reference
from pipeline.site.models import Site

# How far away and how far apart in time temperatures still speak for a sensor (ours): below
# 10 cm the daily wave of most soils moves less than a degree over either.
NEAR_M, NEAR_S = 0.10, 6 * 3600
_DIMS = ("time", "tube", "depth")


def asks_for_warmth(site: Site) -> bool:
    """Tell whether any law of a site asks for soil temperature."""
    return any(law.temperature is not None for law in site.laws)


def warmth_look(site: Site) -> tuple[int, int]:
    """Return how far temperatures are looked for, in seconds back and ahead."""
    return (NEAR_S, NEAR_S) if asks_for_warmth(site) else (0, 0)


def freed_of_warmth(block: xr.Dataset, site: Site, root: Floats) -> tuple[Floats, Floats]:
    """Return root permittivity at the reference temperatures of the laws in force.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        With ``soil_temperature`` [degC].
    site : Site
    root : array (time, tube x depth), [1]

    Returns
    -------
    root, share : arrays (time, tube x depth)
        ``share`` is 0 where nothing was changed, else one plus the law's own uncertainty as a
        share of the change.
    """
    moved, share = root.copy(), np.zeros_like(root)
    moments = Moments(block)
    celsius = block["soil_temperature"].transpose(*_DIMS).values.astype(np.float64)
    depths = [float(depth) for depth in block["depth"].values]
    column = 0
    for row, tube in enumerate(str(name) for name in block["tube"].values):
        for place, depth_m in enumerate(depths):
            periods = sensor_periods(site, tube, depth_m)
            if any(p.soil is not None and p.soil.temperature for p in periods):
                warm = _at_sensor(site, tube, depth_m, depths, celsius[:, row])
                filled = between(moments.seconds, warm)
                for period, span in period_steps(periods, moments, row, place):
                    _free(period, filled[span], (moved, share), (span, column))
            column += 1
    return moved, share


def _free(
    period: Period, celsius: Floats, out: tuple[Floats, Floats], at: tuple[slice, int]
) -> None:
    """Free one sensor's readings of one period, in place."""
    moved, share = out
    law = period.soil
    if law is None or law.temperature is None:
        return
    porosity = law.temperature.porosity or horizon_properties(period.horizon).get("porosity")
    if porosity is None:
        return
    usable = is_usable(celsius) & np.isfinite(moved[at])
    warm = np.where(usable, celsius, law.temperature.reference_degc)
    freed = root_at_reference(moved[at], warm, porosity, law.temperature)
    moved[at] = np.where(usable, freed, moved[at])
    share[at] = np.where(usable, 1.0 + law.temperature.uncertainty, 0.0)


def _at_sensor(
    site: Site, tube: str, depth_m: float, depths: list[float], celsius: Floats
) -> Floats:
    """Return the temperatures (time,) that speak for a sensor, NaN where none does."""
    wired = {
        wire.depth_m
        for wire in site.wiring
        if wire.tube == tube and wire.quantity == "soil_temperature"
    }
    near = [d for d in depths if d in wired and round(abs(d - depth_m), 4) <= NEAR_M]
    if not near:
        return np.full(len(celsius), np.nan)
    best = min(near, key=lambda d: (round(abs(d - depth_m), 4), d))
    return celsius[:, depths.index(best)]


def between(seconds: NDArray[np.int64], celsius: Floats) -> Floats:
    """Return temperatures filled in between readings no farther apart than `NEAR_S`."""
    known = np.flatnonzero(np.isfinite(celsius))
    if known.size == 0:
        return celsius
    after = np.searchsorted(known, np.arange(celsius.size), side="left")
    low = known[np.clip(after - 1, 0, known.size - 1)]
    high = known[np.clip(after, 0, known.size - 1)]
    gap = seconds[high] - seconds[low]
    inside = (after > 0) & (after < known.size) & (gap <= NEAR_S) & (gap > 0)
    part = np.where(inside, (seconds - seconds[low]) / np.where(gap > 0, gap, 1), 0.0)
    line = celsius[low] + part * (celsius[high] - celsius[low])
    return np.where(np.isfinite(celsius), celsius, np.where(inside, line, np.nan))
