"""The picture of a fitted law: samples with their errors, fits, bands and residuals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from pipeline.arrays import Floats
from pipeline.calibrate.fit import FittedLaw
from pipeline.calibrate.fit_student import student_quantile
from pipeline.calibrate.forms import make_curve
from pipeline.report.style import (
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

_LEFT, _WIDTH = 0.78, WIDTH_IN - 0.78 - 0.15
_TOP, _HEIGHT, _GAP, _BELOW = 0.72, 3.35, 0.14, 1.35
_POINTS = 201
_SAMPLE, _LINE, _BOTH = INK, PALETTE[0], PALETTE[1]
_ODD = PALETTE[3]


def draw_fit(law: FittedLaw, path: Path) -> Path:
    """Draw a fitted law to a PNG file."""
    with drawing():
        return save(fit_figure(law), path)


def fit_figure(law: FittedLaw) -> Figure:
    """Return the picture: water content over root permittivity, and residuals below.

    The dark band holds the fitted line, the pale one a new sample, each with 95 %.
    """
    figure = new_figure(_TOP + _HEIGHT + _GAP + _BELOW + 1.3)
    _put_heading(figure, law)
    upper = panel(figure, _LEFT, _TOP, _WIDTH, _HEIGHT)
    lower = panel(figure, _LEFT, _TOP + _HEIGHT + _GAP, _WIDTH, _BELOW)
    x = _grid(law)
    for axes in (upper, lower):
        axes.grid(color=GRID, lw=0.5)
        axes.set_axisbelow(True)
        axes.set_xlim(x[0], x[-1])
    _draw_bands(upper, law, x)
    _draw_lines(upper, law, x)
    _draw_samples(upper, law, law.water)
    upper.tick_params(labelbottom=False)
    upper.set_ylabel("water content of samples (m³ m⁻³)")
    lower.axhline(0.0, color=_LINE, lw=1.4)
    _draw_samples(lower, law, law.ordinary.residuals)
    lower.set_ylabel("residual (m³ m⁻³)")
    lower.set_xlabel("root permittivity √ε of readings (1)")
    bound = 1.15 * _furthest(law)
    lower.set_ylim(-bound, bound)
    figure.align_ylabels([upper, lower])
    put_legend(figure, _entries(law), _TOP + _HEIGHT + _GAP + _BELOW + 0.5)
    return figure


def _put_heading(figure: Figure, law: FittedLaw) -> None:
    """Write which law it is, and the fit in figures."""
    title = plain(f"Law {law.target.law}, version {law.target.version}", 60)
    where = plain(f"horizon {', '.join(law.target.horizons)}; {len(law.pairs)} samples", 90)
    fit = law.ordinary
    error = f"residual sd {fit.residual_sd:.3f}, left-out RMSE {fit.left_out_rmse:.3f} m³ m⁻³"
    put_title(figure, title, [where, f"R² {fit.r_squared:.3f}, {error}"])


def _grid(law: FittedLaw) -> Floats:
    """Return inputs a little beyond the samples, to show where the law is not known."""
    reach = law.high - law.low
    finite = np.nan_to_num(law.root_error)
    low = min(law.low - 0.06 * reach, float(np.min(law.root - finite)))
    high = max(law.high + 0.06 * reach, float(np.max(law.root + finite)))
    return np.linspace(low, high, _POINTS)


def _draw_bands(axes: Axes, law: FittedLaw, x: Floats) -> None:
    fit = law.ordinary
    value, error = fit.predict(x)
    quantile = student_quantile(0.975, fit.degrees_of_freedom)
    new = np.hypot(error, fit.residual_sd)
    flat: Look = {"lw": 0, "color": _LINE}
    axes.fill_between(
        x, value - quantile * new, value + quantile * new, alpha=0.10, gid="new", **flat
    )
    axes.fill_between(
        x, value - quantile * error, value + quantile * error, alpha=0.28, gid="band", **flat
    )


def _draw_lines(axes: Axes, law: FittedLaw, x: Floats) -> None:
    """Draw the fits solid over the samples' range and dotted beyond it."""
    inside = (x >= law.low) & (x <= law.high)
    value = law.ordinary.predict(x)[0]
    axes.plot(x, value, color=_LINE, lw=1.0, ls=":")
    axes.plot(x[inside], value[inside], color=_LINE, lw=1.6, gid="ordinary")
    if law.both is not None:
        axes.plot(x, law.both.predict(x)[0], color=_BOTH, lw=1.3, ls=(0, (5, 2)), gid="both")
    before = _in_force(law, x)
    if before is not None:
        held = axes.get_ylim()
        axes.plot(x, before, color=FAINT, lw=1.2, ls="-.", gid="before")
        axes.set_ylim(held)  # an old law far off must not press the samples together


