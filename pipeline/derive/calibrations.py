"""Which sensors rest on one calibration, and how much of their error they share.

The coefficients of a law are wrong by one draw for all sensors that use it, so what they leave
open adds fully. The scatter about a law that was fitted (its ``standard_error`` beside a
``covariance``) differs from sensor to sensor and adds in quadrature. A law without covariance
says nothing of that kind: all its error is taken as shared.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.plan import Period, sensor_periods
from pipeline.site.models import Site

# Sensors of which no law is known may all share one.
UNKNOWN = -1
_EVER = np.iinfo(np.int64).min


class Calibrations(NamedTuple):
    """Who shares a calibration with whom, over stretches of time in which that holds.

    ``start_s`` (stretch,) are UTC seconds, the first since ever; ``group`` (stretch, tube,
    depth) is the number of the calibration, `UNKNOWN` where no law is known; ``own_error``
    (stretch, tube, depth) [m3 m-3] is the part of a sensor's systematic error that it shares
    with no other.
    """

    start_s: NDArray[np.int64]
    group: NDArray[np.int64]
    own_error: NDArray[np.float64]


def no_calibrations(tubes: int, depths: int) -> Calibrations:
    """Return what is taken where nothing is known: one calibration that all share."""
    shape = (1, tubes, depths)
    return Calibrations(
        np.array([_EVER]), np.full(shape, UNKNOWN, dtype=np.int64), np.zeros(shape)
    )


def site_calibrations(
    site: Site, tubes: Sequence[str], nominal_m: Sequence[float]
) -> Calibrations:
    """Return who shares a calibration in some tubes of a site.

    Sensors share one where the same version of the same soil law holds, or where a probe law
    with a covariance holds for both.

    Parameters
    ----------
    site : Site
    tubes : sequence of str
    nominal_m : sequence of float, [m]
    """
    plans = [[sensor_periods(site, tube, depth) for depth in nominal_m] for tube in tubes]
    starts = sorted(
        {
            period.start_s
            for row in plans
            for periods in row
            for period in periods
            if period.start_s is not None
        }
    )
    start_s = np.array([_EVER, *starts], dtype=np.int64)
    shape = (start_s.size, len(tubes), len(nominal_m))
    group, own = np.full(shape, UNKNOWN, dtype=np.int64), np.zeros(shape)
    for stretch, second in enumerate(start_s.tolist()):
        for row, sensors in enumerate(plans):
            now = [_at(periods, second) for periods in sensors]
            group[stretch, row] = sharing([_laws(period) for period in now])
            own[stretch, row] = [own_error(period) for period in now]
    return Calibrations(start_s, group, own)


def own_error(period: Period) -> float:
    """Return the part of a sensor's systematic error that is its own [m3 m-3]."""
    law = period.soil
    return 0.0 if law is None or law.covariance is None else law.standard_error or 0.0


def sharing(laws: Sequence[frozenset[tuple[str, int]]]) -> list[int]:
    """Return the number of each sensor's group; sensors with a law in common share one.

    Parameters
    ----------
    laws : sequence of sets of (id, version)
        What each sensor's water content rests on; empty: `UNKNOWN`.
    """
    groups: list[set[tuple[str, int]]] = []
    for found in laws:
        if found:
            joined = set(found).union(*(known for known in groups if known & found))
            groups = [known for known in groups if not known & found] + [joined]
    return [
        next((number for number, known in enumerate(groups) if known & found), UNKNOWN)
        for found in laws
    ]


def _laws(period: Period) -> frozenset[tuple[str, int]]:
    """Return the laws whose coefficients a sensor shares with others that use them."""
    probe = period.probe if period.probe and period.probe.covariance is not None else None
    return frozenset((law.id, law.version) for law in (period.soil, probe) if law)


def _at(periods: Sequence[Period], second: int) -> Period:
    """Return the period in force at an instant."""
    found = periods[0]
    for period in periods[1:]:
        if period.start_s is not None and period.start_s <= second:
            found = period
    return found
