"""One tube's wetting events: stored water between its limits, and what drained after each."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.report.rain_panel import draw_rain
from pipeline.report.storage_lines import COVERAGE, lone_values, padded_limits
from pipeline.report.style import (
    CM_PER_M,
    GRID,
    INK,
    PALETTE,
    Look,
    drawing,
    gap_entries,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
    subtitle,
)
from pipeline.report.time_columns import Columns, logged_every, make_columns, show_time
from pipeline.site.models import Site

_LEFT, _WIDTH = 0.80, 5.30  # inches
_TOP, _RAIN, _GAP, _STORAGE, _DRAINED, _BELOW = 0.80, 0.62, 0.16, 2.4, 1.35, 0.76
_STORED, _WETTING, _UPPER, _LOWER = PALETTE[0], PALETTE[4], PALETTE[2], PALETTE[1]
_SHADE, _BAND = 0.45, 0.22


class StoredLimit(NamedTuple):
    """Water stored down to a depth when all soil above stands at a limit, [mm].

    ``error`` is its standard uncertainty, NaN where none is known; ``note`` whence it is.
    """

    value: float
    error: float
    note: str


class TubeEvents(NamedTuple):
    """What is drawn of one tube.

    ``stored`` (time) [mm] is the water above the last sensor, at ``depth_m`` [m]; ``events``
    are the tube's rows in the table of events; ``upper`` and ``lower`` what the same soil
    holds at its drained upper and its lower limit, None where that is not known.
    """

    tube: str
    stored: xr.DataArray
    depth_m: float
    events: pd.DataFrame
    upper: StoredLimit | None
    lower: StoredLimit | None


def draw_events(site: Site, held: TubeEvents, rain: xr.DataArray | None, path: Path) -> Path:
    """Draw stored water with events and limits, and below it what drained, as PNG.

    Wetting is shaded, from the first onset of an event to the peak of stored water. A bar
    below stands from that peak to the event's end and is as high as what drained past the last
    sensor, with its 95 % interval; a diamond is the amount by conductivity alone.

    Parameters
    ----------
    site : Site
    held : TubeEvents
    rain : DataArray, (time), [mm], or None
    path : Path
    """
    with drawing():
        return save(events_figure(site, held, rain), path)


def events_figure(site: Site, held: TubeEvents, rain: xr.DataArray | None) -> Figure:
    """Return the figure of `draw_events`; to be called within `style.drawing`."""
    tube, stored, events = held.tube, held.stored, held.events
    columns = make_columns(site, stored["time"].values, logged_every(site, tube))
    top = _TOP + (_RAIN + _GAP if rain is not None else 0.0)
    below = top + _STORAGE + _GAP
    figure = new_figure(below + _DRAINED + _BELOW)
    title = f"{plain(tube)}: wetting events, 0–{held.depth_m * CM_PER_M:.4g} cm"
    put_title(figure, title, subtitle(site, tube, columns))
    entries: list[Artist] = []
    if rain is not None:
        above = panel(figure, _LEFT, _TOP, _WIDTH, _RAIN)
        entries += gap_entries(False, draw_rain(above, rain, columns))
        for text in above.texts:  # beside the panel in other pictures; here there is no room
            told = text.get_text().replace("\n", " ")
            text.set(text=told, position=(1.0, 1.05), ha="right", va="bottom")
        show_time(above, columns, label=False)
    middle = columns.means(stored["time"].values, stored.values.astype(np.float64))
    axes = panel(figure, _LEFT, top, _WIDTH, _STORAGE)
    entries = _draw_stored(axes, columns, middle, held) + entries
    show_time(axes, columns, label=False)
    bars = panel(figure, _LEFT, below, _WIDTH, _DRAINED)
    entries += _draw_drained(bars, columns, events)
    show_time(bars, columns)
    put_legend(figure, entries, below + _DRAINED + _BELOW)
    return figure


def _draw_stored(
    axes: Axes, columns: Columns, middle: Floats, held: TubeEvents
) -> list[Artist]:
    """Draw the line, the shades of wetting, and the limits; return the legend's entries."""
    axes.grid(axis="y", color=GRID, lw=0.6)
    axes.set_axisbelow(True)
    axes.set_ylabel("stored water (mm)")
    limits = (held.upper, held.lower)
    ends = [_ends(limit) for limit in limits if limit is not None]
    reach = np.array(ends).ravel()
    low, high = np.append(reach, middle), np.append(reach, middle)
    axes.set_ylim(*padded_limits(low, high))
    entries: list[Artist] = []
    if not np.isfinite(middle).any():
        place: Look = {"transform": axes.transAxes, "ha": "center"}
        axes.text(0.5, 0.5, "no stored water in this period", **place)
    else:
        axes.plot(columns.middles, middle, color=_STORED, lw=1.3, zorder=4, gid="storage")
        alone = lone_values(middle)
        axes.plot(columns.middles[alone], middle[alone], ".", color=_STORED, ms=3, zorder=4)
        entries.append(Line2D([], [], color=_STORED, lw=1.3, label="stored water"))
    for start, stop in _wettings(columns, held.events):
        axes.axvspan(start, stop, color=_WETTING, alpha=_SHADE, lw=0, zorder=1, gid="wetting")
    if len(held.events):
        entries.append(Patch(color=_WETTING, alpha=_SHADE, lw=0, label="wetting"))
    looks = (("upper limit", _UPPER, "--"), ("lower limit", _LOWER, "-."))
    for limit, (name, colour, dash) in zip(limits, looks, strict=True):
        entries.append(_draw_limit(axes, limit, name, colour, dash))
    return entries


