"""Values of sampled files against the units and the layout that are said to hold for them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.errors import Problem, ReaderError, UnitsError
from pipeline.ingest.records import Table
from pipeline.ingest.samples import Sample
from pipeline.ingest.sheet import open_sheet
from pipeline.site.cross_wiring import period
from pipeline.site.models import Site, Source, Wire
from pipeline.units import conversion, parse_unit
from pipeline.variables import VARIABLES

# Between which limits the median of a logged quantity lies on a working field site, in its
# canonical unit, and what single values never leave. Common practice, kept wide on purpose:
# a unit is doubted only where another unit of the trade would make it ordinary.
USUAL = {
    "voltage": (0.005, 10.0),
    "permittivity": (1.0, 90.0),
    "root_permittivity": (1.0, 9.5),
    "water_content": (0.01, 0.95),
    "soil_temperature": (-25.0, 60.0),
    "bulk_conductivity": (0.0, 2.0),
    "rain": (0.0, 200.0),
    "air_temperature": (-60.0, 60.0),
    "supply_voltage": (2.0, 60.0),
}
# Units in which the trade logs them, tried when the stated one does not fit.
OTHER_UNITS = {
    "voltage": ("V", "mV", "uV"),
    "water_content": ("m3 m-3", "%"),
    "soil_temperature": ("degC", "K", "degF"),
    "bulk_conductivity": ("S/m", "dS/m", "mS/m", "uS/cm"),
    "rain": ("mm", "cm", "inch"),
    "air_temperature": ("degC", "K", "degF"),
    "supply_voltage": ("V", "mV"),
}
# Numbers by which loggers and programs say "no value"; common practice.
MARKERS = np.array(
    sorted(
        (
            *(-9999.0, -9999.9, -999.9, -999.0, -99.99, -99.9, -99.0, -99999.0, -999999.0),
            *(9999.0, 9999.9, 999.9, 999.0, 99999.0, 999999.0),
            *(-6999.0, 6999.0, -7999.0, 7999.0, -32768.0, 32767.0, 65535.0),
        )
    )
)
_RELATIVE = 1e-6  # digits lost where a logger stores four bytes
_LEAST_VALUES = 5


def remarks_on_values(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield what the values of a source's sampled files say against its wiring and layout.

    Parameters
    ----------
    site : Site
    source : Source
        A table or a bus.
    samples : list of Sample
        Of its files.
    """
    wires = [wire for wire in site.wiring if wire.source == source.id]
    yield from _undeclared_markers(source, wires, samples)
    doubted = set()
    for problem, row in _units_rows(site, source, wires, samples):
        doubted.add(row)
        yield problem
    for wire in wires:
        values = values_of(site, source, wire, samples)
        if len(values) >= _LEAST_VALUES and wire.row not in doubted:
            yield from _implausible(wire, values)


def values_of(site: Site, source: Source, wire: Wire, samples: list[Sample]) -> Floats:
    """Return the sampled values of a wire while it holds, without markers of "no value"."""
    found = [np.empty(0)]
    for _, table, inside in rows_of(site, source, wire, samples):
        values = table.columns[wire.channel][inside]
        found.append(values[~np.isnan(values) & ~is_marker(values)])
    return np.concatenate(found)


def rows_of(
    site: Site, source: Source, wire: Wire, samples: list[Sample]
) -> Iterator[tuple[Sample, Table, NDArray[np.bool_]]]:
    """Yield the sampled tables with a wire's channel, and which rows are of its time."""
    ends = period(wire, site.tube_by_id.get(wire.tube))
    start, until = (end.timestamp() for end in ends)
    for sample in samples:
        instants_of = sample.instants(site, source)
        for table, instants in zip(sample.parsed.tables, instants_of, strict=True):
            if wire.channel in table.columns:
                yield sample, table, (instants >= start) & (instants < until)


def is_marker(values: Floats) -> NDArray[np.bool_]:
    """Tell which values are one of `MARKERS`; NaN is none."""
    place = np.searchsorted(MARKERS, values).clip(1, len(MARKERS) - 1)
    below, above = MARKERS[place - 1], MARKERS[place]
    nearest = np.where(values - below < above - values, below, above)
    return np.asarray(np.abs(values - nearest) <= _RELATIVE * np.abs(nearest))


def _implausible(wire: Wire, values: Floats) -> Iterator[Problem]:
    """Name a unit in which the values would be out of this world."""
    typical = np.median(values, keepdims=True)
    if is_usual(wire.quantity, wire.unit, typical):
        return
    fitting = fitting_units(wire.quantity, typical)
    low, high = USUAL[wire.quantity]
    found = f"{wire.quantity} in {wire.unit!r} with values around {float(typical[0]):.4g}"
    expected = f"values that mean {low:g} to {high:g} {VARIABLES[wire.quantity].units}"
    advice = f"Did you mean the unit {' or '.join(fitting)}?" if fitting else _look(wire)
    yield Problem("wiring.csv", f"line {wire.row}, column unit", found, expected, advice)


