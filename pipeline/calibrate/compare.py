"""What a reference says of a sensor: the error of its signal, in the signal's own domain.

The reference's water content is led back through the very laws by which the sensor's reading
becomes water content, so that a correction of the signal gives the reference again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.course import DOMAINS, signal_of
from pipeline.calibrate.drift import Check, calibration_error
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.plan import Period, sensor_periods
from pipeline.calibrate.references import Reference
from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.calibrate.warmth import water_as_read
from pipeline.errors import UnitsError
from pipeline.site.models import Site, Visit, Wire
from pipeline.units import conversion
from pipeline.variables import SIGNALS

_TURNS = 6  # of Newton's method; a line in root permittivity needs one
LEAST_U = 1e-9  # a quantity logged without any noise is not known exactly either
MAD_TO_SIGMA = 1.4826  # of a normal distribution (Pearson et al. 2016, from memory)
# No soil, however dry, has so low a permittivity: dry peat has 1.5 to 2, dry sand 2.5 and more
# (from memory); air has 1. So many equal readings are of a sensor that is stuck.
_DRIEST, _STUCK = 1.5, 3
_LEAST_LINE, _MOST_LINE = 3, 60  # readings that tell a line, and the most it is told from
_MOST_NEAR = 120  # readings of a window that are kept one by one


@dataclass(frozen=True)
class Seen:
    """What a sensor showed over a while, in its domain: median, its uncertainty, how many.

    ``rise`` is by how much it rose over the whole of the while, with its uncertainty;
    ``about_u`` the uncertainty of the median of what lies about that line. ``celsius`` is the
    soil's temperature meanwhile, None where it is not known. ``near`` are the readings one by
    one, UTC seconds and signal, of at most 120, where they were asked for.
    """

    domain: str
    median: float
    error: float
    count: int
    rise: float = 0.0
    rise_u: float = 0.0
    about_u: float = 0.0
    celsius: float | None = None
    near: tuple[tuple[int, float], ...] = ()


def seen(
    quantity: str,
    values: Floats,
    steps: int | None = None,
    taken_s: NDArray[np.int64] | None = None,
) -> Seen:
    """Return what logged values of one quantity show, robust against spikes.

    Parameters
    ----------
    quantity : str
        One of `pipeline.variables.SIGNALS`.
    values : array (n)
        As logged, at equal steps, NaN where nothing; permittivities not above zero count as
        nothing.
    steps : int, optional
        Over how many a rise is told; all of them by default.
    taken_s : array (n), optional
        When each was read, UTC seconds; the readings are then kept one by one.
    """
    signal = signal_of(values, quantity)
    at = np.flatnonzero(np.isfinite(signal))
    signal = signal[at]
    if not signal.size:
        return Seen(DOMAINS[quantity], np.nan, np.nan, 0)
    median = float(np.median(signal))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(signal - median)))
    shown = Seen(DOMAINS[quantity], median, spread / signal.size**0.5, signal.size)
    if taken_s is not None:
        shown = replace(shown, near=_one_by_one(taken_s[at], signal))
    if signal.size < _LEAST_LINE:
        return shown
    return _with_its_rise(shown, at, signal, values.size if steps is None else steps)


def _one_by_one(taken_s: NDArray[np.int64], signal: Floats) -> tuple[tuple[int, float], ...]:
    """Return readings with their times, of many some as far apart as each other."""
    few = _few(signal.size, _MOST_NEAR)
    return tuple(zip(taken_s[few].tolist(), signal[few].tolist(), strict=True))


def _few(count: int, most: int) -> NDArray[np.int64]:
    return np.linspace(0, count - 1, min(count, most)).round().astype(np.int64)


def _with_its_rise(shown: Seen, at: NDArray[np.int64], signal: Floats, steps: int) -> Seen:
    """Return what was shown with the rise of Theil and Sen's line over all its steps."""
    few = _few(at.size, _MOST_LINE)
    at, signal = at[few].astype(np.float64), signal[few]
    first, second = np.triu_indices(at.size, k=1)
    slope = float(np.median((signal[second] - signal[first]) / (at[second] - at[first])))
    about = signal - slope * at
    about -= np.median(about)
    # Of three readings the median lies on the line: the mean square counts as well.
    sigma = max(
        MAD_TO_SIGMA * float(np.median(np.abs(about))),
        float(np.sqrt((about**2).sum() / (at.size - 2))),
    )
    width = float(np.sqrt(((at - at.mean()) ** 2).sum()))
    rise_u = sigma * steps / width
    return replace(shown, rise=slope * steps, rise_u=rise_u, about_u=sigma / shown.count**0.5)


def wire_at(site: Site, tube: str, depth_m: float | None, at_s: int) -> Wire | None:
    """Return the wire through which a sensor's signal comes at an instant, the best one."""
    found = [
        wire
        for wire in site.wiring
        if (wire.tube, wire.depth_m) == (tube, depth_m)
        and wire.quantity in SIGNALS
        and (wire.start is None or wire.start.timestamp() <= at_s)
        and (wire.until is None or at_s < wire.until.timestamp())
    ]
    return min(found, key=lambda wire: SIGNALS.index(wire.quantity), default=None)


