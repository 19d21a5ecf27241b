"""The account of a fit: as plain values for a program, as lines for a person."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from pipeline.calibrate.fit import FittedLaw, TooFew, outlier_reasons
from pipeline.calibrate.fit_match import Pair, Unmatched
from pipeline.calibrate.regression import Fit
from pipeline.calibrate.samples import Sample
from pipeline.console import headline, say, table
from pipeline.words import counted


def describe_law(fitted: FittedLaw) -> dict[str, Any]:
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


def _describe_fit(fit: Fit) -> dict[str, Any]:
    return {
        "coefficients": fit.coefficients.tolist(),
        "standard_errors": np.sqrt(np.diag(fit.covariance)).tolist(),
        "covariance": fit.covariance.tolist(),
        "residual_sd": fit.residual_sd,
        "left_out_rmse": fit.left_out_rmse,
    }


def _place(pair: Pair | Unmatched) -> dict[str, Any]:
    point = pair.point
    return {
        "lines": list(point.lines),
        "tube": point.tube,
        "depth_cm": round(point.depth_m * 100, 2),
    }


def _describe_pair(fitted: FittedLaw, index: int) -> dict[str, Any]:
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


def describe_too_few(few: TooFew) -> dict[str, Any]:
    """Return a law that could not be fitted, and why."""
    return {"law": few.target.law, "horizons": list(few.target.horizons), "reason": few.reason}


def describe_unmatched(one: Unmatched) -> dict[str, Any]:
    """Return a sample that could not be used, and why."""
    return {**_place(one), "reason": one.reason}


def describe_left_out(sample: Sample) -> dict[str, Any]:
    """Return a sample that a person left out, with the person's reason."""
    return {"line": sample.line, "tube": sample.tube, "reason": sample.left_out}


def show_fit(account: Mapping[str, Any]) -> None:
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
    for one in account["left_out"]:
        say(f"  left out by you: line {one['line']}: {one['reason']}")


def _coefficient_names(count: int) -> str:
    """Return how an entry names the coefficients, in the order in which they are shown."""
    return "offset, slope" if count == 2 else ", ".join(f"c{n}" for n in range(count))


def _rows(law: Mapping[str, Any]) -> Iterable[list[Any]]:
    name = f"{law['law']} {law['version']}"
    for title, key in (("least squares", "ordinary"), ("errors in both", "both")):
        fit = law[key]
        if fit is None:
            yield [name, title, law["samples"], law["both_missing"], "", "", ""]
            continue
        numbers = [
            " ".join(f"{value:.5g}" for value in fit[part])
            for part in ("coefficients", "standard_errors")
        ]
        errors = [f"{fit[part]:.4f}" for part in ("residual_sd", "left_out_rmse")]
        yield [name, title, law["samples"], *numbers, *errors]


def _show_law(law: Mapping[str, Any]) -> None:
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
    say(f"  picture {law['picture']}")


def _sample_text(one: Mapping[str, Any]) -> str:
    lines = ", ".join(str(line) for line in one["lines"])
    return f"line {lines} (tube {one['tube']}, {one['depth_cm']:g} cm)"


def entries_text(account: Mapping[str, Any]) -> str:
    """Return the entries for ``calibrations.toml``, one below the other."""
    return "\n".join(law["entry"] for law in account["laws"] if "entry" in law)
