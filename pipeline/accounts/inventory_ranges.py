"""Sampled values against the ranges of the laws and of the tests they will go through.

A channel may be read well and still give no water content: volts that its probe's law does not
hold for, or a result that the gross test fails. `pipeline.ingest.samples_values` doubts units
by what is usual in the field; here counts what this site's own description says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.arrays import Floats
from pipeline.calibrate.curve import Curve
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.plan import wired_periods
from pipeline.errors import Problem
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import is_usual, rows_of, values_of
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Law, Site, Source, Wire
from pipeline.units import conversion
from pipeline.variables import SIGNALS
from pipeline.words import also_in

_LEAST_VALUES = 5
# Part of the values that may be usable where hardly one is: a spike into the range saves none.
_HARDLY = 0.05


@dataclass(frozen=True)
class _Limit:
    """A range hardly a value lies in, in words: what has it, and the range itself."""

    of: str
    expected: str
    advice: str


@dataclass(frozen=True)
class _Way:
    """What a wire's readings go through; ``probes`` is empty or as long as ``soils``."""

    wire: Wire
    probes: list[tuple[Law, Curve]]
    soils: list[tuple[Law, Curve]]
    gross: tuple[float, float] | None


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
    limits = resolve_limits(site)
    for wire in site.wiring:
        if wire.source != source.id or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        gross = limits[wire.tube, wire.depth_m].gross_fail
        way = _way(site, wire, wire.depth_m, gross)
        alike: dict[str, list[tuple[_Limit, Sample]]] = {}
        for sample in samples:
            limit = _of_file(site, source, way, sample)
            if limit is not None:
                alike.setdefault(limit.expected, []).append((limit, sample))
        for files in alike.values():
            limit, sample = files[0]
            first = _first(site, source, wire, sample)
            found = f"hardly a value in {limit.of}, {first}{also_in(len(files) - 1)}"
            place = f"line {wire.row}, column channel"
            yield Problem("wiring.csv", place, found, limit.expected, limit.advice)


def _way(site: Site, wire: Wire, depth_m: float, gross: tuple[float, float] | None) -> _Way:
    """Return the laws that a wire's readings go through, one pair for each time they hold."""
    if wire.quantity == "water_content":
        return _Way(wire, [], [], gross)
    periods = [
        (period.probe, period.soil, period.horizon)
        for period in wired_periods(site, wire.tube, depth_m, [wire])
        if period.probe is not None or wire.quantity != "voltage"
    ]
    soils = [(soil, make_curve(soil, horizon)) for _, soil, horizon in periods if soil]
    probes = [(probe, make_curve(probe)) for probe, soil, _ in periods if soil and probe]
    return _Way(wire, probes if wire.quantity == "voltage" else [], soils, gross)


def _of_file(site: Site, source: Source, way: _Way, sample: Sample) -> _Limit | None:
    """Return the range that hardly a wire's value of one file lies in."""
    wire = way.wire
    values = values_of(site, source, wire, [sample])
    if len(values) < _LEAST_VALUES:
        return None
    if not is_usual(wire.quantity, wire.unit, np.median(values, keepdims=True)):
        return None  # its unit is doubted by pipeline.ingest.samples_values
    return _missed(way, conversion(wire.unit, wire.quantity)(values))


def _first(site: Site, source: Source, wire: Wire, sample: Sample) -> str:
    """Return the first of a wire's values with its place, in words."""
    places = []
    for _, table, inside in rows_of(site, source, wire, [sample]):
        values = table.columns[wire.channel]
        row = int(np.argmax(inside & ~np.isnan(values)))
        if inside[row] and not np.isnan(values[row]):
            places.append((int(table.line[row]), float(values[row])))
    line, value = min(places)
    where = f"{place} of " if (place := sample.line(line)) else ""
    return f"the first {value:g} in {where}{sample.path!r}"


def _missed(way: _Way, signal: Floats) -> _Limit | None:
    """Return the first range on the way to water content that hardly a value lies in.

    Parameters
    ----------
    way : _Way
    signal : array (n,), in the quantity's own unit
    """
    if way.wire.quantity == "water_content":
        return _gross(way, [signal])
    if not way.soils:
        return None  # told as readings without a calibration
    roots = [signal] * len(way.soils)
    if way.wire.quantity == "permittivity":
        roots = [np.sqrt(np.where(signal >= 0, signal, np.nan))] * len(way.soils)
    if way.probes:
        roots = [curve.value(signal) for _, curve in way.probes]
        if _hardly(roots):
            return _of_laws(way.probes, "V")
    water = [curve.value(root) for (_, curve), root in zip(way.soils, roots, strict=True)]
    if _hardly(water):
        return _of_laws(way.soils, "of root permittivity")
    return _gross(way, water)


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


def _gross(way: _Way, water: list[Floats]) -> _Limit | None:
    """Return the limits of the gross test, where hardly a water content lies in them."""
    if way.gross is None:
        return None
    low, high = way.gross
    if not _hardly([np.where((w >= low) & (w <= high), w, np.nan) for w in water]):
        return None
    middle = float(np.nanmedian(np.concatenate(water)))
    return _Limit(
        f"the range of the gross test (water content around {middle:.2f})",
        f"{low:g} to {high:g} m3 m-3, gross_fail of [qc]",
        "All of them will be flagged as failed. Look at the laws, the unit and the channel.",
    )
