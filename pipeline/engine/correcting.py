"""From references and the readings beside them to the drift corrections of a site.

Runs between intake and the steps. References come from the description, from ``samples.csv``
and from hand rounds; the readings around them from the state being prepared. What comes out
are two tables of the store: ``drift_checks``, what was made of each check, and
``corrections``, which the steps apply and by which the night knows what to compute again.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypedDict

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.calibrate.compare import (
    Seen,
    bench_check,
    make_checks,
    wire_at,
)
from pipeline.calibrate.course import DOMAINS
from pipeline.calibrate.drift import (
    Check,
    Cleaning,
    NewLaw,
    Rule,
    Verdict,
    follow,
    rating,
    stretches,
)
from pipeline.calibrate.references import (
    Reference,
    hand_references,
    sample_references,
    visit_references,
)
from pipeline.calibrate.samples import FILE, average_repeats, read_samples
from pipeline.calibrate.two_points import Followed, follow_two
from pipeline.engine.cleanings import told_by_cleanings
from pipeline.engine.new_laws import new_laws, other_sensors
from pipeline.engine.windows import Around, Window, read_windows
from pipeline.errors import Problem, SiteError
from pipeline.site.instruments import Correction
from pipeline.site.models import Site
from pipeline.store.state import Snapshot, Writer

Sensor = tuple[str, float]
CHECKS, CORRECTIONS = "drift_checks", "corrections"
_CHECK_FIELDS = (
    ("tube", pa.string()),
    ("depth_m", pa.float64()),
    ("time_s", pa.int64()),
    ("kind", pa.string()),
    ("domain", pa.string()),
    ("error", pa.float64()),
    ("error_uncertainty", pa.float64()),
    ("limit", pa.float64()),
    ("water_per_signal", pa.float64()),
    ("correction", pa.float64()),
    ("verdict", pa.string()),
    ("rating", pa.string()),
)
# A row of `_CHECK_FIELDS`.
_N = float | None
CheckRow = tuple[str, float, int, str, str, _N, _N, _N, _N, _N, str, str]
_NOTHING = None, None, None, None, None  # of a check that tells no number
_CORRECTION_FIELDS = (
    ("tube", pa.string()),
    ("depth_m", pa.float64()),
    ("domain", pa.string()),
    ("form", pa.string()),
    ("start_s", pa.int64()),
    ("until_s", pa.int64()),
    ("first", pa.float64()),
    ("last", pa.float64()),
    ("first_error", pa.float64()),
    ("last_error", pa.float64()),
    ("growth", pa.float64()),
    ("low", pa.float64()),
    ("high", pa.float64()),
    ("high_first", pa.float64()),
    ("high_last", pa.float64()),
    ("high_first_error", pa.float64()),
    ("high_last_error", pa.float64()),
    ("high_growth", pa.float64()),
)


def corrected_site(
    writer: Writer, site: Site, changed: NDArray[np.bool_], rained: NDArray[np.bool_]
) -> tuple[Site, list[Problem]]:
    """Return the site with its drift corrections, and what is wrong with its samples.

    Parameters
    ----------
    writer : Writer
        The state being prepared, readings and rounds in it; takes the tables.
    site : Site
    changed : array (tubes, days), bool
        Days whose readings differ from the state before.
    rained : array (days,), bool
        Days whose readings at stations do.
    """
    if not site.drift.correct:
        _put(writer, CHECKS, _table([], _CHECK_FIELDS))
        _put(writer, CORRECTIONS, _table([], _CORRECTION_FIELDS))
        return site.model_copy(update={"corrections": ()}), []
    references, problems = _references(writer, site)
    corrections, verdicts = find_corrections(
        references, lambda windows: read_windows(writer, windows, changed, rained, site), site
    )
    _put(writer, CHECKS, _table(verdicts, _CHECK_FIELDS))
    rows = [tuple(getattr(one, name) for name, _ in _CORRECTION_FIELDS) for one in corrections]
    _put(writer, CORRECTIONS, _table(rows, _CORRECTION_FIELDS))
    return site.model_copy(update={"corrections": tuple(corrections)}), problems


def find_corrections(
    references: list[Reference],
    show: Callable[[list[Window]], Mapping[Window, Seen]],
    site: Site,
) -> tuple[list[Correction], list[CheckRow]]:
    """Return the drift corrections that references allow, and what was made of each check.

    Parameters
    ----------
    references : list of Reference
        In order; cleanings and bench checks are taken from ``site``.
    show : callable
        Tells what sensors showed in some windows of time.
    site : Site
    """
    # One sensor's readings alone: those of the probe before a swap are another's.
    around = Around(site)
    beside = [around.of_reference(reference) for reference in references]
    about = around.of_cleanings()
    shown = show([*beside, *(window for these in about.values() for window in these.all())])
    pairs = [(one, shown[window]) for one, window in zip(references, beside, strict=True)]
    checks, unused = _checks(pairs, site)
    washed, untold = told_by_cleanings(about, shown, references, site)
    lost = [_unused(site, one.sensor, one.time_s, "cleaning", one.is_read) for one in untold]
    laws = new_laws([pair for pair in pairs if pair[1].count], {*checks, *washed}, site)
    corrections, rows = _follow_all(checks, washed, laws, site)
    return corrections, sorted([*rows, *unused, *lost], key=lambda row: row[:3])


class DriftRow(TypedDict):
    """What the last check of a sensor left to correct."""

    tube: str
    depth_cm: float
    checked: str  # instant, ISO 8601, UTC
    kind: str
    water_content: float  # added at the last check [m3 m-3]
    rating: str


def drift_rows(snapshot: Snapshot) -> list[DriftRow]:
    """Return the sensors whose last check left a correction, JSON-ready."""
    table = snapshot.table(CHECKS)
    rows = [] if table is None else table.to_pylist()
    last = {(r["tube"], r["depth_m"]): r for r in rows if r["correction"] is not None}
    return [
        {
            "tube": tube,
            "depth_cm": round(depth_m * 100, 2),
            "checked": str(np.datetime64(row["time_s"], "s")) + "Z",
            "kind": row["kind"],
            "water_content": row["correction"] * row["water_per_signal"],
            "rating": row["rating"],
        }
        for (tube, depth_m), row in sorted(last.items())
        if row["correction"] != 0.0
    ]


def applied_corrections(snapshot: Snapshot) -> tuple[Correction, ...]:
    """Return the drift corrections that a state was computed with."""
    table = snapshot.table(CORRECTIONS)
    return tuple(Correction(**row) for row in (table.to_pylist() if table else ()))


def _references(writer: Writer, site: Site) -> tuple[list[Reference], list[Problem]]:
    """Return all references in a fixed order, and what is wrong with the samples' table."""
    found, problems = list(visit_references(site)), []
    path = site.folder / FILE
    if path.is_file():
        try:
            found += sample_references(average_repeats(read_samples(path, site)), site)
        except SiteError as error:  # one bad table stops no night
            problems = list(error.problems)
    rounds = writer.table("rounds")
    if rounds is not None and site.drift.readers:
        found += hand_references(rounds.to_pandas(), site)
    return sorted(found), problems


