"""Everything that is checked of the health of tubes, from one record of them all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.qc import contact, placing
from pipeline.qc.findings import Finding
from pipeline.qc.neighbours import at_nominal_depths, median_of_others
from pipeline.qc.rotation import reader_limit, rotation_findings
from pipeline.qc.tube_verdicts import Seen, refine_causes
from pipeline.qc.wall import (
    FLASH_HALF_H,
    FLASH_RISE,
    Wired,
    flashes,
    gap_events,
    gap_findings,
    rained,
    void_findings,
)

DAY_S = 86_400
FACING = 0.015  # m3 m-3; a logged sensor so much drier than neighbours faces a low side


@dataclass(frozen=True)
class TubesRecord:
    """What the checks look at: the last year of all tubes of a site.

    ``depths_m`` (depth,) are nominal and rising, ``real_m`` (tube, depth) where sensors are.
    ``groups`` are positions of tubes that are neighbours, ``peers`` of those read by one
    source. ``water`` (day, tube, depth) [m3 m-3] are daily means, ``due`` whether a sensor was
    wired all day, ``read`` whether it has a reading, ``day_s`` (day,) where days begin,
    ``offset_s`` the site's standard time less UTC. ``responses`` are as `wall.gap_events`
    takes them, ``noise`` (tube, depth) [m3 m-3], ``wave`` (2, tube, depth) [K] cosine and sine
    of the daily wave of warmth. ``directions`` are means of the latest rounds by ``tube``,
    ``depth_m`` and ``direction_deg``: ``water`` [m3 m-3]. ``spread`` is what
    `rotation.rotation_findings` takes, ``reader_error`` [m3 m-3] the standard uncertainty of a
    hand reading, ``suspects`` what `contact.drift_findings` takes.
    """

    names: list[str]
    depths_m: Floats
    real_m: Floats
    groups: list[NDArray[np.intp]]
    peers: list[NDArray[np.intp]]
    wired: Wired
    day_s: NDArray[np.int64]
    water: Floats
    due: NDArray[np.bool_]
    read: NDArray[np.bool_]
    offset_s: int
    responses: pd.DataFrame
    noise: Floats
    wave: Floats
    directions: pd.DataFrame
    spread: pd.DataFrame
    reader_error: float
    suspects: pd.DataFrame

    @property
    def span_s(self) -> tuple[int, int]:
        """Return where the first and the last day begin."""
        if not self.day_s.size:
            return 0, 0
        return int(self.day_s[0]), int(self.day_s[-1])

    @cached_property
    def at_depths(self) -> Floats:
        """Return daily water content at the nominal depths, (day, tube, depth)."""
        return at_nominal_depths(self.water, self.depths_m, self.real_m)

    @cached_property
    def difference(self) -> Floats:
        """Return daily water content less the median of the neighbours, (day, tube, depth)."""
        return self.at_depths - self.others(self.at_depths)

    @cached_property
    def usual_difference(self) -> Floats:
        """Return the median over the days of `difference`, (tube, depth)."""
        usual = np.full(self.real_m.shape, np.nan)
        told = np.isfinite(self.difference).any(axis=0)
        usual[told] = np.nanmedian(self.difference[:, told], axis=0)
        return usual

    def others(self, values: Floats) -> Floats:
        """Return the median of each tube's neighbours, (day, tube, depth)."""
        result = np.full(values.shape, np.nan)
        for group in self.groups:
            result[:, group] = median_of_others(values[:, group])[0]
        return result


def all_findings(record: TubesRecord) -> list[Finding]:
    """Return everything found of all tubes."""
    found = [*water_findings(record), *placing_findings(record), *sensor_findings(record)]
    if len(record.spread):
        limit = reader_limit(record.spread, record.reader_error)
        found += rotation_findings(record.spread, limit, record.offset_s)
    found += contact.drift_findings(record.suspects)
    return refine_causes(found, seen_of(record))


def water_findings(record: TubesRecord) -> Iterator[Finding]:
    """Yield voids that fill, and gaps along the wall."""
    single = flashes(record.responses, record.wired)
    voids = list(void_findings(single, record.wired))
    yield from voids
    # What a void beside one or two sensors does is no sign of a gap along the whole tube.
    beside = pd.MultiIndex.from_tuples(
        [(f.tube, f.depth_m) for f in voids], names=["tube", "depth_m"]
    )
    cells = pd.MultiIndex.from_frame(record.responses[["tube", "depth_m"]])
    rest = record.responses[~cells.isin(beside)] if voids else record.responses
    yield from gap_findings(gap_events(rest, record.wired), record.wired, record.offset_s)


