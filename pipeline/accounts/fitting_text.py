"""The account of a fit: as plain values for a program, as lines for a person."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NotRequired, TypedDict

import numpy as np

from pipeline.calibrate.fit import FittedLaw, TooFew, outlier_reasons
from pipeline.calibrate.fit_match import Pair, Unmatched
from pipeline.calibrate.regression import Fit
from pipeline.calibrate.samples import Sample
from pipeline.console import headline, say, show_failures, table
from pipeline.outcomes import Failure
from pipeline.words import counted


class _Place(TypedDict):
    lines: list[int]  # of the table of samples
    tube: str
    depth_cm: float


class SampleRow(_Place):
    """A sample to look at, or one that could not be used, and why."""

    reason: str


class PairRow(_Place):
    """A sample and the readings beside it; water [m3 m-3]."""

    sensor_cm: float
    readings: int
    root_permittivity: float
    root_error: float
    water_content: float
    water_error: float
    residual: float
    left_out_residual: float


class _Fit(TypedDict):
    coefficients: list[float]
    standard_errors: list[float]
    covariance: list[list[float]]
    residual_sd: float
    left_out_rmse: float


class OrdinaryFit(_Fit):
    """A fit by least squares."""

    r_squared: float


class BothFit(_Fit):
    """A fit with errors in both."""

    reduced_chi_square: float


class LawRow(TypedDict):
    """A fitted law; without an entry also without what is told of one."""

    law: str
    version: int
    horizons: list[str]
    renamed: bool
    samples: int
    root_permittivity: list[float]  # least and most
    water_content: list[float]
    ordinary: OrdinaryFit
    both: BothFit | None
    both_missing: str  # why
    odd_samples: list[SampleRow]
    warnings: list[str]
    pairs: list[PairRow]
    valid: NotRequired[list[float | None]]
    entry: NotRequired[str]  # TOML
    readings_outside: NotRequired[float]  # share; NaN without readings
    picture: NotRequired[str]  # path; once it is drawn


class TooFewRow(TypedDict):
    """A law that could not be fitted, and why."""

    law: str
    horizons: list[str]
    reason: str


class LeftOutRow(TypedDict):
    """A sample that a person left out, with the person's reason."""

    line: int
    tube: str
    reason: str


class FitAccount(TypedDict):
    """What was found of a site's samples."""

    site: str
    samples: int
    laws: list[LawRow]
    too_few: list[TooFewRow]
    unmatched: list[SampleRow]
    left_out: list[LeftOutRow]
    appended: bool
    outcome: str  # "attention": a sample could not be used, or something speaks against a fit
    failures: NotRequired[list[Failure]]  # pictures that could not be drawn


def describe_law(fitted: FittedLaw) -> LawRow:
    """Return a fitted law as plain values."""
    reasons = outlier_reasons(fitted)
    target = fitted.target
    both = fitted.both
    return {
        "law": target.law,
        "version": target.version,
        "horizons": list(target.horizons),
        "renamed": target.renamed,
        "samples": len(fitted.pairs),
        "root_permittivity": [fitted.low, fitted.high],
        "water_content": [float(fitted.water.min()), float(fitted.water.max())],
        "ordinary": {**_describe_fit(fitted.ordinary), "r_squared": fitted.ordinary.r_squared},
        "both": None
        if both is None
        else {**_describe_fit(both), "reduced_chi_square": both.reduced_chi_square},
        "both_missing": fitted.both_missing,
        "odd_samples": [
            {**_place(fitted.pairs[index]), "reason": reasons[index]}
            for index in sorted(reasons)
        ],
        "warnings": list(fitted.warnings),
        "pairs": [_describe_pair(fitted, index) for index in range(len(fitted.pairs))],
    }


def _describe_fit(fit: Fit) -> _Fit:
    return {
        "coefficients": fit.coefficients.tolist(),
        "standard_errors": np.sqrt(np.diag(fit.covariance)).tolist(),
        "covariance": fit.covariance.tolist(),
        "residual_sd": fit.residual_sd,
        "left_out_rmse": fit.left_out_rmse,
    }


def _place(pair: Pair | Unmatched) -> _Place:
    point = pair.point
    return {
        "lines": list(point.lines),
        "tube": point.tube,
        "depth_cm": round(point.depth_m * 100, 2),
    }


