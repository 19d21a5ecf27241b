"""Leftovers of a writer that was killed: found and removed by the next one, under the lock.

What a killed writer leaves in the store does no harm, because nothing refers to it, but it
takes room. Chunks and manifests that no state refers to go when old states are thinned; the
temporary files that the store's library was writing at that instant go here.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

# The library writes NAME#NUMBER and renames it to NAME.
_TEMPORARY = re.compile(r".+#[0-9]+")
_FOLDERS = ("chunks", "manifests", "snapshots", "transactions", "refs/branch.main")


def sweep(store: Path) -> list[Path]:
    """Remove the temporary files of writers that are gone; return them.

    Call it only while holding the store's lock: a living writer's files look the same.
    """
    removed = []
    for folder in _FOLDERS:
        try:
            with os.scandir(store / folder) as entries:
                names = [entry.name for entry in entries if _TEMPORARY.fullmatch(entry.name)]
        except FileNotFoundError:
            continue
        for name in names:
            path = store / folder / name
            path.unlink(missing_ok=True)
            removed.append(path)
    return removed
