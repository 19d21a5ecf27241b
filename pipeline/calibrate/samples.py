"""Soil samples taken beside tubes: ``samples.csv`` to volumetric water content.

A sample is a core of known volume, or dried soil with a bulk density found apart from it.
Samples of one place and time are repeats of one point. docs/fitting.md lists the columns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.axis import DAY_S
from pipeline.calibrate.gravimetry import (
    Measured,
    core_water_content,
    gravimetric_water_content,
    volumetric_water_content,
)
from pipeline.errors import Problem, SiteError
from pipeline.site.mistakes import (
    BadValueError,
    RowSpot,
    did_you_mean,
    in_reading_order,
    one_of,
    show,
)
from pipeline.site.models import Site
from pipeline.site.split_numbers import number_titles, split_numbers
from pipeline.site.tables import (
    CellContext,
    Row,
    TableColumn,
    is_enough,
    read_cells,
    read_table,
)
from pipeline.site.values import INSTANT_SCHEMA, Schema, parse_instant, parse_number

FILE = "samples.csv"
_DEEPEST_CM = 10_000.0
_DAY_LENGTH = len("2024-03-01")
_MOST_WATER = 0.95  # m3 m-3; the wettest peat


@dataclass(frozen=True)
class When:
    """An instant, or a day of which the hour was not noted; UTC seconds."""

    start_s: int
    length_s: int = 0


@dataclass(frozen=True)
class Sample:
    """One row of ``samples.csv``; ``error`` is NaN where the table does not tell it."""

    line: int
    when: When
    tube: str
    depth_m: float
    water_content: float
    error: float
    left_out: str = ""


@dataclass(frozen=True)
class SamplePoint:
    """The mean of the samples of one place and time.

    ``spread`` is the standard deviation of repeats, NaN for one alone. ``error`` is the
    standard uncertainty of the mean: what the weighings leave open, or what the repeats show,
    whichever is more. ``weighed`` is the former alone, NaN where it is not known.
    """

    lines: tuple[int, ...]
    when: When
    tube: str
    depth_m: float
    water_content: float
    error: float
    spread: float
    weighed: float = math.nan


def _text(text: str, context: CellContext) -> str:
    return text


def _number(text: str, context: CellContext) -> float:
    return parse_number(text, context.decimal_comma)


def _at_least_zero(text: str, context: CellContext) -> float:
    number = _number(text, context)
    if number < 0:
        raise BadValueError("a number of at least 0")
    return number


def _above_zero(text: str, context: CellContext) -> float:
    number = _number(text, context)
    if number <= 0:
        raise BadValueError("a number above 0")
    return number


def _depth(text: str, context: CellContext) -> float:
    number = _number(text, context)
    if not 0 <= number <= _DEEPEST_CM:
        raise BadValueError(
            f"a depth from 0 to {_DEEPEST_CM:.0f} cm", "Depths count downwards."
        )
    return round(number / 100, 4)


def _when(text: str, context: CellContext) -> When:
    start_s = int(parse_instant(text, context.offset_s).timestamp())
    return When(start_s, DAY_S if len(text) == _DAY_LENGTH else 0)


COLUMNS = (
    TableColumn("time", "when", _when, required=True),
    TableColumn("tube", "tube", _text, required=True),
    TableColumn("depth_cm", "depth", _depth),
    TableColumn("top_cm", "top", _depth),
    TableColumn("bottom_cm", "bottom", _depth),
    TableColumn("wet_g", "wet", _at_least_zero),
    TableColumn("dry_g", "dry", _at_least_zero),
    TableColumn("tare_g", "tare", _at_least_zero),
    TableColumn("mass_error_g", "mass_error", _at_least_zero),
    TableColumn("gravimetric", "ratio", _at_least_zero),
    TableColumn("gravimetric_error", "ratio_error", _at_least_zero),
    TableColumn("volume_cm3", "volume", _above_zero),
    TableColumn("volume_error_cm3", "volume_error", _at_least_zero),
    TableColumn("bulk_density", "density", _above_zero),
    TableColumn("bulk_density_error", "density_error", _at_least_zero),
    TableColumn("left_out", "left_out", _text),
    TableColumn("who", "who", _text),
    TableColumn("note", "note", _text),
)
# What each kind of cell accepts, as a Table Schema says it.
_AT_LEAST_ZERO: Schema = {"type": "number", "constraints": {"minimum": 0}}
CELL_SCHEMAS: dict[Callable[[str, CellContext], object], Schema] = {
    _text: {"type": "string"},
    _at_least_zero: _AT_LEAST_ZERO,
    _above_zero: {"type": "number", "constraints": {"exclusiveMinimum": 0}},
    _depth: {"type": "number", "constraints": {"minimum": 0, "maximum": _DEEPEST_CM}},
    _when: {"type": "string", "constraints": {"pattern": INSTANT_SCHEMA["pattern"]}},
}


def read_samples(path: Path, site: Site) -> list[Sample]:
    """Read the samples of a site.

    Parameters
    ----------
    path : Path
        A CSV table with the columns of `COLUMNS`.
    site : Site
        Names the tubes; times without an offset are in its standard time.

    Raises
    ------
    SiteError
        With every mistake of the table, each with its line.
    """
    problems: list[Problem] = []
    table = read_table(path, path.name, COLUMNS, problems)
    found: list[Sample] = []
    if table is not None:
        context = CellContext(site.utc_offset_s, table.decimal_comma)
        numbers = number_titles(COLUMNS, CELL_SCHEMAS)
        read = partial(_sample, file=table.name, site=site, context=context)
        for row in table.rows:
            spot, told = RowSpot(table.name, row.line), list[Problem]()
            sample = read(row, told)
            if not table.decimal_comma:
                told = split_numbers(row, spot, numbers, len(told), read) or told
            problems.extend(told)
            if sample is not None and not told:
                found.append(sample)
            if is_enough(spot, 0, problems):
                break
        if not found and not problems:
            problems.append(Problem(path.name, "", "no samples", "a row for each sample"))
    if problems:
        raise SiteError(in_reading_order(problems))
    return found


def _sample(
    row: Row, problems: list[Problem], *, file: str, site: Site, context: CellContext
) -> Sample | None:
    """Return the sample of a row, or None after saying what is wrong with it."""
    spot = RowSpot(file, row.line)
    values, bad = read_cells(row, spot, COLUMNS, context, problems)
    if bad:
        return None
    before = len(problems)
    if values["tube"] not in site.tube_by_id:
        advice = did_you_mean(values["tube"], site.tube_by_id)
        expected = one_of(site.tube_by_id)
        problems.append(spot.problem("tube", show(values["tube"]), expected, advice))
    depth_m = _middle(values, spot, problems)
    problems.extend(_impossible(values, spot))
    theta, error = math.nan, math.nan
    if len(problems) == before:
        theta, error = _water_content(values)
        if not theta <= _MOST_WATER:
            advice = "Look at the masses, the volume and the bulk density."
            told = f"a water content of {theta:.3f} m3 m-3"
            problems.append(spot.problem((), told, f"at most {_MOST_WATER}", advice))
    if len(problems) > before:
        return None
    left_out = values.get("left_out", "")
    return Sample(row.line, values["when"], values["tube"], depth_m, theta, error, left_out)


def _middle(values: Mapping[str, Any], spot: RowSpot, problems: list[Problem]) -> float:
    """Return the depth of a sample's middle."""
    top, bottom = values.get("top"), values.get("bottom")
    if top is None and bottom is None and "depth" in values:
        return float(values["depth"])
    if top is None or bottom is None or "depth" in values:
        expected = "either 'depth_cm', or both 'top_cm' and 'bottom_cm'"
        given = [name for name in ("depth", "top", "bottom") if name in values]
        told = " and ".join(f"{name}_cm" for name in given) or "no depth"
        problems.append(spot.problem((), told, expected))
        return math.nan
    if top >= bottom:
        told = f"{bottom * 100:g}"
        problems.append(spot.problem("bottom_cm", told, f"more than top_cm, {top * 100:g}"))
    return round((top + bottom) / 2, 4)


