"""The files that a pattern means, and the folders that keep theirs to themselves."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath


def matching(folder: Path, pattern: str) -> tuple[list[Path], list[OSError]]:
    """Return what a pattern means below a folder, sorted, and why folders were not listed.

    As `Path.glob`, which is silent where a folder may not be listed, or ends there.
    """
    failed: list[OSError] = []
    found = _below(folder, PurePosixPath(pattern).parts, failed)
    return sorted(set(found)), failed


def _below(folder: Path, pattern: tuple[str, ...], failed: list[OSError]) -> Iterator[Path]:
    name, rest = pattern[0], pattern[1:]
    deep = name == "**"
    if deep and rest:
        yield from _below(folder, rest, failed)
    try:
        with os.scandir(folder) as listed:
            entries = [(e.name, e.is_dir(), e.is_symlink()) for e in listed]
    except OSError as error:
        failed.append(error)
        return
    for entry, is_folder, is_link in entries:
        if deep and is_folder and not is_link:
            yield from _below(folder / entry, pattern, failed)
        if not rest and (deep or fnmatch(entry, name)):
            yield folder / entry
        elif rest and is_folder and not deep and fnmatch(entry, name):
            yield from _below(folder / entry, rest, failed)
