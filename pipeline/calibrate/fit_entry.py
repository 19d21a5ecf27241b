"""A fitted law as the entry for ``calibrations.toml``, and as the `Law` it will be read as."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import numpy as np

from pipeline.calibrate.fit import METHODS, FittedLaw
from pipeline.site.instruments import Warmth
from pipeline.site.models import Law, Site
from pipeline.words import counted

_DIGITS = 9  # of coefficients and covariances: more than any sample carries
_RANGE_DECIMALS = 3


@dataclass(frozen=True)
class Statement:
    """What a person states of a new law; what is left out comes from the samples.

    ``method`` is one of `pipeline.calibrate.fit.METHODS`. ``valid`` is the range of root
    permittivity, else that of the samples. ``effective`` None means since ever.
    """

    method: str = "ordinary"
    valid: tuple[float, float] | None = None
    effective: datetime | None = None
    made_by: str = "percolog"


def entry_law(fitted: FittedLaw, statement: Statement, site: Site) -> Law:
    """Return the law to be added.

    Its covariance is that of the coefficients, its standard error the scatter of the samples
    about the fit, which holds the errors of the samples themselves: the two together are the
    uncertainty of one more sample, an upper bound to that of the law.

    Raises
    ------
    ValueError
        If the fit by the stated method could not be made.
    """
    fit = fitted.fit(statement.method)
    low, high = statement.valid or _range(fitted)
    values = [_rounded(value) for value in fit.coefficients]
    order = list(range(len(values)))
    form, names = "polynomial_root_permittivity", [f"c{power}" for power in order]
    if len(values) == 2:
        form, names, order = "linear_root_permittivity", ["slope", "offset"], [1, 0]
    covariance = fit.covariance[np.ix_(order, order)]
    return Law(
        id=fitted.target.law,
        version=fitted.target.version,
        kind="soil",
        effective=statement.effective,
        form=form,
        coefficients={name: values[at] for name, at in zip(names, order, strict=True)},
        valid_from=low,
        valid_to=high,
        covariance=tuple(tuple(_rounded(cell) for cell in row) for row in covariance),
        standard_error=float(f"{fit.residual_sd:.3g}"),
        temperature=_temperature(fitted),
        origin=origin_text(fitted, statement, site),
    )


def _temperature(fitted: FittedLaw) -> Warmth | None:
    """Return what the law before asks for: the readings were freed by it."""
    before = fitted.target.in_force
    return None if before is None else before.temperature


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _range(fitted: FittedLaw) -> tuple[float, float]:
    """Return the samples' range, rounded outwards so that it holds every sample."""
    unit = 10**_RANGE_DECIMALS
    return math.floor(fitted.low * unit) / unit, math.ceil(fitted.high * unit) / unit


def origin_text(fitted: FittedLaw, statement: Statement, site: Site) -> str:
    """Return where a law comes from, in a person's words."""
    zone = timezone(timedelta(seconds=site.utc_offset_s))
    starts = [pair.point.when.start_s for pair in fitted.pairs]
    first, last = (
        datetime.fromtimestamp(second, UTC).astimezone(zone).date().isoformat()
        for second in (min(starts), max(starts))
    )
    days = first if first == last else f"{first} to {last}"
    tubes = len({pair.point.tube for pair in fitted.pairs})
    fit, warmth = fitted.fit(statement.method), _temperature(fitted)
    freed = "" if warmth is None else f" at {warmth.reference_degc:g} degC"
    return (
        f"{statement.made_by}: {METHODS[statement.method]}, water content on root "
        f"permittivity{freed}, {len(fitted.pairs)} samples of {days} beside "
        f"{counted(tubes, 'tube')}, horizon {', '.join(fitted.target.horizons)}; residual sd "
        f"{fit.residual_sd:.4f}, left-out RMSE {fit.left_out_rmse:.4f} m3 m-3; "
        f"{counted(len(fitted.outliers), 'odd sample')} kept."
    )


def entry_text(law: Law) -> str:
    """Return a law as a ``[[law]]`` table of TOML."""
    coefficients = ", ".join(f"{name} = {value!r}" for name, value in law.coefficients.items())
    rows = ", ".join(_list(row) for row in law.covariance or ())
    # In UTC: the site's own zone may be described otherwise later.
    stamp = law.effective and law.effective.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    lines = [
        "[[law]]",
        f"id = {_quoted(law.id)}",
        f"version = {law.version}",
        f"kind = {_quoted(law.kind)}",
        *([f"from = {stamp}"] if stamp else []),
        f"form = {_quoted(law.form)}",
        f"coefficients = {{ {coefficients} }}",
        f"valid = {_list((law.valid_from or 0.0, law.valid_to or 0.0))}",
        f"covariance = [{rows}]",
        f"standard_error = {law.standard_error!r}",
        *([f"temperature = {{ {_pairs(law.temperature)} }}"] if law.temperature else []),
        f"origin = {_quoted(law.origin)}",
    ]
    return "\n".join(lines) + "\n"


def _pairs(warmth: Warmth) -> str:
    stated = warmth.model_dump(exclude_defaults=True)
    return ", ".join(f"{name} = {value!r}" for name, value in stated.items())


def _list(numbers: Iterable[float]) -> str:
    return f"[{', '.join(repr(number) for number in numbers)}]"


def _quoted(text: str) -> str:
    """Return a basic string of TOML, which is one of JSON but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
