"""Soil laws that begin to hold while a sensor goes on, and what checks before say by them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from pipeline.calibrate.compare import Seen, make_checks
from pipeline.calibrate.drift import NewLaw
from pipeline.calibrate.plan import sensor_periods
from pipeline.calibrate.references import Reference
from pipeline.engine.windows import changes
from pipeline.site.models import Site

Sensor = tuple[str, float]


def other_sensors(site: Site, tube: str, depth_m: float) -> set[int]:
    """Return when a sensor became another one: at a swap, another probe, wire or probe law.

    A law of the soil makes no other sensor of it.
    """
    periods = sensor_periods(site, tube, depth_m)
    found = {
        then.start_s
        for before, then in pairwise(periods)
        if then.start_s is not None and then.probe != before.probe
    }
    return found | changes(site, tube, depth_m)


def new_laws(
    pairs: Sequence[tuple[Reference, Seen]], sensors: set[Sensor], site: Site
) -> dict[Sensor, list[NewLaw]]:
    """Return the soil laws that begin at each sensor, with the last visit before by them.

    Parameters
    ----------
    pairs : sequence of (Reference, Seen)
        References and the readings beside them, in order of time for each sensor.
    sensors : set of (tube, depth [m])
    site : Site
    """
    of_sensor: dict[Sensor, list[tuple[Reference, Seen]]] = defaultdict(list)
    for reference, reading in pairs:
        of_sensor[reference.tube, reference.depth_m].append((reference, reading))
    begin: list[tuple[Sensor, int]] = []
    asked: list[tuple[Reference, Seen]] = []  # as if taken when the law begins
    taken: dict[int, tuple[int, int]] = {}  # by identity: which law asks, and the true time
    for sensor in sorted(sensors):
        others = other_sensors(site, *sensor)
        for period in sensor_periods(site, *sensor)[1:]:
            start_s = period.start_s
            if start_s is None or start_s in others or start_s <= site.axis.origin_s:
                continue
            earlier = [pair for pair in of_sensor[sensor] if pair[0].time_s < start_s]
            for reference, reading in earlier:
                if earlier[-1][0].time_s - reference.time_s <= site.drift.together_s:
                    asked.append((replace(reference, time_s=start_s), reading))
                    taken[id(asked[-1][0])] = len(begin), reference.time_s
            begin.append((sensor, start_s))
    told: dict[int, list] = defaultdict(list)
    for reference, (_, check) in make_checks(asked, site):
        number, time_s = taken[id(reference)]
        told[number].append(replace(check, time_s=time_s))
    found: dict[Sensor, list[NewLaw]] = defaultdict(list)
    for number, (sensor, start_s) in enumerate(begin):
        found[sensor].append(NewLaw(start_s, tuple(told[number])))
    return found
