"""One wetting event: the front that passes a tube's sensors, in time and depth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.report.rain_panel import draw_rain
from pipeline.report.storage_lines import COVERAGE
from pipeline.report.style import (
    CM_PER_M,
    INK,
    WATER_MAP,
    drawing,
    gap_entries,
    hatch,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
    when_text,
)
from pipeline.report.time_columns import Columns, logged_every, make_columns, show_time
from pipeline.report.water_chart import band_edges, colour_range
from pipeline.site.models import Site

_LEFT, _WIDTH = 0.74, 4.45  # inches
_TOP, _LINE, _RAIN, _GAP, _WATER, _BELOW = 1.0, 0.185, 0.62, 0.16, 2.9, 0.76
LEAD_S, TRAIL_S, LONGEST_S = 12 * 3600, 36 * 3600, 10 * DAY_S  # shown around the fronts


def front_window(event: pd.Series, depths: pd.DataFrame) -> tuple[int, int]:
    """Return the instants between which an event is drawn, UTC seconds.

    From before its first onset until well after the last, ten days at most; a sensor may peak
    later than that.
    """
    onset = int(event["onset_s"])
    last = int(max(depths.loc[depths["wetted"], "onset_s"].max(), onset))
    return onset - LEAD_S, min(last + max(TRAIL_S, (last - onset) // 2), onset + LONGEST_S)


def draw_front(
    site: Site,
    event: pd.Series,
    depths: pd.DataFrame,
    water: xr.DataArray,
    rain: xr.DataArray | None,
    path: Path,
) -> Path:
    """Draw one event's water content by depth and time with its onsets, as PNG.

    Parameters
    ----------
    site : Site
    event : Series
        A row of the table of events.
    depths : DataFrame
        Its rows in the table by event and sensor.
    water : DataArray, (time, depth), [m3 m-3]
        Cleaned, over the window of `front_window`; ``depth`` is real [m].
    rain : DataArray, (time), [mm], or None
    path : Path
    """
    with drawing():
        return save(front_figure(site, event, depths, water, rain), path)


def front_figure(
    site: Site,
    event: pd.Series,
    depths: pd.DataFrame,
    water: xr.DataArray,
    rain: xr.DataArray | None,
) -> Figure:
    """Return the figure of `draw_front`; to be called within `style.drawing`."""
    columns = make_columns(site, water["time"].values, logged_every(site, str(event["tube"])))
    lines = [when_text(columns), _account(event), _tempo(depths)]
    if event["doubts"]:
        lines.append(f"doubts: {str(event['doubts']).replace(' ', ', ').replace('_', ' ')}")
    head = _TOP + _LINE * (len(lines) - 3)
    top = head + (_RAIN + _GAP if rain is not None else 0.0)
    figure = new_figure(top + _WATER + _BELOW)
    put_title(figure, f"{plain(str(event['event']))}: the passing front", lines)
    axes = panel(figure, _LEFT, top, _WIDTH, _WATER)
    missing = _draw_water(figure, axes, columns, water, top)
    entries = _draw_onsets(axes, columns, depths)
    show_time(axes, columns)
    axes.set_ylabel("depth (cm)")
    dry = False
    if rain is not None:
        above = panel(figure, _LEFT, head, _WIDTH, _RAIN)
        dry = draw_rain(above, rain, columns)
        show_time(above, columns, label=False)
    put_legend(figure, entries + gap_entries(missing, dry), top + _WATER + _BELOW)
    return figure


def _account(event: pd.Series) -> str:
    """Return gain, rain and depth of an event in words."""
    parts = ("gain_random_error_mm", "gain_systematic_error_mm", "gain_spacing_error_mm")
    error = float(np.sqrt(sum(float(event[part]) ** 2 for part in parts)))
    facts = []
    if np.isfinite(event["gain_mm"]):
        reach = f" ± {COVERAGE * error:.1f} mm (95 %)" if np.isfinite(error) else " mm"
        facts.append(f"gained {event['gain_mm']:.1f}{reach}")
    if np.isfinite(event["rain_mm"]):
        facts.append(f"rain {event['rain_mm']:.1f} mm")
    facts.append(f"wetted to {event['depth_reached_m'] * CM_PER_M:.4g} cm")
    return ", ".join(facts)


def _tempo(depths: pd.DataFrame) -> str:
    """Return how fast the front went, or why that is not told."""
    seen = depths[depths["wetted"]].sort_values("real_depth_m")
    speed = seen["velocity_m_d"].dropna()
    if speed.empty:
        return "front velocity: not told (one sensor wetted, or no order of depth)"
    low, high = speed.min() * CM_PER_M, speed.max() * CM_PER_M
    span = f"{low:.3g}" if len(speed) == 1 else f"{low:.3g} to {high:.3g}"
    return f"front velocity between sensors: {span} cm a day"


def _draw_water(
    figure: Figure, axes: Axes, columns: Columns, water: xr.DataArray, top: float
) -> bool:
    """Draw water content and its scale; return whether a value is missing."""
    values = columns.means(water["time"].values, water.values.astype(np.float64))
    edges = band_edges(water["depth"].values.astype(np.float64) * CM_PER_M)
    axes.set_ylim(edges[-1], 0.0)
    axes.set_yticks([0.0, *(water["depth"].values * CM_PER_M).round(1).tolist()])
    hatch(axes, tuple(columns.edges[[0, -1]]), (edges[0], edges[-1]))
    known = values[np.isfinite(values)]
    norm, extend = colour_range(known if known.size else np.zeros(1), np.empty(0))
    cells = np.ma.masked_invalid(values.T)
    axes.pcolormesh(
        columns.edges, edges, cells, cmap=WATER_MAP, norm=norm, zorder=2, gid="water"
    )
    box = panel(figure, _LEFT + _WIDTH + 0.12, top, 0.15, _WATER)
    bar = figure.colorbar(ScalarMappable(norm, WATER_MAP), cax=box, extend=extend)
    bar.set_label("water content (m³ m⁻³)")
    bar.outline.set_linewidth(0.6)
    return bool(np.isnan(values).any())


def _draw_onsets(axes: Axes, columns: Columns, depths: pd.DataFrame) -> list[Artist]:
    """Mark when the front reached each sensor, and its peaks; return the legend's entries."""
    seen = depths[depths["wetted"]].sort_values("real_depth_m")
    depth = seen["real_depth_m"].to_numpy(np.float64) * CM_PER_M
    onset = _place(columns, seen["onset_s"])
    peak = _place(columns, seen["peak_s"])
    error = COVERAGE * seen["onset_error_s"].to_numpy(np.float64) / DAY_S
    axes.plot(onset, depth, color="white", lw=3.0, zorder=4)
    axes.plot(onset, depth, color=INK, lw=1.3, zorder=5, gid="front")
    axes.errorbar(
        onset, depth, xerr=error, fmt="o", ms=6, mfc="white", mec=INK, ecolor=INK, zorder=6
    )
    axes.plot(peak, depth, "v", ms=5, mfc=INK, mec="white", mew=0.7, zorder=5, gid="peak")
    return [
        Line2D([], [], color=INK, lw=1.3, marker="o", mfc="white", label="onset, ± 95 %"),
        Line2D([], [], ls="none", marker="v", color=INK, label="peak at the sensor"),
    ]


def _place(columns: Columns, instants_s: pd.Series) -> Floats:
    """Return UTC seconds as positions along the time axis [d]."""
    days: Floats = (instants_s.to_numpy(np.float64) + columns.site.utc_offset_s) / DAY_S
    return days