def _draw_limit(
    axes: Axes, limit: StoredLimit | None, name: str, colour: str, dash: str
) -> Artist:
    """Draw a limit as a line with its 95 % interval; return its entry, of none too."""
    if limit is None:
        return Line2D([], [], color=colour, lw=1.2, ls=dash, label=f"{name}: not known")
    axes.axhline(limit.value, color=colour, lw=1.2, ls=dash, zorder=3, gid=name)
    if np.isfinite(limit.error):
        axes.axhspan(
            *_ends(limit), color=colour, alpha=_BAND, lw=0, zorder=2, gid=f"{name} band"
        )
    label = f"{name} ± 95 % ({limit.note})" if np.isfinite(limit.error) else name
    return Line2D([], [], color=colour, lw=1.2, ls=dash, label=label)


def _ends(limit: StoredLimit) -> tuple[float, float]:
    """Return the 95 % interval of a limit; the limit itself where it has no error."""
    far = COVERAGE * float(np.nan_to_num(limit.error))
    return limit.value - far, limit.value + far


def _draw_drained(axes: Axes, columns: Columns, events: pd.DataFrame) -> list[Artist]:
    """Draw a bar an event from its peak to its end; return the legend's entries."""
    axes.grid(axis="y", color=GRID, lw=0.6)
    axes.set_axisbelow(True)
    axes.axhline(0.0, color=INK, lw=0.8, zorder=3)
    axes.set_ylabel("drained (mm)")
    rows = events[events["drainage_mm"].notna()] if len(events) else events
    if not len(rows):
        place: Look = {"transform": axes.transAxes, "ha": "center", "va": "center"}
        axes.text(0.5, 0.6, "no drained amount in this period", **place)
        axes.set_ylim(0.0, 1.0)
        return []
    start = _place(columns, rows["peak_s"])
    width = _place(columns, rows["end_s"]) - start
    amount = rows["drainage_mm"].to_numpy(np.float64)
    error = COVERAGE * rows["drainage_error_mm"].to_numpy(np.float64)
    by_law = rows["gradient_drainage_mm"].to_numpy(np.float64)
    is_open = rows["open"].to_numpy(np.bool_)
    look: Look = {"align": "edge", "ec": _STORED, "lw": 0.7, "zorder": 2, "gid": "drained"}
    bars = axes.bar(start, amount, width, fc="#A6CBE3", **look)
    for bar, hatched in zip(bars, is_open, strict=True):
        if hatched:
            bar.set(hatch="....", facecolor="white")
    middle = start + 0.5 * width
    axes.errorbar(
        middle, amount, error, fmt="none", ecolor=INK, elinewidth=0.8, capsize=1.5, zorder=4
    )
    axes.plot(
        middle, by_law, "D", ms=3.2, mfc=_LOWER, mec="white", mew=0.4, zorder=5, gid="law"
    )
    low, high = padded_limits(
        np.append(amount - error, 0.0), np.append(amount + error, by_law)
    )
    axes.set_ylim(min(low, 0.0), high)
    entries: list[Artist] = [
        Patch(fc="#A6CBE3", ec=_STORED, lw=0.7, label="drained until the next, ± 95 %"),
        Line2D(
            [], [], ls="none", marker="D", ms=4, color=_LOWER, label="by conductivity alone"
        ),
    ]
    if is_open.any():
        entries.append(Patch(fc="white", ec=_STORED, hatch="....", label="event still open"))
    return entries


def _wettings(columns: Columns, events: pd.DataFrame) -> list[tuple[float, float]]:
    """Return when each event wetted the soil, wide enough to be seen."""
    if not len(events):
        return []
    rows = events[events["peak_s"] >= events["onset_s"]]
    start, stop = _place(columns, rows["onset_s"]), _place(columns, rows["peak_s"])
    least = 0.0025 * float(np.ptp(columns.edges[[0, -1]]))
    return list(zip(start.tolist(), np.maximum(stop, start + least).tolist(), strict=True))


def _place(columns: Columns, instants_s: pd.Series) -> Floats:
    """Return UTC seconds as positions along the time axis [d]."""
    days: Floats = (instants_s.to_numpy(np.float64) + columns.site.utc_offset_s) / DAY_S
    return days
