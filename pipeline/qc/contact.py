"""Single sensors against their like: noise, contact with the soil, swings with rain, loss.

Noise is held against sensors of the same source at the same depth, level and swing against
neighbours in the same soil. A sensor that is noisy and too dry has poor contact; one that is
too wet in wet spells and too dry in dry ones has a gap beside it that fills and empties.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.qc.findings import Finding, Verdict, centimetres, percent

Names = list[str]

POOR_NOISE = 1.6  # times that of its like
POOR_DRYNESS = 0.010  # m3 m-3 below neighbours
HALF_THE_SENSORS = 0.5
NOISY = 3.0  # times that of its like, or of its own year
LEAST_NOISE = 0.001  # m3 m-3; less does no harm
SWING = 0.030  # m3 m-3 between rainy and other days, more than neighbours
LEAST_WET_DAYS = 5
WETTING = 0.010  # m3 m-3 a day at the uppermost sensors of the neighbours
LOSS_DAYS, MOST_LOST = 60, 0.5


def noise_of_like(noise: Floats, peers: list[NDArray[np.intp]]) -> Floats:
    """Return the median noise of a sensor's like: others of the same source and depth.

    Parameters
    ----------
    noise : array (tube, depth), [m3 m-3]
    peers : list of arrays
        Positions of tubes that are read by one source.

    Returns
    -------
    array (tube, depth)
        NaN where fewer than two others are known.
    """
    result = np.full(noise.shape, np.nan)
    for group in peers:
        for tube in group:
            others = noise[group[group != tube]]
            known = np.isfinite(others).sum(axis=0) >= 2
            if known.any():
                result[tube, known] = np.nanmedian(others[:, known], axis=0)
    return result


def contact_findings(
    names: Names,
    depths_m: Floats,
    noise: tuple[Floats, Floats],
    difference: Floats,
    span_s: tuple[int, int],
) -> Iterator[Finding]:
    """Yield tubes with poor contact, and single sensors that are noisy.

    Parameters
    ----------
    names : list of str
    depths_m : array (depth,)
    noise : (array, array) (tube, depth), [m3 m-3]
        Of each sensor, and of its like.
    difference : array (tube, depth), [m3 m-3]
        Usual difference to the median of the neighbours.
    span_s : (int, int)
        The time that was looked at.
    """
    with np.errstate(invalid="ignore"):
        ratio = noise[0] / noise[1]
        poor, dry = ratio >= POOR_NOISE, difference <= -POOR_DRYNESS
    for tube, name in enumerate(names):
        told = np.isfinite(ratio[tube])
        half = max(1.0, HALF_THE_SENSORS * told.sum())
        both = poor[tube] & dry[tube]
        if told.any() and both.sum() >= half:
            yield _poor_contact(name, ratio[tube, both], difference[tube, both], span_s)
            continue
        for depth in np.flatnonzero((ratio[tube] >= NOISY) & (noise[0][tube] >= LEAST_NOISE)):
            yield _noisy(
                name, float(depths_m[depth]), noise[0][tube, depth], ratio[tube, depth], span_s
            )


def _poor_contact(
    name: str, ratio: Floats, difference: Floats, span_s: tuple[int, int]
) -> Finding:
    times, dryness = float(np.median(ratio)), float(np.median(difference))
    return Finding(
        name,
        "poor contact",
        np.nan,
        np.nan,
        *span_s,
        int(ratio.size),
        times,
        POOR_NOISE,
        "1",
        Verdict.USE_WITH_CARE,
        f"{ratio.size} sensors are {times:.1f} times as noisy as their like and "
        f"{percent(-dryness)} % drier than neighbours: air between sensor and soil",
    )


def _noisy(
    name: str, depth_m: float, noise: float, ratio: float, span_s: tuple[int, int]
) -> Finding:
    return Finding(
        name,
        "noise",
        depth_m,
        np.nan,
        *span_s,
        1,
        float(ratio),
        NOISY,
        "1",
        Verdict.USE_WITH_CARE,
        f"the noise at {centimetres(depth_m)} cm is {100 * noise:.2f} %, {ratio:.1f} times "
        f"that of its like",
    )


def wet_days(others: Floats) -> NDArray[np.bool_]:
    """Return days on which neighbours were wetted from above, and the day after.

    Parameters
    ----------
    others : array (day, tube)
        Median of each tube's neighbours at its uppermost sensor.
    """
    rise = np.zeros(others.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        rise[1:] = np.diff(others, axis=0) >= WETTING
    after = np.zeros_like(rise)
    after[1:] = rise[:-1]
    return rise | after


def swing_findings(
    names: Names,
    difference: Floats,
    wet: NDArray[np.bool_],
    span_s: tuple[int, int],
) -> Iterator[Finding]:
    """Yield tubes too wet in wet spells and too dry in dry ones, against their neighbours.

    Parameters
    ----------
    difference : array (day, tube, depth), [m3 m-3]
        Daily values less the median of the neighbours.
    wet : array (day, tube)
        From `wet_days`.
    """
    for tube, name in enumerate(names):
        known = np.isfinite(difference[:, tube])
        rainy, fair = known & wet[:, tube, None], known & ~wet[:, tube, None]
        told = (rainy.sum(axis=0) >= LEAST_WET_DAYS) & (fair.sum(axis=0) >= LEAST_WET_DAYS)
        if told.sum() < 2:
            continue
        in_rain = np.array(
            [_upper(difference[rainy[:, d], tube, d]) for d in told.nonzero()[0]]
        )
        in_fair = np.array(
            [_middle(difference[fair[:, d], tube, d]) for d in told.nonzero()[0]]
        )
        swings = (in_rain - in_fair >= SWING) & (in_rain > 0) & (in_fair < 0)
        if swings.sum() <= max(1.0, HALF_THE_SENSORS * told.sum()):
            continue
        wetter, drier = float(np.median(in_rain[swings])), float(np.median(in_fair[swings]))
        yield Finding(
            name,
            "swings with rain",
            np.nan,
            np.nan,
            *span_s,
            int(wet[:, tube].sum()),
            wetter - drier,
            SWING,
            "m3 m-3",
            Verdict.USE_WITH_CARE,
            f"{int(swings.sum())} of {int(told.sum())} sensors are up to {percent(wetter)} % "
            f"wetter than neighbours when it rains and {percent(-drier)} % drier otherwise",
        )


def _upper(values: Floats) -> float:
    """Return what the wettest quarter of the days begins with."""
    return float(np.sort(values)[int(0.75 * (values.size - 1))])


def _middle(values: Floats) -> float:
    return float(np.median(values))


def loss_findings(
    names: Names,
    depths_m: Floats,
    day_s: NDArray[np.int64],
    known: NDArray[np.bool_],
    due: NDArray[np.bool_],
    read: NDArray[np.bool_],
) -> Iterator[Finding]:
    """Yield sensors that lost half of their days or more lately.

    Where most of the lost days have readings, too few for a daily value, that is told: a
    logger that was set to a longer interval does so.

    Parameters
    ----------
    day_s : array (day,)
        Where days begin, UTC seconds; the last one is not over.
    known : array (day, tube, depth)
        Whether there is a daily value.
    due : array (day, tube, depth)
        Whether the sensor was wired all day.
    read : array (day, tube, depth)
        Whether there is any reading.
    """
    over = len(day_s) - 1  # the newest day is not over; no value of it is lost yet
    late, last = slice(max(0, over - LOSS_DAYS), over), over - 1
    wanted = due[late].sum(axis=0)
    lost = (due[late] & ~known[late]).sum(axis=0)
    sparse = (due[late] & ~known[late] & read[late]).sum(axis=0)
    for tube, name in enumerate(names):
        bad = (wanted[tube] > 0) & (lost[tube] >= MOST_LOST * wanted[tube])
        if not bad.any():
            continue
        whole = bool(bad[wanted[tube] > 0].all())
        for depth in [-1] if whole else np.flatnonzero(bad):
            cells = np.flatnonzero(bad) if whole else np.array([depth])
            share = float(lost[tube, cells].sum() / wanted[tube, cells].sum())
            few = bool(sparse[tube, cells].sum() > 0.5 * lost[tube, cells].sum())
            where = "the tube" if whole else f"the sensor at {centimetres(depths_m[depth])} cm"
            yield Finding(
                name,
                "few readings" if few else "loss of data",
                np.nan if whole else float(depths_m[depth]),
                np.nan,
                int(day_s[late.start]),
                int(day_s[last]),
                int(lost[tube, cells].max()),
                share,
                MOST_LOST,
                "1",
                Verdict.USE_WITH_CARE,
                f"{where} has no daily value on {100 * share:.0f} % of the last "
                f"{over - late.start} days"
                + (
                    ", of most of them too few readings for the interval stated" if few else ""
                ),
            )


def drift_findings(suspects: pd.DataFrame) -> Iterator[Finding]:
    """Yield the drifts that were suspected elsewhere.

    Parameters
    ----------
    suspects : DataFrame
        ``tube``, ``depth_m``, ``slope`` [m3 m-3 a year], ``p``, ``sentence``, ``from_s``,
        ``until_s``.
    """
    for row in suspects.to_dict("records"):
        yield Finding(
            str(row["tube"]),
            "drift",
            float(row["depth_m"]),
            np.nan,
            int(row["from_s"]),
            int(row["until_s"]),
            1,
            float(row["slope"]),
            0.0,
            "m3 m-3 year-1",
            Verdict.USE_WITH_CARE,
            str(row["sentence"]),
        )