Placed = tuple[str, Check]  # the domain of a check, and the check


def make_checks(
    pairs: list[tuple[Reference, Seen]], site: Site
) -> list[tuple[Reference, Placed]]:
    """Return what references say of readings beside them, with the domain of each.

    A reading may have drifted to where its law does not hold: the reference alone tells then
    what a unit of the signal is worth. Pairs whose reference no law can place are left out,
    and those whose reading is of a dead sensor; the rest keeps its order.
    """
    if not pairs:
        return []
    rows = pd.DataFrame(
        {
            "time_s": [reference.time_s for reference, _ in pairs],
            "tube": [reference.tube for reference, _ in pairs],
            "depth_m": [reference.depth_m for reference, _ in pairs],
            "reader": [_probe(site, r.tube, r.depth_m, r.time_s) for r, _ in pairs],
            "quantity": [reading.domain for _, reading in pairs],
            "value": [reading.median for _, reading in pairs],
        }
    )
    wanted = np.array([_as_read(reference, reading, site) for reference, reading in pairs])
    at_reading = _through_laws(rows, rows["value"].to_numpy(np.float64), site)
    start = [
        reading.median if np.isfinite(placed) else _within_law(site, reference, reading)
        for (reference, reading), placed in zip(pairs, at_reading.water_content, strict=True)
    ]
    signal, at_reference = _signal_of(rows, wanted, np.array(start, np.float64), site)
    checks = []
    for n, (reference, reading) in enumerate(pairs):
        at = at_reading if np.isfinite(at_reading.slope[n]) else at_reference
        slope, law_u = float(at.slope[n]), float(at.law_error[n])
        error = float(signal[n]) - reading.median
        error_u = float(np.hypot(reference.error / slope, reading.error))
        if np.isfinite(error) and np.isfinite(error_u) and slope > 0:
            standing_u = (law_u if np.isfinite(law_u) else site.drift.largest) / slope
            whole = (error, max(error_u, LEAST_U), max(standing_u, LEAST_U), slope)
            checks.append((reference, _checked(reference, reading, site, whole)))
    return checks


def _as_read(reference: Reference, reading: Seen, site: Site) -> float:
    """Return the water content that a reading with nothing wrong would give as it is.

    Where the night frees it of soil temperature that is not the reference's own, unless the
    reference is a reading that felt the same warmth.
    """
    felt = reading.domain == "water_content" or reference.felt_warmth
    if felt or reading.celsius is None:
        return reference.water_content
    place = reference.tube, reference.depth_m, reference.time_s
    return water_as_read(_period_of(site, *place), reference.water_content, reading.celsius)


def _checked(
    reference: Reference, reading: Seen, site: Site, whole: tuple[float, float, float, float]
) -> tuple[str, Check]:
    """Return a check; of a proportional drift all are shares of the reading."""
    if site.drift.form == "proportional":
        error, error_u, standing_u, slope = whole
        shown = reading.median or LEAST_U
        size = abs(shown)
        whole = (error / shown, error_u / size, standing_u / size, slope * size)
    soil = _period_of(site, reference.tube, reference.depth_m, reference.time_s).soil
    law = f"{soil.id} {soil.version}" if soil else ""
    return reading.domain, Check(reference.time_s, reference.kind, *whole, law=law)


@dataclass(frozen=True)
class _Placed:
    water_content: Floats
    slope: Floats
    law_error: Floats


def _through_laws(rows: pd.DataFrame, value: Floats, site: Site) -> _Placed:
    """Return water content of signals, its slope and what the laws leave open."""
    # With a noise of one, the random error is the slope to the signal.
    unit = site.model_copy(update={"sensor_noise": dict.fromkeys(DOMAINS, 1.0)})
    found = calibrate_rounds(rows.assign(value=value), unit)
    names = ("calibrated_water_content", "random_error", "systematic_error")
    return _Placed(*(found[name].to_numpy(np.float64) for name in names))


def _signal_of(
    rows: pd.DataFrame, wanted: Floats, start: Floats, site: Site
) -> tuple[Floats, _Placed]:
    """Return the signals that give the wanted water contents, NaN where none does."""
    signal, found = start, _through_laws(rows, start, site)
    for _ in range(_TURNS):
        signal = signal + (wanted - found.water_content) / found.slope
        found = _through_laws(rows, signal, site)
    return np.where(np.abs(found.water_content - wanted) < 1e-5, signal, np.nan), found


def _within_law(site: Site, reference: Reference, reading: Seen) -> float:
    """Return a signal at which the law of a sensor outside it holds, NaN for a dead sensor."""
    wire = wire_at(site, reference.tube, reference.depth_m, reference.time_s)
    if wire is None or not _may_be_soil(site, wire, reference.time_s, reading):
        return float("nan")
    if wire.quantity == "water_content":
        return reference.water_content
    return _middle_signal(site, wire, reference.time_s)


