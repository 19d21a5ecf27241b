"""Tubes in the order of their mean relative difference: who stands for the site."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from pipeline.report.style import (
    CM_PER_M,
    FAINT,
    GRID,
    INK,
    PALETTE,
    WIDTH_IN,
    Look,
    drawing,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
)
from pipeline.site.models import Site
from pipeline.words import bounds_cm

NAMED = PALETTE[1]
_LEFT, _GAP, _RIGHT = 0.62, 0.62, 0.12  # inches
_TOP, _HEAD, _FOOT, _PANEL = 0.80, 0.26, 0.46, 1.45
_UPRIGHT_FOOT = 0.72  # below panels of which one has names written upwards
_NAME_SIZE = 9.0
_LETTER = 0.62  # mean width of a letter over its size
MOST_NAMES = 14  # of more tubes than this only those named get a name
PERCENT = 100.0
_DRAWN = ("mean_relative_difference", "relative_difference_spread", "lower", "upper")


def draw_stability(
    site: Site, stability: pd.DataFrame, path: Path, doubtful: Collection[str] = ()
) -> Path:
    """Draw rank-ordered mean relative differences, a panel for each layer and depth, as PNG.

    Bars are one standard deviation to each side, thick lines the 95 % interval of the mean as
    the length of the record allows it. The tube nearest to the site mean and the steadiest one
    are marked.

    Parameters
    ----------
    site : Site
    stability : DataFrame
        The table of this name: a row a quantity and tube, see docs/space.md.
    path : Path
    doubtful : collection of str
        Tubes that are not sound; their names are marked.

    Returns
    -------
    Path
        ``path``.

    References
    ----------
    The form of the picture: Vachaud et al. (1985), Soil Sci. Soc. Am. J. 49(4), 822-828.
    """
    with drawing():
        return save(stability_figure(site, stability, doubtful), path)


def stability_figure(
    site: Site, stability: pd.DataFrame, doubtful: Collection[str] = ()
) -> Figure:
    """Return the figure of `draw_stability`; to be called within `style.drawing`."""
    panels = _panels(site, stability)
    rows = max(1, -(-len(panels) // 2))
    width = (WIDTH_IN - _LEFT - _GAP - _RIGHT) / 2
    upright = any(_names_collide(rows_of, doubtful, width) for _, rows_of in panels)
    step = _HEAD + _PANEL + (_UPRIGHT_FOOT if upright else _FOOT)
    figure = new_figure(_TOP + rows * step)
    lines = [
        "relative difference from the site mean; tubes from dry to wet",
        _record(stability),
    ]
    put_title(figure, plain(site.title, 54), lines)
    limits = _limits(stability)
    for number, (title, rows_of) in enumerate(panels):
        row, column = divmod(number, 2)
        left = _LEFT + column * (width + _GAP)
        axes = panel(figure, left, _TOP + _HEAD + row * step, width, _PANEL)
        axes.set_title(title, loc="left", pad=4, weight="bold")
        axes.set_ylim(*limits)
        _draw_tubes(axes, rows_of, doubtful)
        if _names_collide(rows_of, doubtful, width):
            axes.tick_params(axis="x", labelrotation=90)
        if column == 0:
            axes.set_ylabel("difference (%)")
    if not panels:
        figure.text(0.1, 0.3, "no days that tubes have in common", gid="empty")
    entries = _entries(stability)
    if stability["tube"].isin(list(doubtful)).any():
        entries.append(Line2D([], [], ls="none", label="* not sound: see its health"))
    put_legend(figure, entries, _TOP + rows * step)
    return figure


def _panels(site: Site, stability: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return title and rows of each panel: layers as described, then depths downwards."""
    found = []
    for layer in site.derive.layers:
        title = f"stored in {bounds_cm(layer.top_m, layer.bottom_m)}"
        found.append((title, stability[stability["layer"] == layer.name]))
    for depth in sorted(stability.loc[stability["layer"] == "", "depth_m"].unique()):
        rows = stability[(stability["layer"] == "") & (stability["depth_m"] == depth)]
        found.append((f"water content at {depth * CM_PER_M:.4g} cm", rows))
    return [(title, rows) for title, rows in found if len(rows)]


