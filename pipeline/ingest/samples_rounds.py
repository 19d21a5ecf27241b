"""Values of books of hand rounds against the unit that their layout states."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Problem
from pipeline.ingest.clock import to_utc
from pipeline.ingest.records import RoundReadings
from pipeline.ingest.rounds_book import in_the_ground
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import USUAL, fitting_units, is_marker, is_usual
from pipeline.site.layout import RoundsForm
from pipeline.site.models import Site, Source
from pipeline.units import conversion
from pipeline.variables import VARIABLES

# A book of fewer readings may hold nothing but odd ones.
_LEAST_READINGS = 3
_LEAST_DEPTHS = 20  # readings, from which on a depth that occurs once is no habit
_SHALLOWEST_M = 0.01  # a choice: no probe measures nearer to the surface
_LISTED = 8


def remarks_on_rounds(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield the books whose values would be out of this world in the unit of the layout.

    Such are fractions read as percent, and percent read as fractions; and single readings of
    more water than there is room, or of tubes that were not there.

    Parameters
    ----------
    site : Site
    source : Source
        Of kind rounds.
    samples : list of Sample
        Of its files; books that are wrong alike are told once.
    """
    layout = site.layouts[source.layout]
    form = layout.rounds or RoundsForm()
    odd: dict[str, list[Sample]] = {}
    for sample in samples:
        yield from _out_of_the_ground(site, source, sample)
        rounds = sample.parsed.rounds
        values = np.empty(0) if rounds is None else rounds.value[~is_marker(rounds.value)]
        typical = np.median(values, keepdims=True) if len(values) else values
        if len(values) >= _LEAST_READINGS and not is_usual(form.quantity, form.unit, typical):
            fitting = " or ".join(fitting_units(form.quantity, typical))
            odd.setdefault(fitting, []).append(sample)
        elif form.quantity == "water_content":
            yield from _overfull(sample, form)
    yield from _depths_in_metres(samples)
    yield from _lone_depths(site, samples)
    for fitting, books in odd.items():
        yield _told(books, form, f"layouts/{layout.id}.toml", fitting)


def _out_of_the_ground(site: Site, source: Source, book: Sample) -> Iterator[Problem]:
    """Name a book with readings of tubes that were not in the ground on that day."""
    rounds = book.parsed.rounds
    if rounds is None:
        return
    utc_s = to_utc(rounds.stamp_s, source.clock, site.interval_s).utc_s
    known = np.isin(rounds.tube, list(site.tube_by_id)) & (utc_s >= site.axis.origin_s)
    rows = np.flatnonzero(known & ~in_the_ground(site, rounds.tube, utc_s))
    if len(rows):
        first = int(rows[0])
        day = np.datetime64(int(rounds.stamp_s[first]), "s").astype("datetime64[D]")
        found = (
            f"{len(rows)} reading(s) of tubes that were not in the ground then, the first of "
            f"tube {str(rounds.tube[first])!r} on {day}"
        )
        advice = "They are set aside. Look at the date, and at tubes.csv."
        expected = "a day between 'installed' and 'removed'"
        yield Problem(book.path, book.line(int(rounds.line[first])), found, expected, advice)


def _depths_in_metres(books: list[Sample]) -> Iterator[Problem]:
    """Name readings nearer to the surface than any is made, as when metres were written."""
    for book in books:
        rounds = book.parsed.rounds
        rows = np.empty(0, int) if rounds is None else np.flatnonzero(_too_shallow(rounds))
        if rounds is None or not len(rows):
            continue
        first = int(rows[0])
        depth_m = float(rounds.depth_m[first])
        found = f"{len(rows)} reading(s) at less than 1 cm, the first at {depth_m * 100:g} cm"
        advice = f"If that was metres write {depth_m * 1e4:g}."
        place = book.line(int(rounds.line[first]))
        yield Problem(book.path, place, found, "depths in centimetres", advice)


def _too_shallow(rounds: RoundReadings) -> NDArray[np.bool_]:
    too_shallow: NDArray[np.bool_] = (rounds.depth_m > 0) & (rounds.depth_m < _SHALLOWEST_M)
    return too_shallow


def _lone_depths(site: Site, books: list[Sample]) -> Iterator[Problem]:
    """Name the first reading at a depth that occurs once in all books and has no sensor."""
    held = [(book, book.parsed.rounds) for book in books if book.parsed.rounds is not None]
    depths = np.concatenate([np.empty(0), *(rounds.depth_m for _, rounds in held)])
    usual, counts = np.unique(depths, return_counts=True)
    lone = usual[(counts == 1) & ~np.isin(usual, site.depths_m) & (usual >= _SHALLOWEST_M)]
    if len(depths) < _LEAST_DEPTHS or not len(lone):
        return
    for book, rounds in held:
        rows = np.flatnonzero(np.isin(rounds.depth_m, lone))
        if len(rows):
            first = int(rows[0])
            also = f", as {len(lone) - 1} more do" if len(lone) > 1 else ""
            found = (
                f"a reading at {rounds.depth_m[first] * 100:g} cm of tube "
                f"{str(rounds.tube[first])!r}, a depth that occurs once{also}"
            )
            known = ", ".join(f"{depth * 100:g}" for depth in usual[counts > 1][:_LISTED])
            advice = "Look at the line: was another depth meant?"
            place = book.line(int(rounds.line[first]))
            yield Problem(book.path, place, found, f"depths as others: {known} cm", advice)
            return


def _overfull(book: Sample, form: RoundsForm) -> Iterator[Problem]:
    """Name single readings beyond all water, as of a book sound else: a slip of the pen."""
    rounds = book.parsed.rounds
    if rounds is None:
        return
    water = conversion(form.unit, form.quantity)(rounds.value)
    over = np.flatnonzero((water > 1.0) & ~is_marker(rounds.value))
    if len(over):
        first = int(over[0])
        found = (
            f"{len(over)} reading(s) beyond all water, the first {rounds.value[first]:g} in "
            f"{form.unit!r} of tube {str(rounds.tube[first])!r}"
        )
        advice = "Look whether percent stands among fractions, or a decimal sign was left out."
        place = book.line(int(rounds.line[first]))
        yield Problem(book.path, place, found, "at most 1 m3 m-3", advice)


def _told(books: list[Sample], form: RoundsForm, file: str, fitting: str) -> Problem:
    """Return the remark on the first of some books of one unit."""
    book, rounds = books[0], books[0].parsed.rounds
    values = np.empty(0) if rounds is None else rounds.value
    lines = [] if rounds is None else rounds.line.tolist()
    also = f", and so in {len(books) - 1} more book(s)" if len(books) > 1 else ""
    found = (
        f"{form.quantity} in {form.unit!r} with values around {float(np.median(values)):.4g}, "
        f"the first {values[0]:g}{also}"
    )
    low, high = USUAL[form.quantity]
    advice = (
        f"Set unit = {fitting} in [rounds] of {file}; books of both kinds need a source and a "
        "layout each."
        if fitting
        else f"Look at quantity and unit of [rounds] in {file}."
    )
    expected = f"values that mean {low:g} to {high:g} {VARIABLES[form.quantity].units}"
    return Problem(book.path, book.line(lines[0]), found, expected, advice)
