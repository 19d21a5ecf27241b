"""Signs that an unknown table is a book of hand rounds, told by its titles."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from pipeline.ingest.sniff_draft import Draft

_TITLES = {
    "tube": re.compile(r"(access[ _]?)?tube(s|_id|[ _]?n[or]\.?)?", re.IGNORECASE),
    "reader": re.compile(r"reader|read[ _]by|observer|who", re.IGNORECASE),
    "direction": re.compile(r"direction|rotation|angle|(direction|angle)_deg", re.IGNORECASE),
    "depth_cm": re.compile(r"depth([ _]?\(?\[?cm\]?\)?)?", re.IGNORECASE),
    "value": re.compile(r"value|reading|water[ _]content|theta|vwc", re.IGNORECASE),
}
_DEPTH = re.compile(r"\d{1,3}([.,]\d)?\s*(cm)?", re.IGNORECASE)


def make_rounds(found: dict[int, dict[str, Any]], titles: Sequence[str], draft: Draft) -> bool:
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
        column: dict[str, Any] = {"name": name, "role": "value" if name == "value" else "key"}
        if titles[k] != name:
            column["titles"] = titles[k]
        found[k] = column
    for k in depths if not by_row else ():
        found[k] = {"name": titles[k]}
    draft.kind = "rounds"
    draft.doubts.append("the unit and the quantity of the rounds: no file states them")
    return True