def _in_force(law: FittedLaw, x: Floats) -> Floats | None:
    """Return the law that holds now, where it can be drawn for all the horizons alike."""
    before = law.target.in_force
    if before is None:
        return None
    try:
        value = make_curve(before, law.pairs[0].horizon).value(x)
    except (KeyError, TypeError, ValueError):
        return None
    return value if np.isfinite(value).any() else None


def _draw_samples(axes: Axes, law: FittedLaw, height: Floats) -> None:
    bars: Look = {"ecolor": FAINT, "elinewidth": 0.8, "capsize": 0, "zorder": 3}
    known: Look = {"xerr": np.nan_to_num(law.root_error)}
    known["yerr"] = np.nan_to_num(law.water_error)
    axes.errorbar(law.root, height, ls="none", **known, **bars)
    face: Look = {"ms": 5.5, "mec": _SAMPLE, "mfc": "white", "mew": 1.1, "ls": "none"}
    axes.plot(law.root, height, "o", zorder=4, gid="samples", **face)
    for indices, look in ((law.outliers, _ring()), (law.far_out, _square())):
        if indices:
            at = list(indices)
            axes.plot(law.root[at], height[at], ls="none", zorder=5, **look)
            if height is law.water:  # in the residuals there is no room for names
                _name_samples(axes, law, height, at)


def _ring() -> Look:
    return {"marker": "o", "ms": 12, "mec": _ODD, "mfc": "none", "mew": 1.6, "gid": "odd"}


def _square() -> Look:
    return {"marker": "s", "ms": 11, "mec": FAINT, "mfc": "none", "mew": 1.0, "gid": "far"}


def _name_samples(axes: Axes, law: FittedLaw, height: Floats, at: list[int]) -> None:
    """Write the lines of the table beside samples that need a look."""
    middle = 0.5 * (law.low + law.high)
    for index in at:
        left = law.root[index] > middle
        lines = ", ".join(str(line) for line in law.pairs[index].point.lines)
        axes.annotate(
            f"line {lines}",
            (law.root[index], height[index]),
            xytext=(-9 if left else 9, 7),
            textcoords="offset points",
            ha="right" if left else "left",
            size=8.5,
            gid="name",
        )


def _furthest(law: FittedLaw) -> float:
    reach = np.abs(law.ordinary.residuals) + np.nan_to_num(law.water_error)
    return float(np.max(reach)) or 1e-3


def _equation(coefficients: Floats) -> str:
    """Return a fit as it is written by hand."""
    powers = ("", " √ε", " ε")
    terms = [f"{coefficients[0]:.4f}".replace("-", "−")]
    for power, value in enumerate(coefficients[1:], start=1):
        terms.append(f"{'−' if value < 0 else '+'} {abs(value):.4f}{powers[power]}")
    return f"θ = {' '.join(terms)}"


def _entries(law: FittedLaw) -> list[Artist]:
    """Return the legend: what each mark means, the equations in words of the fit."""
    face: Look = {"marker": "o", "ms": 5.5, "mec": _SAMPLE, "mfc": "white", "ls": "none"}
    label = f"least squares: {_equation(law.ordinary.coefficients)}"
    entries: list[Artist] = [Line2D([], [], color=_LINE, lw=1.6, label=label)]
    if law.both is not None:
        label = f"errors in both: {_equation(law.both.coefficients)}"
        entries.append(Line2D([], [], color=_BOTH, lw=1.3, ls=(0, (5, 2)), label=label))
    entries += [
        Patch(color=_LINE, alpha=0.38, lw=0, label="fit, 95 % confidence"),
        Patch(color=_LINE, alpha=0.10, lw=0, label="new sample, 95 %"),
        Line2D([], [], label="sample ± standard uncertainty", **face),
    ]
    if law.outliers:
        entries.append(Line2D([], [], ls="none", label="odd sample, kept", **_small(_ring())))
    if law.far_out:
        entries.append(Line2D([], [], ls="none", label="pulls the fit", **_small(_square())))
    before = law.target.in_force
    if before is not None and _in_force(law, _grid(law)) is not None:
        label = plain(f"law in force: {before.id}, version {before.version}", 42)
        entries.append(Line2D([], [], color=FAINT, lw=1.2, ls="-.", label=label))
    return entries


def _small(look: Look) -> Look:
    return {**look, "ms": 8, "gid": None}
