"""What ``percolog fit`` does: samples against the readings of a site's store, to new laws."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np

from pipeline.accounts.fit_readings import reader
from pipeline.accounts.fitting_text import (
    FitAccount,
    LawRow,
    describe_law,
    describe_left_out,
    describe_too_few,
    describe_unmatched,
)
from pipeline.calibrate.fit import METHODS, FittedLaw, TooFew, fit_laws
from pipeline.calibrate.fit_entry import Statement, entry_law, entry_text
from pipeline.calibrate.fit_match import Pair, Rules, match
from pipeline.calibrate.laws import check_laws
from pipeline.calibrate.samples import FILE, average_repeats, read_samples
from pipeline.deliver.atomic import replacing
from pipeline.errors import PercologError, Problem, SiteError
from pipeline.nights.night import open_description, site_store
from pipeline.outcomes import Failure, outcome_of, tried
from pipeline.site.ground import LAWS
from pipeline.site.mistakes import BadValueError
from pipeline.site.models import Law, Site
from pipeline.site.values import parse_instant
from pipeline.store.cubes import CHUNK_DAYS
from pipeline.store.description import InForce, in_force
from pipeline.store.state import Snapshot

_ROOT = "water/root_permittivity"


@dataclass(frozen=True)
class Wish:
    """What a person asks of a fit.

    ``samples`` is the table, else ``samples.csv`` of the site; ``pictures`` the folder of the
    pictures, else ``fit`` below the site's output. ``valid`` is a range of root permittivity
    such as "2.1,5.4", else that of the samples; ``effective`` an instant as in the site's
    tables, else the law holds since ever.
    """

    samples: Path | None = None
    pictures: Path | None = None
    degree: int = 1
    more_root_error: float = 0.0
    rules: Rules = field(default_factory=Rules)
    method: str = "ordinary"
    valid: str = ""
    effective: str = ""
    append: bool = False


@dataclass(frozen=True)
class _Entries:
    laws: list[Law] = field(default_factory=list)
    account: list[LawRow] = field(default_factory=list)


def fit_site(folder: Path, wish: Wish) -> FitAccount:
    """Fit the laws that a site's samples allow, draw them, and return all that was found.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    wish : Wish

    Raises
    ------
    PercologError
        If method, range or date of the wish cannot be used.
    SiteError
        With every mistake of the description or the samples, or in a law to be appended.
    StoreError
        If the site has no store yet.
    """
    site = open_description(folder)
    snapshot = site_store(site).read()
    found_in_force = in_force(site, snapshot)
    _refuse_undone(wish, found_in_force)
    site = found_in_force.site
    statement = _statement(wish, site)
    samples = read_samples(wish.samples or site.folder / FILE, site)
    pairs, unmatched = match(
        average_repeats(samples), site, reader(snapshot, site), wish.rules
    )
    found = fit_laws(pairs, site, wish.degree, wish.more_root_error)
    entries, failures = _Entries(), list[Failure]()
    for fitted in found:
        if isinstance(fitted, FittedLaw):
            _add_entry(fitted, statement, site, snapshot, entries)
            failures += tried("draw", partial(_draw, fitted, site, wish, entries.account[-1]))
    if wish.append and entries.laws:
        append_laws(site, entries.laws)
    account: FitAccount = {
        "site": site.id,
        "samples": len(samples),
        "laws": entries.account,
        "too_few": [describe_too_few(few) for few in found if isinstance(few, TooFew)],
        "unmatched": [describe_unmatched(one) for one in unmatched],
        "left_out": [describe_left_out(sample) for sample in samples if sample.left_out],
        "appended": wish.append and bool(entries.laws),
        "outcome": "done",
    }
    odd = any(law["warnings"] or law["odd_samples"] for law in entries.account)
    if odd or account["too_few"] or account["unmatched"]:
        account["outcome"] = "attention"
    if failures:
        account |= {"outcome": outcome_of(failures), "failures": failures}
    return account


def _refuse_undone(wish: Wish, found: InForce) -> None:
    """Refuse to append to files that were taken back: an edit brings them into force again."""
    if wish.append and found.undone:
        names = ", ".join(change.file for change in found.undone)
        raise PercologError(
            f"append: found files that percolog undo took back ({names}); expected those in "
            f"force. Put back the files it wrote below the site's output, then append."
        )


def _add_entry(
    fitted: FittedLaw, statement: Statement, site: Site, snapshot: Snapshot, entries: _Entries
) -> None:
    """Make the law, its entry and its account."""
    account = describe_law(fitted)
    if statement.method == "both" and fitted.both is None:
        account["warnings"].append(f"no entry: {fitted.both_missing}")
    else:
        law = entry_law(fitted, statement, site)
        account |= {"valid": [law.valid_from, law.valid_to], "entry": entry_text(law)}
        account["warnings"] += [*_extrapolations(fitted, law), *_without_law(law, site)]
        account["readings_outside"] = readings_outside(fitted.pairs, law, site, snapshot)
        entries.laws.append(law)
    entries.account.append(account)


def _draw(fitted: FittedLaw, site: Site, wish: Wish, account: LawRow) -> None:
    from pipeline.report.fit_chart import draw_fit

    name = f"{fitted.target.law}-{fitted.target.version}.png"
    path = draw_fit(fitted, (wish.pictures or site.output / "fit") / name)
    account["picture"] = str(path)


def _statement(wish: Wish, site: Site) -> Statement:
    """Return what a person states of the laws, from the words of a command line."""
    if wish.method not in METHODS:
        raise PercologError(f"method: found {wish.method!r}; expected one of {list(METHODS)}")
    try:
        instant = parse_instant(wish.effective, site.utc_offset_s) if wish.effective else None
    except BadValueError as error:
        told = f"from: found {wish.effective!r}; expected {error.expected}. {error.advice}"
        raise PercologError(told.rstrip()) from None
    made_by = f"Fitted by percolog {version('percolog')}"
    return Statement(wish.method, _bounds(wish.valid), instant, made_by)


def _bounds(text: str) -> tuple[float, float] | None:
    if not text:
        return None
    try:
        low, high = (float(part) for part in text.split(","))
    except ValueError:
        low = high = math.nan
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise PercologError(f"valid: found {text!r}; expected two numbers such as 2.1,5.4")
    return low, high


def _without_law(law: Law, site: Site) -> Iterable[str]:
    """Yield that a first version with a date leaves earlier readings without any law."""
    if law.version == 1 and law.effective is not None and law.effective > site.start:
        yield (
            f"the first version begins on {site.date_of(law.effective)}: readings before then "
            "have no water content by it; leave out --from to have it hold since ever"
        )


def _extrapolations(fitted: FittedLaw, law: Law) -> Iterable[str]:
    """Yield where a stated range goes beyond the samples."""
    low, high = law.valid_from, law.valid_to
    if low is None or high is None:
        return
    margin = 0.005  # what rounding the samples' own range may add
    if low < fitted.low - margin or high > fitted.high + margin:
        yield (
            f"the stated range {low:g} to {high:g} goes beyond the samples, "
            f"{fitted.low:.3f} to {fitted.high:.3f}: nothing tells how the law is there"
        )


def readings_outside(pairs: Sequence[Pair], law: Law, site: Site, snapshot: Snapshot) -> float:
    """Return the share of the readings of a law's horizons that lie outside its range.

    They would have no water content by it; NaN where there are no readings.
    """
    wanted = {pair.horizon for pair in pairs}
    sensors: dict[str, list[int]] = {}
    for tube in site.tubes:
        if tube.tube in snapshot.labels["tube"]:
            soil = site.soils[tube.soil]
            sensors[tube.tube] = [
                index
                for index, nominal_m in enumerate(snapshot.labels["depth"])
                if soil.horizon_at(site.sensor_depth_m(tube.tube, nominal_m)) in wanted
            ]
    outside = total = 0
    low, high = law.valid_from or 0.0, law.valid_to or math.inf
    span = CHUNK_DAYS * site.axis.steps_per_day
    for start in range(0, snapshot.steps if snapshot.holds(_ROOT) else 0, span):
        stop = min(start + span, snapshot.steps)
        for name, depths in sensors.items():
            if depths:
                column = snapshot.labels["tube"].index(name)
                block = snapshot.read(_ROOT, start, stop, slice(column, column + 1))
                roots = block[:, 0, depths]
                total += int(np.isfinite(roots).sum())
                outside += int(((roots < low) | (roots > high)).sum())
    return outside / total if total else math.nan


def append_laws(site: Site, laws: Sequence[Law]) -> None:
    """Add laws below the others in ``calibrations.toml``; what is there stays as it is.

    Raises
    ------
    SiteError
        If a law could not be used, or the last version of it says the same already.
    """
    problems = [problem for law in laws for problem in _repeated(site, law)]
    whole = site.model_copy(update={"laws": (*site.laws, *laws)})
    problems += check_laws(whole)
    path = site.folder / LAWS
    before = path.read_bytes()
    end = "\r\n" if b"\r\n" in before else "\n"
    added = "".join(f"\n{entry_text(law)}" for law in laws).replace("\n", end)
    gap = "" if before.endswith(b"\n") or not before else end
    after = before + (gap + added).encode("utf-8")
    try:
        tomllib.loads(after.decode("utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        expected = "laws written as [[law]] tables, to which one can be added"
        problems.append(Problem(LAWS, "", f"a file that cannot grow ({error})", expected))
    if problems:
        raise SiteError(problems)
    with replacing(path, path.stat().st_mode & 0o777) as temporary:
        temporary.write_bytes(after)


def _repeated(site: Site, law: Law) -> Iterable[Problem]:
    versions = [one for one in site.laws if one.id == law.id]
    last = max(versions, key=lambda one: one.version, default=None)
    if last and (last.form, last.coefficients) == (law.form, law.coefficients):
        place = f"law {law.id!r} version {last.version}"
        yield Problem(
            LAWS, place, "the very coefficients that were to be added", "a new fit",
            "Nothing was added.",
        )  # fmt: skip
