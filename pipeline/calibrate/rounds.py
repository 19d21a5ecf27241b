"""Hand readings to water content, by the very laws and the arithmetic of the cube.

A reading stands where a logged one would: its tube and depth give the horizon, its date the
version of each law. Volts go through the law of the probe that the reading's ``reader`` names;
a reader that is no probe of any law leaves them without water content, and says so.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.calibrate.kernels import Noise, Signals, WaterArrays, fill_water
from pipeline.calibrate.plan import Period, Registry, curve_indices, wired_periods
from pipeline.calibrate.reasons import IMPOSSIBLE
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Site, Wire

# What is calibrated together: within it, laws change with time alone.
_STRETCH = ["tube", "depth_m", "reader"]


def calibrate_rounds(rounds: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Water content of hand readings, with real depth and the two standard uncertainties.

    Water content read as such is taken as it is, unless its horizon's law is of the form
    ``as_logged``, whose range and error then hold. The noise of a reading is the site's
    ``sensor_noise`` of its quantity.

    Parameters
    ----------
    rounds : DataFrame (n)
        ``time_s`` (UTC seconds), ``tube``, ``reader``, ``depth_m`` (nominal), ``quantity`` (a
        signal of `pipeline.variables.SIGNALS`) and ``value`` in its canonical unit.
    site : Site

    Returns
    -------
    DataFrame (n), index of ``rounds``
        ``sensor_depth_m``, the real depth; ``calibrated_water_content``, ``random_error`` and
        ``systematic_error`` [m3 m-3], float32, NaN where unknown or not stated;
        ``outside_calibration`` (uint8): 1 outside the probe law's range or a permittivity not
        above zero, 2 outside the soil law's range, 4 no law holds, 8 outside ``gross_fail`` of
        the quality tests, which no other test would find.
    """
    ordered = rounds.reset_index(drop=True).sort_values([*_STRETCH, "time_s"], kind="stable")
    stretches = ordered.groupby(_STRETCH, sort=True).size()
    registry = Registry()
    runs = _runs(stretches, ordered["time_s"].to_numpy(np.int64), site, registry)
    count = len(rounds)
    theta, random, systematic = (np.empty((count, 1), np.float32) for _ in range(3))
    out = WaterArrays(theta, random, systematic, np.zeros((count, 1), np.uint8))
    noise = Noise(*(float(site.sensor_noise.get(name, np.nan)) for name in Noise._fields))
    fill_water(_signals(ordered), noise, runs, registry.pack(), out)
    _refuse_impossible(out, stretches, site)
    real = [site.sensor_depth_m(str(tube), depth) for tube, depth, _ in stretches.index]
    columns: dict[str, NDArray] = {
        "sensor_depth_m": np.repeat(np.array(real, dtype=np.float64), stretches.to_numpy()),
        "calibrated_water_content": out.water_content[:, 0],
        "random_error": out.random_error[:, 0],
        "systematic_error": out.systematic_error[:, 0],
        "outside_calibration": out.outside[:, 0],
    }
    back = np.argsort(ordered.index.to_numpy(), kind="stable")
    return pd.DataFrame({k: v[back] for k, v in columns.items()}, index=rounds.index)


def _refuse_impossible(out: WaterArrays, stretches: pd.Series, site: Site) -> None:
    """Take water content no soil can hold out, as a logged reading of it fails its test."""
    limits = resolve_limits(site)
    held = [
        limits.get((str(tube), float(depth_m)), site.qc).gross_fail or (-np.inf, np.inf)
        for tube, depth_m, _ in stretches.index
    ]
    bounds = np.repeat(np.array(held, np.float32).reshape(-1, 2), stretches, axis=0)
    theta = out.water_content[:, 0]
    impossible = (theta < bounds[:, 0]) | (theta > bounds[:, 1])
    out.outside[impossible] |= IMPOSSIBLE
    for values in (out.water_content, out.random_error, out.systematic_error):
        values[impossible] = np.nan


def _runs(
    stretches: pd.Series, time_s: NDArray[np.int64], site: Site, registry: Registry
) -> NDArray[np.int64]:
    """Return the kernel's runs: parts of stretches with their laws held still."""
    runs: list[tuple[int, ...]] = []
    start = 0
    for (tube, depth_m, reader), size in zip(stretches.index, stretches, strict=True):
        stop = start + int(size)
        periods = round_periods(site, str(tube), float(depth_m), str(reader))
        begins = [p.start_s for p in periods[1:] if p.start_s is not None]
        inner = start + np.searchsorted(time_s[start:stop], np.array(begins, dtype=np.int64))
        bounds = [start, *(int(i) for i in inner), stop]
        for period, first, end in zip(periods, bounds[:-1], bounds[1:], strict=True):
            if first < end:
                runs.append((0, first, end, *curve_indices(period, registry)))
        start = stop
    return np.array(runs, dtype=np.int64).reshape(-1, 6)


def round_periods(site: Site, tube: str, depth_m: float, reader: str) -> list[Period]:
    """Return the periods of the laws of hand readings at a depth by one reader."""
    return wired_periods(site, tube, depth_m, [_as_if_wired(tube, depth_m, reader)])


def _as_if_wired(tube: str, depth_m: float, reader: str) -> Wire:
    """Return a wire by which a hand probe would always be at a depth."""
    return Wire(
        row=0,
        source="rounds",
        channel="",
        tube=tube,
        depth_m=depth_m,
        quantity="voltage",
        unit="V",
        probe=reader,
    )


def _signals(ordered: pd.DataFrame) -> Signals:
    """Return each signal's readings, (n, 1), NaN where another quantity was read."""
    value = ordered["value"].to_numpy(np.float64).astype(np.float32)
    quantity = ordered["quantity"].to_numpy(object)
    missing = np.float32(np.nan)
    return Signals(
        *(
            np.where(quantity == name, value, missing).astype(np.float32).reshape(-1, 1)
            for name in Signals._fields
        )
    )