def _checks(
    pairs: Sequence[tuple[Reference, Seen]], site: Site
) -> tuple[dict[Sensor, list[tuple[str, Check]]], list[CheckRow]]:
    """Return the checks of each sensor with their domains, and rows of what tells nothing."""
    found: dict[Sensor, list[tuple[str, Check]]] = defaultdict(list)
    told = make_checks([pair for pair in pairs if pair[1].count], site)
    for reference, placed in told:
        found[reference.tube, reference.depth_m].append(placed)
    used = {id(reference) for reference, _ in told}
    unused = [
        _unused(site, (r.tube, r.depth_m), r.time_s, r.kind, reading.count > 0)
        for r, reading in pairs
        if id(r) not in used
    ]
    for visit in site.visits:
        if visit.action == "bench" and visit.tube and visit.depth_m is not None:
            sensor, placed_bench = (visit.tube, visit.depth_m), bench_check(visit, site)
            if placed_bench is not None:
                found[sensor].append(placed_bench)
            else:
                at_s = int(visit.time.timestamp())
                unused.append(_unused(site, sensor, at_s, visit.action, read=True))
    return found, unused


def _unused(site: Site, sensor: Sensor, at_s: int, kind: str, read: bool) -> CheckRow:
    """Return the row of a check that tells nothing, and why.

    No reading lay beside it, or the sensor's law does not reach what it says.
    """
    verdict = "outside the law" if read else "no reading"
    return (*sensor, at_s, kind, _domain_at(site, *sensor, at_s), *_NOTHING, verdict, "")


