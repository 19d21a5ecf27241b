"""Soil samples that are right in form and hardly meant: when, how deep, and how dry."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

import numpy as np

from pipeline.axis import DAY_S, second_of
from pipeline.calibrate.samples import FILE, Sample
from pipeline.errors import Problem
from pipeline.site.models import Site
from pipeline.site.values import stated_instant

_SHALLOWEST_M = 0.01  # a choice: no core has its middle nearer to the surface
_DRIEST = 0.004  # m3 m-3, a choice: air-dry sand holds more


def odd_samples(samples: Iterable[Sample], site: Site, now: datetime) -> Iterator[Problem]:
    """Name samples of times to come or of a tube not in the ground, in metres, or too dry.

    A day before a tube was set and after it was pulled is let be: cores come of its hole.

    Parameters
    ----------
    samples : iterable of Sample
    site : Site
    now : datetime
        With an offset.
    """
    for sample in samples:
        if sample.left_out:
            continue
        yield from _out_of_time(sample, site, now)
        if 0 < sample.depth_m < _SHALLOWEST_M:
            found = f"a sample at {sample.depth_m * 100:g} cm"
            advice = f"If that was metres write {sample.depth_m * 1e4:g}."
            yield _odd(sample, found, "a depth in centimetres", advice)
        if sample.water_content < _DRIEST:
            found = f"a water content of {sample.water_content:.4f} m3 m-3"
            advice = "Look at the units: masses are in g, the volume in cm3."
            yield _odd(sample, found, "that of a soil", advice)


def _out_of_time(sample: Sample, site: Site, now: datetime) -> Iterator[Problem]:
    tube = site.tube_by_id[sample.tube]
    last_s = sample.when.start_s + sample.when.length_s
    first = datetime.fromtimestamp(sample.when.start_s, UTC)
    found = f"a sample of {stated_instant(first, site.utc_offset_s)}"
    if sample.when.start_s > now.timestamp():
        expected = f"a time until now ({stated_instant(now, site.utc_offset_s)})"
        yield _odd(sample, found, expected, "Look at the year, at day and month.")
    elif last_s < tube.installed.timestamp() - DAY_S or (
        sample.when.start_s > second_of(tube.removed, np.inf) + DAY_S
    ):
        until = stated_instant(tube.removed, site.utc_offset_s) if tube.removed else "now"
        expected = (
            f"a time while tube {tube.tube!r} is in the ground, from "
            f"{stated_instant(tube.installed, site.utc_offset_s)} until {until}"
        )
        yield _odd(sample, found, expected, "It is compared with no reading.")


def _odd(sample: Sample, found: str, expected: str, advice: str) -> Problem:
    return Problem(FILE, f"line {sample.line}", found, expected, advice)
