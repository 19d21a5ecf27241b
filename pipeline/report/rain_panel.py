"""Rain above a picture: bars that hang from the top, longer ones in longer records."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.report.style import RAIN_COLOUR, hatch
from pipeline.report.time_columns import Columns, duration

MOST_BARS = 150
_BAR_S = (300, 600, 900, 1800, 3600, 3 * 3600, 6 * 3600)
_BAR_DAYS = (1, 7, 28, 84, 364, 3640)
_TOPS = (1, 1.2, 1.6, 2, 3, 4, 5, 6, 8, 10)  # half of each is a number easily read


def draw_rain(axes: Axes, rain: xr.DataArray, columns: Columns) -> bool:
    """Fill axes with bars of rain over the time of columns.

    Bars of whole days are the days of ``daily_rain``. The panel is hatched where there are
    fewer values than the site asks of a complete day.

    Parameters
    ----------
    axes : Axes
    rain : DataArray, (time), [mm]
        Rain of the interval that ends at each step.
    columns : Columns
        Those of the picture below.

    Returns
    -------
    bool
        Whether any of the panel is hatched.
    """
    time, values = rain["time"].values, np.asarray(rain.values, dtype=np.float64)
    bars = _bars(columns)
    sums, counts = bars.sums(time, values), bars.counts(time, np.isfinite(values))
    short = _incomplete(counts, bars, columns)
    top = _round_up(float(sums.max(initial=0.0)))
    edges = bars.edges
    for start, stop in _runs(short):
        hatch(axes, (edges[start], edges[stop]), (0.0, top))
    width = np.diff(edges)[0] * 0.85
    axes.bar(bars.middles, sums, width=width, color=RAIN_COLOUR, lw=0, gid="rain")
    axes.set_ylim(top, 0)
    axes.set_yticks([0, top / 2, top])
    per = duration(bars.width * bars.site.interval_s).removeprefix("1 ")
    axes.set_ylabel(f"rain\n(mm/{per})", size=9)
    axes.spines["top"].set_visible(True)
    axes.spines["bottom"].set_visible(False)
    _write_total(axes, float(sums.sum()), whole=not short.any())
    return bool(short.any())


def _bars(columns: Columns) -> Columns:
    """Return the shortest bars, of whole steps, that do not become too many."""
    site, interval = columns.site, columns.site.interval_s
    span_s = columns.count * columns.width * interval
    lengths = [s for s in _BAR_S if s % interval == 0] + [d * DAY_S for d in _BAR_DAYS]
    length = next((s for s in lengths if span_s <= s * MOST_BARS), lengths[-1])
    first, width = columns.first, length // interval
    first = first // width * width if length <= DAY_S else first
    stop = columns.first + columns.count * columns.width
    return Columns(site, first, width, -(-(stop - first) // width))


def _incomplete(counts: Floats, bars: Columns, columns: Columns) -> NDArray[np.bool_]:
    """Return which bars have too few values for the part of them that is in the picture.

    How many are due is told from the fullest bar, since a gauge may log more slowly than the
    site's axis.
    """
    starts = bars.first + np.arange(bars.count) * bars.width
    low, high = columns.first, columns.first + columns.count * columns.width
    steps = np.clip(starts + bars.width, low, high) - np.clip(starts, low, high)
    share = counts / np.maximum(steps, 1)
    due = share.max(initial=0.0) * columns.site.derive.day_completeness
    return np.asarray((share < due) | (counts == 0))


def _runs(present: np.ndarray) -> np.ndarray:
    """Return (start, stop) of each run of True, (run, 2)."""
    changes = np.flatnonzero(np.diff(np.concatenate([[False], present, [False]]).astype(int)))
    return changes.reshape(-1, 2)


def _round_up(value: float) -> float:
    """Return the next of `_TOPS` times a power of ten, not below 2 mm."""
    if value <= 2:
        return 2.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(m * power for m in _TOPS if value <= m * power * (1 + 1e-9)))


def _write_total(axes: Axes, total: float, whole: bool) -> None:
    """Write the sum beside the panel; of a record with holes it is what was logged."""
    text = f"{'total' if whole else 'logged'}\n{total:.0f} mm"
    axes.text(1.03, 0.5, text, transform=axes.transAxes, va="center", size=9.5, gid="total")