def placing_findings(record: TubesRecord) -> Iterator[Finding]:
    """Yield swapped channels and wrong depths."""
    changes = np.diff(record.water, axis=0)
    others = record.others(np.diff(record.at_depths, axis=0))
    theirs = _median_wave(record)
    for tube, name in enumerate(record.names):
        known = np.isfinite(others[:, tube]).any(axis=0)
        if known.sum() < placing.LEAST_SENSORS:
            continue
        grid, stated = record.depths_m[known], record.real_m[tube]
        course = others[:, tube][:, known]
        here = placing.courses(course, grid, stated)
        fit = placing.fits(changes[:, tube], here)
        days = int(np.isfinite(changes[:, tube]).any(axis=1).sum())
        swaps = list(placing.swap_findings(name, fit, record.depths_m, record.span_s, days))
        yield from swaps
        if swaps:
            continue
        warm = placing.warmth_shift(record.wave[:, tube], theirs[:, tube], stated)
        by_warmth = placing.agreed_shift(warm, placing.LEAST_WARM_SHIFT_M)
        wet, gain = placing.wetting_shift(changes[:, tube], course, grid, stated)
        by_water = placing.agreed_shift(wet, placing.LEAST_SHIFT_M)
        if np.isfinite(by_warmth[0]):
            least = placing.LEAST_WARM_SHIFT_M
            yield placing.depth_finding(name, "warmth", by_warmth, least, record.span_s)
        elif by_warmth[2] < placing.LEAST_SENSORS and np.isfinite(by_water[0]):
            if np.nanmean(gain[np.isfinite(wet)]) >= placing.LEAST_SHIFT_GAIN:
                least = placing.LEAST_SHIFT_M
                yield placing.depth_finding(name, "water", by_water, least, record.span_s)


def _median_wave(record: TubesRecord) -> Floats:
    """Return the median daily wave of each tube's neighbours, (2, tube, depth)."""
    # Cosines and sines of tubes that stand deeper or higher are no neighbours' wave.
    level = (record.real_m == record.depths_m).all(axis=1)
    wave = np.where(level[None, :, None], record.wave, np.nan)
    result: Floats = record.others(wave)
    result[:, ~level] = np.nan
    return result


def sensor_findings(record: TubesRecord) -> Iterator[Finding]:
    """Yield poor contact, noise, swings with rain and loss of data."""
    like = contact.noise_of_like(record.noise, record.peers)
    yield from contact.contact_findings(
        record.names,
        record.depths_m,
        (record.noise, like),
        record.usual_difference,
        record.span_s,
    )
    top = _uppermost(record)
    yield from contact.swing_findings(
        record.names, record.difference, contact.wet_days(top), record.span_s
    )
    yield from contact.loss_findings(
        record.names,
        record.depths_m,
        record.day_s,
        np.isfinite(record.water),
        record.due,
        record.read,
    )


def _uppermost(record: TubesRecord) -> Floats:
    """Return the neighbours' median at the uppermost depth they share, (day, tube)."""
    others = record.others(record.at_depths)
    result = np.full(others.shape[:2], np.nan)
    for tube in range(others.shape[1]):
        known = np.flatnonzero(np.isfinite(others[:, tube]).any(axis=0))
        if known.size:
            result[:, tube] = others[:, tube, known[0]]
    return result


def seen_of(record: TubesRecord) -> dict[str, Seen]:
    """Return how much of each tube there was to judge by."""
    days = np.isfinite(record.water).any(axis=2).sum(axis=0)
    quick = record.responses[
        (record.responses["rise_in_hour"] >= FLASH_RISE) & rained(record.responses)
    ]
    storms = (quick["onset_s"] // DAY_S).groupby(quick["tube"]).nunique()
    emptied = quick[quick["half_h"] <= FLASH_HALF_H]
    filled = set(zip(emptied["tube"], emptied["depth_m"], strict=True))
    rounds = record.spread.groupby("tube")["round"].nunique()
    by_hand = record.spread.groupby("tube")["depth_m"].nunique()
    return {
        name: Seen(
            int(days[tube]) if days.size else 0,
            int(storms.get(name, 0)),
            int(rounds.get(name, 0)),
            max(len(record.wired.nominal_m.get(name, ())), int(by_hand.get(name, 0))),
            tuple(
                depth
                for depth in record.depths_m[record.usual_difference[tube] <= -FACING].tolist()
                if (name, depth) not in filled
            ),
        )
        for tube, name in enumerate(record.names)
    }
