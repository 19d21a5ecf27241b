"""One look for every picture, and the care that makes a picture safe and repeatable.

Text of a site description is untrusted: it is never read as mathematics or markup, control
characters are dropped, and characters the bundled font lacks are replaced rather than fetched
from whatever fonts a machine has. Matplotlib keeps its settings in one global table; a picture
is drawn with matplotlib's defaults and ours whatever a user's own settings are, under a lock,
and the table is put back afterwards.
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib import font_manager
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import get_font
from matplotlib.patches import Patch, Rectangle

from pipeline.deliver.atomic import replacing
from pipeline.report.time_columns import Columns, period_text
from pipeline.site.models import Site
from pipeline.words import told_set_in

Look = dict[str, Any]  # keyword arguments of an artist

WIDTH_IN = 6.3  # the text width of an A4 page; 10 points stay readable on a phone 390 px wide
DPI = 200  # about one pixel for each column of a decimated record
FONT = "DejaVu Sans"  # comes with matplotlib, so every machine draws the same letters

# Water content: perceptually uniform, lightness monotone, dry light and wet dark.
WATER_MAP = "viridis_r"
# Okabe & Ito (2008), Color Universal Design, jfly.uni-koeln.de/color; its yellow is left out
# because a thin yellow line cannot be seen on white, and its black is the colour of text.
PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
RAIN_COLOUR = "#3B6A94"
INK, FAINT, GRID = "#1A1A1A", "#8A8A8A", "#D9D9D9"
GAP_HATCH = "////"
CM_PER_M = 100.0
LEGEND_LINE_IN = 0.175
LONGEST_OF_TWO = 42  # characters of an entry that leaves room for another beside it

_STYLE: Any = {
    "font.family": [FONT],
    "font.size": 10.0,
    "axes.labelsize": 10.0,
    "axes.titlesize": 10.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.formatter.use_locale": False,
    "axes.formatter.use_mathtext": False,
    "hatch.linewidth": 0.5,
    "legend.fontsize": 9.0,
    "legend.frameon": False,
    "text.color": INK,
    "text.parse_math": False,
    "text.usetex": False,
    "timezone": "UTC",
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 10.0,
    "ytick.labelsize": 10.0,
}
_LOCK = threading.RLock()
_MISSING_GLYPH = "\N{REPLACEMENT CHARACTER}"


@contextmanager
def drawing() -> Iterator[None]:
    """Hold matplotlib's settings at ours while a picture is made and written."""
    with _LOCK, matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        yield


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of the common width, on the Agg canvas."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def panel(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Return new axes at a place given in inches from the figure's upper left corner."""
    total_width, total_height = figure.get_size_inches()
    bottom = total_height - top - height
    box = (
        left / total_width,
        bottom / total_height,
        width / total_width,
        height / total_height,
    )
    axes = figure.add_axes(box)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def put_title(figure: Figure, title: str, lines: list[str]) -> None:
    """Write a bold title and plain lines below it into the upper left corner."""
    height = figure.get_size_inches()[1]
    place: Look = {"ha": "left", "va": "top"}
    figure.text(
        0.1 / WIDTH_IN, 1 - 0.08 / height, title, size=12, weight="bold", gid="title", **place
    )
    for number, line in enumerate(lines):
        y = 1 - (0.32 + 0.185 * number) / height
        figure.text(0.1 / WIDTH_IN, y, line, size=9.5, gid="subtitle", **place)


def subtitle(site: Site, tube: str, columns: Columns, by_hand: bool = False) -> list[str]:
    """Return period, soil, and how the record of a tube was condensed, as two lines.

    ``by_hand``: all that is drawn are hand rounds.
    """
    described = site.tube_by_id[tube]
    soil = site.soils[described.soil].title or described.soil
    facts = [f"soil: {plain(soil, 48)}"]
    if described.set_in_m:
        facts.append(f"tube {told_set_in(described.set_in_m)}")
    when = f"{period_text(columns)}; means of hand rounds" if by_hand else when_text(columns)
    return [when, ", ".join(facts)]


def when_text(columns: Columns) -> str:
    """Return the period of a picture and, if it is condensed, over what means were taken."""
    drawn = f"; means over {columns}" if columns.width > 1 else ""
    return f"{period_text(columns)}{drawn}"


def hatch(axes: Axes, time: tuple[float, float], height: tuple[float, float]) -> None:
    """Hatch a rectangle under everything else: the sign of a value that is not there."""
    corner, size = (time[0], height[0]), (time[1] - time[0], height[1] - height[0])
    look: Look = {"hatch": GAP_HATCH, "fill": False, "lw": 0, "ec": FAINT}
    axes.add_patch(Rectangle(corner, *size, zorder=1, gid="gap", **look))


def gap_entries(of_water: bool, of_rain: bool) -> list[Artist]:
    """Return the legend's entry of what is hatched, if anything is."""
    labels = ["no value"] * of_water + ["rain incomplete"] * of_rain
    if not labels:
        return []
    label = " or ".join(labels)
    return [Patch(fill=False, ec=FAINT, lw=0, hatch=GAP_HATCH, label=label)]


def put_legend(figure: Figure, entries: list[Artist], below_in: float) -> None:
    """Write the legend below the axes and give the figure the height that it then needs.

    Parameters
    ----------
    figure : Figure
    entries : list of Artist
        Short texts go two to a line.
    below_in : float
        Where the axes and their labels end, from the upper edge.
    """
    longest = max((len(str(entry.get_label())) for entry in entries), default=0)
    across = 1 if longest > LONGEST_OF_TWO else 2
    rows = -(-len(entries) // across)
    height = below_in + rows * LEGEND_LINE_IN + 0.1
    _set_height(figure, height)
    if entries:
        figure.legend(
            handles=entries,
            loc="upper left",
            bbox_to_anchor=(0.06, 1 - below_in / height),
            ncols=across,
            handlelength=1.6,
            columnspacing=1.5,
            borderpad=0.0,
            borderaxespad=0.0,
            labelspacing=0.35,
        )


def _set_height(figure: Figure, height: float) -> None:
    """Change a figure's height; axes and texts stay where they are from its upper edge."""
    scale = figure.get_size_inches()[1] / height
    for axes in figure.axes:
        box = axes.get_position()
        bottom = 1 - (1 - box.y0) * scale
        axes.set_position((box.x0, bottom, box.width, box.height * scale))
    for text in figure.texts:
        text.set_y(1 - (1 - text.get_position()[1]) * scale)
    figure.set_size_inches(WIDTH_IN, height)


def save(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG, whole or not at all; the same figure gives the same bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path) as temporary:
        figure.savefig(temporary, format="png", metadata={"Software": None})
    return path


def plain(text: str, most: int = 80) -> str:
    """Return text of a site description as one line that can be drawn as it stands.

    Blanks are joined, control and invisible characters dropped, characters without a glyph in
    the bundled font replaced by U+FFFD, and what is longer than ``most`` is cut with a mark.
    """
    joined = " ".join(text.split())
    visible = [c for c in joined if not unicodedata.category(c).startswith("C")]
    shown = "".join(c if ord(c) in _glyphs() else _MISSING_GLYPH for c in visible)
    return shown if len(shown) <= most else shown[: most - 1].rstrip() + "…"


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    """Return the characters the bundled font can draw."""
    path = font_manager.findfont(FONT, fallback_to_default=False)
    return frozenset(get_font(path).get_charmap())
