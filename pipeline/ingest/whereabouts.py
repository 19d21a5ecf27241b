"""Where the bytes of a raw file lie now: moved, packed or unpacked since they were read.

Housekeeping packs ``export.csv`` to ``export.csv.gz`` or ``export.zip`` where it lies, people
unpack what came packed, and files move to another folder. A name only tells what is worth a
look; that it is the same file, what is inside tells.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cached_property
from pathlib import PurePosixPath

from pipeline.ingest.archives import PACKED_ENDINGS
from pipeline.ingest.discover import Found, discover, looked_at, still_begins
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.site.models import Site

_Gone = dict[tuple[str, str, str], list[FileEntry]]  # by source, folder and stem


def is_packed_name(name: str) -> bool:
    """Tell whether a file's name says that it is packed."""
    return name.lower().endswith(PACKED_ENDINGS)


def named_alike(one: str, other: str) -> bool:
    """Tell whether a file of one name may be one of the other name, packed or unpacked.

    ``a.csv``, ``a.csv.gz``, ``a.csv.zip`` and ``a.zip`` are alike; ``a.csv`` and ``a.txt`` are
    not.
    """
    bare, other_bare = _bare(one), _bare(other)
    return (
        bare == other_bare
        or (is_packed_name(other) and _stem(bare) == other_bare)
        or (is_packed_name(one) and bare == _stem(other_bare))
    )


def packing(then: str, now: str) -> str:
    """Return what became of a file by its names: "packed", "unpacked", "packed anew" or ""."""
    if PurePosixPath(then).name == PurePosixPath(now).name:
        return ""
    was, is_now = is_packed_name(then), is_packed_name(now)
    if was and is_now:
        return "packed anew"
    return "packed" if is_now else "unpacked" if was else ""


class Whereabouts:
    """Finds files of a site that are not where they were.

    Parameters
    ----------
    site : Site
    there : iterable of Found, optional
        The files of all sources as they lie; else looked for once they are needed.
    """

    def __init__(self, site: Site, there: Iterable[Found] | None = None) -> None:
        self.site = site
        self._listed: dict[str, list[str]] = {}
        self._given = None if there is None else list(there)

    @cached_property
    def _there(self) -> list[Found]:
        return discover(self.site)[0] if self._given is None else self._given

    def of(self, entry: FileEntry) -> Found | None:
        """Return the file that begins with the bytes that were read, or None.

        Packed or unpacked where the file lay, whether any source's pattern means it or not;
        else any file of any source.
        """
        if not entry.content_size:
            return None
        elsewhere = (file for file in self._there if _may_be(file, entry))
        for files in (self.beside(entry), elsewhere):
            for file in files:
                if file.path != entry.path and still_begins(file, entry):
                    return file
        return None

    def beside(self, entry: FileEntry) -> Iterator[Found]:
        """Yield files where a file lay that bear its name packed or unpacked."""
        folder, _, name = entry.path.rpartition("/")
        root = self.site.data.resolve()
        for other in self._names(folder):
            if other == name or not named_alike(other, name):
                continue
            path = f"{folder}/{other}".removeprefix("/")
            full = self.site.data / path
            status = looked_at(full, path, root)
            if isinstance(status, os.stat_result):
                yield Found(entry.source, path, full, status.st_size, status.st_mtime_ns)

    def _names(self, folder: str) -> list[str]:
        if folder not in self._listed:
            try:
                names = sorted(os.listdir(self.site.data / folder))
            except OSError:
                names = []
            self._listed[folder] = names
        return self._listed[folder]


def _may_be(file: Found, entry: FileEntry) -> bool:
    """Tell whether a file is worth comparing.

    It is as long, or was packed or unpacked, or has grown since under its old name.
    """
    if file.size == entry.size:
        return True
    name, then = PurePosixPath(file.path).name, PurePosixPath(entry.path).name
    if not named_alike(name, then):
        return False
    return is_packed_name(name) or is_packed_name(then) or file.size > entry.size


def under_known_names(found: Iterable[Found], ledger: Ledger) -> list[Found]:
    """Return files as found, those packed or unpacked where they lay under the name they had.

    Such a file is not new: it goes on under the name by which it was read, so that its
    readings are neither read twice nor entered twice, and a later correction of it wins over
    what it said before.
    """
    files = list(found)
    gone = _gone(files, ledger)
    if not gone:
        return files
    new = [file for file in files if ledger.current(file.source, file.path) is None]
    known: dict[Found, FileEntry] = {}
    taken: set[int] = set()
    for rule in (_is_unchanged, _is_it):
        for file in new:
            if file in known:
                continue
            alike = (entry for entry in _alike(file, gone) if entry.file not in taken)
            entry = next((entry for entry in alike if rule(file, entry)), None)
            if entry is not None:
                known[file] = entry
                taken.add(entry.file)
    return [replace(f, path=known[f].path) if f in known else f for f in files]


def _gone(files: Iterable[Found], ledger: Ledger) -> _Gone:
    """Return the accounts of files that were read and are not there by their names."""
    there = {(file.source, file.path) for file in files}
    gone: _Gone = {}
    for entry in ledger.entries.values():
        is_newest = ledger.current(entry.source, entry.path) is entry
        if entry.state == "read" and is_newest and (entry.source, entry.path) not in there:
            for key in _keys(entry.source, entry.path):
                gone.setdefault(key, []).append(entry)
    return gone


def _alike(file: Found, gone: _Gone) -> list[FileEntry]:
    """Return the accounts of files that are gone and may be this one by their names."""
    name = PurePosixPath(file.path).name
    found = {
        entry.file: entry
        for key in _keys(file.source, file.path)
        for entry in gone.get(key, ())
        if named_alike(name, PurePosixPath(entry.path).name)
    }
    return list(found.values())


def _is_unchanged(file: Found, entry: FileEntry) -> bool:
    return (file.size, file.modified_ns) == (entry.size, entry.modified_ns)


def _is_it(file: Found, entry: FileEntry) -> bool:
    """Tell whether a file is one that was read by another name.

    Of one taken for it in a night before, the account has the bytes packed under the name of
    a plain file, or the other way round: whatever is in it since is that file's.
    """
    is_packed = entry.sha256 != entry.content_sha256
    if is_packed != is_packed_name(entry.path) and is_packed == is_packed_name(file.path):
        return True
    return entry.content_size > 0 and still_begins(file, entry)


def _keys(source: str, path: str) -> set[tuple[str, str, str]]:
    """Return what files named alike have in common, one of them at least."""
    folder, _, name = path.rpartition("/")
    bare = _bare(name)
    return {(source, folder, bare), (source, folder, _stem(bare))}


def _bare(name: str) -> str:
    """Return a name without the ending of a packed file."""
    return _stem(name) if is_packed_name(name) else name


def _stem(name: str) -> str:
    return name.rpartition(".")[0] or name