def _may_be_soil(site: Site, wire: Wire, at_s: int, reading: Seen) -> bool:
    """Tell whether a sensor whose law does not hold may have drifted there, and lives.

    A dead one shows one and the same, or less than any soil.
    """
    if reading.count >= _STUCK and reading.error == 0.0:
        return False
    if wire.quantity == "water_content":
        return True
    root = reading.median
    if wire.quantity == "voltage":
        law = _period_at(site, wire, at_s).probe
        if law is None:
            return False
        root = float(make_curve(law, None).value(np.array([root]))[0])
    return root**2 >= _DRIEST


def _probe(site: Site, tube: str, depth_m: float, time_s: int) -> str:
    wire = wire_at(site, tube, depth_m, time_s)
    return wire.probe if wire else ""


def slopes(places: list[tuple[str, float, int, Seen]], site: Site) -> Floats:
    """Return what water content one unit of a signal is worth, NaN where no law says.

    Parameters
    ----------
    places : list of (tube, depth [m], UTC seconds, Seen)
    site : Site
    """
    if not places:
        return np.empty(0)
    rows = pd.DataFrame(
        {
            "time_s": [at for _, _, at, _ in places],
            "tube": [tube for tube, _, _, _ in places],
            "depth_m": [depth_m for _, depth_m, _, _ in places],
            "reader": [_probe(site, tube, depth_m, at) for tube, depth_m, at, _ in places],
            "quantity": [reading.domain for _, _, _, reading in places],
        }
    )
    value = np.array([reading.median for _, _, _, reading in places], dtype=np.float64)
    return _through_laws(rows, value, site).slope


def slopes_at_cleanings(
    places: list[tuple[str, float, int]], shown: list[tuple[Seen, Seen]], site: Site
) -> Floats:
    """Return what water content one unit of a signal is worth where a sensor was cleaned.

    Parameters
    ----------
    places : list of (tube, depth [m], UTC seconds)
    shown : list of (Seen, Seen)
        Before and after. Dirt may have moved the readings before to where their law does not
        hold: those after tell then, unless what was cleaned was dead.
    site : Site

    Returns
    -------
    array (place,)
        NaN where neither tells.
    """
    before, after = (
        slopes([(*place, both[side]) for place, both in zip(places, shown, strict=True)], site)
        for side in (0, 1)
    )
    for n, ((tube, depth_m, at_s), (dirty, _)) in enumerate(zip(places, shown, strict=True)):
        if not before[n] > 0 and dirty.count:
            wire = wire_at(site, tube, depth_m, at_s - 1)
            if wire is not None and _may_be_soil(site, wire, at_s, dirty):
                before[n] = after[n]
    return before


def _middle_slope(site: Site, wire: Wire, at_s: int) -> float:
    """Return what a unit of a sensor's signal is worth in the middle of its law's range.

    A standard such as air or water lies outside what a soil law holds for.
    """
    if wire.quantity == "water_content" or wire.depth_m is None:
        return 1.0
    middle = Seen(DOMAINS[wire.quantity], _middle_signal(site, wire, at_s), 0.0, 1)
    return float(slopes([(wire.tube, wire.depth_m, at_s, middle)], site)[0])


def _middle_signal(site: Site, wire: Wire, at_s: int) -> float:
    """Return the middle of the range of a sensor's law at an instant, NaN without a law."""
    period = _period_at(site, wire, at_s)
    law = period.probe if wire.quantity == "voltage" else period.soil
    if law is None:
        return float("nan")
    curve = make_curve(law, None if law.kind == "probe" else period.horizon)
    return (curve.low + curve.high) / 2


def _period_at(site: Site, wire: Wire, at_s: int) -> Period:
    """Return which laws hold for a wire's sensor at an instant."""
    return _period_of(site, wire.tube, float(wire.depth_m or 0.0), at_s)


def _period_of(site: Site, tube: str, depth_m: float, at_s: int) -> Period:
    periods = sensor_periods(site, tube, depth_m)
    return [p for p in periods if p.start_s is None or p.start_s <= at_s][-1]


def bench_check(visit: Visit, site: Site) -> tuple[str, Check] | None:
    """Return what a visit found of a sensor in a standard, None if it cannot be placed."""
    at_s = int(visit.time.timestamp())
    wire = wire_at(site, visit.tube, visit.depth_m, at_s)
    if wire is None or visit.value is None or visit.reading is None:
        return None
    slope = _middle_slope(site, wire, at_s)
    try:
        change = conversion(visit.unit, wire.quantity)
    except UnitsError:
        return None
    standard, reading = (
        seen(wire.quantity, change(np.array([value]))).median
        for value in (visit.value, visit.reading)
    )
    error = calibration_error(standard, reading)
    error_u = site.uncertainty.reference / slope
    if visit.uncertainty is not None:
        error_u = visit.uncertainty * change.factor
        if wire.quantity == "permittivity":
            error_u /= 2.0 * standard
    if site.drift.form == "proportional":
        error, error_u, slope = error / reading, error_u / abs(reading), slope * abs(reading)
    if not (np.isfinite(error) and np.isfinite(error_u) and error_u > 0):
        return None
    found = Check(at_s, "bench", error, error_u, 0.0, slope, standard)
    return DOMAINS[wire.quantity], found
