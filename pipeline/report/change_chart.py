"""What changed between two states: water by sensor and day, stored water by tube and layer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import TwoSlopeNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.report.style import (
    GRID,
    INK,
    PALETTE,
    WIDTH_IN,
    drawing,
    new_figure,
    panel,
    plain,
    put_legend,
    put_title,
    save,
)
from pipeline.report.time_columns import time_label, time_ticks

# Green wetter, brown drier, white unchanged; told apart with red-green blindness too.
CHANGE_MAP = "BrBG"
_LEFT, _WIDTH = 1.25, 4.05  # inches
_TOP, _ROW, _GAP, _STORAGE, _BELOW = 0.80, 0.17, 0.62, 1.8, 0.76
_FEWEST_ROWS = 4
_MIDDAY = 0.5
_STYLES = ("-", (0, (4, 3)), (0, (1, 1.5)))


@dataclass(frozen=True)
class Change:
    """Daily changes to draw.

    ``days`` (day) days since 1970 in the site's time; ``water`` (sensor, day) [m3 m-3] and
    ``storage`` (line, day) [mm], NaN where either state has no value; ``utc_offset_s`` of the
    site's time.
    """

    days: NDArray[np.int64]
    sensors: list[str]
    water: Floats
    lines: list[str]
    storage: Floats
    utc_offset_s: int


def draw_change(change: Change, title: str, about: list[str], path: Path) -> Path:
    """Draw what changed between two states as PNG; the same change gives the same bytes.

    Parameters
    ----------
    change : Change
    title : str
    about : list of str
        At most two lines below the title: which states, and what is left out.
    path : Path
    """
    with drawing():
        return save(change_figure(change, title, about), path)


def change_figure(change: Change, title: str, about: list[str]) -> Figure:
    """Return the figure of `draw_change`; to be called within `style.drawing`."""
    height = _ROW * max(_FEWEST_ROWS, len(change.sensors))
    below = _TOP + height + _GAP
    figure = new_figure(below + _STORAGE + _BELOW)
    put_title(figure, plain(title), [plain(line) for line in about])
    axes = panel(figure, _LEFT, _TOP, _WIDTH, height)
    _draw_water(figure, axes, change)
    lines = panel(figure, _LEFT, below, _WIDTH, _STORAGE)
    entries = _draw_storage(lines, change)
    put_legend(figure, [*entries], below + _STORAGE + _BELOW)
    return figure


def _draw_water(figure: Figure, axes: Axes, change: Change) -> None:
    """Draw a row for each sensor, coloured by the change of its daily mean."""
    edges = np.append(change.days, change.days[-1:] + 1).astype(np.float64)
    _show_days(axes, edges)
    axes.set_yticks(np.arange(len(change.sensors)), [plain(s, 18) for s in change.sensors])
    axes.tick_params(axis="y", labelsize=8.0, length=0)
    if not len(change.sensors):
        _say_nothing(axes, "no daily water content changed")
        return
    reach = float(np.nanmax(np.abs(change.water), initial=0.0)) or 1e-6
    rows = np.arange(len(change.sensors) + 1) - 0.5
    norm = TwoSlopeNorm(0.0, -reach, reach)
    drawn = axes.pcolormesh(edges, rows, change.water, cmap=CHANGE_MAP, norm=norm)
    axes.set_ylim(len(change.sensors) - 0.5, -0.5)
    top = axes.get_position()
    bar = figure.add_axes((top.x1 + 0.08 / WIDTH_IN, top.y0, 0.12 / WIDTH_IN, top.height))
    scale = figure.colorbar(drawn, cax=bar)
    scale.set_label("change (m³ m⁻³)", size=9)
    bar.tick_params(labelsize=8.0)


def _draw_storage(axes: Axes, change: Change) -> list[Line2D]:
    """Draw a line for each tube and layer; return the legend's entries."""
    edges = np.append(change.days, change.days[-1:] + 1).astype(np.float64)
    _show_days(axes, edges)
    axes.set_xlabel(time_label(change.utc_offset_s))
    axes.set_ylabel("change of\nstored water (mm)")
    axes.axhline(0.0, color=INK, lw=0.8)
    axes.grid(axis="y", color=GRID, lw=0.6)
    if not len(change.lines):
        _say_nothing(axes, "no stored water changed")
    middle = change.days + _MIDDAY
    entries = []
    for number, (name, values) in enumerate(zip(change.lines, change.storage, strict=True)):
        colour, style = line_look(number)
        (line,) = axes.plot(middle, values, color=colour, lw=1.4, ls=style)
        line.set_label(plain(name, 36))
        entries.append(line)
    return entries


def line_look(number: int) -> tuple[str, Any]:
    """Return colour and dashes of a line; of eighteen no two look the same."""
    # Two layers of one tube often change alike: dashes let the line below be seen. With every
    # round of the colours the dashes move on.
    style = _STYLES[(number + number // len(PALETTE)) % len(_STYLES)]
    return PALETTE[number % len(PALETTE)], style


def _show_days(axes: Axes, edges: Floats) -> None:
    major, labels, minor = time_ticks(float(edges[0]), float(edges[-1]))
    axes.set_xlim(edges[0], edges[-1])
    axes.set_xticks(major, labels)
    axes.set_xticks(minor, minor=True)


def _say_nothing(axes: Axes, text: str) -> None:
    axes.text(0.5, 0.6, text, transform=axes.transAxes, ha="center")
    axes.set_yticks([])
