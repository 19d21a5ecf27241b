"""Which law holds for which sensor, and from when: the dated plan both steps work from.

A sensor is a (tube, nominal depth). Its plan is a list of periods in which nothing that
decides calibration changes; they are found once, from the wiring and the laws' dates, so that
the kernels run through whole periods with the law held still.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.calibrate.curve import Curve, Curves, pack
from pipeline.calibrate.forms import AS_LOGGED, make_curve
from pipeline.calibrate.moments import Moments
from pipeline.site.models import Horizon, Law, Site, Wire

NONE = -1  # no law


@dataclass(frozen=True)
class Period:
    """A stretch of one sensor's time with one probe law and one soil law.

    ``start_s`` is UTC seconds, None for "since ever"; it lasts until the next period's start.
    """

    start_s: int | None
    probe: Law | None
    soil: Law | None
    horizon: Horizon | None


def sensor_periods(site: Site, tube: str, depth_m: float) -> list[Period]:
    """Return the periods of one sensor, in order, the first since ever."""
    wires = [
        wire
        for wire in site.wiring
        if wire.tube == tube and wire.depth_m == depth_m and wire.quantity == "voltage"
    ]
    return wired_periods(site, tube, depth_m, wires)


def wired_periods(
    site: Site, tube: str, depth_m: float, wires: Sequence[Wire]
) -> list[Period]:
    """Return the periods of a depth whose volts come through some wires.

    The horizon is the one at the real depth, with the tube's set-in offset.
    """
    soil = site.soils.get(site.tube_by_id[tube].soil)
    horizon = soil.horizon_at(site.sensor_depth_m(tube, depth_m)) if soil else None
    soil_laws = [law for law in site.laws if horizon and _names(law, horizon)]
    probe_laws = [law for law in site.laws if law.kind == "probe"]
    probes = {wire.probe for wire in wires}
    dates = [w.start for w in wires] + [w.until for w in wires]
    dates += [law.effective for law in soil_laws]
    dates += [law.effective for law in probe_laws if probes & set(law.probes)]
    periods: list[Period] = []
    for start_s in _starts(dates):
        probe = _probe_law(probe_laws, wires, start_s)
        period = Period(start_s, probe, law_in_force(soil_laws, start_s), horizon)
        if not periods or (period.probe, period.soil) != (periods[-1].probe, periods[-1].soil):
            periods.append(period)
    return periods


def law_in_force(laws: Iterable[Law], at_s: int | None) -> Law | None:
    """Return the highest version already effective at an instant; None if there is none."""
    effective = [law for law in laws if _not_after(law.effective, at_s)]
    return max(effective, key=lambda law: law.version, default=None)


def seconds(instant: datetime) -> int:
    """Return an instant as UTC seconds since 1970-01-01."""
    return int(instant.timestamp())


def _names(law: Law, horizon: Horizon) -> bool:
    return law.kind == "soil" and law.id == horizon.calibration


def _not_after(instant: datetime | None, at_s: int | None) -> bool:
    """Tell whether a start (None: since ever) lies at or before an instant (None: first)."""
    return instant is None or (at_s is not None and seconds(instant) <= at_s)


def _probe_law(laws: Sequence[Law], wires: Sequence[Wire], at_s: int | None) -> Law | None:
    """Return the law of the probe wired at an instant."""
    for wire in wires:
        ended = wire.until is not None and at_s is not None and seconds(wire.until) <= at_s
        if _not_after(wire.start, at_s) and not ended:
            return law_in_force([law for law in laws if wire.probe in law.probes], at_s)
    return None


def _starts(dates: Iterable[datetime | None]) -> list[int | None]:
    """Return the starts of the stretches that some dates cut time into."""
    return [None, *sorted({seconds(date) for date in dates if date is not None})]


@dataclass
class Registry:
    """Curves met so far, each once; a law's curve may depend on the horizon."""

    curves: list[Curve] = field(default_factory=list)
    index: dict[tuple[str, int, str], int] = field(default_factory=dict)

    def add(self, law: Law | None, horizon: Horizon | None) -> int:
        """Return the index of a law's curve, `NONE` for no law."""
        if law is None:
            return NONE
        key = (law.id, law.version, "" if horizon is None else horizon.model_dump_json())
        if key not in self.index:
            self.index[key] = len(self.curves)
            self.curves.append(make_curve(law, horizon))
        return self.index[key]

    def pack(self) -> Curves:
        """Return the curves for the kernels, which take one even where none is used."""
        return pack(self.curves or [Curve((0.0, 0.0), ((np.nan,),), 0.0, 0.0)])


@dataclass(frozen=True)
class Plan:
    """What the kernels need beside the readings.

    ``runs`` is (R, 6): column (tube-major, as the block lies in memory), first and end step,
    probe curve, soil curve, curve for water content as logged; -1 where there is none.
    """

    runs: NDArray[np.int64]
    curves: Curves


def block_plan(block: xr.Dataset, site: Site) -> Plan:
    """Return the plan of a block with coordinates ``time``, ``tube`` and ``depth``."""
    moments = Moments(block)
    registry = Registry()
    runs = []
    depths = block["depth"].values
    for row, tube in enumerate(block["tube"].values):
        for place, depth_m in enumerate(depths):
            column = row * depths.size + place
            periods = sensor_periods(site, str(tube), float(depth_m))
            for period, span in period_steps(periods, moments, row, place):
                if span.start < span.stop:
                    bounds = span.start, span.stop
                    runs.append((column, *bounds, *curve_indices(period, registry)))
    shaped = np.array(runs, dtype=np.int64).reshape(-1, 6)
    return Plan(shaped, registry.pack())


def period_steps(
    periods: Sequence[Period], moments: Moments, row: int, column: int
) -> list[tuple[Period, slice]]:
    """Return the steps of a block whose readings were taken in each period of a sensor.

    ``row`` and ``column`` are the places of its tube and depth in the block.
    """
    starts = [p.start_s for p in periods if p.start_s is not None]
    first = [0, *(moments.first_step(start_s, row, column) for start_s in starts)]
    ends = [*first[1:], moments.seconds.size]
    return [(p, slice(a, b)) for p, a, b in zip(periods, first, ends, strict=True)]


def curve_indices(period: Period, registry: Registry) -> tuple[int, int, int]:
    """Return the probe's, the soil's and the as-logged curve of a period."""
    probe = registry.add(period.probe, None)
    soil = registry.add(period.soil, period.horizon)
    if period.soil is not None and period.soil.form == AS_LOGGED:
        return probe, NONE, soil
    return probe, soil, NONE