def _describe_pair(fitted: FittedLaw, index: int) -> PairRow:
    pair = fitted.pairs[index]
    return {
        **_place(pair),
        "sensor_cm": round(pair.sensor_m * 100, 2),
        "readings": pair.readings,
        "root_permittivity": pair.root_permittivity,
        "root_error": float(fitted.root_error[index]),
        "water_content": pair.point.water_content,
        "water_error": pair.point.error,
        "residual": float(fitted.ordinary.residuals[index]),
        "left_out_residual": float(fitted.ordinary.left_out_residuals[index]),
    }


def describe_too_few(few: TooFew) -> TooFewRow:
    """Return a law that could not be fitted, and why."""
    return {"law": few.target.law, "horizons": list(few.target.horizons), "reason": few.reason}


def describe_unmatched(one: Unmatched) -> SampleRow:
    """Return a sample that could not be used, and why."""
    return {**_place(one), "reason": one.reason}


def describe_left_out(sample: Sample) -> LeftOutRow:
    """Return a sample that a person left out, with the person's reason."""
    return {"line": sample.line, "tube": sample.tube, "reason": sample.left_out}


def show_fit(account: FitAccount) -> None:
    """Print what `fit_site` found, for a person."""
    laws = account["laws"]
    told = f"{counted(len(laws), 'law')} fitted to {counted(account['samples'], 'sample')}"
    headline(account["outcome"], f"{account['site']}: {told}")
    rows = [row for law in laws for row in _rows(law)]
    if rows:
        names = _coefficient_names(len(laws[0]["ordinary"]["coefficients"]))
        head = ["law", "fit", "n", names, "standard errors", "sd", "left-out RMSE"]
        say(table(head, rows))
    for law in laws:
        _show_law(law)
    for few in account["too_few"]:
        say(f"  {few['law']}: not fitted: {few['reason']}")
    for one in account["unmatched"]:
        say(f"  not used: {_sample_text(one)}: {one['reason']}")
    for sample in account["left_out"]:
        say(f"  left out by you: line {sample['line']}: {sample['reason']}")
    show_failures(account.get("failures", ()))


def _coefficient_names(count: int) -> str:
    """Return how an entry names the coefficients, in the order in which they are shown."""
    return "offset, slope" if count == 2 else ", ".join(f"c{n}" for n in range(count))


def _rows(law: LawRow) -> Iterable[list[object]]:
    name = f"{law['law']} {law['version']}"
    for title, fit in (("least squares", law["ordinary"]), ("errors in both", law["both"])):
        if fit is None:
            yield [name, title, law["samples"], law["both_missing"], "", "", ""]
            continue
        numbers = [
            " ".join(f"{value:.5g}" for value in values)
            for values in (fit["coefficients"], fit["standard_errors"])
        ]
        errors = [f"{value:.4f}" for value in (fit["residual_sd"], fit["left_out_rmse"])]
        yield [name, title, law["samples"], *numbers, *errors]


def _show_law(law: LawRow) -> None:
    say(f"{law['law']} version {law['version']}, for {', '.join(law['horizons'])}:")
    low, high = law["root_permittivity"]
    dry, wet = law["water_content"]
    say(f"  samples from {low:.3f} to {high:.3f}, water content {dry:.3f} to {wet:.3f}")
    share = law.get("readings_outside", math.nan)
    if share == share:  # NaN differs from itself
        say(f"  {100 * share:.1f} % of its horizons' readings lie outside the law's range")
    for warning in law["warnings"]:
        say(f"  warning: {warning}")
    for one in law["odd_samples"]:
        say(f"  look at: {_sample_text(one)}: {one['reason']}")
    if law["renamed"]:
        say(f"  set calibration = {law['law']!r} for this horizon in soils.toml")
    if "picture" in law:
        say(f"  picture {law['picture']}")


def _sample_text(one: SampleRow) -> str:
    lines = ", ".join(str(line) for line in one["lines"])
    return f"line {lines} (tube {one['tube']}, {one['depth_cm']:g} cm)"


def entries_text(account: FitAccount) -> str:
    """Return the entries for ``calibrations.toml``, one below the other."""
    return "\n".join(law["entry"] for law in account["laws"] if "entry" in law)
