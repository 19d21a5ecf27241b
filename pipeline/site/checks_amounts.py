"""Numbers that are right in form and hardly meant: places, depths and shares."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from math import asin, cos, radians, sin, sqrt
from statistics import median

from pipeline.errors import Problem
from pipeline.site.models import Site, Tube
from pipeline.units import conversion

_EARTH_KM = 6371.0
_ONE_SITE_KM = 20.0  # a choice: what is told is a number gone wrong, not a large estate
_LEAST_SET_IN_M = 0.002  # a choice: nobody sets a tube by less
_DRIEST = 0.004  # m3 m-3, a choice: air-dry sand holds more
_SHALLOWEST_M = 0.01  # a choice: no sensor of a profile probe measures nearer to the surface


def tubes_far_away(site: Site) -> Iterator[Problem]:
    """Name tubes far from the middle of the site's tubes, as when two numbers are swapped."""
    if len(site.tubes) < 2:
        return
    middle = (median(t.latitude for t in site.tubes), median(t.longitude for t in site.tubes))
    for tube in site.tubes:
        km = _distance_km((tube.latitude, tube.longitude), middle)
        if km > _ONE_SITE_KM:
            found = (
                f"tube {tube.tube!r} at {tube.latitude:g}, {tube.longitude:g}, {km:.0f} km "
                f"from the middle of the site's tubes"
            )
            expected = f"tubes of one site, within {_ONE_SITE_KM:.0f} km"
            yield _of_tube(tube, "latitude", found, expected, _swapped(tube, middle))


def _swapped(tube: Tube, middle: tuple[float, float]) -> str:
    """Return what to look at: the order of the two numbers, or each of them."""
    turned = (tube.longitude, tube.latitude)
    nearer = abs(turned[0]) <= 90 and _distance_km(turned, middle) <= _ONE_SITE_KM
    if nearer:
        return "Latitude and longitude are swapped."
    return "Look at both numbers, in every row: order, sign and decimal point."


def _distance_km(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Return the distance on a sphere of two places, each latitude and longitude [degree]."""
    (lat_a, lon_a), (lat_b, lon_b) = (map(radians, place) for place in (a, b))
    half = sin((lat_b - lat_a) / 2) ** 2
    half += cos(lat_a) * cos(lat_b) * sin((lon_b - lon_a) / 2) ** 2
    return 2 * _EARTH_KM * asin(min(1.0, sqrt(half)))


def tubes_named_alike(site: Site) -> Iterator[Problem]:
    """Name tubes that only the case of a letter tells apart: files and people mix them up."""
    seen: dict[str, str] = {}
    for tube in site.tubes:
        other = seen.setdefault(_folded(tube.tube), tube.tube)
        if other != tube.tube:
            found = f"{tube.tube!r} beside {other!r}"
            advice = "Some disks take their files for one and the same; rename one tube."
            yield _of_tube(tube, "tube", found, "names that differ in more", advice)


def groups_named_alike(site: Site) -> Iterator[Problem]:
    """Name groups that only the case of a letter tells apart: two groups, likely one meant."""
    seen: dict[str, str] = {}
    for tube in site.tubes:
        other = seen.setdefault(_folded(tube.group), tube.group)
        if other != tube.group:
            found = f"group {tube.group!r} beside {other!r}"
            advice = f"As it stands they are two; if one is meant write {other!r}."
            yield _of_tube(tube, "group", found, "names that differ in more", advice)


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _of_tube(tube: Tube, column: str, found: str, expected: str, advice: str) -> Problem:
    return Problem("tubes.csv", f"line {tube.row}, column {column}", found, expected, advice)


def depths_in_metres(site: Site) -> Iterator[Problem]:
    """Name sensors at fractions of a centimetre, as when metres were written."""
    for wire in site.wiring:
        if wire.depth_m is not None and 0 < wire.depth_m < _SHALLOWEST_M:
            found = f"{wire.depth_m * 100:g} cm"
            advice = f"If that was metres write {wire.depth_m * 1e4:g}."
            place = f"line {wire.row}, column depth_cm"
            yield Problem("wiring.csv", place, found, "a depth in centimetres", advice)


def tubes_set_by_metres(site: Site) -> Iterator[Problem]:
    """Name tubes set deeper or higher by hardly a millimetre, as when metres were written."""
    for tube in site.tubes:
        if 0 < abs(tube.set_in_m) < _LEAST_SET_IN_M:
            found = f"tube {tube.tube!r} set deeper by {tube.set_in_m * 100:g} cm"
            advice = f"If that was metres write {tube.set_in_m * 1e4:g}, else leave it out."
            yield _of_tube(tube, "set_in_cm", found, "an offset in centimetres", advice)


def references_too_dry(site: Site) -> Iterator[Problem]:
    """Name references drier than any soil, as when a fraction was noted in percent."""
    for visit in site.visits:
        if visit.action not in ("reference", "sample") or visit.value is None:
            continue
        water = visit.value * conversion(visit.unit, "water_content").factor
        if 0 <= water < _DRIEST:
            found = f"{visit.value:g} {visit.unit}"
            advice = (
                "Look at the unit: a fraction of the volume has 'm3 m-3', a percentage '%'."
            )
            place = f"line {visit.row}, column value"
            yield Problem("visits.csv", place, found, "a water content of a soil", advice)


def shares_as_fractions(site: Site) -> Iterator[Problem]:
    """Name horizons whose sand and clay are together no percent, as when written as 0.4."""
    for soil in site.soils.values():
        for number, horizon in enumerate(soil.horizons):
            sand, clay = horizon.sand_pct, horizon.clay_pct
            if sand is None or clay is None or not 0 < sand + clay <= 1:
                continue
            place = f"key soil.{soil.id}.horizon.{number}.sand_pct"
            found = f"sand {sand:g} % and clay {clay:g} %, the rest silt"
            advice = f"If these are fractions write {sand * 100:g} and {clay * 100:g}."
            yield Problem("soils.toml", place, found, "shares in percent", advice)
