"""Which files a site's nights have written, from which state: ``netcdf/delivered.json``."""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.deliver.content import file_digest
from pipeline.deliver.package import DESCRIPTOR, OWN
from pipeline.errors import PercologError, SetAside
from pipeline.locks import held
from pipeline.nights.kept_files import KeptFiles, keep
from pipeline.site.models import Site

DELIVERIES = "deliveries"  # below the output: what `pipeline.delivering.numbered` makes
# Names of entries beside those of periods.
ROUNDS, COMPARISON, SPACE = "rounds", "rounds comparison", "space"
_REMOVED, _SITE, _KEPT = "removed", "site", "kept"
_MANIFEST = "delivered.json"

Entry = dict[str, Any]


class Manifest:
    """What was written, and from what; files that nothing is left for go as it is noted.

    An entry holds ``state``, what its files depend on; ``files``, from the folder; ``commit``,
    the state of the store they name, if they name one; for a period also ``without``, of what
    kinds nothing was logged in it, so that it has no files of them. ``written`` are size,
    instant of change and SHA-256 of each file as it was written; ``begun`` that others are
    being written in their place, until they are noted.

    Parameters
    ----------
    site : Site
    states : collection of str, optional
        All states that the store ever had; left out, none is missed.

    Attributes
    ----------
    lost : bool
        Whether there was no list to go by: it is the first night, or see `adopt`.
    """

    def __init__(self, site: Site, states: Collection[str] | None = None) -> None:
        self.folder = site.output / "netcdf"
        self._output = Path(os.path.normpath(site.output))
        known = _read(self.folder)
        self.lost = known is None
        self._known = known or {}
        self._known.pop(_SITE, None)
        self._site = site.id
        # Removed, or to be when a run was stopped, and not yet told of.
        self._gone: list[str] = self._known.pop(_REMOVED, {}).get("gone", [])
        self._kept = KeptFiles(self._output, self._known.pop(_KEPT, {}))
        self._states = states

    def adopt(self, found: Mapping[str, Sequence[Path]]) -> None:
        """Enter files of periods found where the list was lost, to be written again or go."""
        for name, paths in found.items():
            self._known[name] = {"files": [path.name for path in paths], "adopted": True}

    def entry(self, name: str) -> Entry:
        """Return what is known under a name, empty where nothing is."""
        return self._known.get(name, {})

    def is_up_to_date(
        self, name: str, state: Sequence[str | int], first: int | None = None
    ) -> bool:
        """Tell whether files were written from this very state and are as they were written.

        Numbers of nights come again in a store that was taken back from a backup.

        Parameters
        ----------
        name : str
        state : sequence
            What the files depend on.
        first : int, optional
            How much of it the files are held to, from its beginning; left out, all.
        """
        entry = self.entry(name)
        known = entry.get("state", [])
        same = len(known) == len(state) and known[:first] == list(state)[:first]
        if not same or not self._is_known(entry):
            return False
        written = entry.get("written", {})
        return all(file in written and self._is_whole(entry, file) for file in entry["files"])

    def spoilt(self) -> Iterator[tuple[Path, str]]:
        """Yield files that are not as they were written, and what is found in their place."""
        for _, entry in sorted(self._known.items()):
            for file in entry.get("written", {}):
                path = self._path(file)
                if not path.exists():
                    yield path, "none"
                elif not self._is_whole(entry, file):
                    yield path, "other bytes"

    def put_by(self, name: str, paths: Iterable[Path] = ()) -> None:
        """Keep those files of a name aside that the store cannot tell again.

        To be called before they are written anew; see `pipeline.nights.kept_files`.

        Parameters
        ----------
        name : str
        paths : iterable of Path
            Files about to be written, whether known or not.
        """
        entry = self.entry(name)
        known = {self._path(file) for file in entry.get("files", [])}
        # A run that was stopped while it wrote them left other bytes: nobody changed them.
        written = {} if "begun" in entry else entry.get("written", {})
        due = []
        for path in sorted(known | set(paths)):
            file = Path(os.path.relpath(path, self.folder)).as_posix()
            changed = file in written and not self._is_whole(entry, file)
            strange = path.suffix == ".nc" and not (path in known and self._is_known(entry))
            if path.is_file() and (changed or (strange and self._states is not None)):
                commit = entry.get("commit", "")
                due.append((path, self._kept.await_one(path, commit, changed)))
        if due:
            self._write()  # first, so that what is kept is told also after a stop
        for path, kept in due:
            keep(path, kept)
        if written:  # not before all is kept: what is begun is not held to what was written
            self._known[name] = {**entry, "begun": True}
            self._write()

    def compare_kept(self) -> None:
        """Tell files kept aside from what was written in their place, once all is written."""
        if self._kept.noted():
            self._kept.compare()
            self._write()

    def tells(self) -> bool:
        """Tell whether `take_told` would return anything."""
        return bool(self._kept.noted().get("told"))

    def take_told(self) -> list[SetAside]:
        """Return what is to be told of files kept aside since this was last asked."""
        told = self._kept.take_told()
        if told:
            self._write()
        return told

    def _is_known(self, entry: Entry) -> bool:
        """Tell whether the store has had the state that an entry's files were made from."""
        if self._states is None or "adopted" in entry or not entry:
            return True
        return "commit" not in entry or entry["commit"] in self._states

    def _is_whole(self, entry: Entry, file: str) -> bool:
        """Tell whether a file is there as written; its bytes are read only if in doubt."""
        size, changed_ns, digest = entry["written"][file]
        try:
            found = self._path(file).stat()
            if found.st_size != size:
                return False
            return found.st_mtime_ns == changed_ns or file_digest(self._path(file)) == digest
        except OSError:
            return False

    def note(self, name: str, files: Sequence[Path], **entry: Any) -> None:
        """Enter the files just written under a name; remove those it had and has no more."""
        names = [Path(os.path.relpath(path, self.folder)).as_posix() for path in files]
        before = self.entry(name).get("files", [])
        written = {file: _as_written(self._path(file)) for file in names}
        self._known[name] = {**entry, "files": names, "written": written}
        self._remove(before)

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget periods of other names than these, and remove their files."""
        gone = set(self._known) - {ROUNDS, COMPARISON, SPACE, *names}
        for name in sorted(gone):
            self.put_by(name)
        left = [self._known.pop(name) for name in sorted(gone)]
        before = [file for entry in left for file in entry.get("files", [])]
        if gone:
            self._remove(before)

    def take_removed(self) -> list[Path]:
        """Return the files removed since this was last asked, also by nights that failed."""
        taken = self._gone
        if taken:
            self._remove([])  # a run that was stopped may have left some of them
            self._gone = []
            self._write()
        return [self._path(file) for file in taken]

    def _remove(self, files: Iterable[str]) -> None:
        """Write the list, then remove files below the output that no entry names.

        In this order, so that the next run removes and tells what one that ends here left.
        """
        named = {file for entry in self._known.values() for file in entry.get("files", [])}
        there = [file for file in files if self._path(file).exists()]
        self._gone = [
            file
            for file in dict.fromkeys([*self._gone, *there])
            if file not in named and self._path(file).is_relative_to(self._output)
        ]
        self._write()
        for file in self._gone:
            self._path(file).unlink(missing_ok=True)

    def _path(self, file: str) -> Path:
        return Path(os.path.normpath(self.folder / file))

    def _write(self) -> None:
        gone = {_REMOVED: {"gone": self._gone}} if self._gone else {}
        noted = self._kept.noted()
        kept = {_KEPT: noted} if noted else {}
        whose = {_SITE: {"id": self._site}}
        text = json.dumps(self._known | gone | kept | whose, indent=1, sort_keys=True) + "\n"
        with replacing(self.folder / _MANIFEST) as temporary:
            temporary.write_text(text, encoding="utf-8")


def _as_written(path: Path) -> list[int | str]:
    found = path.stat()
    return [found.st_size, found.st_mtime_ns, file_digest(path)]


def _read(folder: Path) -> dict[str, Entry] | None:
    try:
        text = (folder / _MANIFEST).read_text(encoding="utf-8")
        found: dict[str, Entry] = json.loads(text)
    except (FileNotFoundError, ValueError):  # lost or damaged: everything is written again
        return None
    entries = found.values() if isinstance(found, dict) else [None]
    return found if all(isinstance(entry, dict) for entry in entries) else None


@contextmanager
def sole_writer(site: Site) -> Iterator[None]:
    """Let one run at a time write a site's files and their list.

    Raises
    ------
    LockedError
    """
    told = f"{site.output}: another run is writing the files of this site"
    with held(site.output / ".writing.lock", told):
        yield


def require_own_output(site: Site) -> None:
    """Refuse an output folder in which another site's nights keep their files.

    Each would take the other's for its own that nothing is left for, and remove them. An
    output that cannot be read is no reason to store nothing: the delivery will tell.

    Raises
    ------
    PercologError
    """
    folder = site.output / "netcdf"
    try:
        owner = (_read(folder) or {}).get(_SITE, {}).get("id", site.id)
    except OSError:
        return
    if owner != site.id:
        raise PercologError(
            f"{folder / _MANIFEST}: expected the list of site {site.id!r}, found that of "
            f"{owner!r}; give each site an output folder of its own (key 'output' in [site]), "
            f"or, if this one has got another id, move the old folder away"
        )


def delivered_states(site: Site) -> set[str]:
    """Return the states of the store that delivered files and revisions were made from.

    Raises
    ------
    PercologError
        If a revision no longer tells its state: nothing may be thinned out on a guess.
    """
    known = _read(site.output / "netcdf") or {}
    named = {entry["commit"] for entry in known.values() if "commit" in entry}
    for path in sorted((site.output / DELIVERIES).glob(f"*/r[0-9]*/{DESCRIPTOR}")):
        try:
            named.add(json.loads(path.read_text(encoding="utf-8"))[OWN]["state"])
        except (ValueError, KeyError, TypeError) as error:
            raise PercologError(
                f"{path}: expected the state that the revision was made from, found none "
                f"({error!r}); put the file back from a copy, or remove the revision"
            ) from error
    return named
