"""Values of books of hand rounds against the unit that their layout states."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.errors import Problem
from pipeline.ingest.clock import to_utc
from pipeline.ingest.rounds_book import in_the_ground
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import USUAL, fitting_units, is_marker, is_usual
from pipeline.site.layout import RoundsForm
from pipeline.site.models import Site, Source
from pipeline.units import conversion
from pipeline.variables import VARIABLES

# A book of fewer readings may hold nothing but odd ones.
_LEAST_READINGS = 3


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
