"""Signs that an unknown table is a book of hand rounds, told by its titles."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.ingest.sniff_draft import Draft
from pipeline.site.layout import RoundsForm

_TITLES = {
    "tube": re.compile(r"(access[ _]?)?tube(s|_id|[ _]?n[or]\.?)?", re.IGNORECASE),
    "reader": re.compile(r"reader|read[ _]by|observer|who", re.IGNORECASE),
    "direction": re.compile(r"direction|rotation|angle|(direction|angle)_deg", re.IGNORECASE),
    "depth_cm": re.compile(r"depth([ _]?\(?\[?cm\]?\)?)?", re.IGNORECASE),
    "value": re.compile(r"value|reading|water[ _]content|theta|vwc", re.IGNORECASE),
}
_MOST_DIRECTIONS = 16
_COMPASS = {"N": 0, "NE": 45, "E": 90, "SE": 135, "S": 180, "SW": 225, "W": 270, "NW": 315}
_DEPTH = re.compile(r"\d{1,3}([.,]\d)?\s*(cm)?", re.IGNORECASE)


def make_rounds(
    found: dict[int, dict[str, object]], titles: Sequence[str], draft: Draft
) -> bool:
    """Give the columns of a book of rounds their names and roles; tell if it is one.

    Parameters
    ----------
    found : dict of int to dict
        What is known of columns by their place; changed where the table is a book of rounds.
    titles : sequence of str
        The titles, if there are any.
    draft : Draft
        Its kind is set, and what is unsure added.
    """
    places: dict[str, int] = {}
    for k, title in enumerate(titles):
        for name, pattern in _TITLES.items():
            if pattern.fullmatch(title) and name not in places:
                places[name] = k
    depths = [k for k, title in enumerate(titles) if _DEPTH.fullmatch(title)]
    by_row = {"depth_cm", "value"} <= set(places)
    if "tube" not in places or not (by_row or depths):
        return False
    for name, k in places.items():
        column: dict[str, object] = {
            "name": name,
            "role": "value" if name == "value" else "key",
        }
        if titles[k] != name:
            column["titles"] = titles[k]
        found[k] = column
    for k in depths if not by_row else ():
        found[k] = {"name": titles[k]}
    draft.kind = "rounds"
    draft.doubts.append("the unit and the quantity of the rounds: no file states them")
    return True


def rounds_form(
    columns: Sequence[Mapping[str, Any]],
    titles: Sequence[str],
    cells: Callable[[int], Sequence[str]],
    draft: Draft,
) -> dict[str, object]:
    """Return how a book of rounds is written down; directions of other names get angles.

    Parameters
    ----------
    columns : sequence of mappings
        The columns as `make_rounds` left them.
    titles : sequence of str
        The titles of all columns of the file.
    cells : callable
        Gives the cells of a column by its place.
    draft : Draft
        What is unsure is added.
    """
    form: dict[str, object] = {"unit": "%", "quantity": "water_content"}
    told = [column for column in columns if column["name"] == "direction"]
    if not told:
        return form
    place = [title.strip() for title in titles].index(told[0].get("titles", "direction"))
    names = {cell.strip() for cell in cells(place)} - {"", *RoundsForm().directions}
    words = sorted(name for name in names if not name[0].isdigit())
    if not words or len(words) > _MOST_DIRECTIONS:
        return form
    if set(words) <= _COMPASS.keys():
        form["directions"] = {word: _COMPASS[word] for word in words}
        return form
    step = 360 / len(words)
    form["directions"] = {word: round(step * n, 1) for n, word in enumerate(words)}
    draft.doubts.append(
        f"the angles of the directions {', '.join(map(repr, words))}: put evenly around the "
        f"tube; state them in degrees"
    )
    return form