def fitting_units(quantity: str, typical: Floats) -> list[str]:
    """Return the units of the trade, quoted, in which a value (1,) would be ordinary."""
    units = OTHER_UNITS.get(quantity, ())
    return [repr(unit) for unit in units if is_usual(quantity, unit, typical)]


def is_usual(quantity: str, unit: str, values: Floats) -> bool:
    """Tell whether the first of some values, in a unit, is one of a working field site."""
    low, high = USUAL[quantity]
    return bool(low <= conversion(unit, quantity)(values)[0] <= high)


def _look(wire: Wire) -> str:
    """Return advice where no unit explains the values."""
    if wire.quantity == "root_permittivity":
        return "Did you mean the quantity 'permittivity'?"
    return "Look at the quantity, the unit and the sensor."


def _undeclared_markers(
    source: Source, wires: list[Wire], samples: list[Sample]
) -> Iterator[Problem]:
    """Name numbers that look like "no value" and that the layout does not say are."""
    first: dict[float, tuple[str, int]] = {}
    channels: dict[float, set[str]] = {}
    for wire in {wire.channel: wire for wire in wires}.values():
        for path, line, marker in _markers_of(wire, samples):
            channels.setdefault(marker, set()).add(wire.channel)
            first.setdefault(marker, (path, line))
    section = "[transcript]" if source.kind == "sdi12" else "[tableSchema]"
    for marker, (path, line) in sorted(first.items()):
        names = sorted(channels[marker])
        shown = f"channel {names[0]!r}" if len(names) == 1 else f"{len(names)} channels"
        found = f"{marker:g} as a value of {shown}"
        advice = (
            f"If it means 'no value', add {marker:g} to 'sentinels' of {section} in "
            f"layouts/{source.layout}.toml."
        )
        place = f"line {line}" if line else ""
        yield Problem(path, place, found, "a reading", advice)


def _markers_of(wire: Wire, samples: list[Sample]) -> Iterator[tuple[str, int, float]]:
    """Yield path, line (0 where it is not known) and value of the first of each marker."""
    for sample in samples:
        for table in sample.parsed.tables:
            values = table.columns.get(wire.channel, np.empty(0))
            rows = np.flatnonzero(is_marker(values))
            for marker in np.unique(values[rows]).tolist():
                if not is_usual(wire.quantity, wire.unit, np.array([marker])):
                    line = int(table.line[rows[np.argmax(values[rows] == marker)]])
                    yield sample.path, line if line <= sample.head_lines else 0, marker


def _units_rows(
    site: Site, source: Source, wires: list[Wire], samples: list[Sample]
) -> Iterator[tuple[Problem, int]]:
    """Yield where the units row of a file contradicts the wiring, with the wiring's line."""
    layout = site.layouts[source.layout]
    if source.kind != "table" or layout.dialect.units_row is None:
        return
    told: set[int] = set()
    for sample in samples:
        units = _units_in(sample, site, source)
        for wire in wires:
            written = units.get(wire.channel, "")
            if wire.row not in told and _contradict(written, wire):
                told.add(wire.row)
                found = f"{wire.unit!r}, where the header of {sample.path!r} has {written!r}"
                place = f"line {wire.row}, column unit"
                advice = "One of them is wrong; look at the values."
                expected = "the unit the file states"
                yield Problem("wiring.csv", place, found, expected, advice), wire.row


def _units_in(sample: Sample, site: Site, source: Source) -> dict[str, str]:
    """Return the unit of each title, as the header states it."""
    layout = site.layouts[source.layout]
    try:
        header = open_sheet(sample.head, layout, source.kind, sample.path).header
    except ReaderError:
        return {}
    row = (layout.dialect.units_row or 0) - 1
    if header.titles is None or not 0 <= row < len(header.preview):
        return {}
    units = header.preview[row]
    return {t.strip(): u.strip() for t, u in zip(header.titles, units, strict=False)}


def _contradict(written: str, wire: Wire) -> bool:
    """Tell whether a unit in a header is a unit, and not the one that is wired."""
    if not written:
        return False
    try:
        parse_unit(written)
        return conversion(written, wire.quantity) != conversion(wire.unit, wire.quantity)
    except (UnitsError, ArithmeticError, RecursionError, ValueError) as error:
        return isinstance(error, UnitsError) and _is_unit(written)


def _is_unit(written: str) -> bool:
    try:
        return not parse_unit(written).dimensionless
    except (UnitsError, ArithmeticError, RecursionError, ValueError):
        return False