def _impossible(values: Mapping[str, Any], spot: RowSpot) -> Iterable[Problem]:
    """Yield what keeps a row's numbers from becoming a water content."""
    weighed = {"wet", "dry"} & set(values)
    if weighed and "ratio" in values:
        expected = "either the masses or the gravimetric water content"
        yield spot.problem("gravimetric", "both", expected, "Leave one of them out.")
    elif len(weighed) == 1:
        missing = "dry_g" if "wet" in weighed else "wet_g"
        yield spot.problem(missing, "nothing", "both 'wet_g' and 'dry_g'")
    elif not weighed and "ratio" not in values:
        expected = "'wet_g' and 'dry_g', or 'gravimetric'"
        yield spot.problem((), "no masses", expected)
    elif weighed and values["wet"] < values["dry"]:
        found, expected = f"{values['wet']:g}", f"at least the dry mass, {values['dry']:g}"
        yield spot.problem("wet_g", found, expected, "Were wet and dry exchanged?")
    elif weighed and values["dry"] <= values.get("tare", 0.0):
        found, expected = f"{values['dry']:g}", f"more than tare_g, {values.get('tare', 0):g}"
        yield spot.problem("dry_g", found, expected)
    if "density" not in values and ("volume" not in values or "ratio" in values):
        expected = "'volume_cm3' of a weighed core, or 'bulk_density'"
        yield spot.problem((), "neither volume nor bulk density", expected)


