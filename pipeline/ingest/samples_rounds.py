"""Values of books of hand rounds against the unit that their layout states."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.errors import Problem
from pipeline.ingest.samples import Sample
from pipeline.ingest.samples_values import USUAL, fitting_units, is_marker, is_usual
from pipeline.site.layout import RoundsForm
from pipeline.site.models import Site, Source
from pipeline.variables import VARIABLES

# A book of fewer readings may hold nothing but odd ones.
_LEAST_READINGS = 3


def remarks_on_rounds(site: Site, source: Source, samples: list[Sample]) -> Iterator[Problem]:
    """Yield the books whose values would be out of this world in the unit of the layout.

    Such are fractions read as percent, and percent read as fractions.

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
        rounds = sample.parsed.rounds
        values = np.empty(0) if rounds is None else rounds.value[~is_marker(rounds.value)]
        typical = np.median(values, keepdims=True) if len(values) else values
        if len(values) >= _LEAST_READINGS and not is_usual(form.quantity, form.unit, typical):
            fitting = " or ".join(fitting_units(form.quantity, typical))
            odd.setdefault(fitting, []).append(sample)
    for fitting, books in odd.items():
        yield _told(books, form, f"layouts/{layout.id}.toml", fitting)


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
