"""Marks of doubt: which values are flagged, told by shape and not by colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from pipeline.qc.flags import TEST_BITS, Quality
from pipeline.report.style import INK, Look

# Of flagged values nearer to each other in time than this share of the picture, one is marked.
SLOTS = 56
SUSPECT, BAD = Quality.SUSPECT, Quality.BAD


@dataclass(frozen=True)
class Flagged:
    """Where values of one flag lie, thinned for the eye, and how many there are in all."""

    quality: Quality
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    count: int
    tests: tuple[str, ...] = ()


def find_flagged(
    quality: NDArray[np.uint8],
    kind: Quality,
    days: NDArray[np.float64],
    heights: NDArray[np.float64],
    tests: NDArray[np.uint16] | None = None,
) -> Flagged:
    """Return the marks of one flag.

    Parameters
    ----------
    quality : (time, row)
        Primary flags.
    kind : Quality
    days : (time,), [d]
        Place of each time.
    heights : (row,) or (time, row)
        Where along the vertical axis a row, or a value, lies.
    tests : (time, row), optional
        Bits of the tests that fired.
    """
    step, row = np.nonzero(quality == kind)
    fired = int(np.bitwise_or.reduce(tests[step, row])) if tests is not None else 0
    names = tuple(name.replace("_", " ") for name, bit in TEST_BITS.items() if fired & bit)
    if not step.size:
        return Flagged(kind, np.empty(0), np.empty(0), 0, names)
    slot = row * SLOTS + step * SLOTS // len(days)
    _, first = np.unique(slot, return_index=True)
    height = np.broadcast_to(heights, quality.shape)[step[first], row[first]]
    return Flagged(kind, days[step[first]], height, step.size, names)


def draw_flagged(axes: Axes, flagged: Flagged, shift_pt: float = 0.0) -> list[Artist]:
    """Draw the marks and return their entry for the legend; nothing if there are none.

    ``shift_pt`` moves them up by points on the page, so that marks of two flags do not hide
    each other.
    """
    if not flagged.count:
        return []
    aside = ScaledTranslation(0, shift_pt / 72, axes.figure.dpi_scale_trans)
    look = _look(flagged.quality)
    place = axes.transData + aside
    # Above hand readings, which often are of the very hour of a visit that is flagged.
    (line,) = axes.plot(flagged.x, flagged.y, transform=place, zorder=8, **look)
    line.set_gid(flagged.quality.name.lower())
    return [Line2D([], [], label=_label(flagged), **_look(flagged.quality))]


def flag_entry(quality: Quality) -> Artist:
    """Return the legend's entry of a flag where it stands for several panels."""
    return Line2D([], [], label=quality.name.lower(), **_look(quality))


def _look(quality: Quality) -> Look:
    """Return how a flag is drawn: readable on any colour, and in black and white."""
    if quality == SUSPECT:
        shape: Look = {"marker": "^", "ms": 4.6, "mfc": "white", "mew": 0.9}
    else:
        halo = withStroke(linewidth=3.2, foreground="white")
        shape = {"marker": "x", "ms": 4.6, "mew": 1.5, "path_effects": [halo]}
    return {"ls": "none", "color": INK, "mec": INK, "clip_on": False, **shape}


def _label(flagged: Flagged) -> str:
    values = "value" if flagged.count == 1 else "values"
    text = f"{flagged.quality.name.lower()}: {flagged.count} {values}"
    names = [name for name in flagged.tests if name != "missing"]
    return f"{text} ({', '.join(names)})" if names else text
