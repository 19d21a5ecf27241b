"""Which files lie before and after a file, for `sent_model`: by name, copies passed over.

A file with a row at an end that a clock begun anew may have stamped is read with its
neighbours' rows around it; a neighbour that has no other rows is looked through.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from sent_pages import Row


def stamps_of(tables: list[list[Row]], is_long: bool) -> list[int]:
    """Return the stamps of a file's rows in order; of a long one each once in a row."""
    rows = sorted((row for table in tables for row in table), key=lambda row: row.line)
    stamps = [row.stamp_s for row in rows]
    if is_long:
        stamps = [s for k, s in enumerate(stamps) if k == 0 or s != stamps[k - 1]]
    return stamps


def around_of(
    path: str, files: dict[str, tuple[bytes, list[int]]], is_lost: Callable[[int], bool]
) -> tuple[list[int], list[int]]:
    """Return the stamps before and after one of a source's files.

    ``files`` are contents and stamps by path, ``is_lost`` tells whether a stamp lies before
    the site began.
    """
    content, own = files[path]
    if not own or not (is_lost(own[0]) or is_lost(own[-1])):
        return [], []
    order = sorted((name for name in files if files[name][1]), key=_by_number)
    place = order.index(path)
    sides = []
    for names in (order[:place][::-1], order[place + 1 :]):
        met, chain = {content}, []
        for name in names:
            if files[name][0] in met:
                continue
            met.add(files[name][0])
            chain.append(files[name][1])
            if not all(map(is_lost, files[name][1])):
                break
        sides.append(chain)
    before, after = sides
    return [s for part in before[::-1] for s in part], [s for part in after for s in part]


def _by_number(path: str) -> tuple:
    """Return a key in which 10 sorts after 9."""
    parts = re.findall(r"\d+|\D+", path)
    return [(int(p), "") if p.isdigit() else (-1, p) for p in parts], path
