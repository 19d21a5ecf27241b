"""Logged signals with the drift corrections of a site added, and how sure those are.

A correction acts on the signal, before any law: volts, root permittivity (also where
permittivity is logged), or water content as logged. Readings themselves are never changed.
"""

from __future__ import annotations

import json
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.course import DOMAINS, course, signal_of
from pipeline.calibrate.moments import Moments
from pipeline.site.instruments import Correction
from pipeline.site.models import Site

_DIMS = ("time", "tube", "depth")
# What decides no number, whether or not a correction is a two-point one.
_ENDS = {"low", "high"} | {
    f"high_{name}" for name in ("first", "last", "first_error", "last_error", "growth")
}
_UNTOLD = {True: {"tube"}, False: {"tube", *_ENDS}}


class Corrected(NamedTuple):
    """A block with corrected signals.

    ``doubtful`` has each corrected signal raised by the standard uncertainty of its
    correction: what a law makes of the difference is that uncertainty in water content.
    ``tubes`` are the rows of the block in which anything was corrected.
    """

    block: xr.Dataset
    doubtful: xr.Dataset
    tubes: list[int]


def correct_block(block: xr.Dataset, site: Site) -> Corrected | None:
    """Return a block's signals corrected, None where no correction reaches into it.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        Signals as logged.
    site : Site
        Its ``corrections`` are in order of time for each sensor and do not overlap.
    """
    tubes = {str(name): row for row, name in enumerate(block["tube"].values)}
    depths = {float(depth): column for column, depth in enumerate(block["depth"].values)}
    moments = Moments(block)
    signals = [name for name in DOMAINS if name in block]
    values = {name: block[name].transpose(*_DIMS).values for name in signals}
    doubtful = dict(values)
    touched: set[int] = set()
    for correction in site.corrections:
        row, column = tubes.get(correction.tube), depths.get(correction.depth_m)
        if row is None or column is None:
            continue
        span = _steps(correction, moments, row, column)
        if span.start >= span.stop:
            continue
        if not touched:  # nothing is copied where nothing is corrected
            values = {name: array.copy() for name, array in values.items()}
            doubtful = {name: array.copy() for name, array in values.items()}
        touched.add(row)
        for name in signals:
            if DOMAINS[name] == correction.domain:
                cell = (span, row, column)
                logged = block[name].transpose(*_DIMS).values[cell]
                value, error = course(
                    correction, moments.seconds[span], signal_of(logged, name)
                )
                values[name][cell] = _added(logged, value, name, correction.form)
                doubtful[name][cell] = _added(logged, value + error, name, correction.form)
    if not touched:
        return None
    raised = _as_dataset(block, doubtful)
    return Corrected(_as_dataset(block, values), raised, sorted(touched))


def effective_parameters(site: Site, tube: str) -> list[tuple[int | None, str]]:
    """Return the dated corrections of a tube in canonical text.

    As `pipeline.calibrate.effective.effective_parameters`.
    """
    own = [one for one in site.corrections if one.tube == tube]
    edges = {one.start_s for one in own}
    edges |= {one.until_s for one in own if one.until_s is not None}
    result: list[tuple[int | None, str]] = [(None, "[]")]
    for edge in sorted(edges):
        held = [
            one.model_dump(mode="json", exclude=_UNTOLD[one.form == "two_point"])
            for one in own
            if one.start_s <= edge and (one.until_s is None or edge < one.until_s)
        ]
        held.sort(key=lambda one: one["depth_m"])
        text = json.dumps(held, sort_keys=True, separators=(",", ":"), allow_nan=False)
        if text != result[-1][1]:
            result.append((edge, text))
    return result


def _steps(correction: Correction, moments: Moments, row: int, column: int) -> slice:
    """Return the steps whose readings were taken while a correction holds."""
    start = moments.first_step(correction.start_s, row, column)
    if correction.until_s is None:
        return slice(start, moments.seconds.size)
    return slice(start, moments.first_step(correction.until_s, row, column))


def _added(logged: NDArray, value: Floats, name: str, form: str) -> Floats:
    """Return logged values with a correction of their domain."""
    plain, signal = logged.astype(np.float64), signal_of(logged, name)
    signal = signal * (1.0 + value) if form == "proportional" else signal + value
    if name != "permittivity":
        return signal
    # What is no permittivity stays what it was, to be refused as such.
    return np.where(np.isnan(signal), plain, np.maximum(signal, 0.0) ** 2)


def _as_dataset(block: xr.Dataset, arrays: dict[str, NDArray]) -> xr.Dataset:
    return block.assign(
        {name: (_DIMS, values.astype(np.float32)) for name, values in arrays.items()}
    )
