"""What must hold for what is in the ground: tubes, horizons, calibration laws."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from pipeline.errors import Problem
from pipeline.site.cross_wiring import unknown_name
from pipeline.site.draft import Draft, Placed
from pipeline.site.mistakes import Path as Place
from pipeline.site.mistakes import Spot, nearest, show
from pipeline.site.models import Horizon, Law, Soil
from pipeline.site.values import stated_instant
from pipeline.variables import SIGNALS

# Covariances are typed from a printout of a few digits; symmetry is held to that.
_SYMMETRY = 1e-6
_SHALLOW_M = 0.05  # a soil described no deeper, below which sensors lie, is in metres


def check_ground(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with tubes, soils and laws."""
    yield from _check_tubes(draft)
    yield from _check_sensor_depths(draft)
    for placed in draft.soils:
        yield from _check_soil(placed.value, placed.spot, draft)
    yield from _check_laws(draft)


def repeated(
    placed: Iterable[Placed[Any]], key: str, column: str, what: str
) -> Iterator[Problem]:
    """Yield a problem for every entry whose name an earlier one bears."""
    seen: dict[object, Spot] = {}
    for item in placed:
        name = getattr(item.value, key)
        first = seen.setdefault(name, item.spot)
        if first is not item.spot:
            found = f"{what} {name!r} twice, first on {first.place(())}"
            yield item.spot.problem(column, found, "each name once")


def _check_tubes(draft: Draft) -> Iterator[Problem]:
    advice = "Delete a row written twice; a tube set again is a new one with its own name."
    for problem in repeated(draft.tubes, "tube", "tube", "tube"):
        yield Problem(problem.file, problem.place, problem.found, problem.expected, advice)
    for placed in draft.tubes:
        tube, spot = placed.value, placed.spot
        if tube.removed is not None and tube.removed <= tube.installed:
            found = stated_instant(tube.removed, draft.offset_s)
            expected = (
                f"a time after 'installed' ({stated_instant(tube.installed, draft.offset_s)})"
            )
            yield spot.problem("removed", found, expected)
        if draft.soil_names is not None and tube.soil not in draft.soil_names:
            names = frozenset(draft.soil_names)
            yield unknown_name(spot, "soil", tube.soil, names, "soils.toml")


def _check_sensor_depths(draft: Draft) -> Iterator[Problem]:
    """Every sensor whose reading becomes water content lies in a horizon."""
    tubes = {placed.value.tube: placed.value for placed in draft.tubes}
    soils = {s.value.id: s.value for s in draft.soils if _runs_downwards(s.value)}
    strays = _stray_soils(draft)
    seen: set[tuple[str, float]] = set()
    told: set[str] = set()
    for placed in draft.wires:
        wire = placed.value
        tube = tubes.get(wire.tube)
        soil = soils.get(tube.soil) if tube else None
        if not tube or not soil or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        if (wire.tube, wire.depth_m) in seen:
            continue
        seen.add((wire.tube, wire.depth_m))
        real_m = round(wire.depth_m + tube.set_in_m, 4)
        if soil.horizon_at(real_m) is None and (near := nearest(soil.id, strays)):
            if near not in told:  # once, not for every sensor that lacks it
                told.add(near)
                found = f"soil {near!r}, which no tube is in, while soil {soil.id!r} has gaps"
                expected = "one name for all horizons of a soil"
                yield strays[near].problem((), found, expected, f"Did you mean {soil.id!r}?")
        elif soil.horizon_at(real_m) is None:
            found = f"a sensor at {real_m * 100:g} cm real depth in tube {wire.tube!r}"
            expected = f"a horizon of soil {soil.id!r} that holds it"
            advice = f"The horizons reach {_extent(soil)}; set-in {tube.set_in_m * 100:g} cm."
            deepest_m = soil.horizons[-1].bottom_m
            if deepest_m < _SHALLOW_M < wire.depth_m:
                metres = f"{deepest_m * 10_000:g}"
                advice += f" If soils.toml is in metres write bottom_cm = {metres}, and so on."
            yield placed.spot.problem("depth_cm", found, expected, advice)


def _stray_soils(draft: Draft) -> dict[str, Spot]:
    """Return the soils no tube is in: a misspelt head of a horizon begins one of its own."""
    used = {placed.value.soil for placed in draft.tubes}
    return {s.value.id: s.spot for s in draft.soils if s.value.id not in used}


def _runs_downwards(soil: Soil) -> bool:
    """Tell whether depths can be looked up; what is upside down is told where it stands."""
    return all(horizon.top_m < horizon.bottom_m for horizon in soil.horizons)


def _extent(soil: Soil) -> str:
    top, bottom = soil.horizons[0].top_m, soil.horizons[-1].bottom_m
    return f"from {top * 100:g} to {bottom * 100:g} cm"


def _check_soil(soil: Soil, spot: Spot, draft: Draft) -> Iterator[Problem]:
    laws = {placed.value.id: placed.value.kind for placed in draft.laws}
    for number, horizon in enumerate(soil.horizons):
        yield from _check_extent(horizon, ("horizon", number), spot)
        yield from _check_calibration(
            horizon, ("horizon", number), spot, draft.law_names, laws
        )
    for number in range(1, len(soil.horizons)):
        upper, lower = soil.horizons[number - 1 : number + 1]
        if lower.top_m != upper.bottom_m:
            found = f"the top of {lower.name!r} at {lower.top_m * 100:g} cm"
            expected = f"{upper.bottom_m * 100:g} cm, the bottom of {upper.name!r} above it"
            kind = "overlap" if lower.top_m < upper.bottom_m else "leave a gap"
            advice = f"The horizons {kind}; list them from the surface down."
            yield spot.problem(("horizon", number, "top_cm"), found, expected, advice)


