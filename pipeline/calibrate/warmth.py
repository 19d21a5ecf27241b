"""Root permittivity freed of soil temperature, where a law asks for it and it is logged.

The temperature is that of the sensor itself, or of the nearest thermometer of the tube within
10 cm that has a reading; between two no farther apart than six hours it is taken as linear in
time. Elsewhere, in frozen soil, and for laws that do not ask, a reading stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.forms import horizon_properties, make_curve
from pipeline.calibrate.moments import Moments
from pipeline.calibrate.plan import Period, period_steps, sensor_periods
from pipeline.calibrate.temperature import is_usable, root_as_read, root_at_reference
from pipeline.site.instruments import Warmth
from pipeline.site.models import Horizon, Law, Site

# How far away and how far apart in time temperatures still speak for a sensor (ours): below
# 10 cm the daily wave of most soils moves less than a degree over either.
NEAR_M, NEAR_S = 0.10, 6 * 3600
_GRID = 2001  # places of a law's range at which it is looked up backwards
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
                near = thermometers(site, tube, depth_m)
                own = [celsius[:, row, depths.index(d)] for d in near if d in depths]
                filled = beside(moments.seconds, own)
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
    moved[at], usable = free_root(law, period.horizon, moved[at], celsius)
    share[at] = np.where(usable, 1.0 + law.temperature.uncertainty, 0.0)


def free_root(
    law: Law, horizon: Horizon | None, root: Floats, celsius: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return root permittivity at the temperature a law asks for, and where that could be had.

    Parameters
    ----------
    law : Law
    horizon : Horizon, optional
        Tells the porosity where the law does not.
    root, celsius : array (time,), [1] and [degC]
        NaN where not known; elsewhere a root stays as it is.
    """
    none = root, np.zeros(root.shape, dtype=np.bool_)
    if law.temperature is None:
        return none
    porosity = _porosity(law.temperature, horizon)
    if porosity is None:
        return none
    usable = np.asarray(is_usable(celsius) & np.isfinite(root))
    warm = np.where(usable, celsius, law.temperature.reference_degc)
    freed = root_at_reference(root, warm, porosity, law.temperature)
    return np.where(usable, freed, root), usable


def _porosity(warmth: Warmth, horizon: Horizon | None) -> float | None:
    return warmth.porosity or horizon_properties(horizon).get("porosity")


def water_as_read(period: Period, water_content: float, celsius: float) -> float:
    """Return the water content that a law makes of a reading that is not freed of warmth.

    A reference knows the water itself; the reading beside it, freed of soil temperature, is to
    give it.

    Parameters
    ----------
    period : Period
        The laws in force.
    water_content : float, [m3 m-3]
        Of the soil; returned as it is where nothing is freed, or the law does not reach it.
    celsius : float, [degC]
        Soil temperature beside the reading.
    """
    law = period.soil
    if law is None or law.temperature is None or not is_usable(celsius):
        return water_content
    porosity = _porosity(law.temperature, period.horizon)
    curve = make_curve(law, period.horizon)
    roots = np.linspace(curve.low, curve.high, _GRID)
    if porosity is None or not curve.value(roots[:1]) <= water_content <= curve.value(
        roots[-1:]
    ):
        return water_content
    root = np.interp([water_content], curve.value(roots), roots)
    root = root + (water_content - curve.value(root)) / curve.slope(root)
    read = root_as_read(root, np.array([celsius]), porosity, law.temperature)
    return float(curve.value(read)[0])


def thermometers(site: Site, tube: str, depth_m: float) -> list[float]:
    """Return the nominal depths [m] with a thermometer that speaks for a sensor."""
    wired = {
        wire.depth_m
        for wire in site.wiring
        if wire.tube == tube
        and wire.quantity == "soil_temperature"
        and wire.depth_m is not None
        and round(abs(wire.depth_m - depth_m), 4) <= NEAR_M
    }
    return sorted(wired, key=lambda d: (round(abs(d - depth_m), 4), d))


def beside(seconds: NDArray[np.int64], series: Sequence[Floats]) -> Floats:
    """Return the temperatures (time,) of the first of some series that has one at each time.

    Parameters
    ----------
    seconds : array (time,)
    series : sequence of array (time,), [degC]
        The nearest first; gaps are filled by `between`.
    """
    found = np.full(seconds.size, np.nan)
    for celsius in series:
        found = np.where(np.isfinite(found), found, between(seconds, celsius))
    return found


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