def _record(stability: pd.DataFrame) -> str:
    """Return how long the record is, and how much that is worth."""
    if stability.empty:
        return ""
    days = int(stability["days"].max())
    usual = float(stability.loc[stability["days"] >= 0.5 * days, "independent_dates"].median())
    return f"{days} days, worth about {usual:.0f} independent dates"


def _limits(stability: pd.DataFrame) -> tuple[float, float]:
    """Return limits that hold all bars, in per cent, with zero inside."""
    mean = stability["mean_relative_difference"].to_numpy(np.float64)
    reach = np.nan_to_num(stability["relative_difference_spread"].to_numpy(np.float64))
    ends = PERCENT * np.concatenate([[0.0], mean - reach, mean + reach])
    air = max(0.12 * float(np.ptp(ends)), 2.0)
    return float(ends.min()) - air, float(ends.max()) + air


def _draw_tubes(axes: Axes, rows: pd.DataFrame, doubtful: Collection[str]) -> None:
    """Draw the tubes of one panel from the driest to the wettest."""
    ranked = rows.sort_values(["mean_relative_difference", "tube"], ignore_index=True)
    x = np.arange(len(ranked)) + 1.0
    mean, spread, low, high = (
        PERCENT * ranked[name].to_numpy(np.float64)
        for name in (
            "mean_relative_difference",
            "relative_difference_spread",
            "lower",
            "upper",
        )
    )
    axes.axhline(0.0, color=FAINT, lw=0.8, zorder=1)
    axes.grid(axis="y", color=GRID, lw=0.5)
    axes.set_axisbelow(True)
    axes.errorbar(x, mean, spread, fmt="none", ecolor=INK, elinewidth=0.8, capsize=2.5)
    axes.vlines(x, low, high, color=PALETTE[0], lw=4, alpha=0.45, zorder=2, gid="interval")
    direct, steady = (ranked[n].to_numpy(bool) for n in ("direct", "with_offset"))
    axes.plot(x, mean, "o", ms=4, color=INK, zorder=3, gid="tube")
    axes.plot(x[direct], mean[direct], "D", ms=8, mfc=NAMED, mec=INK, zorder=4, gid="direct")
    axes.plot(
        x[steady], mean[steady], "s", ms=11, mfc="none", mec=NAMED, mew=1.6, zorder=5,
        gid="steady",
    )  # fmt: skip
    axes.set_xticks(x, _names(ranked, doubtful), size=_NAME_SIZE)
    axes.set_xlim(0.4, len(ranked) + 0.6)
    axes.tick_params(axis="x", length=2)


def _names(ranked: pd.DataFrame, doubtful: Collection[str]) -> list[str]:
    """Return what is written below tubes: of too many only the names of those that count."""
    names = [plain(tube, 6) + "*" * (tube in doubtful) for tube in ranked["tube"]]
    if len(ranked) <= MOST_NAMES:
        return names
    shown = ranked["direct"].to_numpy(bool) | ranked["with_offset"].to_numpy(bool)
    return [name if show else "" for name, show in zip(names, shown, strict=True)]


def _names_collide(rows: pd.DataFrame, doubtful: Collection[str], width_in: float) -> bool:
    """Tell whether names side by side would run into each other in a panel."""
    longest = max(map(len, _names(rows, doubtful)), default=0) + 1
    return longest * _LETTER * _NAME_SIZE > width_in * 72.0 / (len(rows) + 0.2)


def _entries(stability: pd.DataFrame) -> list[Artist]:
    """Return the legend's entries."""
    if stability.empty:
        return []
    whisker: Look = {"color": INK, "lw": 0.8, "marker": "_", "ms": 6}
    diamond: Look = {"ls": "none", "marker": "D", "ms": 7, "mfc": NAMED, "mec": INK}
    found: list[Artist] = [
        Line2D([], [], label="nearest to the site mean", **diamond),
        Line2D([], [], label="one standard deviation", **whisker),
        Line2D(
            [], [], ls="none", marker="s", ms=9, mfc="none", mec=NAMED, mew=1.6,
            label="steadiest, with its offset",
        ),
    ]  # fmt: skip
    if stability["lower"].notna().any():
        found.append(Patch(color=PALETTE[0], alpha=0.45, lw=0, label="95 % interval of mean"))
    return found
