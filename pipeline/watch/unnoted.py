"""The night that a site's book could not take: kept with the user's state until one can.

The book lies in the site's output. Where that takes no files the night before would stand
in it as the last one; so what ended since is kept elsewhere, for ``percolog status`` to find.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.outcomes import state_folder
from pipeline.watch.book import FILE, Book

_KEYS = ("ended", "outcome", "message", "why")


def memory(folder: Path, ending: str = ".json") -> Path:
    """Return the file of the state folder in which something is kept of a description."""
    name = hashlib.sha256(os.fsencode(folder.resolve())).hexdigest()[:16]
    return state_folder() / "watched" / f"{name}{ending}"


def keep_unnoted(folder: Path, night: dict[str, str]) -> None:
    """Keep how a night ended, and why the book could not take it; of use on a bad day only.

    Parameters
    ----------
    folder : Path
        The site's description.
    night : dict
        ``ended``: instant, ISO 8601; ``outcome``, ``message``, ``why``.
    """
    try:
        with replacing(_path(folder), 0o600) as temporary:
            temporary.write_text(json.dumps(night), encoding="utf-8")
    except OSError:  # no disk takes anything, which status finds by itself
        return


def drop_unnoted(folder: Path) -> None:
    """Forget a night that the book could not take, now that it takes one."""
    try:
        _path(folder).unlink(missing_ok=True)
    except OSError:  # older than the book's night, by which it is passed over
        return


def with_unnoted(folder: Path, book: Book) -> str:
    """Make a night later than the book's its last, in memory; return what to tell of it."""
    try:
        found: dict[str, Any] = json.loads(_path(folder).read_text(encoding="utf-8"))
        ended, outcome, message, why = (str(found[key]) for key in _KEYS)
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    noted = str(book.night.get("ended") or book.night.get("began") or "")
    if ended <= noted:
        return ""
    book.night = {"ended": ended, "outcome": outcome, "message": message}
    return f"the night that ended {ended} could not be noted in {FILE}: {why}"


def _path(folder: Path) -> Path:
    return memory(folder, ".night.json")
