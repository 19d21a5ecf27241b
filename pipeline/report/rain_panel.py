"""Rain above a picture: bars that hang from the top, longer ones in longer records."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.report.style import RAIN_COLOUR, hatch
from pipeline.report.time_columns import Columns, duration, local_days, step_index
from pipeline.site.stretches import shortest_within, stretches_of

MOST_BARS = 150
_BAR_S = (300, 600, 900, 1800, 3600, 3 * 3600, 6 * 3600)
_BAR_DAYS = (1, 7, 28, 84, 364, 3640)
_TOPS = (1, 1.2, 1.6, 2, 3, 4, 5, 6, 8, 10)  # half of each is a number easily read


def draw_rain(axes: Axes, rain: xr.DataArray, columns: Columns) -> bool:
    """Fill axes with bars of rain over the time of columns.

    A total is stamped at its end, and drawn where it fell: before its stamp. Bars of whole
    days are the days of ``daily_rain``. The panel is hatched where there are fewer values than
    the site asks of a complete day.

    Parameters
    ----------
    axes : Axes
    rain : DataArray, (time), [mm]
        Rain of the interval that ends at each step; to be whole up to one step after the
        columns, where the last of it is stamped.
    columns : Columns
        Those of the picture below.

    Returns
    -------
    bool
        Whether any of the panel is hatched.
    """
    values = np.asarray(rain.values, dtype=np.float64)
    stamps: NDArray[np.datetime64] = rain["time"].values
    fell = stamps - np.timedelta64(columns.site.interval_s, "s")
    bars = _bars(columns)
    sums = bars.sums(fell, values)
    short = _incomplete(fell, np.isfinite(values), bars, columns)
    top = _round_up(float(sums.max(initial=0.0)))
    edges = local_days(bars.site, bars.first + np.arange(bars.count + 1) * bars.width)
    for start, stop in _runs(short):
        hatch(axes, (edges[start], edges[stop]), (0.0, top))
    width = np.diff(edges)[0]
    axes.bar(edges[:-1] + width / 2, sums, width * 0.85, color=RAIN_COLOUR, lw=0, gid="rain")
    axes.set_ylim(top, 0)
    axes.set_yticks([0, top / 2, top])
    per = duration(bars.width * bars.site.interval_s).removeprefix("1 ")
    axes.set_ylabel(f"rain\n(mm/{per})", size=9)
    axes.spines["top"].set_visible(True)
    axes.spines["bottom"].set_visible(False)
    _write_total(axes, float(sums.sum()), whole=not short.any())
    return bool(short.any())


def _bars(columns: Columns) -> Columns:
    """Return the shortest bars, of whole steps and totals, that do not become too many."""
    site, interval = columns.site, columns.site.interval_s
    span_s = columns.count * columns.width * interval
    lengths = [s for s in _BAR_S if s % interval == 0] + [d * DAY_S for d in _BAR_DAYS]
    total_s = _total_s(columns)
    lengths = [s for s in lengths if s % total_s == 0] or lengths
    length = next((s for s in lengths if span_s <= s * MOST_BARS), lengths[-1])
    first, width = columns.first, length // interval
    first = first // width * width if length <= DAY_S else first
    stop = columns.first + columns.count * columns.width
    return Columns(site, first, width, -(-(stop - first) // width))


def _total_s(columns: Columns) -> int:
    """Return of how long the shortest totals are that are logged in the time of columns."""
    site = columns.site
    first, stop = columns.first, columns.first + columns.count * columns.width
    begin_s, end_s = (int(second) for second in site.axis.seconds(first, stop + 1)[[0, -1]])
    stretches = stretches_of([w for w in site.wiring if w.quantity == "rain"], site)
    shortest = shortest_within(stretches, np.array([begin_s]), end_s - begin_s)[0]
    return site.interval_s if np.isnan(shortest) else int(shortest)


def _incomplete(
    fell: NDArray[np.datetime64], known: NDArray[np.bool_], bars: Columns, columns: Columns
) -> NDArray[np.bool_]:
    """Return which bars have too few values for the part of them that is in the picture.

    How many are due is told from the fullest bar, since a gauge may log more slowly than the
    site's axis. After the last step of the record nothing is due.
    """
    step = step_index(columns.site, fell)
    low, high = columns.first, columns.first + columns.count * columns.width
    shown = (step >= low) & (step < high)
    steps, counts = bars.counts(fell, shown), bars.counts(fell, known & shown)
    share = counts / np.maximum(steps, 1)
    due = share.max(initial=0.0) * columns.site.derive.day_completeness
    return np.asarray(((share < due) | (counts == 0)) & (steps > 0))


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