def _check_extent(horizon: Horizon, place: Place, spot: Spot) -> Iterator[Problem]:
    if horizon.bottom_m <= horizon.top_m:
        found = f"{horizon.bottom_m * 100:g}"
        expected = f"a depth below the top ({horizon.top_m * 100:g} cm)"
        yield spot.problem((*place, "bottom_cm"), found, expected, "Depths count downwards.")
    sand, clay = horizon.sand_pct or 0.0, horizon.clay_pct or 0.0
    if sand + clay > 100:
        found = f"{sand:g} % sand and {clay:g} % clay"
        yield spot.problem((*place, "clay_pct"), found, "at most 100 % together")


def _check_calibration(
    horizon: Horizon,
    place: Place,
    spot: Spot,
    names: set[str] | None,
    kinds: Mapping[str, str],
) -> Iterator[Problem]:
    key = (*place, "calibration")
    name = horizon.calibration
    if names is not None and name not in names:
        yield unknown_name(spot, key, name, frozenset(names), "calibrations.toml")
    elif kinds.get(name) == "probe":
        expected = "a law of kind 'soil'"
        yield spot.problem(key, f"{name!r}, a law of kind 'probe'", expected)


def _check_laws(draft: Draft) -> Iterator[Problem]:
    versions: dict[str, list[Placed[Law]]] = defaultdict(list)
    for placed in draft.laws:
        versions[placed.value.id].append(placed)
        yield from _check_law(placed.value, placed.spot)
    for name, laws in versions.items():
        unread = {version for law, version in draft.unread_laws if law == name}
        yield from _check_versions(laws, unread)
    yield from _check_probes(draft.laws)


def _check_law(law: Law, spot: Spot) -> Iterator[Problem]:
    if law.kind == "probe" and not law.probes:
        yield spot.problem("probes", "nothing", "the probes the law holds for")
    if law.kind == "soil" and law.probes:
        advice = "Horizons name a soil law; a law for probes is of kind 'probe'."
        yield spot.problem("probes", show(list(law.probes)), "no probes", advice)
    low, high = law.valid_from, law.valid_to
    if low is not None and high is not None and low >= high:
        yield spot.problem("valid", f"[{low:g}, {high:g}]", "the lower limit first")
    for path, value in _not_finite(law.coefficients, ("coefficients",)):
        yield spot.problem(path, show(value), "finite numbers")
    if law.covariance is not None:
        yield from _check_covariance(law.covariance, spot)


def _not_finite(value: object, path: Place) -> Iterator[tuple[Place, object]]:
    """Yield the coefficients, at any depth, that are numbers but not finite."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _not_finite(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _not_finite(item, (*path, index))
    elif isinstance(value, float) and not math.isfinite(value):
        yield path, value


def _check_covariance(rows: tuple[tuple[float, ...], ...], spot: Spot) -> Iterator[Problem]:
    size = len(rows)
    if not size or any(len(row) != size for row in rows):
        found = f"rows of {', '.join(str(len(row)) for row in rows) or 'nothing'}"
        yield spot.problem("covariance", found, "a square matrix")
        return
    matrix = np.array(rows, dtype=np.float64)
    scale = float(np.abs(matrix).max())
    if np.abs(matrix - matrix.T).max() > _SYMMETRY * scale:
        yield spot.problem("covariance", "a matrix that is not symmetric", "a symmetric one")
    elif np.linalg.eigvalsh(matrix).min() < -_SYMMETRY * scale:
        advice = "Look at the signs and at the digits given."
        expected = "variances no combination of coefficients makes negative"
        yield spot.problem(
            "covariance", "a matrix with a negative eigenvalue", expected, advice
        )


def _check_versions(laws: list[Placed[Law]], unread: set[int]) -> Iterator[Problem]:
    """Versions of one law count 1, 2, 3 ..., in any order of writing, and are of one kind.

    ``unread`` are versions that stand there, but could not be read: told already.
    """
    seen: set[int] = set()
    for placed in laws:
        law, spot = placed.value, placed.spot
        if law.version in seen:
            found = f"version {law.version} of {law.id!r} twice"
            advice = "A law is not edited but added to: give the later one the next number."
            yield spot.problem("version", found, "each version once", advice)
        seen.add(law.version)
        if law.kind != laws[0].value.kind:
            expected = f"{laws[0].value.kind!r}, as the other version of {law.id!r}"
            yield spot.problem("kind", repr(law.kind), expected)
    missing = min(set(range(1, len(seen) + 1)) - seen, default=None)
    if missing is not None and missing not in unread:
        last = max(laws, key=lambda placed: placed.value.version)
        found = f"version {last.value.version} of {last.value.id!r} without {missing}"
        advice = "Old versions stay in the file; results made with them refer to them."
        yield last.spot.problem("version", found, "versions counted 1, 2, 3 ...", advice)


def _check_probes(laws: list[Placed[Law]]) -> Iterator[Problem]:
    """A probe has one law, in as many versions as it was calibrated."""
    owners: dict[str, str] = {}
    for placed in laws:
        law = placed.value
        if law.kind != "probe":
            continue
        for probe in law.probes:
            owner = owners.setdefault(probe, law.id)
            if owner != law.id:
                found = f"probe {probe!r}, which law {owner!r} names too"
                advice = f"Make the newer calibration the next version of {owner!r}."
                yield placed.spot.problem("probes", found, "one law for a probe", advice)