def _follow_all(
    checks: dict[Sensor, list[tuple[str, Check]]],
    cleanings: dict[Sensor, list[tuple[str, Cleaning]]],
    laws: Mapping[Sensor, Sequence[NewLaw]],
    site: Site,
) -> tuple[list[Correction], list[CheckRow]]:
    """Return the corrections and the verdicts of all sensors, by sensor and time."""
    rule = Rule(site.drift.coverage, site.drift.largest, site.drift.together_s)
    corrections: list[Correction] = []
    rows: list[CheckRow] = []
    for tube, depth_m in sorted({*checks, *cleanings}):
        for first, until in stretches(site.axis.origin_s, other_sensors(site, tube, depth_m)):
            domain = _domain_at(site, tube, depth_m, first)
            own = _within(checks.get((tube, depth_m), []), domain, first, until)
            washed = _within(cleanings.get((tube, depth_m), []), domain, first, until)
            place: dict[str, Any] = {"tube": tube, "depth_m": depth_m, "domain": domain}
            place["form"] = site.drift.form
            if site.drift.form == "two_point":
                ramps, verdicts = _two_points(follow_two(first, until, own, washed, rule))
            else:
                begun = [
                    law for law in laws.get((tube, depth_m), ()) if _is_in(law, first, until)
                ]
                single, verdicts = follow(first, until, own, washed, rule, begun)
                ramps = [vars(ramp) for ramp in single]
            corrections += [Correction(**place, **ramp) for ramp in ramps]
            rows += [_row(tube, depth_m, domain, verdict) for verdict in verdicts]
            for found, kind in ((checks, ""), (cleanings, "cleaning")):
                placed = found.get((tube, depth_m), [])
                rows += _of_another(placed, kind, (tube, depth_m, domain), first, until)
    return corrections, rows


def _of_another(
    placed: Sequence[tuple[str, Check | Cleaning]],
    kind: str,
    place: tuple[str, float, str],
    first: int,
    until: int | None,
) -> list[CheckRow]:
    """Return rows of what was found of a signal other than the one that counts then.

    Where two sources are wired to a sensor the preferred one may have had no reading beside a
    check. It tells nothing of that signal's drift, but is not to vanish.
    """
    tube, depth_m, domain = place
    kinds = {of_domain for of_domain, _ in placed} - {domain}
    return [
        (
            *(tube, depth_m, one.time_s, kind or one.kind, other),
            *_NOTHING,
            "another signal",
            "",
        )
        for other in sorted(kinds)
        for one in _within(list(placed), other, first, until)
    ]


def _two_points(found: Followed) -> tuple[list[dict[str, Any]], list[Verdict]]:
    """Return the fields of corrections by two standards, and the verdicts."""
    low, high = found.ends
    ramps = []
    for ramp in found.ramps:
        there = {f"high_{k}": v for k, v in vars(ramp.high).items() if not k.endswith("_s")}
        ramps.append({**vars(ramp.low), **there, "low": low, "high": high})
    return ramps, found.verdicts


def _within(placed: list[tuple[str, Any]], domain: str, first: int, until: int | None) -> list:
    return [
        one for of_domain, one in placed if of_domain == domain and _is_in(one, first, until)
    ]


def _is_in(one: Check | Cleaning | NewLaw, first: int, until: int | None) -> bool:
    return first <= one.time_s and (until is None or one.time_s < until)


def _domain_at(site: Site, tube: str, depth_m: float, at_s: int) -> str:
    wire = wire_at(site, tube, depth_m, at_s)
    return DOMAINS[wire.quantity] if wire else ""


def _row(tube: str, depth_m: float, domain: str, verdict: Verdict) -> CheckRow:
    """Return a row of `drift_checks`; the rating is of the time since the check before."""
    word = rating(verdict.correction * verdict.slope)
    if verdict.verdict == "too large":
        word = "beyond correction"
    # No value, not NaN, which is equal to nothing: the table would be written each night.
    limit = None if math.isnan(verdict.limit) else verdict.limit
    return (
        *(tube, depth_m, verdict.time_s, verdict.kind, domain),
        *(verdict.error, verdict.error_u, limit),
        *(verdict.slope, verdict.correction),
        *(verdict.verdict, word),
    )


def _table(
    rows: Sequence[tuple[object, ...]], fields: tuple[tuple[str, pa.DataType], ...]
) -> pa.Table:
    schema = pa.schema(fields)
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(fields)
    arrays = [pa.array(list(c), type=f.type) for c, f in zip(columns, schema, strict=True)]
    return pa.table(arrays, schema=schema)


def _put(writer: Writer, name: str, table: pa.Table) -> None:
    stored = writer.table(name)
    if stored is None and table.num_rows == 0:
        return
    if stored is None or not stored.equals(table):
        writer.put_table(name, table)