def _water_content(values: Mapping[str, Any]) -> tuple[float, float]:
    """Return a sample's water content and its uncertainty; a known volume comes first."""
    # Balances are a hundred times better than rings: an unstated error of weighing is none.
    mass_error = values.get("mass_error", 0.0)
    if "volume" in values and "wet" in values:
        masses = (values["wet"], values["dry"])
        volume_error = values.get("volume_error", math.nan)
        return _plain(core_water_content(*masses, values["volume"], mass_error, volume_error))
    if "wet" in values:
        tare = values.get("tare", 0.0)
        ratio = gravimetric_water_content(values["wet"], values["dry"], tare, mass_error)
    else:
        error = values.get("ratio_error", math.nan)
        ratio = np.asarray(values["ratio"]), np.asarray(error)
    density_error = values.get("density_error", math.nan)
    return _plain(volumetric_water_content(*ratio, values["density"], density_error))


def _plain(measured: Measured) -> tuple[float, float]:
    return float(measured[0]), float(measured[1])


def average_repeats(samples: Iterable[Sample]) -> list[SamplePoint]:
    """Return one point for each tube, depth and time, in that order.

    Samples a person has left out take no part.
    """

    def place(sample: Sample) -> tuple[str, float, int, int]:
        return sample.tube, sample.depth_m, sample.when.start_s, sample.when.length_s

    used = sorted((s for s in samples if not s.left_out), key=lambda s: (*place(s), s.line))
    return [_average(list(group)) for _, group in groupby(used, key=place)]


def _average(samples: list[Sample]) -> SamplePoint:
    values = np.array([sample.water_content for sample in samples])
    errors = np.array([sample.error for sample in samples])
    count = len(samples)
    spread = float(np.std(values, ddof=1)) if count > 1 else math.nan
    stated = float(np.sqrt(np.sum(errors**2))) / count
    shown = spread / math.sqrt(count)
    first = samples[0]
    return SamplePoint(
        tuple(sample.line for sample in samples),
        first.when,
        first.tube,
        first.depth_m,
        float(np.mean(values)),
        float(np.fmax(stated, shown)),  # fmax: one of them may not be known
        spread,
        stated,
    )
