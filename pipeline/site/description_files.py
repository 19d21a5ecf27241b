"""The files of a site description as bytes: read for safe keeping, compared, written back."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

SITE_FILES = (
    "site.toml",
    "tubes.csv",
    "wiring.csv",
    "soils.toml",
    "calibrations.toml",
    "visits.csv",
    "decisions.csv",
)
# What else may lie beside them and is read: soil samples are data, of which none is kept.
KNOWN_FILES = (*SITE_FILES, "samples.csv")
LAYOUTS = "layouts"


@dataclass(frozen=True)
class FileChange:
    """What differs in one file: lines that came and lines that went, in their own order."""

    file: str
    added: tuple[str, ...]
    removed: tuple[str, ...]


def read_description(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a site description, by name below its folder."""
    layouts = sorted((folder / LAYOUTS).glob("*.toml"))
    paths = [*(folder / name for name in SITE_FILES), *layouts]
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in paths
        if path.is_file()
    }


def write_description(files: Mapping[str, bytes], folder: Path) -> list[Path]:
    """Write files of a description below a folder; return their paths."""
    paths = []
    for name, data in sorted(files.items()):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        paths.append(path)
    return paths


def changed_files(old: Mapping[str, bytes], new: Mapping[str, bytes]) -> list[FileChange]:
    """Return what differs between two descriptions, file by file in order of name."""
    changes = []
    for name in sorted({*old, *new}):
        if old.get(name) != new.get(name):
            added, removed = _lines(old.get(name, b""), new.get(name, b""))
            changes.append(FileChange(name, added, removed))
    return changes


def _lines(old: bytes, new: bytes) -> tuple[tuple[str, ...], tuple[str, ...]]:
    before, after = (
        data.decode("utf-8-sig", errors="replace").splitlines() for data in (old, new)
    )
    added, removed = [], []
    matcher = difflib.SequenceMatcher(None, before, after, autojunk=False)
    for kind, i, j, k, m in matcher.get_opcodes():
        if kind != "equal":
            removed += before[i:j]
            added += after[k:m]
    return tuple(added), tuple(removed)
