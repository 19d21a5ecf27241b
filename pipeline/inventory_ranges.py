"""Sampled values against the ranges of the laws and of the tests they will go through.

A channel may be read well and still give no water content: volts that its probe's law does not
hold for, or a result that the gross test fails. `pipeline.ingest.samples_values` doubts units
by what is usual in the field; here counts what this site's own description says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.curve import Curve
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.plan import Period, wired_periods
from pipeline.errors import Problem
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import is_usual, rows_of, values_of
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Law, Site, Source, Wire
from pipeline.units import conversion
from pipeline.variables import SIGNALS

Floats = NDArray[np.float64]

_LEAST_VALUES = 5
# Part of the values that may be usable where hardly one is: a spike into the range saves none.
_HARDLY = 0.05


@dataclass(frozen=True)
class _Limit:
    """A range hardly a value lies in, in words: what has it, and the range itself."""

    of: str
    expected: str
    advice: str


def remarks_on_ranges(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield the channels whose sampled values give no water content, or none that passes.

    Parameters
    ----------
    site : Site
        A site whose laws have no mistakes (see `pipeline.calibrate.laws.check_laws`).
    source : Source
        A table or a bus.
    samples : list of Sample
        Of its files.
    """
    for wire in site.wiring:
        if wire.source != source.id or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        values = values_of(site, source, wire, samples)
        if len(values) < _LEAST_VALUES:
            continue
        if not is_usual(wire.quantity, wire.unit, np.median(values, keepdims=True)):
            continue  # its unit is doubted already
        limit = _missed(site, wire, conversion(wire.unit, wire.quantity)(values))
        if limit is not None:
            first = _first(site, source, wire, samples)
            found = f"{len(values)} value(s) of which hardly one is in {limit.of}, {first}"
            place = f"line {wire.row}, column channel"
            yield Problem("wiring.csv", place, found, limit.expected, limit.advice)


def _first(site: Site, source: Source, wire: Wire, samples: list[Sample]) -> str:
    """Return the first of a wire's values with its place, in words."""
    for sample, table, inside in rows_of(site, source, wire, samples):
        values = table.columns[wire.channel]
        rows = np.flatnonzero(inside & ~np.isnan(values))
        if len(rows):
            line = sample.line(int(table.line[rows[0]]))
            where = f" in {line} of {sample.path!r}" if line else f" in {sample.path!r}"
            return f"the first {values[rows[0]]:g}{where}"
    return "no first"


def _missed(site: Site, wire: Wire, signal: Floats) -> _Limit | None:
    """Return the first range on the way to water content that hardly a value lies in.

    Parameters
    ----------
    site : Site
    wire : Wire
    signal : array (n,), in the quantity's own unit
    """
    if wire.quantity == "water_content":
        return _gross(site, wire, [signal])
    periods = [
        period
        for period in wired_periods(site, wire.tube, wire.depth_m or 0.0, [wire])
        if period.soil is not None and (period.probe is not None or wire.quantity != "voltage")
    ]
    if not periods:
        return None  # told as readings without a calibration
    roots = [_root(period, wire, signal) for period in periods]
    if _hardly(roots):
        laws = [(period.probe, make_curve(period.probe)) for period in periods if period.probe]
        return _of_laws(laws, "V")
    laws = [(p.soil, make_curve(p.soil, p.horizon)) for p in periods if p.soil]
    water = [curve.value(root) for (_, curve), root in zip(laws, roots, strict=True)]
    return (
        _of_laws(laws, "of root permittivity") if _hardly(water) else _gross(site, wire, water)
    )


def _root(period: Period, wire: Wire, signal: Floats) -> Floats:
    """Return root permittivity of a signal, NaN outside the range of the probe's law."""
    if wire.quantity == "voltage" and period.probe is not None:
        return make_curve(period.probe).value(signal)
    if wire.quantity == "permittivity":
        return np.sqrt(np.where(signal >= 0, signal, np.nan))
    return signal


def _hardly(results: list[Floats]) -> bool:
    """Tell whether hardly a value is one by any of several laws."""
    usable = np.logical_or.reduce([np.isfinite(result) for result in results])
    return bool(np.mean(usable) < _HARDLY)


def _of_laws(laws: list[tuple[Law, Curve]], unit: str) -> _Limit:
    """Return the limit that some versions of a law set."""
    names = ", ".join(repr(name) for name in dict.fromkeys(law.id for law, _ in laws))
    low, high = min(curve.low for _, curve in laws), max(curve.high for _, curve in laws)
    return _Limit(
        f"the valid range of law {names}",
        f"{low:g} to {high:g} {unit}",
        "Outside it nothing is computed. Look at the quantity and unit of the row, at the "
        "probe, and at 'valid' of the law.",
    )


def _gross(site: Site, wire: Wire, water: list[Floats]) -> _Limit | None:
    """Return the limits of the gross test, where hardly a water content lies in them."""
    limits = resolve_limits(site).get((wire.tube, wire.depth_m or 0.0), site.qc).gross_fail
    if limits is None:
        return None
    low, high = limits
    if not _hardly([np.where((w >= low) & (w <= high), w, np.nan) for w in water]):
        return None
    middle = float(np.nanmedian(water[-1]))
    return _Limit(
        f"the range of the gross test (water content around {middle:.3g})",
        f"{low:g} to {high:g} m3 m-3, gross_fail of [qc]",
        "All of them will be flagged as failed. Look at the laws, the unit and the channel.",
    )
